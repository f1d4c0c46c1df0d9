"""look.py CASE…: what truth says, and the gaps the recording shows for the units it names."""
import collections
import json
import sys

for d in sys.argv[1:]:
    t = json.load(open(d + "/truth.json"))
    print("==", d, t["platform"], "|", t["key"], "| roster", t["roster"], "| scans", t["scans"], t["clears"], "| loads", t["loads"], t["frames"])
    fr, err = [], 0
    for l in open(d + "/capture.log"):
        a, c, f = l.split()
        i, x = f.split("#")
        if len(i) == 8 and int(i, 16) & 0x20000000:
            err += 1
        else:
            fr.append((float(a[1:-1]), int(c[3]), int(i, 16), x))
    z = fr[0][0]
    print("   span %.2f errors %d besides %s" % (fr[-1][0] - z, err, t["besides"]))
    by = collections.defaultdict(list)
    for a, c, i, x in fr:
        by[(c, i)].append(a - z)
    for f in t["planted"]:
        print("  ", f["fault"], f["really"], [t["units"][k]["name"] for k in f["nodes"]], f["how"], f["when"][:8])
        for k in f["nodes"]:
            u = t["units"][k]
            print("     ", u["name"], "ch", u["channel"], u["ids"], u["answer"])
            for i in u["ids"][:4]:
                s = by[(u["channel"], int(i, 16))]
                g = sorted(((b - a, a) for a, b in zip(s, s[1:])), reverse=True)[:4]
                m = sorted(b - a for a, b in zip(s, s[1:]))
                print("        %s n=%d first %.2f last %.2f median %.3f gaps %s" % (i, len(s), s[0], s[-1], m[len(m) // 2] if m else 0, ["%.2f@%.2f" % x for x in g]))
