"""look.py CASE: gaps of every unit's identifiers, and code answers, for checking by eye."""
import json, sys, collections
d = sys.argv[1]; t = json.load(open(d + "/truth.json")); T = collections.defaultdict(list); first = None; dtc = []
for l in open(d + "/capture.log"):
    a, ch, f = l.split(); w = float(a[1:-1]); first = first or w; i, x = f.split("#"); T[ch, i].append(w - first)
    if x[2:4] == "59" or x[4:6] == "59" or x[2:4] == "58" or x[2:6] == "7F": dtc.append("%.2f %s %s" % (w - first, i, x))
print(t["key"], t["roster"], t["besides"], "gw", t["gateway"], "scans", t["scans"], t["clears"])
for p in t["planted"]: print(p["fault"], p["nodes"], p["how"], p["when"])
end = max(x[-1] for x in T.values())
for n, u in enumerate(t["units"]):
    out = []
    for i in u["ids"]:
        k = ("can%d" % u["channel"], i[2:]); ts = T.get(k, [])
        if len(ts) < 3: out.append("%s:n=%d" % (i, len(ts))); continue
        g = sorted(b - a for a, b in zip(ts, ts[1:])); per = g[len(g) // 2]
        big = ["%.2f-%.2f" % (a, b) for a, b in zip([0] + ts, ts + [end]) if b - a > max(4 * per, .06)]
        out.append("%s:%.0fms %s" % (i, per * 1000, " ".join(big[:6]) + ("..%d" % len(big) if len(big) > 6 else "")))
    print(n, u["name"], "*" if any(n in p["nodes"] for p in t["planted"]) else "", " | ".join(out[:5]))
print(len(dtc), dtc[:14])
