"""Trouble codes: who watches whom and notices, what undervoltage, bus-off and a strange unit leave, and what is old."""
from spans import norm, both, minus, where
from vehicle import Bag
from states import audible

INVALID = {0xC100: 0xC401, 0xC101: 0xC402, 0xC121: 0xC415, 0xC126: 0xC428, 0xC140: 0xC422, 0xC155: 0xC423, 0xC151: 0xC452, 0xC131: 0xC420, 0xC164: 0xC424}
SOFT = {0xC100: 0xC301, 0xC101: 0xC302, 0xC121: 0xC315, 0xC131: 0xC320, 0xC140: 0xC322, 0xC155: 0xC323}
ODD = [0x0171, 0x0420, 0x0101, 0x0128, 0x0300, 0x9013, 0x8022, 0x4035, 0x0442, 0x9A14, 0x5A02, 0x0480, 0x4051, 0x0597]


def noticed(r, v, w, st, S):
    """A list of codes: unit, number, failing spans (None: old, not failing), about (unit or None)."""
    out = []
    ign, crank = w.keys["ign"], [(a - .2, b + 1) for a, b in w.keys["crank"]]
    for u in v.units:
        en = minus(both(st.run[u.i], ign), norm(crank))
        start = [a for a, _ in ign]
        en = [(a + (u.grace if a > 0 else 0), b) for a, b in en if b - a > u.grace]
        if min(u.volts) < u.maskv:
            en = minus(en, [(a, b + .5) for a, b in where(w.T, -u.maskv, -u.maskv - .3, [-x for x in u.volts])])
        u.enabled = en
        for t in u.watch:
            heard = audible(v, st, S, u.i, t)
            if S.alien.get(t) == "ids":
                heard = []
            if u.vigil.get(t):                       # some watch messages that only come in some states: never judged
                continue
            lost = [(max(a, -50) + u.debounce, b) for a, b in minus(en, heard) if b - max(a, -50) > u.debounce]
            own = v.own.get(t, [])
            lost = minus(lost, own)
            T = v.units[t]
            slow = norm([(a, a + T.boot * 1.1 + 1.2 + u.grace * .3) for a, _ in ign if a > 0] + [(a, b + T.boot * 1.1 + 1.2) for a, b in crank])   # it knows how slow the other starts
            lost = [(a, b) for a, b in lost if not any(x <= a - u.debounce < y and b < y + .3 for x, y in slow)]
            if lost:
                out.append(Bag(unit=u.i, num=v.units[t].num, ft=u.ft, spans=lost, about=t, old=r.random() < .5))
        if u.lowcode and min(u.volts) < 9.2 * v.scale:
            low = both([s for s in where(w.T, -9 * v.scale, -9.5 * v.scale, [-x for x in u.volts]) if s[1] - s[0] > .6], minus(both(st.run[u.i], ign), []))
            if low:
                out.append(Bag(unit=u.i, num=u.lowcode, ft=0x16, spans=low, about=None, old=False))
        off = [(a, b) for a, b, c in S.short if c == u.ch and b - a > .05] + [(a, b) for a, b in S.stubone.get(u.i, []) if b - a > .05]
        off += [(a, b) for a, b, p in S.stuberr.get(u.i, []) if p > .84] + [(a, b) for a, b, p, c in S.err if c == u.ch and p > .4]
        off = both(norm(off), st.run[u.i])
        if off and u.boffcode:
            out.append(Bag(unit=u.i, num=u.boffcode, ft=r.choice([0x88, 0x00]), spans=off, about=None, old=r.random() < .4))
    for t, what in S.alien.items():
        T = v.units[t]
        if what == "blank":
            out.append(Bag(unit=t, num=r.choice([0xC300, 0x0610, 0xE100, 0xE101, 0x0602]), ft=r.choice([0x00, 0x55, 0x05, 0x51]), spans=[(-1, w.dur)], about=t, old=True))
        for u in v.units:
            if t in u.watch and r.random() < (.6 if what in ("blank", "lacks") else .25):
                out.append(Bag(unit=u.i, num=(SOFT if r.random() < .4 else INVALID).get(T.num, 0xC300), ft=r.choice([0, 0x56, 0x81, 0x87]), spans=[(-1, w.dur)], about=t, old=True))
    return out


def history(r, v, S, faulty):
    """Codes from before the recording: of the same fault in earlier drives, and of quite other days."""
    out = []
    for u in v.units:
        for t in u.watch:
            if t in faulty and r.random() < .5:
                out.append(Bag(unit=u.i, num=v.units[t].num, ft=u.ft, spans=None, about=t, old=True))
    stale = []
    for why, t in S.old + ([("other days", None)] if r.random() < .3 else []):
        if t is not None:
            for u in v.units:
                if t in u.watch and r.random() < .85:
                    stale.append((u.i, v.units[t].num, u.ft))
            if not stale:
                u = r.choice([x for x in v.units if x.i != t])
                stale.append((u.i, v.units[t].num, u.ft))
        elif why in ("jump start", "weak battery"):
            for u in v.units:
                if r.random() < .5:
                    stale.append((u.i, u.lowcode or 0x0562, 0x16))
                for t2 in u.watch:
                    if r.random() < .25:
                        stale.append((u.i, v.units[t2].num, u.ft))
        elif why == "scan with units unplugged" or why == "repair":
            for t2 in r.sample(range(len(v.units)), r.randint(1, 2)):
                for u in v.units:
                    if t2 in u.watch and r.random() < .8:
                        stale.append((u.i, v.units[t2].num, u.ft))
        else:
            for u in r.sample(v.units, r.randint(1, min(3, len(v.units)))):
                stale.append((u.i, r.choice(ODD) if r.random() < .6 or not u.watch else v.units[r.choice(u.watch)].num, r.choice([0, 0x11, 0x13, u.ft])))
    if S.old and not stale:
        u = r.choice(v.units)
        stale.append((u.i, 0xC100 if not v.truck else 0, 0x00))
    for i, n, f in stale:
        out.append(Bag(unit=i, num=n, ft=f, spans=None, about=None, old=True, stale=True))
    return out


def at(v, u, codes, t, clears):
    """(number, failure type, status) of unit u at time t."""
    res = {}
    last = max([c for c in clears if c <= t], default=-1e9)
    for c in codes:
        if c.unit != u.i:
            continue
        key = (c.num, c.ft)
        if c.spans is None:
            if last < 0:
                st = c.status
            else:
                continue
        else:
            s = [x for x in c.spans if x[0] <= t and x[1] > last]
            if not s:
                if c.old and last < 0:
                    st = 0x28
                else:
                    continue
            else:
                now = s[-1][1] > t - .1
                conf = u.cycles == 1 or c.old and last < 0
                st = 0x26 | (8 if conf else 0) | (1 if now else 0)
        res[key] = res.get(key, 0) | st
    return [(n, f, s & (u.smask if u.smask & s else 0xFF)) for (n, f), s in sorted(res.items())]
