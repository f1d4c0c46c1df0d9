"""The day: what the driver does, and from it speed, shaking, heat, wet, battery; then contacts, feeds and each unit's voltage."""
import math
from spans import norm, both, minus, where
from vehicle import Bag

# phases: (key, engine, speed km/h, shaking g, loads A)
PHASE = {"asleep": ("off", 0, 0, 0, 1), "acc": ("acc", 0, 0, 0, 8), "on": ("on", 0, 0, .01, 12), "crank": ("crank", 0, 0, .2, 8),
         "idle": ("on", 1, 0, .06, 25), "city": ("on", 1, 38, .25, 35), "rough": ("on", 1, 30, .9, 35), "highway": ("on", 1, 110, .35, 40),
         "wash": ("on", 1, 4, .08, 30), "tow": ("on", 1, 60, .5, 50), "stopped": ("on", 0, 0, .02, 30), "off": ("off", 0, 0, 0, 4),
         "wiggle": ("on", 0, 0, .5, 14), "wiggle run": ("on", 1, 0, .55, 25), "rpm": ("on", 1, 0, .18, 25)}


def script(r, need=None):
    """A list of (phase, seconds)."""
    kind = need or r.choices(["on", "idle", "start", "drive", "startdrive", "offend", "cycle", "stopstart", "wash", "sleep", "workshop", "acc"],
                             [8, 12, 12, 16, 10, 10, 8, 7, 6, 6, 12, 3])[0]
    u = r.uniform
    move = lambda: (r.choice(["city", "city", "rough", "highway", "tow"]), u(5, 30))
    crank = lambda: ("crank", r.choice([u(.4, 1.1), u(.8, 2.5), u(2, 5)]))
    s = {"on": lambda: [("on", u(6, 50))], "idle": lambda: [("idle", u(5, 45))],
         "start": lambda: [("on", u(.5, 10)), crank(), ("idle", u(4, 35))],
         "drive": lambda: [move() for _ in range(r.randint(1, 3))],
         "startdrive": lambda: [("asleep", u(0, 3)), ("on", u(.5, 4)), crank(), ("idle", u(2, 12)), move(), move()],
         "offend": lambda: [(r.choice(["idle", "city", "on"]), u(4, 20)), ("off", u(2, 40))],
         "cycle": lambda: [("on", u(2, 12)), ("off", u(.5, 12)), ("on", u(3, 15))] + ([("off", u(.5, 8)), ("on", u(2, 12))] if r.random() < .4 else []),
         "stopstart": lambda: sum([[("city", u(4, 12)), ("idle", u(1, 3)), ("stopped", u(2, 12)), ("crank", u(.25, .6)), ("idle", u(1, 4))] for _ in range(r.randint(1, 3))], []),
         "wash": lambda: [("idle", u(2, 8)), ("wash", u(10, 60)), ("city", u(5, 25))],
         "sleep": lambda: [("asleep", u(1, 8)), ("on", u(4, 25)), ("off", u(5, 50))],
         "workshop": lambda: [("on", u(3, 15)), (r.choice(["wiggle", "wiggle run", "rpm"]), u(5, 30)), (r.choice(["on", "idle"]), u(3, 15))],
         "acc": lambda: [("acc", u(3, 10)), ("on", u(3, 20))]}[kind]()
    out, engine = [], False
    for ph, d in s:   # an engine that must run after it stood is cranked first
        runs = PHASE[ph][1] == 1
        if runs and out and not PHASE[out[-1][0]][1] and out[-1][0] != "crank":
            out.append(("crank", u(.5, 1.5)))
        out.append((ph, d))
    return kind, out


