"""python3 look.py CASE: truth and, per unit, when it was heard (a column is a hundredth of the span)."""
import json, sys
from check_read import read
d = sys.argv[1]
t = json.load(open(d + "/truth.json"))
seen, last, n, err, back = read(d + "/capture.log")
print(d, t["vehicle"], "|", t["key"], "| %.1f s, %d frames" % (last, n), "roster", t["roster"], "scans", t["scans"], "clears", t["clears"], "loads", t["loads"], "errors", t["errors"], "gw", t["gateway"])
for p in t["planted"]: print("  PLANTED", p["fault"], p["really"], p["nodes"], p["how"], [tuple(w) for w in p["when"][:8]])
print("  besides", t["besides"])
for i, u in enumerate(t["units"]):
    c = [0] * 100
    for x in u["ids"]:
        for q in seen.get((u["channel"], int(x, 16)), []): c[min(99, int(q / last * 100))] += 1
    m = max(c) or 1
    print("%2d %-18s %d |%s|" % (i, u["name"], u["channel"], "".join(" .:+#"[min(4, -(-4 * k // m))] for k in c)))
