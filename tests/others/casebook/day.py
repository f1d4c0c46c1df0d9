"""The day of a vehicle: key states, starter and voltage, doors, bumps; and the technician's recorder."""
from vehicle import logu, pick

PRE = 30.0      # the vehicle lives that long before the recorder starts


class Day:
    """states: [(t, key)], key: off, acc, on, crank, run.  Window of the recording is [0, dur]."""

    def __init__(d, rng, v, name, dur):
        d.rng, d.name, d.dur, d.start = rng, name, dur, -PRE
        d.doors, d.loads, d.marks = [], [], []
        d.wakes = []
        d.words = name
        ev = v.kind == "e"
        st = []
        D = dur

        def startup(t, first="off"):
            t0 = t
            if rng.random() < .4:
                st.append((t, "acc")); t += logu(rng, .15, 1.5)
            st.append((t, "on")); t += logu(rng, .25, 5)
            if ev:
                st.append((t, "run"))
            else:
                for k in range(1 if rng.random() < .88 else 2):
                    st.append((t, "crank")); t += logu(rng, .35, 2.2)
                    if k == 0 and rng.random() < .1:
                        st.append((t, "on")); t += rng.uniform(.6, 2)
                        st.append((t, "crank")); t += rng.uniform(.4, 1)
                st.append((t, "run"))
            return t - t0

        if name in ("idle", "drive", "doors"):
            st.append((d.start, "run"))
            if name == "doors" and rng.random() < .6:
                st[0] = (d.start, "on")
        elif name == "keyon":
            st.append((d.start, "off"))
            st.append((rng.uniform(-25, -2) if rng.random() < .6 else rng.uniform(.02, .3) * D, "on"))
        elif name == "keyon_start":
            st.append((d.start, "off"))
            if rng.random() < .5:
                d.wakes.append((rng.uniform(-2, 0), 20))
            startup(rng.uniform(.03, .3) * D)
        elif name == "two_stops":
            st.append((d.start, rng.choice(["run", "run", "off"])))
            t = rng.uniform(.1, .3) * D
            if st[0][1] == "off":
                startup(rng.uniform(.02, .1) * D)
                t = max(t, st[-1][0] + 2)
            st.append((t, "off"))
            t += rng.uniform(.1, .3) * D
            startup(t)
            t = st[-1][0] + rng.uniform(.1, .25) * D
            if t < D and rng.random() < .6:
                st.append((t, "off"))
                if rng.random() < .6:
                    startup(t + rng.uniform(.08, .2) * D)
        elif name == "off_end":
            st.append((d.start, "run"))
            st.append((rng.uniform(.25, .9) * D, "off"))
        elif name == "coffee":
            st.append((d.start, "off"))
            n = rng.randint(1, 4)
            d.wakes += [(rng.uniform(0, .85) * D, logu(rng, 2, 25)) for _ in range(n)]
            if rng.random() < .5:
                d.wakes.append((-1, rng.uniform(3, 15)))
            if rng.random() < .3:
                st.append((rng.uniform(.6, .9) * D, "on"))
        elif name == "startstop":
            st.append((d.start, "run"))
            t = rng.uniform(.1, .3) * D
            while t < .9 * D:
                st.append((t, "stop")); t += logu(rng, 1.5, 12)
                st.append((t, "crank")); t += rng.uniform(.25, .6)
                st.append((t, "run")); t += rng.uniform(.1, .4) * D
        elif name == "charging":
            st.append((d.start, "off"))
            d.wakes.append((d.start, 1e4))
        elif name == "acc":
            st.append((d.start, "off"))
            st.append((-3 if rng.random() < .6 else .08 * D, "acc"))
            if rng.random() < .7:
                st.append((rng.uniform(.4, .8) * D, "on"))
                if rng.random() < .4 and not ev:
                    t = st[-1][0] + 1
                    st.append((t, "crank")); st.append((t + .7, "run"))
        st.sort()
        d.states = st
        if name == "doors" or rng.random() < .25:
            t = rng.uniform(.05, .3) * D
            while t < D:
                d.doors.append((t, t + logu(rng, .8, 8)))
                t += logu(rng, 3, max(4, D / 3))
        if rng.random() < .5:
            d.loads = [(a, a + rng.uniform(.1, .3) * D) for a in (rng.uniform(.1, .4) * D, rng.uniform(.55, .85) * D)]
        # the battery while cranking: deep first dip, then a plateau
        base = rng.gauss(9.6, 1.1) if not v.truck else rng.gauss(18, 2) / 2
        d.dips = []
        for a, b in d.key("crank"):
            deep = base - rng.uniform(.8, 2.5) if not d.name == "startstop" else max(base, 9.3) - rng.uniform(0, .8)
            d.dips.append((a, a + rng.uniform(.03, .25), deep))
            d.dips.append((d.dips[-1][1], b, base + (1 if d.name == "startstop" else 0)))

    def key(d, *which):
        end = d.dur + 5
        out = []
        for i, (t, s) in enumerate(d.states):
            e = d.states[i + 1][0] if i + 1 < len(d.states) else end
            if s in which:
                if out and abs(out[-1][1] - t) < 1e-9:
                    out[-1] = (out[-1][0], e)
                else:
                    out.append((t, e))
        return out


