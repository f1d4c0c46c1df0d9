"""check.py SET: formats of all cases of a set, and whether what truth says is in the recording."""
import collections
import glob
import json
import os
import re
import sys
import tomllib

LINE = re.compile(r"^\((\d+\.\d{6})\) can(\d) ([0-9A-F]{3}|[0-9A-F]{8})#((?:[0-9A-F]{2}){0,8})$")
BENIGN = {"sleep", "cranking", "logger", "own_switch", "stale_codes"}
CLASSES = {"module_power", "module_connector", "module_dead", "branch", "shared_supply", "line", "gateway", "overload",
           "not_configured", "stale_codes"}
words = set()
for l in open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../../../shared/facts/network-codes.tsv")):
    p = l.split("\t")
    if len(p) > 1 and p[1].lower().startswith("lost communication with "):
        words.add(p[1][24:].strip().lower())


def read(f):
    out = []
    for n, l in enumerate(open(f)):
        m = LINE.match(l.rstrip("\n"))
        assert m, (f, n, l)
        out.append((float(m[1]), int(m[2]), m[3], m[4]))
    return out


def main(folder):
    bad, c, size, hist = [], collections.Counter(), 0, collections.Counter()
    for p in sorted(glob.glob(folder + "/*/truth.json")):
        d = os.path.dirname(p)
        n = os.path.basename(d)
        t = json.load(open(p))
        size += sum(os.path.getsize(x) for x in glob.glob(d + "/*"))

        def say(*x):
            bad.append((n,) + x)
        try:
            fr = read(d + "/capture.log")
        except AssertionError as e:
            say("line", e)
            continue
        data = [x for x in fr if not (len(x[2]) == 8 and int(x[2], 16) & 0x20000000)]
        if len(data) != t["frames"] or len(fr) > 120000:
            say("frames", len(data), t["frames"])
        if any(b[0] < a[0] for a, b in zip(fr, fr[1:])):
            say("time goes back")
        span = fr[-1][0] - fr[0][0]
        hist[min(9, int(span // 10))] += 1
        if not 3 <= span <= 240:
            say("span", span)
        sent = collections.Counter((ch, int(i, 16)) for _, ch, i, _ in data)
        owner = {}
        for k, u in enumerate(t["units"]):
            for i in u["ids"]:
                key = (u["channel"], int(i, 16))
                if key not in sent and not any(k in f["nodes"] for f in t["planted"]):
                    say("not sent", u["name"], i)
                if key in owner and not t["gateway"] in (k, owner[key]):
                    say("two owners", i, u["name"])
                owner[key] = k
            if t["vehicle"] != "truck" and u["called"] not in words:
                say("called", u["called"])
        if t["gateway"] is not None and not 0 <= t["gateway"] < len(t["units"]):
            say("gateway")
        for f in t["planted"]:
            c[f["fault"]] += 1
            if f["really"] not in f["accept"] or not set(f["accept"]) <= CLASSES:
                say("classes", f)
            for a, b in f["when"]:
                if not 0 <= a <= b <= span + 3:
                    say("when", a, b, span)
            for k in f["nodes"]:
                if not 0 <= k < len(t["units"]):
                    say("node", k)
        for b, l in t["besides"]:
            if b not in BENIGN:
                say("besides", b)
            c["+" + b] += 1
        c["roster " + t["roster"]] += 1
        c[t["vehicle"]] += 1
        c["scan"] += bool(t["scans"])
        if t["roster"] == "written":
            for x in tomllib.load(open(d + "/roster.toml", "rb"))["node"]:
                assert x["name"] and x["channel"].startswith("can")
        logs = glob.glob(d + "/sound-*.log")
        if (t["roster"] == "learned") != bool(logs):
            say("roster files")
        for x in logs:
            try:
                read(x)
            except AssertionError as e:
                say("line", e)
        if (t["set"] == "sound") != (not t["planted"]):
            say("set")
        un = sum(k for x, k in sent.items() if x not in owner)
        c["unowned %d0 percent" % (10 * un // len(data))] += 1
    for x in bad[:30]:
        print(x)
    print(len(bad), "complaints; MB", size // 2**20)
    print(sorted(c.items()))
    print("spans in tens of seconds", sorted(hist.items()))


main(sys.argv[1])
