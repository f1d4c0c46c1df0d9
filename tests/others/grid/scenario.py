"""What the driver does: key, battery voltage, wake-ups, loads, and which unit wants to run when."""
import bisect

T0 = -2.5


class Scenario:
    def key(s, t):
        return s.kv[max(0, bisect.bisect_right(s.kt, t) - 1)]


def draw_scenario(rng, v, dur, calm=False):
    s = Scenario()
    s.dur = dur
    at = lambda a, b: rng.uniform(a, b) * dur
    opts = ["run"] * 6 + ["on"] * 4 + ["start"] * 5 + ["crank"] * 3 + ["off"] * 4 + ["cycle"] * 3 + ["stops"] * 2 + ["door"] + ["acc"] * 2
    if v.ev:
        opts = [o for o in opts if o not in ("crank", "stops")] + ["charge"] * 2
    if calm:
        opts = ["run"] * 5 + ["on"] * 3 + ["crank", "start", "acc", "stops"]
        if v.ev:
            opts = ["run", "on", "start"]
    if dur < 12:
        opts = [o for o in opts if o not in ("door", "cycle", "charge")]
    p = s.pattern = rng.choice(opts)
    run = "RUN"
    k = []
    crank = lambda t: [(t, "CRANK"), (t + rng.uniform(.35, 2.4), "RUN")] if not v.ev else [(t, "RUN")]
    if p == "run":
        k = [(T0, run)]; s.words = "engine running" if not v.ev else "ready"
    elif p == "on":
        k = [(T0, "ON")]; s.words = "ignition on, engine off"
    elif p == "start":
        a = at(.01, .25)
        k = [(T0, "OFF"), (a, "ON")]; s.words = "key on"
        if rng.random() < .6:
            k += crank(a + rng.uniform(.4, max(.6, dur * .4))); s.words = "key on, then start"
    elif p == "crank":
        k = [(T0, "ON")] + crank(at(.1, .7)); s.words = "ignition on, then start"
    elif p == "off":
        k = [(T0, rng.choice(["ON", run])), (at(.3, .8), "OFF")]; s.words = "key off, units go to sleep"
    elif p == "cycle":
        a, b = at(.15, .4), at(.5, .75)
        k = [(T0, rng.choice(["ON", run])), (a, "OFF"), (b, "ON")]; s.words = "key off and on again"
        if rng.random() < .5:
            k += crank(b + rng.uniform(.5, 2)); s.words += ", start"
    elif p == "stops":
        k = [(T0, run)]; t = at(.1, .3); s.words = "engine stops and starts by itself"
        while t < dur * .9:
            b = t + rng.uniform(1.5, 12)
            k += [(t, "ON"), (b, "CRANK"), (b + rng.uniform(.25, .5), "RUN")]
            t = b + rng.uniform(4, 25)
    elif p == "door":
        k = [(T0, "OFF")]; s.words = "parked, a door is opened"
    elif p == "acc":
        a = at(.1, .4)
        k = [(T0, "ACC"), (a, "ON")] + (crank(a + rng.uniform(.3, 3)) if rng.random() < .6 else []); s.words = "accessory, then ignition"
    else:
        k = [(T0, "CHARGE")]; s.words = "charging"
        if rng.random() < .5:
            k += [(at(.4, .8), "RUN")]; s.words += ", then ready"
    s.kt, s.kv = [t for t, _ in k], [x for _, x in k]
    # battery
    f = v.volts / 12
    weak = not calm and rng.random() < .2
    rest = rng.uniform(11.7, 12.2) if weak else rng.uniform(12.2, 12.8)
    s.vbat, s.cranks = [(T0 - 1, rest)], []
    for i, (t, st) in enumerate(k):
        end = k[i + 1][0] if i + 1 < len(k) else dur
        if st == "CRANK":
            s.cranks.append((t, end))
            stst = p == "stops"
            s.vbat.append((t, rng.uniform(4.9, 7.2) if weak else rng.uniform(8.8, 10) if stst else rng.uniform(6.6, 9.4)))
            x = t + rng.uniform(.015, .09)
            while x < end:
                s.vbat.append((x, rest - rng.uniform(1.6, 3.6) - (1.2 if weak else 0)))
                x += rng.uniform(.03, .08)
        else:
            s.vbat.append((t, rng.uniform(13.5, 14.6) if st in ("RUN", "CHARGE") else rest - (.3 if st == "ON" else 0)))
    s.vbat = [(t, x * f) for t, x in s.vbat]
    # who wants to run
    v.afterrun = rng.choice([.2, .5, 1.5, 4., 10.]) * rng.uniform(.7, 1.4)
    v.nmtail = rng.choice([.5, 2., 5., 12., 30.]) * rng.uniform(.7, 1.3)
    nmsync = v.nm or rng.random() < .4
    s.wakes = []
    if p == "door" or (s.kv[0] == "OFF" and rng.random() < .6):
        a = at(.02, .3) if p == "door" else rng.uniform(-2, max(.1, s.kt[1] - .2))
        s.wakes.append((a, a + rng.uniform(2, 12)))
    if p in ("off", "cycle") and rng.random() < .2:
        s.wakes.append((dur * .9, dur + 1))
    for u in v.units:
        u.want = []
        for i, (t, st) in enumerate(k):
            end = k[i + 1][0] if i + 1 < len(k) else dur + 5
            on = {"ign": st in ("ON", "CRANK", "RUN"), "relay": st in ("ON", "CRANK", "RUN"), "acc": st in ("ACC", "ON", "RUN"),
                  "batt": st != "OFF", "wake": st != "OFF"}[u.feed]
            if st == "CHARGE":
                on = u.name in ("battery", "charger", "drive", "gateway", "cluster") or u.feed == "batt"
            if not on:
                continue
            if u.feed == "relay":
                end += v.afterrun
            elif u.feed in ("batt", "wake"):
                end += (v.nmtail + rng.uniform(0, .05)) if nmsync else u.tail
                t += rng.uniform(0, .08) if t > T0 else 0
            else:
                end += rng.uniform(.002, .12) + (rng.uniform(.02, .3) if u.feed == "acc" else 0)
            add(u.want, t, end)
        if u.feed in ("batt", "wake"):
            for a, b in s.wakes:
                add(u.want, a + (0 if u.feed == "batt" else rng.uniform(.02, .2)), b + rng.uniform(0, .3))
        u.want.sort()
        u.loads = []
        if u.amps >= 1:
            x = T0
            u.loads = [(T0, u.amps * .3)]
            while x < dur:
                x += rng.expovariate(1 / 6.)
                u.loads += [(x, u.amps), (x + rng.uniform(.1, 2), u.amps * .3)]
                x = u.loads[-1][0] + .01
    s.besides = []
    if not calm and rng.random() < .12:              # the user switches something off
        c = [u for u in v.units if u.name in ("radio", "hvac", "parking", "seat", "amplifier", "wheel", "awd", "display", "radar", "blind_l", "blind_r", "power takeoff", "telematics", "camera") and not u.is_gw]
        if c:
            u = rng.choice(c)
            a = at(.1, .7)
            b = rng.choice([dur + 9, a + at(.1, .3)])
            u.own_switch = [(a, b)]
            u.want = cut(u.want, u.own_switch)
            s.besides.append(["own_switch", [u.idx]])
    return s


def add(iv, a, b):
    for i, (x, y) in enumerate(iv):
        if a <= y + .005 and b >= x:
            iv[i] = (min(a, x), max(b, y))
            return
    iv.append((a, b))


def cut(iv, holes):
    out = []
    for a, b in iv:
        for x, y in sorted(holes):
            if y <= a or x >= b:
                continue
            if x > a:
                out.append((a, x))
            a = y
        if a < b:
            out.append((a, b))
    return out


def both(p, q):
    return sorted((max(a, x), min(b, y)) for a, b in p for x, y in q if min(b, y) > max(a, x))


def merge(iv, gap):
    out = []
    for a, b in sorted(iv):
        if out and a - out[-1][1] <= gap:
            out[-1] = (out[-1][0], max(b, out[-1][1]))
        else:
            out.append((a, b))
    return out
