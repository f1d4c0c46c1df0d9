#!/usr/bin/env python3
"""Lists the codes in a case's answers (59 02, DM1 single frames)."""
import json
import sys
d = sys.argv[1]
t = json.load(open(d + "/truth.json"))
ans = {u["answer"][2:]: u["name"] for u in t["units"] if u["answer"]}
num = {}
buf, out, t0 = {}, {}, None
for s in open(d + "/capture.log"):
    a, c, x = s.split()
    tm = float(a[1:-1])
    t0 = tm if t0 is None else t0
    i, h = x.split("#")
    b = bytes.fromhex(h)
    if i in ans and b:
        if b[0] >> 4 == 0:
            m = b[1:1 + b[0]]
        elif b[0] >> 4 == 1:
            buf[i] = [(b[0] & 15) << 8 | b[1], b[2:]]
            continue
        elif b[0] >> 4 == 2 and i in buf:
            buf[i][1] += b[1:]
            if len(buf[i][1]) < buf[i][0]:
                continue
            m = (lambda q: q[1][:q[0]])(buf.pop(i))
        else:
            continue
        if m[:2] == b"\x59\x02":
            n = [(m[k:k + 3].hex(), m[k + 3:k + 4].hex()) for k in range(3, len(m) - 3, 4)]
            print("%8.3f %-12s %s" % (tm - t0, ans[i], n))
        elif m[:1] in (b"\x43", b"\x58", b"\x62", b"\x54", b"\x47"):
            print("%8.3f %-12s %s" % (tm - t0, ans[i], m.hex()))
    elif len(i) == 8 and i[2:6] in ("FECA", "FECB") and h[4:12] != "00000000":
        k = (i, h)
        out[k] = out.get(k, 0) + 1
for (i, h), n in out.items():
    print("DM", i, h, "x", n)
