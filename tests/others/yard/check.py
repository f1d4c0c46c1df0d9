"""python3 check.py SET: checks the form of all cases and counts what they hold."""
import collections
import json
import os
import sys
import tomllib

from check_read import bad, read

FAULTS = "power intermittent|open stub|corroded contact|silent from the start|silent from the middle|branch|shared supply|short|gateway|termination|dead|flood|foreign|stale|mended|restraint".split("|")
CLASSES = {"module_power", "module_connector", "module_dead", "branch", "shared_supply", "line", "gateway", "not_configured", "overload", "stale_codes"}
BESIDES = {"sleep", "cranking", "logger", "own_switch", "stale_codes"}
KEYS = "family case set vehicle key planted besides units gateway errors loads frames roster scans clears".split()
tally, size = collections.Counter(), 0




for d in sorted(os.listdir(sys.argv[1])):
    p = os.path.join(sys.argv[1], d)
    t = json.load(open(p + "/truth.json"))
    say = lambda *a: bad.append((d,) + a)
    seen, last, n, err, back = read(p + "/capture.log")
    size += sum(os.path.getsize(os.path.join(p, f)) for f in os.listdir(p))
    if sorted(KEYS) != sorted(t): say("keys", sorted(t))
    if n != t["frames"] or n >= 120000 or not 5 <= last <= 240.5: say("frames or span", n, last)
    if t["errors"]: say("errors", err)
    if back > .1: say("clock back", back)
    if (t["roster"] == "written") != os.path.exists(p + "/roster.toml") or (t["roster"] == "learned") != os.path.exists(p + "/sound-0.log"): say("roster")
    if t["roster"] == "written": tomllib.load(open(p + "/roster.toml", "rb"))
    for f in os.listdir(p):
        if f.startswith("sound"): read(os.path.join(p, f))
    if len(t["planted"]) != {"singles": 1, "pairs": 2, "sound": 0}[t["set"]]: say("planted")
    for q in t["planted"]:
        if q["fault"] not in FAULTS or not set(q["accept"]) <= CLASSES or q["really"] not in q["accept"]: say("fault", q)
        if any(not 0 <= a < b <= last + .05 for a, b in q["when"]) or any(i >= len(t["units"]) for i in q["nodes"]): say("when", q)
        if not q["when"] and q["fault"] not in ("stale", "mended"): say("no when", q["fault"])
        tally[t["set"], q["fault"]] += 1
        for i in q["nodes"]:
            u = t["units"][i]
            if q["fault"] == "silent from the start" and u["ids"]:
                own = [x for x in u["ids"] if seen.get((u["channel"], int(x, 16)))]
                if own: say("speaks though silent", u["name"], own)
    owners = collections.Counter((u["channel"], x) for u in t["units"] for x in u["ids"])
    for k, c in owners.items():
        if c > 1: tally["ids owned twice"] += 1
    mute = {i for q in t["planted"] for i in q["nodes"]}
    for i, u in enumerate(t["units"]):
        if u["ids"] and i not in mute and not any((c, int(x, 16)) in seen for x in u["ids"] for c in (0, 1)):
            tally["units never heard, not planted"] += 1
    known = {int(x, 16) for u in t["units"] for x in u["ids"] + [u["answer"] or "0x0", u["request"] or "0x0"]}
    stray = [hex(i) for c, i in seen if i not in known]
    tally["identifiers of nobody (tester, flood)"] += len(stray)
    for b in t["besides"]:
        if b[0] not in BESIDES: say("besides", b)
        tally["besides", b[0]] += 1
    tally["vehicle", t["vehicle"]] += 1; tally["roster", t["roster"]] += 1; tally["scan"] += bool(t["scans"]); tally["errors"] += bool(err)
    tally["channels", len(t["loads"])] += 1; tally["gateway"] += t["gateway"] is not None
for b in bad[:40]: print("BAD", *b)
for k in sorted(tally, key=str): print(k, tally[k])
print(len(bad), "bad;", size // 1000000, "MB")
