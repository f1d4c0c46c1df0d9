"""Sets of time spans: sorted lists of (start, end)."""


def norm(s):
    out = []
    for a, b in sorted(x for x in s if x[1] > x[0]):
        if out and a <= out[-1][1] + 1e-9:
            out[-1] = (out[-1][0], max(out[-1][1], b))
        else:
            out.append((a, b))
    return out


def inter(p, q):
    out = []
    for a, b in p:
        for c, d in q:
            if max(a, c) < min(b, d):
                out.append((max(a, c), min(b, d)))
    return norm(out)


def minus(p, q):
    out = list(p)
    for c, d in q:
        nxt = []
        for a, b in out:
            if d <= a or c >= b:
                nxt.append((a, b))
                continue
            if a < c:
                nxt.append((a, c))
            if d < b:
                nxt.append((d, b))
        out = nxt
    return norm(out)


def union(*ps):
    return norm([x for p in ps for x in p])


def inside(p, t):
    return any(a <= t < b for a, b in p)


def total(p):
    return sum(b - a for a, b in p)
