#!/usr/bin/env python3
"""Shows one case: per unit, frames per slice of time (60 slices), beside the truth."""
import json
import sys
d = sys.argv[1]
t = json.load(open(d + "/truth.json"))
own = {}
for n, u in enumerate(t["units"]):
    for i in u["ids"]:
        own[u["channel"], i[2:]] = n
rows = [s.split() for s in open(d + "/capture.log")]
tm = [float(x[0][1:-1]) for x in rows]
t0, dur = tm[0], tm[-1] - tm[0]
grid, diag = {}, {}
ans = {u["answer"][2:]: n for n, u in enumerate(t["units"]) if u["answer"]}
for x, s in zip(tm, rows):
    i = s[2].split("#")[0]
    n = own.get((int(s[1][3:]), i), "ans %02d" % ans[i] if i in ans else "err" if i.startswith("2000") else "other")
    g = grid.setdefault(n, [0] * 60)
    g[min(59, int((x - t0) / dur * 60))] += 1
print(d, t["vehicle"], t["key"], "dur %.1f" % dur, "roster", t["roster"], "scans", t["scans"], "clears", t["clears"], "gw", t["gateway"], t["loads"])
for p in t["planted"]:
    print("  ", p)
print("  ", t["besides"])
for n, u in enumerate(t["units"]):
    grid.setdefault(n, [0] * 60)
for n in sorted(grid, key=str):
    g = grid[n]
    m = max(g) or 1
    name = t["units"][n]["name"] + " c%d" % t["units"][n]["channel"] if isinstance(n, int) else ""
    print("%6s %-18s %6d |%s|" % (n, name, sum(g), "".join(" " if not k else ".:-=+*#%@"[min(8, k * 9 // (m + 1))] for k in g)))
