#!/usr/bin/env python3
"""Checks the form of every case in a folder, and that what truth says is seen in the frames."""
import json
import os
import re
import sys
from collections import Counter

LINE = re.compile(r"^\((\d+\.\d{6})\) can([01]) ([0-9A-F]{3}|[0-9A-F]{8})#((?:[0-9A-F]{2}){0,8})$")
KEYS = "family case set vehicle key planted besides units gateway errors loads frames roster scans clears".split()


def lines(path, bad):
    out, last = [], 0
    for s in open(path):
        m = LINE.match(s.rstrip("\n"))
        if not m:
            bad.append(f"{path}: {s!r}")
            continue
        t = float(m[1])
        if t < last:
            bad.append(f"{path}: time runs back {s!r}")
        last = t
        out.append((t, int(m[2]), m[3], m[4]))
    return out


def check(d):
    bad = []
    t = json.load(open(d + "/truth.json"))
    bad += ["no " + k for k in KEYS if k not in t]
    rows = lines(d + "/capture.log", bad)
    t0, dur = rows[0][0], rows[-1][0] - rows[0][0]
    if not 5 <= dur <= 240.5 or len(rows) >= 120000 or len(rows) != t["frames"]:
        bad.append(f"span {dur} frames {len(rows)} {t['frames']}")
    have = {"learned": "sound-0.log", "written": "roster.toml"}
    for k, f in have.items():
        if os.path.exists(f"{d}/{f}") != (t["roster"] == k):
            bad.append("roster " + t["roster"])
    seen = {(c, i) for _, c, i, _ in rows}
    if t["roster"] == "learned":
        for k in "01":
            seen |= {(c, i) for _, c, i, _ in lines(f"{d}/sound-{k}.log", bad)}
    own = {}
    for n, u in enumerate(t["units"]):
        for i in u["ids"]:
            k = (u["channel"], i[2:])
            if k in own and own[k] != n:
                bad.append(f"{i} of two units {own[k]} {n}")
            own[k] = n
        if u["ids"] and not any((u["channel"], i[2:]) in seen for i in u["ids"]) and not any(n in p["nodes"] for p in t["planted"]) and t["planted"]:
            bad.append(f"unit {n} {u['name']} never heard, not planted")
    diag = {u[k][2:] for u in t["units"] for k in ("answer", "request") if u[k]}
    known = {i for _, i in own}     # copies of the gateway on the other bus are nobody's in truth
    strange = {i for _, c, i, _ in rows if i not in known and i not in diag and not i.startswith("20000")}
    for p in t["planted"]:
        if p["fault"] in ("stale", "mended"):
            continue
        for a, b in p["when"]:
            if not 0 <= a < b <= dur + .01:
                bad.append(f"when {a} {b} outside {dur}")
        if not p["when"]:
            bad.append("no when")
        # frames of the nodes inside the outages
        if p["fault"] in ("power intermittent", "open stub", "branch", "shared supply", "silent from the middle", "silent from the start", "restraint", "gateway"):
            for n in p["nodes"]:
                ids = {(t["units"][n]["channel"], i[2:]) for i in t["units"][n]["ids"]}
                k = sum((c, i) in ids and any(a + .06 < x - t0 < b - .06 for a, b in p["when"]) for x, c, i, _ in rows)
                if k > 8 and k > .1 * sum((c, i) in ids for _, c, i, _ in rows):
                    bad.append(f"{p['fault']}: {k} frames of unit {n} inside its outage")
    return t, bad, strange, dur


def main():
    c, wrong, sizes = Counter(), 0, 0
    root = sys.argv[1]
    for d in sorted(os.listdir(root)):
        t, bad, strange, dur = check(os.path.join(root, d))
        c.update(p["fault"] for p in t["planted"])
        c["roster " + t["roster"]] += 1
        c[t["vehicle"]] += 1
        c["with scans"] += bool(t["scans"])
        c.update("besides " + b[0] for b in t["besides"])
        c["set " + t["set"]] += 1
        sizes += t["frames"]
        if len(strange) > 8:
            bad.append(f"identifiers of nobody: {len(strange)} {sorted(strange)[:6]}")
        if bad:
            wrong += 1
            print(d, [p["fault"] for p in t["planted"]], bad[:4], len(bad))
    print(dict(c))
    print("frames", sizes, "cases with faults of form:", wrong)


if __name__ == "__main__":
    main()