HABITS = {"idle": (5, 25), "late": (6, 20), "wiggle": (15, 60), "scan_in": (15, 60), "scan_first": (8, 40), "scan_clear": (30, 90),
          "scan_mend": (25, 80), "drive": (30, 160), "long": (60, 240), "two": (30, 120), "pauses": (20, 120), "thin": (15, 80)}


class Recorder:
    def __init__(r, rng, v, habit, day):
        D = day.dur
        r.epoch = rng.choice([1.6e9 + rng.random() * 1.5e8, 1.6e9 + rng.random() * 1.5e8, rng.random() * 5e4, 0.0])
        r.tick = pick(rng, [(1e-6, 6), (1e-5, 1), (1e-4, 2), (1e-3, 2), (5e-3, .3)])
        r.noise = logu(rng, 3e-6, 4e-4)
        r.batch = rng.choice([0, 0, 0, 0, 0, .001, .008])
        r.errors = rng.random() < .3
        r.stamp_end = rng.random() < .8
        r.pauses, r.bunch = [], []
        if habit == "pauses" or rng.random() < .07:
            for _ in range(rng.randint(1, 5)):
                a = rng.uniform(.05, .9) * D
                r.pauses.append((a, a + logu(rng, .15, max(.3, min(10, D / 8)))))
            if habit == "pauses" and day.key("crank") and rng.random() < .6:
                r.pauses += [(a - .05, b + logu(rng, .3, 3)) for a, b in day.key("crank")]
        if habit == "thin" or rng.random() < .05:
            t = 0
            while t < D and len(r.bunch) < 400:
                t += logu(rng, .2, 10)
                r.bunch.append((t, t + logu(rng, .005, .15)))
        r.lost = logu(rng, .0005, .05) if habit == "thin" or rng.random() < .04 else 0
        r.late = rng.uniform(.1, .3) * D if v.nbus == 2 and rng.random() < .05 else 0
        r.clean = not (r.pauses or r.bunch or r.lost)
        # the technician's tester: [(time, what)]
        r.plan = []
        r.words = habit
        if habit in ("scan_in",):
            t = rng.choice([rng.uniform(.05, .2), rng.uniform(.3, .7)]) * D
            r.plan.append((t, "scan"))
            if rng.random() < .2:
                r.plan.append((rng.uniform(.75, .85) * D, "scan"))
        elif habit == "scan_clear":
            t = rng.uniform(.05, .2) * D
            r.plan = [(t, "scan"), (t + .3 * D, "clear"), (t + .5 * D, "scan")]
        elif habit == "scan_mend":
            r.plan = [(rng.uniform(.65, .8) * D, "scan")]
        elif rng.random() < .3:
            r.plan.append((rng.uniform(.1, .85) * D, "scan"))
        elif rng.random() < .12:
            r.plan.append((rng.uniform(.05, .8) * D, "poll"))
        if habit == "scan_first":
            r.plan = [(rng.uniform(-20, -5), "scan")] + ([(.7 * D, "scan")] if rng.random() < .6 else [])
