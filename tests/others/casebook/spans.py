"""Small helpers for lists of time spans [(a, b), ...], sorted and without overlap."""


def union(*lists):
    out = []
    for a, b in sorted(x for l in lists for x in l if x[1] > x[0]):
        if out and a <= out[-1][1]:
            if b > out[-1][1]:
                out[-1][1] = b
        else:
            out.append([a, b])
    return [(a, b) for a, b in out]


def inter(x, y):
    out, i, j = [], 0, 0
    while i < len(x) and j < len(y):
        a, b = max(x[i][0], y[j][0]), min(x[i][1], y[j][1])
        if b > a:
            out.append((a, b))
        if x[i][1] < y[j][1]:
            i += 1
        else:
            j += 1
    return out


def minus(x, y):
    out = []
    for a, b in x:
        for c, d in y:
            if d <= a:
                continue
            if c >= b:
                break
            if c > a:
                out.append((a, c))
            a = max(a, d)
            if a >= b:
                break
        if b > a:
            out.append((a, b))
    return out


def holds(x, t):
    for a, b in x:
        if a <= t < b:
            return True
        if a > t:
            return False
    return False


def bridge(x, gap):
    """Close gaps shorter than gap (a hold-up capacitor does that to supply)."""
    out = []
    for a, b in x:
        if out and a - out[-1][1] < gap:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


def length(x):
    return sum(b - a for a, b in x)
