"""Reads one log."""
import collections
import re

LINE = re.compile(r"^\((\d+\.\d{6})\) can([01]) ([0-9A-F]{3}|[0-9A-F]{8})#((?:[0-9A-F]{2}){0,8})$")
bad = []


def read(path):
    seen, first, last, n, err, back = collections.defaultdict(list), None, 0, 0, set(), 0
    for x in open(path):
        m = LINE.match(x.rstrip("\n"))
        if not m:
            bad.append((path, x)); continue
        t = float(m[1]); first = t if first is None else first
        back = max(back, last - (t - first)); last = t - first; n += 1
        i = int(m[3], 16)
        if i & 0x20000000:
            err.add(int(m[2]))
        else:
            seen[int(m[2]), i].append(last)
    return seen, last, n, err, back