def day(r, v, sc):
    """Series on a grid of time (fine while cranking)."""
    w = Bag(script=sc, dur=sum(d for _, d in sc))
    sca = v.scale
    ambient = r.choice([-18, -5, 5, 15, 25, 35])
    warm = r.choice([0, .5, 1]) if PHASE[sc[0][0]][1] else r.choice([0, 0, .7])
    bay, cabin = ambient + warm * 55, ambient + warm * 10
    wet = r.choice([0, 0, .3, .8])
    rain = r.random() < .25
    soc = r.choices([.95, .75, .5, .25], [45, 30, 17, 8])[0]
    age = r.choice([1, 1, 1, 1.2, 1.5, 2.4])
    E = (11.7 + 1.05 * soc) * sca
    Ri = .0055 * age * (1 + max(0, 15 - ambient) * .02) * sca
    Rst = r.uniform(.007, .013) * sca                    # starter and its cables at rest; turning, its back voltage makes it look larger
    Rrun = r.uniform(.035, .08) * sca / (1 + max(0, -ambient) * .03)
    altset, altmax, chat = r.uniform(13.6, 14.6) * sca, r.choice([70, 120, 180]), r.random() < .04
    load_sw = [(r.uniform(0, w.dur), r.uniform(2, 20), r.choice([6, 12, 25, 45])) for _ in range(r.randint(0, 4))]   # blower, lamps, heated screen
    w.T, w.V, w.vib, w.rpm, w.speed, w.bay, w.cab, w.wet, w.turn, w.load = [], [], [], [], [], [], [], [], [], []
    w.keys, w.bumps = {"ign": [], "acc": [], "crank": [], "run": []}, []
    t, speed, alt, turn, rpm = 0.0, None, 0.0, 0.0, None
    for ph, d in sc:
        key, eng, sp, vib, load = PHASE[ph]
        sp *= r.uniform(.7, 1.25)
        end = t + d
        if key in ("on", "crank"):
            w.keys["ign"].append((t, end))
        if key in ("on", "acc"):
            w.keys["acc"].append((t, end))
        if key == "crank":
            w.keys["crank"].append((t, end))
        if eng:
            w.keys["run"].append((t, end))
        rate = {"rough": 1.2, "city": .25, "highway": .15, "tow": .3, "wash": .05}.get(ph, 0)
        if rate:
            x = t + r.expovariate(rate)
            while x < end:
                w.bumps.append((x, r.lognormvariate(.3, .5)))
                x += r.expovariate(rate)
        if "wiggle" in ph:
            x = t
            while x < end:
                x += r.uniform(.4, 4)
                w.bumps.append((x, r.uniform(.8, 2.5)))
        if ph in ("off", "asleep") and r.random() < .5:
            w.bumps.append((t + r.uniform(.5, 3), r.uniform(1, 2)))      # a door is slammed
        t0 = t
        dt0 = .004 if key == "crank" else (.02 if w.dur < 90 else .04)
        if speed is None:
            speed, alt, rpm = sp, float(eng), 800 * eng
        while t < end:
            dt = dt0
            speed += (sp - speed) * min(1, dt / (2.5 if sp > speed else 1.2))
            want = 0 if not eng and key != "crank" else 230 if key == "crank" else 780 + speed * 16 + (1800 * abs(math.sin(t * .5)) if ph == "rpm" else 0)
            rpm += (want - rpm) * min(1, dt / .35)
            turn += (r.gauss(0, 260) if speed > 2 else -turn * .3) * dt ** .5 * .3 if speed > 2 else -turn * dt * .3
            turn = max(-400, min(400, turn))
            I = load + sum(a for s, l, a in load_sw if s <= t < s + l and key == "on")
            if eng and bay > 88 and int(t / 9) % 2:
                I += 30                                                   # radiator fan
            alt += ((1 if eng else 0) - alt) * min(1, dt / (.8 if eng else .1))
            vb = E - I * Ri
            if key == "crank":
                x = t - t0
                R = Rst + (Rrun - Rst) * (1 - math.exp(-x / .12)) * (1 + .22 * math.sin(2 * math.pi * 9 * x) * min(1, x * 5))
                vb *= R / (R + Ri)
            if alt > .5:
                vb += (altset - vb) * alt if I < altmax * min(1, rpm / 1500 + .45) else max(0, altset - .9 - vb) * .5
                if chat:
                    vb += r.gauss(0, .5) * sca
            bay += (ambient + (75 if eng else 25 * warm) - bay) * dt / 90
            cabin += (ambient + (18 if key != "off" else 5) - cabin) * dt / 200
            wet += ((1 - wet) * (dt / 12 if ph == "wash" else dt / 40 if rain and speed > 20 else 0)) - wet * dt / (60 if bay > 50 else 400)
            for n, x in (("T", t), ("V", vb), ("vib", vib * (1 + .012 * abs(speed - sp)) * abs(r.gauss(1, .35))), ("rpm", rpm), ("speed", speed), ("bay", bay),
                         ("cab", cabin), ("wet", wet), ("turn", turn), ("load", I)):
                getattr(w, n).append(x)
            t += dt
        t = end
    for k in w.keys:
        w.keys[k] = norm(w.keys[k], .001)
    w.bumps.sort()
    w.soc, w.ambient = soc, ambient
    return w


