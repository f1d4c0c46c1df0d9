"""How the vehicle is used while recorded: key, engine, battery switch, doors, heater, charging, road."""
from spans import INF, norm, union, inter, invert, minus

STORIES = (("idle", 12), ("drive", 18), ("start", 14), ("keyoff", 9), ("key on only", 12), ("coffee", 6), ("start-stop", 6),
           ("battery switch", 4), ("charging", 5), ("parking heater", 4), ("pto", 9), ("stops", 8), ("jump start", 4), ("handover", 4), ("key cycles", 5))


class Scene:
    pass


def choose(rng, v, wish=None):
    if wish:
        return rng.choice(wish)
    while True:
        s = rng.choices([x[0] for x in STORIES], [x[1] for x in STORIES])[0]
        if s == "charging" and not v.electric:
            continue
        if s in ("battery switch", "pto") and not (v.kind == "truck" or any(u.feed in ("pto", "switch") for u in v.units)):
            continue
        if s == "battery switch" and v.kind != "truck":
            continue
        if s == "parking heater" and not any(u.feed == "heater" for u in v.units):
            continue
        if s in ("start-stop", "jump start") and (v.electric or v.kind == "truck" and s == "start-stop" and v.use != "city bus"):
            continue
        return s


def draw(rng, v, D, wish=None):
    s = Scene()
    s.D, s.story = D, choose(rng, v, wish)
    s.cranks, st = [], []
    s.main, s.pto, s.charge, s.heater = [(-INF, INF)], [], [], []
    s.speed, s.doors, words = [(-1, 0.)], [], ""
    t = rng.uniform(.5, max(.6, min(6, .2 * D)))

    def engine(at, bad=False):
        """Key to crank and run."""
        n = rng.uniform(.5, 1.4) if not bad else rng.uniform(1.5, 4)
        if v.electric:
            st.append((at, "run"))
            return at
        lo = rng.uniform(8.2, 10.8) if not bad else rng.uniform(3.5, 7.)
        if rng.random() < .12 and not bad:
            lo = rng.uniform(6.2, 8.2)              # cold morning, tired battery
        s.cranks.append((at, at + n, lo))
        st.append((at, "crank"))
        st.append((at + n, "on" if bad else "run"))
        return at + n

    def drive(a, b):
        x = a
        s.speed.append((a, 0.))
        while x < b - 3:
            vmax = rng.uniform(15, 110 if v.kind != "truck" or "bus" not in v.use else 50)
            up, hold, dn = rng.uniform(2, 12), rng.uniform(1, 25), rng.uniform(2, 8)
            for dt, y in ((up, vmax), (hold, vmax * rng.uniform(.8, 1.1)), (dn, 0. if rng.random() < .6 else vmax * .4)):
                x = min(b, x + dt)
                s.speed.append((x, y if x < b else 0.))
            if s.speed[-1][1] == 0:
                x = min(b, x + rng.uniform(.5, 6))
                s.speed.append((x, 0.))
        s.speed.append((max(b, x), 0.))

    k = s.story
    if k == "idle":
        st.append((-60, "run")); words = "engine running, standing"
    elif k == "drive":
        st.append((-60, "run")); drive(-2, D + 5); words = "driving, %s" % rng.choice(("good road", "cobbles", "site track", "town"))
    elif k == "start":
        st.append((-60, "off") if rng.random() < .6 else (-60, "on"))
        a = t + (rng.uniform(.4, 4) if st[0][1] == "off" else 0)
        if st[0][1] == "off":
            st.append((t, "on"))
        b = engine(a)
        if rng.random() < .4:
            drive(b + 2, D + 4)
        words = "key on and engine started"
    elif k == "keyoff":
        st.append((-60, rng.choice(("run", "run", "on")))); st.append((D * rng.uniform(.3, .75), "off")); words = "key off during the recording"
    elif k == "key on only":
        st.append((-60, "on") if rng.random() < .7 else (-60, "off"))
        if st[0][1] == "off":
            st.append((t, "on"))
        words = "ignition on, engine off, in the workshop"
    elif k in ("coffee", "handover"):
        st.append((-60, "run")); a = D * rng.uniform(.15, .4); b = a + D * rng.uniform(.2, .4)
        st.append((a, "off")); st.append((b, "on")); engine(b + rng.uniform(.4, 3)); s.doors += [a + 1, a + 3, b - 2]
        words = "coffee break: off and started again" if k == "coffee" else "hand-over to the next driver"
    elif k == "key cycles":
        x, cur = t, "on"
        st.append((-60, "on"))
        while x < D:
            cur = "off" if cur == "on" else "on"
            st.append((x, cur)); x += rng.uniform(1.5, max(2, D / 4))
        words = "key off and on several times, looking for the fault"
    elif k == "start-stop":
        st.append((-60, "run")); x = t + 1
        while x < D - 4:
            st.append((x, "autostop")); x += rng.uniform(2, 10)
            n = rng.uniform(.25, .6)
            s.cranks.append((x, x + n, rng.uniform(8.8, 11.8))); st.append((x, "autocrank")); st.append((x + n, "run"))
            x += n + rng.uniform(4, 25)
        words = "start-stop traffic"
    elif k == "battery switch":
        st.append((-60, "on")); a = t + rng.uniform(1, 4); off = rng.uniform(2, max(3, D * .3))
        st.append((a, "off")); m = a + rng.uniform(1, 5)
        s.main = [(-INF, m), (m + off, INF)]
        st.append((m + off + rng.uniform(1, 4), "on"))
        if rng.random() < .6:
            engine(m + off + rng.uniform(5, 9))
        words = "battery main switch off and on"
    elif k == "charging":
        st.append((-60, "off")); a = rng.choice((-50., t)); s.charge = [(a, D * rng.uniform(.5, 1.4))]
        words = "at the charger, key off"
    elif k == "parking heater":
        st.append((-60, "off")); s.heater = [(rng.choice((-50., t)), D * rng.uniform(.5, 1.5))]
        if rng.random() < .4:
            b = D * rng.uniform(.4, .7); st.append((b, "on")); engine(b + 2)
        words = "parking heater on, key off"
    elif k == "pto":
        st.append((-60, "run")); x = t if rng.random() < .7 else -30
        while x < D:
            n = rng.uniform(5, max(6, D * .5)); s.pto.append((x, x + n)); x += n + rng.uniform(4, 20)
        words = "working with the PTO, standing"
    elif k == "stops":
        st.append((-60, "run")); x = -1
        while x < D:
            n = rng.uniform(8, 30); drive(x, x + n); s.doors += [x + n + 1, x + n + rng.uniform(3, 8)]; x += n + rng.uniform(5, 12)
        words = "stop to stop, doors opened"
    elif k == "jump start":
        st.append((-60, "on")); engine(t, True)
        x = t + rng.uniform(4, 8)
        if rng.random() < .4:
            engine(x, True); x += rng.uniform(4, 9)
        engine(x); words = "flat battery, jump start"
    if k in ("idle", "key on only", "keyoff") and rng.random() < .4:
        s.doors += [rng.uniform(0, D) for _ in range(rng.randrange(1, 5))]
    st.sort()
    s.state = st
    sp = {}
    for n, (a, x) in enumerate(st):
        sp.setdefault(x, []).append((a, st[n + 1][0] if n + 1 < len(st) else INF))
    g = lambda *names: norm([y for x in names for y in sp.get(x, [])])
    s.ign = g("on", "crank", "run", "autostop", "autocrank")
    s.run = g("run")
    s.turning = g("run", "crank", "autocrank")
    s.crank = g("crank", "autocrank")
    s.acc = g("on", "run", "autostop", "autocrank")
    s.off = invert(s.ign)
    # network: up from a wake (door, key, lock) before key-on until some time after key-off, charger and heater too
    lead, lag = rng.choice((0, 0, .3, 2)), rng.choice((rng.uniform(1, 5), rng.uniform(5, 25), rng.uniform(20, 120)))
    aw = [(a - lead, b + lag) for a, b in s.ign] + [(a, b + 1) for a, b in s.charge] + [(a, b + 1) for a, b in s.heater if rng.random() < .8]
    for d in s.doors:
        aw.append((d, d + rng.uniform(3, 15)))
    if not s.ign or rng.random() < .15:
        for _ in range(rng.randrange(0, 3)):
            a = rng.uniform(0, D); aw.append((a, a + rng.uniform(1, 8)))
    s.awake = inter(norm(aw), s.main)
    s.nmend = [(a, b - rng.uniform(.3, 1.5)) for a, b in s.awake if b - a > 2]
    if not s.pto and rng.random() < .15:
        a = rng.uniform(0, D); s.pto = [(a, a + rng.uniform(3, 30))]
    if k != "pto" and rng.random() < .08:
        s.pto = [(-50, INF)]
    s.pto = inter(norm(s.pto), s.run)
    s.heater, s.charge = norm(s.heater), norm(s.charge)
    s.mode = inter(norm([(a, a + rng.uniform(1, 8)) for a in (rng.uniform(-5, D) for _ in range(rng.randrange(0, 4)))]), s.run)
    s.switch = {}
    for u in v.units:
        if u.feed == "switch":
            x = rng.random()
            on = [(-INF, INF)] if x < .45 else [] if x < .6 else None
            if on is None:
                a = rng.uniform(0, D); on = [(-INF, a)] if rng.random() < .5 else [(a, INF)]
                if rng.random() < .3:
                    on = [(-INF, a), (a + rng.uniform(3, 20), INF)]
            s.switch[u.idx] = inter(on, s.ign)
    # engine speed, voltage, temperature as curves for the payloads
    s.rpm, s.volt = [(-100, 0.)], []
    for a, x in st:
        y = {"run": rng.uniform(600, 900), "crank": 220., "autocrank": 250.}.get(x, 0.)
        s.rpm += [(a, s.rpm[-1][1]), (a + (.4 if y else .9), y)]
    nominal = 2 if v.kind == "truck" and v.use != "x" else 1
    for a, x in st:
        y = (14.2 if x == "run" else 12.3) * nominal
        for c, d, lo in s.cranks:
            if abs(c - a) < 1e-6:
                y = lo * nominal
        s.volt += [(a, s.volt[-1][1] if s.volt else y), (a + .05, y)]
    s.temp = [(-1, rng.uniform(-15, 90)), (D, rng.uniform(20, 95))]
    s.speed.sort()
    s.moving, last = [], None
    for (a, x), (b, y) in zip(s.speed, s.speed[1:]):
        if max(x, y) > 1:
            s.moving.append((a, b))
    s.moving = norm(s.moving)
    s.words = words
    s.v24 = nominal
    s.dropacc = rng.random() < .7                    # accessory relay opens while cranking
    return s


def want(u, s):
    """When this controller's supply is there (by its feed) and its program wants to work."""
    f = u.feed
    sleepy = [(a, b + u.stop * 2) for a, b in s.awake]
    if f == "bat":
        w = sleepy
    elif f == "ign":
        w = [(a, b + u.stop * .4) for a, b in s.ign]
    elif f == "acc":
        w = s.acc if s.dropacc else s.ign
    elif f == "mrelay":
        w = [(a, b + u.after) for a, b in s.ign]
    elif f == "run":
        w = [(a + .3, b) for a, b in s.run]
    elif f == "pto":
        w = s.pto
    elif f == "heater":
        w = union(s.heater, s.ign)
    elif f == "charge":
        w = union(s.charge, sleepy)
    elif f == "switch":
        w = s.switch[u.idx]
    else:
        w = [(-INF, INF)]
    w = [(a + u.late, b) for a, b in w]
    return inter(norm(w), s.main)
