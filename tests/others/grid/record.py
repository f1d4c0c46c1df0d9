"""What the recorder makes of it, and the text files."""


class Recorder:
    def __init__(s, rng, plain=False):
        s.rng = rng
        s.tick = rng.choice([1e-6] * 6 + [1e-5, 1e-4, 1e-4, 1e-3, 1e-3, .01])
        s.base = rng.choice([0., rng.uniform(1.5e9, 1.75e9), rng.uniform(1.5e9, 1.75e9), rng.uniform(10, 9000)])
        s.loss = rng.choice([0] * 20 + [.0005, .003, .02]) if not plain else 0
        s.npause = rng.choice([0] * 22 + [1, 2, 4]) if not plain else 0
        s.burst = rng.random() < .03 and not plain
        s.thin = rng.random() < .015 and not plain
        s.pad = rng.random() < .06
        s.pauses = []

    def record(s, log, dur):
        rng = s.rng
        for _ in range(s.npause):
            a = rng.uniform(.05, .9) * dur
            s.pauses.append((a, a + rng.uniform(.2, min(8, dur * .12))))
        if s.burst:
            a = rng.uniform(0, dur)
            while a < dur:
                s.pauses.append((a, a + rng.uniform(.005, .08)))
                a += rng.expovariate(.5)
        out = []
        log = sorted(log, key=lambda x: x[0])
        for x in log:
            t = x[0]
            if s.pauses and any(a < t < b for a, b in s.pauses):
                continue
            if s.loss and rng.random() < s.loss:
                continue
            if s.thin and (t % .02) > .004:
                continue
            out.append(x)
        bes = [["logger", []]] if s.loss >= .003 or s.pauses or s.thin else []
        return out, bes, out[0][0] if out else 0.

    def covers(s, when):
        """Not every bit of the fault may lie in the pauses."""
        return any(not any(a <= x + .01 and b >= y - .01 for a, b in s.pauses) for x, y in when)


def write(path, lines, rec):
    o = []
    tick, base = rec.tick, rec.base
    first = lines[0][0] if lines else 0
    big = tick >= 1e-4
    sp = "      " if rec.pad else " "
    for t, c, ident, ext, data in lines:
        t = base + t - first
        if tick > 1e-6:
            t = int(t / tick + 1e-6) * tick
        if ident is None:
            o.append("(%.6f) can%d%s20000088#0000%s0000000000\n" % (t, c, sp, data[2:3].hex().upper() or "00"))
        elif ext:
            o.append("(%.6f) can%d%s%08X#%s\n" % (t, c, sp, ident, data.hex().upper()))
        else:
            o.append("(%.6f) can%d%s%03X#%s\n" % (t, c, sp, ident, data.hex().upper()))
    with open(path, "w") as f:
        f.write("".join(o))


def loads(lines, v, span):
    n = {}
    for t, c, ident, ext, data in lines:
        n[c] = n.get(c, 0) + ((30 if ident is None else (67 if ext else 47) + 8 * len(data)) * 1.07)
    rate = {}
    for b, c in sorted(v.recorded.items(), reverse=True):
        rate[c] = v.rates[b]
    return [round(n.get(c, 0) / rate[c] / span, 3) for c in sorted(rate)]
