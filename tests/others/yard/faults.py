"""Plants faults in physical things and draws, from how the vehicle is used, when they act."""
from spans import INF, norm, inter, minus, length


class Plant:
    """What is broken, for the simulation: spans in which supplies, wires, programs are away."""

    def __init__(p):
        p.power, p.open, p.dirty, p.stand, p.half = {}, {}, {}, {}, {}
        p.line = {}            # channel: [(begin, end)] nothing gets through
        p.noise = {}           # channel: [(begin, end, share of frames hurt)]
        p.flood = []           # (channel, begin, end, id, ext, pause, data)
        p.reset = {}           # unit: spans of watchdog resets
        p.drop = {}            # unit: message ids it lacks
        p.other = {}           # unit: {message id: other id}
        p.vin = {}
        p.mute_diag = {}
        p.truth, p.codes = [], []
        p.needs = []           # what the scenario must have ("scan")
        p.boot = set()


def put(d, k, sp):
    d[k] = norm(d.get(k, []) + sp)


def moments(rng, s, lens, many):
    """Spans by a trigger of use; returns (spans, words)."""
    D = s.D
    trig = rng.choice(["random", "heat", "cold", "rough", "rough", "door", "crank", "stops", "wash"])
    draw = lambda: min(D * .6, rng.lognormvariate(*lens))
    sp, w = [], trig
    if trig == "rough" and length(inter(s.moving, [(0, D)])) > 5:
        mv = inter(s.moving, [(0, D)])
        for _ in range(many + rng.randrange(3)):
            a, b = rng.choice(mv); x = rng.uniform(a, b); sp.append((x, x + draw()))
        w = "on a rough road"
    elif trig == "door" and [d for d in s.doors if 0 < d < D]:
        for d in s.doors:
            if 0 < d < D and rng.random() < .8:
                x = d + rng.uniform(-.3, .6); sp.append((x, x + draw()))
        w = "when a door moves (cable at the hinge)"
    elif trig == "crank" and [c for c in s.cranks if 0 < c[0] < D]:
        for a, b, lo in s.cranks:
            x = a + rng.uniform(0, .2); sp.append((x, x + max(b - a, draw())))
        for _ in range(rng.randrange(0, 2)):
            x = rng.uniform(0, D); sp.append((x, x + draw()))
        w = "when the starter pulls (loose contact)"
    elif trig == "heat":
        x = D * rng.uniform(.2, .7)
        while x < D and len(sp) < many + 6:
            n = draw(); sp.append((x, x + n)); x += n + rng.expovariate(1 / (.08 * D + .5))
        w = "once it is hot"
    elif trig == "cold":
        x = rng.uniform(0, 1)
        while x < D * .6 and len(sp) < many + 4:
            n = draw(); sp.append((x, x + n)); x += n + rng.expovariate(1 / (.1 * D + .5))
        w = "while cold"
    elif trig == "stops" and len(s.speed) > 5:
        for a, y in s.speed:
            if y == 0 and 0 < a < D and rng.random() < .7:
                x = a + rng.uniform(-.5, .5); sp.append((x, x + draw()))
        w = "when braking"
    if not sp:
        for _ in range(many):
            x = rng.uniform(0, D * .95); sp.append((x, x + draw()))
        w = rng.choice(("now and then", "when the harness is moved", "water in the connector", "vibration"))
    return norm([(max(.02, a), b) for a, b in sp if b > .02 and a < D - .05]), w


def regular(u):
    return [m for m in u.msgs if m.event is None and m.cond == "always"]


def fit(v, s, up, units, least=.35):
    """Units that are at work for a good part of the recording and speak by themselves."""
    return [i for i in units if regular(v.units[i]) and not v.units[i].hidden and length(inter(up[i], [(0, s.D)])) > least * s.D]


def intermittent(rng, s, u=None):
    kind = rng.random()
    lens = (-1.6, .8) if kind < .3 else (-.3, .9) if kind < .75 else (1.2, .6)
    return moments(rng, s, lens, rng.choice((1, 1, 2, 3, 5, 9, 25 if lens[0] < 0 else 4)))


SUPPLY = ("chafed supply wire", "loose fuse", "ground eye corroded", "supply pin spread open", "bodybuilder's splice in the supply", "connector full of water")
STUB = ("CAN pins pushed back", "stub wire broken inside its insulation", "scotchlok of a retrofit", "connector not latched", "chafed stub wires at a hinge")


