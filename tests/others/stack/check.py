#!/usr/bin/env python3
"""check.py FOLDER [SEEN]: formats of all cases; with a second argument prints one line a case."""
import json, os, re, sys, collections
LINE = re.compile(r"^\((\d+\.\d{6})\) (can\d) ([0-9A-F]{3}|[0-9A-F]{8})#((?:[0-9A-F]{2}){0,8})$")
ACC = {"module_power", "module_connector", "module_dead", "branch", "shared_supply", "line", "gateway", "overload", "not_configured", "stale_codes"}
BEN = {"stale_codes", "cranking", "sleep", "logger", "own_switch"}
def main(d, show=False):
    bad = 0; size = 0; sets = collections.Counter(); ros = collections.Counter(); kinds = collections.Counter()
    def say(c, x):
        nonlocal bad; bad += 1; print(c, x)
    for c in sorted(os.listdir(d)):
        p = os.path.join(d, c); t = json.load(open(p + "/truth.json"))
        for f in os.listdir(p): size += os.path.getsize(os.path.join(p, f))
        cnt = collections.defaultdict(list); first = last = None; err = 0; back = 0; n = 0
        for l in open(p + "/capture.log"):
            m = LINE.match(l)
            if not m: say(c, "line " + l); break
            w = float(m[1]); first = w if first is None else first
            if last is not None and w < last - .1: say(c, "clock back %f" % (last - w))
            last = max(w, last or w)
            if len(m[3]) == 8 and int(m[3], 16) & 0x20000000: err += 1; continue
            n += 1; cnt[m[2], int(m[3], 16)].append(w - first)
        span = last - first
        if n != t["frames"]: say(c, "frames %d %d" % (n, t["frames"]))
        if not 4.8 <= span <= 245 or n > 120000: say(c, "span %f frames %d" % (span, n))
        if t["roster"] != ("learned" if os.path.exists(p + "/sound-0.log") else "written" if os.path.exists(p + "/roster.toml") else "none"): say(c, "roster")
        for f in ("sound-0.log", "sound-1.log"):
            if os.path.exists(p + "/" + f):
                k = 0
                for l in open(p + "/" + f):
                    k += 1
                    if not LINE.match(l): say(c, f + l)
                if k < 200: say(c, f"{f} short {k}")
        if os.path.exists(p + "/roster.toml"):
            import tomllib; tomllib.load(open(p + "/roster.toml", "rb"))
        if t["set"] != "sound" and len(t["planted"]) != {"singles": 1, "pairs": 2}[t["set"]]: say(c, "planted")
        own = collections.Counter((u["channel"], i) for u in t["units"] for i in u["ids"])
        if any(x > 1 for x in own.values()): say(c, "id twice %s" % [k for k, x in own.items() if x > 1])
        blamed = {i for f in t["planted"] for i in f["nodes"]}
        for k, u in enumerate(t["units"]):
            for i in u["ids"]:
                if k not in blamed and ("can%d" % u["channel"], int(i, 16)) not in cnt: say(c, f"{u['name']} never sends {i}")
        for f in t["planted"]:
            kinds[f["fault"]] += 1
            if not set(f["accept"]) <= ACC or f["really"] not in f["accept"]: say(c, "class")
            for a, b in f["when"]:
                if not (0 <= a < b <= span + .01): say(c, "when %s %f" % (f["when"], span))
            if any(i >= len(t["units"]) for i in f["nodes"]): say(c, "nodes")
            for i in f["nodes"]:
                if t["vehicle"] != "truck" and not t["units"][i]["ids"]: say(c, f"{f['fault']}: {t['units'][i]['name']} has no ids")
        for b, l in t["besides"]:
            if b not in BEN: say(c, b)
        sets[t["set"]] += 1; ros[t["roster"]] += 1
        if show: print(c, t["vehicle"], "%.1fs" % span, n, "err", err, t["roster"], "loads", t["loads"], t["key"], "|", "; ".join(f["fault"] + " " + str([t["units"][i]["name"] for i in f["nodes"]]) + " " + f["how"] + " " + str(f["when"][:5]) for f in t["planted"]), "|", t["besides"])
    print(dict(sets), dict(ros), dict(kinds), "bytes", size, "bad", bad)
main(*sys.argv[1:3])
