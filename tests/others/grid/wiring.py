"""The wiring diagram. Elements have a state over time; paths of elements feed and connect the units.

Supply elements: state = resistance in ohm (0 sound, 1e6 open). Bus elements: state = share of broken
frames (0 sound, 1 open, between: contact that comes and goes faster than a frame)."""
from bisect import bisect_right

OPEN = 1e6


class Element:
    __slots__ = ("name", "kind", "ts", "vs")

    def __init__(s, name, kind):
        s.name, s.kind, s.ts, s.vs = name, kind, [-1e9], [0.]

    def at(s, t):
        return s.vs[bisect_right(s.ts, t) - 1]

    def put(s, a, b, val):
        """State val from a to b (later calls must lie later, or elsewhere)."""
        after = s.at(b)
        ts, vs = [], []
        for t, x in zip(s.ts, s.vs):
            if t < a or t > b:
                ts.append(t); vs.append(x)
        ts += [a, b]; vs += [val, after]
        o = sorted(range(len(ts)), key=lambda i: ts[i])
        s.ts, s.vs = [ts[i] for i in o], [vs[i] for i in o]

    @property
    def touched(s):
        return len(s.ts) > 1


class Wiring:
    def __init__(s):
        s.el = {}

    def add(s, name, kind):
        if name not in s.el:
            s.el[name] = Element(name, kind)
        return s.el[name]


def draw_wiring(rng, v):
    w = v.w = Wiring()
    # supply: per feed one or several fuses, behind relays
    byfeed = {}
    for u in v.units:
        byfeed.setdefault({"wake": "batt"}.get(u.feed, u.feed), []).append(u)
    n = 0
    for feed, us in sorted(byfeed.items()):
        us = us[:]
        rng.shuffle(us)
        while us:
            k = min(len(us), rng.choice([1, 1, 2, 2, 3, 4, 6]))
            grp, us = us[:k], us[k:]
            n += 1
            head = []
            if feed != "batt":
                head.append(w.add("relay " + {"ign": "ignition", "acc": "accessory", "relay": "main"}[feed], "relay").name)
            head.append(w.add("fuse F%d" % n, "fuse").name)
            cut = rng.randint(0, k) if k > 2 else 0
            for i, u in enumerate(grp):
                p = head[:]
                if i < cut and cut >= 2:
                    p.append(w.add("supply splice S%d" % n, "splice").name)
                p.append(w.add("supply pin of " + u.name, "pin").name)
                u.supply = p
    g = rng.randint(2, 6)
    for u in v.units:
        gp = w.add("ground point G%d" % rng.randint(1, g), "ground").name
        u.supply += [w.add("ground pin of " + u.name, "pin").name, gp]
    # bus lines: the root is where the recorder is attached
    for u in v.units:
        u.path = {}
    v.topo = []
    for b in range(v.nbus):
        us = [u for u in v.units if b in u.buses]
        rng.shuffle(us)
        style = rng.choice(["backbone", "backbone", "packs", "packs", "daisy"])
        v.topo.append(style)
        root = rng.randrange(len(us) + 1)
        if b and v.gw:
            us.remove(v.gw)
            us.insert(root := rng.randrange(len(us) + 1), v.gw)
        if style == "packs":
            np = rng.randint(2, max(2, min(5, len(us) // 2)))
            par = [None] + [rng.randrange(i) for i in range(1, np)]
            for j, u in enumerate(us):
                k = 0 if b and u is v.gw else rng.randrange(np)
                p = []
                while k:
                    p.append(w.add("inline connector %d.%d" % (b, k), "inline").name)
                    k = par[k]
                u.path[b] = p[::-1]
        else:
            cl = rng.choice([1, 2, 3])
            for j, u in enumerate(us):
                lo, hi = min(root, j), max(root, j)
                segs = list(range(lo, hi))
                if j < root:
                    segs = segs[::-1]
                if style == "daisy":
                    u.path[b] = [w.add("through pins %d.%d" % (b, i), "inline").name for i in segs]
                else:
                    u.path[b] = [w.add("main line joint %d.%d" % (b, i // cl), "inline").name for i in segs if i % cl == 0]
        for u in us:
            u.path[b].append(w.add("stub of %s on %d" % (u.name, b), "stub").name)
        for e in (1, 2):
            w.add("terminator %d.%d" % (b, e), "term")
        w.add("wires %d" % b, "wires")
    v.reflect = [rng.uniform(.03, .45) for _ in range(v.nbus)]   # broken frames without one terminator


def supply_off(v, u, vbat, t0, t1):
    """Intervals in which the unit's program does not run for want of voltage; vbat: [(t, volts)]."""
    els = [v.w.el[n] for n in u.supply]
    k = v.volts / 12.
    ts = sorted({t0, *[t for t, _ in vbat], *[t for e in els for t in e.ts if t > t0], *[t for t, _ in u.loads]})
    ts = [t for t in ts if t0 <= t < t1] + [t1]
    bt, bv = [t for t, _ in vbat], [x for _, x in vbat]
    lt, lv = [t for t, _ in u.loads], [x for _, x in u.loads]
    low, off = None, []
    down = False
    for a, b in zip(ts, ts[1:]):
        r = 0.
        for e in els:
            r += e.at(a)
        amps = u.amps * .3
        if lt and a >= lt[0]:
            amps = lv[bisect_right(lt, a) - 1]
        i = bisect_right(bt, a) - 1
        volts = (bv[max(i, 0)] - min(amps * r / k, 99)) if r < OPEN / 2 else 0.
        lim = u.brown + (.6 if low is not None else 0.)
        if volts * (1 if k == 1 else 1 / k) < lim:
            if low is None:
                low = a
        elif low is not None:
            if a - low > u.holdup:
                off.append((low + u.holdup, a))
            low = None
    if low is not None and t1 - low > u.holdup:
        off.append((low + u.holdup, t1 + 1))
    return off
