"""Sets of time, kept as sorted lists of (start, end)."""
from bisect import bisect_right


def norm(s, glue=0.0):
    out = []
    for a, b in sorted(x for x in s if x[1] > x[0]):
        if out and a <= out[-1][1] + glue:
            if b > out[-1][1]:
                out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


def both(s, t):
    out, i, j = [], 0, 0
    while i < len(s) and j < len(t):
        a, b = max(s[i][0], t[j][0]), min(s[i][1], t[j][1])
        if a < b:
            out.append((a, b))
        if s[i][1] < t[j][1]:
            i += 1
        else:
            j += 1
    return out


def minus(s, t):
    out, j = [], 0
    for a, b in s:
        while j < len(t) and t[j][1] <= a:
            j += 1
        k = j
        while k < len(t) and t[k][0] < b:
            if t[k][0] > a:
                out.append((a, t[k][0]))
            a = max(a, t[k][1])
            k += 1
        if a < b:
            out.append((a, b))
    return out


def inside(s, t):
    """The span of s that holds t, or None."""
    i = bisect_right(s, (t, 1e18)) - 1
    return s[i] if i >= 0 and s[i][0] <= t < s[i][1] else None


def total(s):
    return sum(b - a for a, b in s)


def where(T, on, off, x, start=False):
    """Spans in which the series x is above `on`, held until it is below `off` (hysteresis)."""
    out, state, a = [], start, T[0]
    for t, v in zip(T, x):
        if not state and v > on:
            state, a = True, t
        elif state and v < off:
            state = False
            out.append((a, t))
    if state:
        out.append((a, T[-1]))
    return [s for s in out if s[1] > s[0]]