def opens(r, w, place, kind, dur, force=1.0):
    """When a bad contact is open. What opens it is shaking, bumps, heat, steering, wet; each contact has its own manner."""
    out, shake = [], {"bay": 1.2, "cabin": .7, "rear": 1.1, "door": .9}[place]
    fine = r.choice([.003, .02, .15])

    def chatter(x, n):
        for _ in range(n):
            d = r.lognormvariate(math.log(fine), 1.0)
            out.append((x, x + d))
            x += d + r.expovariate(1 / (fine * 2))
        return x
    if kind == "loose":          # a slack pin: rings with every bump, the more it shakes the more often
        for x, g in w.bumps:
            if r.random() < min(1, g * shake * .5 * force):
                x = chatter(x, r.randint(1, 12))
                if r.random() < .5:
                    out.append((x, x + r.lognormvariate(-.7, .9)))
        for t, g in zip(w.T, w.vib):
            if g > .04 and r.random() < .012 * g * shake * force:
                out.append((t, t + r.lognormvariate(math.log(.08), 1.3)))
    elif kind == "knock":        # stays as the last blow left it
        state, a, hits = False, 0, sorted(w.bumps + [(r.uniform(0, dur), 1) for _ in range(int(2 * force))])
        for x, g in hits:
            if r.random() < (.8 if state else .3) * min(1, g * force):
                if not state:
                    a = chatter(x, r.randint(0, 5))
                else:
                    out.append((a, x))
                    chatter(x, r.randint(0, 3))
                state = not state
        if state:
            out.append((a, min(dur, a + r.uniform(.5, 15))))
    elif kind == "heat":         # a cracked joint heated by its own current: opens hot, closes cool
        T, up, down = r.uniform(.3, .8), r.uniform(3, 18) / force ** .5, r.uniform(.4, 7)
        x, state = r.uniform(0, up), False
        while x < dur:
            n = down * r.uniform(.7, 1.4)
            x = chatter(x, r.randint(0, 6))
            out.append((x, x + n))
            x = chatter(x + n, r.randint(0, 4)) + up * r.uniform(.6, 1.5)
            up *= r.uniform(.85, 1.1)
    elif kind == "steer":        # loom pulled when steering or braking
        lim = r.uniform(60, 160) / force
        out = [(a, b) for a, b in where(w.T, lim, lim * .7, [abs(x) for x in w.turn])]
        if not out:
            out = [(x, x + r.uniform(.3, 2)) for x, g in w.bumps if r.random() < .4 * force]
    elif kind == "wet":          # green contact: water in the plug lifts the pins off by corrosion; bad when wet and shaken
        for t, g, m in zip(w.T, w.vib, w.wet):
            if r.random() < (.002 + .02 * m) * (.2 + g) * force:
                out.append((t, t + r.lognormvariate(math.log(.3), 1.2)))
    return norm([(max(0, a), min(dur, b)) for a, b in out], .0002)


def fret(r, w, place):
    """Fretting corrosion: logarithm of the contact's resistance (ohm), a walk driven by shaking, current and blows."""
    shake = {"bay": 1.2, "cabin": .8, "rear": 1.1, "door": 1}[place]
    x, out, j = r.uniform(-1.5, 1.5), [], 0
    b = w.bumps
    for t, g in zip(w.T, w.vib):
        x += r.gauss(0, .05 + .28 * g * shake) - .01 * (x + .6)
        while j < len(b) and b[j][0] <= t:
            x += r.gauss(.4, 1.2) * b[j][1]
            j += 1
        x = max(-2.5, min(6, x))
        out.append(x)
    return out


def feeds(r, v, w, cut, dur):
    """cut: {feed index: spans open}, returns for each feed its on-spans and voltage series."""
    ign, acc, crank, run = (w.keys[k] for k in ("ign", "acc", "crank", "run"))
    res = []
    after = v.relayhold
    for k, f in enumerate(v.feeds):
        if f.kind == "bat":
            on = [(-1e6, dur)]
        elif f.kind == "ign":
            on = ign
        elif f.kind == "acc":
            on = minus(norm(acc + ign, .001), crank)
        else:
            on = norm([(a, b + after) for a, b in ign])
            drop = where(w.T, -f.coil, -f.coil * 1.3, [-x for x in w.V])     # the relay falls when its coil is starved, closes again later
            bounce = [(a, b + r.uniform(.008, .03)) for a, b in drop]
            on = minus(on, bounce)
        on = [(a if a > 0 else -1e6, b) for a, b in on]
        res.append(minus(on, cut.get(k, [])))
    return res


def unit_power(r, v, w, u, feed_on, pin_open, pin_res, gnd_res, dur):
    """Spans in which the unit's processor has power, and spans in which it keeps silent for low or high voltage."""
    f = v.feeds[u.feed]
    raw = minus(feed_on, pin_open)
    on, last = [], None
    for a, b in raw:                                  # its capacitor bridges short gaps
        if last is not None and a - last < u.hold:
            on[-1] = (on[-1][0], b)
        else:
            on.append((a, b))
        last = b
    active, x = [], r.uniform(0, 8)                   # its actuators draw current now and then
    while x < dur:
        n = r.uniform(.2, 2.5)
        active.append((x, x + n))
        x += n + r.expovariate(.15)
    vs, k = [], 0
    flat = f.other * f.res + v.grounds[u.ground].other * (gnd_res or v.grounds[u.ground].res)
    rows = pin_res or None
    for i, t in enumerate(w.T):
        while k < len(active) and active[k][1] < t:
            k += 1
        I = u.i1 if k < len(active) and active[k][0] <= t and w.rpm[i] > 300 else u.i0
        R = u.wire + f.res + (10 ** rows[i] if rows else 0)
        vs.append(w.V[i] - I * R - flat * (1 if w.load[i] > 6 else .2))
    u.volts = vs
    low = where(w.T, -u.vreset, -u.vstart, [-x for x in vs]) if min(vs) < u.vreset + .01 else []
    low = [s for s in low if s[1] - s[0] > u.hold]
    mute = []
    if u.vmute and min(vs) < u.vmute:
        mute += where(w.T, -u.vmute, -(u.vmute + .5 * v.scale), [-x for x in vs])
    if max(vs) > u.vmax:
        mute += where(w.T, u.vmax, u.vmax - .5, vs)
    return minus(on, low), norm(mute)
