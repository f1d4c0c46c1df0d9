"""Spans of time: sorted lists of (begin, end) pairs that do not touch."""
from bisect import bisect_right

INF = 1e9


def norm(sp):
    out = []
    for a, b in sorted((a, b) for a, b in sp if b > a):
        if out and a <= out[-1][1]:
            if b > out[-1][1]:
                out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


def union(*many):
    return norm([x for sp in many for x in sp])


def inter(p, q):
    out, i, j = [], 0, 0
    while i < len(p) and j < len(q):
        a, b = max(p[i][0], q[j][0]), min(p[i][1], q[j][1])
        if b > a:
            out.append((a, b))
        if p[i][1] < q[j][1]:
            i += 1
        else:
            j += 1
    return out


def invert(p):
    out, t = [], -INF
    for a, b in p:
        if a > t:
            out.append((t, a))
        t = b
    if t < INF:
        out.append((t, INF))
    return out


def minus(p, q):
    return inter(p, invert(q)) if q else list(p)


def has(p, t):
    """Whether the moment t lies in one of the spans."""
    i = bisect_right(p, (t, INF * 2)) - 1
    return i >= 0 and p[i][0] <= t < p[i][1]


def length(p):
    return sum(b - a for a, b in p)


def curve(points, t):
    """Straight lines between points [(t, value)]."""
    i = bisect_right(points, (t, INF)) - 1
    if i < 0:
        return points[0][1]
    if i + 1 >= len(points):
        return points[-1][1]
    (a, x), (b, y) = points[i], points[i + 1]
    return x if b <= a else x + (y - x) * (t - a) / (b - a)
