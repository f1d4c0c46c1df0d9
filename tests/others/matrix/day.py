"""What the driver does, and from it the terminals, the voltage, who is awake and who has supply."""
import math
from spans import norm, inter, minus, union, inside

FAR = 1e6


class Day:
    pass


def draw(r, v, want=None, longest=100.0):
    d = Day()
    d.pre = 3.0                                      # simulated before the recording starts
    d.kind = want or r.choices(["running", "ignition", "keyon", "start", "keyoff", "cycle", "coffee", "startstop", "acc"],
                               [24, 16, 9, 13, 10, 9, 6, 6, 7])[0]
    d.T = round(r.choice([r.uniform(6, 15), r.uniform(12, 30), r.uniform(12, 30), r.uniform(25, 60), r.uniform(50, 150)]), 3)
    d.T = round(max(6, min(d.T, longest)), 3)
    T = d.T
    ign, acc, crank, eng, wake = [], [], [], [], []
    k = d.kind

    def start(t):
        n = r.choice([1, 1, 1, 1, 2])                # sometimes the first attempt fails
        for i in range(n):
            c = r.uniform(.4, 1.6)
            crank.append((t, t + c))
            t += c + (r.uniform(1, 2.5) if i < n - 1 else 0)
        return t
    if k in ("running", "startstop"):
        ign, eng = [(-FAR, FAR)], [(-FAR, FAR)]
        d.words = "engine runs"
        if k == "startstop":
            eng, t = [(-FAR, r.uniform(.15, .3) * T)], 0
            while len(eng) < 4:
                t = eng[-1][1] + r.uniform(2, 8)
                if t > T - 2:
                    break
                crank.append((t, t + r.uniform(.25, .5)))
                eng.append((crank[-1][1], crank[-1][1] + r.uniform(4, 25)))
            eng[-1] = (eng[-1][0], FAR) if t <= T - 2 else eng[-1]
            d.words = "drives, engine stops and starts by itself"
    elif k == "ignition":
        ign = [(-FAR, FAR)]
        d.words = "key on, engine off"
    elif k in ("keyon", "start", "acc"):
        t = r.uniform(.05, .25) * T
        ign = [(t, FAR)]
        wake = [(t - r.uniform(.3, 6), t)] if r.random() < .6 else []
        if k == "acc":
            acc = [(-FAR, FAR)] if r.random() < .5 else [(t * .3, FAR)]
            wake = list(acc)
            ign = [(r.uniform(.3, .6) * T, FAR)] if r.random() < .7 else []
        if k == "start" or r.random() < .2 and ign:
            e = start(ign[0][0] + r.uniform(.3, 6))
            eng = [(e, FAR)]
        d.words = {"keyon": "switches the key on", "start": "key on, then start", "acc": "listens to the radio, then the key"}[k]
    elif k in ("keyoff", "cycle"):
        t = r.uniform(.3, .7) * T
        ign, eng = [(-FAR, t)], [(-FAR, t)] if r.random() < .7 else []
        if r.random() < .7:                          # opens the door, locks
            wake = [(t + r.uniform(1, 5), t + r.uniform(5, 9))]
        d.words = "switches off and waits"
        if k == "cycle":
            t2 = t + r.choice([r.uniform(.5, 2), r.uniform(2, 8)])
            ign.append((t2, FAR))
            if r.random() < .6:
                eng.append((start(t2 + r.uniform(.3, 3)), FAR))
            d.words = "key off and on again"
    else:
        t = r.uniform(.1, .3) * T
        wake = [(-FAR if r.random() < .5 else -1, t)]
        while wake[-1][1] < T * .8:
            t = wake[-1][1] + r.uniform(3, 12)
            wake.append((t, t + r.uniform(1, 5)))
        d.words = "coffee break: doors only, vehicle parked"
        if r.random() < .5:
            ign = [(T * .8, FAR)]
    d.ign, d.crank, d.eng = norm(ign), norm(crank), norm(eng)
    d.shed = r.random() < .6                          # accessory is off while cranking
    a = union(ign, acc)
    d.acc = minus(a, d.crank) if d.shed else a
    hold = r.choice([1, 2, 4, 10])
    d.wake = union([(x, y + hold) for x, y in union(d.ign, wake, acc)])
    d.events = sorted(r.uniform(0, T) for _ in range(r.choice([0, 2, 5, 12])))     # doors, buttons
    d.vmin = r.gauss(8.3, 1.3) if k != "startstop" else r.gauss(10.3, .8)
    d.vmin = min(11, max(5, d.vmin))
    d.vbat, d.vchg = r.uniform(11.9, 12.7), r.uniform(13.5, 14.5)
    d.f24 = 2 if v.kind == "truck" and v.era == "truck" else 1
    d.ph, d.cruise = r.random() * 9, r.choice([0, 0, 30, 70, 110])
    # user switches
    d.switched = {}
    for i, u in enumerate(v.units):
        if u.switchable and r.random() < .16:
            if r.random() < .6:
                d.switched[i] = [(r.uniform(.2, .8) * T, FAR)]
            else:
                x = r.uniform(.1, .6) * T
                d.switched[i] = [(x, x + r.uniform(1, .5 * T))]
    d.awake = {}
    for i, u in enumerate(v.units):
        d.awake[i] = base(d, u, i)
    return d


def base(d, u, i):
    """When the unit would run, were all fuses, grounds and wires sound."""
    if u.feed == "kl15":
        s = d.ign
    elif u.feed == "klr":
        s = d.acc
    elif u.feed == "kl87":
        s = union([(a, b + u.after) for a, b in d.ign])
    else:
        s = d.wake
    if i in d.switched:
        s = minus(s, d.switched[i])
    return s


def weak(d, u):
    """Spans in which the supply under cranking falls below what the unit's regulator needs."""
    if u.vreset <= d.vmin:
        return []
    return [(a + .01, a + .01 + min(b - a, .04 + .05 * (u.vreset - d.vmin))) for a, b in d.crank]


def volt(d, t):
    if inside(d.crank, t):
        a = next(a for a, b in d.crank if a <= t < b)
        x = t - a
        return (d.vmin if x < .06 else min(10.8, d.vmin + 1.2 + .4 * math.sin(x * 40))) * d.f24
    return (d.vchg if inside(d.eng, t) else d.vbat) * d.f24


def rpm(d, t):
    if inside(d.eng, t):
        return int(780 + 12 * math.sin(t * 1.7) + (900 * (1 + math.sin(t * .3 + d.ph)) if d.cruise else 0))
    return 210 if inside(d.crank, t) else 0


def speed(d, t):
    return max(0.0, d.cruise + 4 * math.sin(t * .21 + d.ph)) if d.cruise and inside(d.eng, t) else 0.0


def base_on(d, u):
    """When it would run if nobody touched its own switch."""
    return d.ign if u.feed == "kl15" else d.acc if u.feed == "klr" else d.wake