def plant(rng, v, s, up, fault, p, used=()):
    """Plants one fault; False when this vehicle or its use does not suit it."""
    D = s.D
    U = v.units
    ok = [i for i in fit(v, s, up, [u.idx for u in U]) if i not in used]
    if len(ok) < 3:
        return False
    plain = [i for i in ok if U[i] is not v.gw] or ok
    one = rng.choice(plain)
    if fault in ("power intermittent", "silent from the start", "silent from the middle", "open stub") and v.hidden and rng.random() < .12:
        far = [u.idx for u in U if u.hidden and u.idx not in used and length(inter(up[u.idx], [(0, D)])) > .35 * D and regular(u)]
        if far:                                      # behind the gateway: only its copies and the codes of others show it
            one = rng.choice(far)
    T = lambda accept, really, nodes, when, how: p.truth.append(dict(fault=fault, accept=accept, really=really, nodes=nodes, when=when, how=how))
    three = ["module_power", "module_connector", "module_dead"]
    if fault == "power intermittent":
        sp, w = intermittent(rng, s)
        sp = [(a, max(b, a + U[one].hold * 1.5)) for a, b in sp]
        put(p.power, one, sp)
        T(["module_power"], "module_power", [one], sp, "%s of %s, %s" % (rng.choice(SUPPLY), U[one].name, w))
    elif fault == "open stub":
        sp, w = intermittent(rng, s)
        if rng.random() < .25:                       # one wire only: it still drives the other, frames are hurt
            put(p.half, one, sp)
            p.dirty.setdefault(one, []).extend((a, b, .97) for a, b in sp)
            w += ", one wire only"
        else:
            put(p.open, one, sp)
        T(["module_connector"], "module_connector", [one], sp, "%s, %s, %s" % (rng.choice(STUB), U[one].name, w))
    elif fault == "corroded contact":
        bursts, w = moments(rng, s, (.6, .8), rng.choice((2, 3, 5)))
        bursts = norm([(a, max(b, a + .5)) for a, b in bursts])
        op, hurt = [], []
        for a, b in bursts:
            x = a
            while x < b and len(op) < 400:
                x += rng.expovariate(rng.choice((3, 8, 15)))
                n = min(rng.lognormvariate(-3.4, .9), 1.)
                op.append((x, x + n)); x += n
            hurt.append((a, b, rng.choice((0, .05, .3, .6))))
        put(p.open, one, [o for o in op if o[0] < D])
        p.dirty.setdefault(one, []).extend(hurt)
        T(["module_connector"], "module_connector", [one], bursts, "green bus pin of %s, bursts, %s" % (U[one].name, w))
    elif fault in ("silent from the start", "silent from the middle", "restraint"):
        if fault == "restraint":
            c = [i for i in ok if U[i].name == "restraints"]
            if not c:
                return False
            one = c[0]
        start = fault == "silent from the start" or fault == "restraint" and rng.random() < .4
        if start:
            a = -INF
        else:
            base = inter(up[one], [(0, D * .8)])
            if not base:
                return False
            x = rng.choice(base); a = rng.uniform(max(x[0], .1 * D, x[0] + 1), x[1])
            if not (0 < a < D * .85):
                return False
        way = rng.choice(three)
        put({"module_power": p.power, "module_connector": p.open, "module_dead": p.reset}[way], one, [(a, INF)])
        how = {"module_power": "fuse blown or supply wire off", "module_connector": "both bus wires off: " + rng.choice(STUB), "module_dead": "burnt inside"}[way]
        T(three, way, [one], [(0. if start else a, D)], "%s: %s" % (U[one].name, how))
    elif fault == "branch":
        c = []
        for name in sorted(v.branch):
            g = v.branch[name]
            live = [i for i in g if i in ok]
            if len(live) >= 2 and (v.gw is None or v.gw.idx not in g) and not set(g) & set(used):
                c.append((name, g))
        if not c:
            return False
        name, g = rng.choice(c)
        forgood = rng.random() < .3
        if forgood:
            a = rng.choice((-INF, rng.uniform(.15, .7) * D)); sp, w = [(a, INF)], "for good"
            when = [(max(0., a), D)]
        else:
            sp, w = intermittent(rng, s); when = sp
        for i in g:
            put(p.open, i, sp)
        T(["branch", "shared_supply"] if forgood else ["branch"], "branch", [i for i in g if not U[i].hidden], when, "%s open %s" % (name, w))
    elif fault == "shared supply":
        c = []
        for d in (v.fuse, v.ground, v.relay):
            for name in sorted(d):
                g = d[name]
                if len([i for i in g if i in ok]) >= 2 and len(g) <= len(U) - 2 and not set(g) & set(used) and not (v.gw and v.gw.idx in g and rng.random() < .9):
                    c.append((name, g))
        if not c:
            return False
        name, g = rng.choice(c)
        forgood = rng.random() < .25
        if forgood:
            a = rng.choice((-INF, rng.uniform(.15, .7) * D)); sp, w = [(a, INF)], "for good"
            when = [(max(0., a), D)]
        else:
            sp, w = intermittent(rng, s); sp = [(x, max(y, x + .12)) for x, y in sp]; when = sp
        for i in g:
            put(p.power, i, sp)
        T(["branch", "shared_supply"] if forgood else ["shared_supply"], "shared_supply", [i for i in g if not U[i].hidden], when, "%s fails %s" % (name, w))
    elif fault == "short":
        sp, w = moments(rng, s, rng.choice(((-1.5, .8), (0, .9), (1.5, .5))), rng.choice((1, 1, 2, 4)))
        ch = rng.randrange(v.channels)
        if rng.random() < .25:                       # damp, high in resistance: most frames are hurt, not all
            p.noise[ch] = p.noise.get(ch, []) + [(a, b, rng.choice((.5, .8, .95))) for a, b in sp]
        else:
            put(p.line, ch, sp)
        T(["line"], "line", [], sp, "can%d: %s, %s" % (ch, rng.choice(("high and low touch", "high chafed to ground", "low on battery plus", "trailer screw through the cable")), w))
    elif fault == "gateway":
        if v.gw is None or len(v.copies) < 3 or v.gw.idx not in ok:
            return False
        g = v.gw.idx
        how = rng.choice(("supply", "supply", "program", "off"))
        x = rng.random()
        if x < .25:
            a = rng.uniform(.1, .7) * D; sp, w = [(a, INF)], "for good"
        else:
            sp, w = intermittent(rng, s); sp = [(a, max(b, a + .15)) for a, b in sp]
        put({"supply": p.power, "program": p.reset, "off": p.open}[how], g, sp)
        T(["gateway"] + (["branch"] if v.channels == 1 else []) + (["module_power"] if how == "supply" else []), "gateway", [g], [(a, min(b, D)) for a, b in sp], "gateway (%s): %s %s" % (U[g].name, how, w))
    elif fault == "termination":
        ch = rng.randrange(v.channels)
        base = rng.choice((.0, .004, .02, .06)); ns = [(-1, D + 5, base)]
        sp, w = moments(rng, s, (.5, 1.), rng.choice((2, 4, 8)))
        hard = rng.choice((.05, .15, .3, .5))
        ns += [(a, b, hard) for a, b in sp]
        p.noise[ch] = p.noise.get(ch, []) + ns
        T(["line"], "line", [], [(0., D)] if base else sp, "can%d: %s (%s)" % (ch, rng.choice(("terminator plug lost", "second terminator inside a removed unit", "main line contact resistive", "third terminator in a retrofit")), w))
    elif fault == "dead":
        x = rng.random()
        if x < .5:
            sp, t = [], rng.uniform(.5, D * .4)
            every = rng.choice((rng.uniform(.8, 3), rng.uniform(3, 12))) + U[one].boot
            n = rng.choice((.03, .1, .3))
            while t < D and len(sp) < 120:
                sp.append((t, t + n * rng.uniform(.8, 1.2))); t += every * rng.choice((1, 1, rng.uniform(.5, 2)))
            put(p.reset, one, sp)
            T(["module_dead", "module_power"], "module_dead", [one], sp, "watchdog resets %s again and again" % U[one].name)
        elif x < .8:
            a = rng.choice((-INF, rng.uniform(.1, .7) * D, rng.uniform(.1, .7) * D))
            put(p.stand, one, [(a, INF)])
            T(["module_dead", "not_configured"], "module_dead", [one], [(max(0., a), D)],
              "%s: %s" % (U[one].name, "stands in its loader after a flash half done, diagnosis answers" if a < 0 else "program stands, its diagnosis answers"))
            if a < 0:
                p.boot.add(one)
        else:
            a = rng.uniform(.1, .8) * D
            put(p.reset, one, [(a, INF)])
            T(three, "module_dead", [one], [(a, D)], "%s dies" % U[one].name)
    elif fault == "flood":
        ch = rng.randrange(v.channels)
        u = U[one]
        way = rng.choice(("babble", "babble", "loop", "retrofit"))
        sp, w = moments(rng, s, (1., .7), rng.choice((1, 2, 3)))
        sp = [(a, min(b, a + 9.)) for a, b in sp][:3]
        tm = .13 / 500 * 500000 / v.bit[ch]
        same = [m for m in u.msgs if m.event is None] if u.chan == ch else []
        for a, b in sp:
            if way == "babble" and same:
                m = rng.choice(same)
                p.flood.append((ch, a, b, m.id, m.ext, rng.choice((.0002, .0004, .001)), bytes(m.tmpl)))
            else:
                ext = v.kind != "car"
                i = rng.choice((0, 0x10, 0x7B0)) if not ext else rng.choice((0x00FF0000, 0x18FFFFFB, 0x0CEFFFFB))
                p.flood.append((ch, a, b, i, ext, rng.choice((.0002, .0003, .0008)), bytes(rng.randrange(256) for _ in range(8))))
        T(["overload"], "overload", [], sp, "can%d: %s, %s" % (ch, way, w))
    elif fault == "foreign":
        u = U[one]
        x = rng.random()
        how = ""
        if x < .4:                                   # other equipment: other identifiers
            ch = {}
            for m in u.msgs:
                if rng.random() < .8 or len(u.msgs) == 1:
                    if v.kind == "truck":
                        sa = (u.address + p.shift) & 255 if hasattr(p, "shift") else None
                        if sa is None:
                            p.shift = rng.choice((1, 4, 7, 0x50)); sa = (u.address + p.shift) & 255
                        while any(w.address == sa for w in U):
                            p.shift += 1; sa = (u.address + p.shift) & 255
                        i = m.id & ~255 | sa
                    else:
                        i = m.id + rng.choice((1, 2, 4, 7, 16, 17)) * (0x100 if m.ext else 1)
                    if not any(q.id == i for w in U for q in w.msgs) and i not in ch.values() and i < (0x1FFFFFFF if m.ext else 0x6F0):
                        ch[m.id] = i
            if not ch:
                return False
            p.other[one] = ch; how = "part of another model: other identifiers"
        elif x < .7 and len(regular(u)) >= 2:
            r = regular(u)[:]; rng.shuffle(r)
            p.drop[one] = [m.id for m in r[:rng.randrange(1, len(r))]]; how = "not configured: messages lacking"
        else:
            if u.nodiag:
                return False
            p.vin[one] = "".join(rng.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(17)) if rng.random() < .7 else "\xff" * 17
            p.needs.append("vin"); how = "used part: " + ("VIN of another car" if p.vin[one][0] != "\xff" else "VIN empty")
        if rng.random() < .5 or "VIN" in how:
            p.codes.append((one, "config"))
            p.needs.append("scan") if v.kind != "truck" or v.udstruck else None
        T(["not_configured"], "not_configured", [one], [(0., D)], "%s: %s" % (u.name, how))
    elif fault == "stale":
        p.needs.append("scan")
        k = rng.random()
        if k < .4:                                   # one unit was off at an earlier repair
            p.codes.append((one, "history")); nodes, how = [one], "codes left of a repair of %s" % U[one].name
        elif k < .7:
            g = [i for i in ok if rng.random() < .4] or [one]
            p.codes += [(i, "history") for i in g]; nodes, how = g, "codes left of a jump start / flat battery"
        else:
            p.codes.append((one, "history")); nodes, how = [one], "codes left of water ingress, dried since"
        T(["stale_codes"], "stale_codes", nodes, [], how)
    elif fault == "mended":
        p.needs.append("scan")
        if rng.random() < .5:
            p.codes.append((one, "history"))
            T(["stale_codes"], "stale_codes", [one], [], "fault at %s mended before the recording, codes not cleared" % U[one].name)
        else:
            b = rng.uniform(.15, .5) * D
            a = rng.choice((-INF, rng.uniform(0, b)))
            put(rng.choice((p.power, p.open)), one, [(a, b)])
            p.needs.append("scan late")
            T(["stale_codes"], "stale_codes", [one], [(max(0., a), b)], "%s plugged in again during the recording" % U[one].name)
    else:
        return False
    return True
