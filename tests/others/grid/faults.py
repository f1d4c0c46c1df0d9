"""Faults: one element of the diagram (or of a unit) changes its state over time."""
from scenario import T0, both, merge, cut
from vehicle import Msg
from wiring import OPEN, supply_off

COUNTS = [("power intermittent", 18), ("open stub", 18), ("corroded contact", 12), ("silent from the start", 12),
          ("silent from the middle", 12), ("branch", 19), ("shared supply", 19), ("short", 9), ("gateway", 10),
          ("termination", 9), ("dead", 16), ("flood", 9), ("foreign", 10), ("stale", 10), ("mended", 9), ("restraint", 9)]
END = 1e7


def episodes(rng, dur, first=0.):
    r = rng.random()
    out = []
    if r < .4:
        how = "when shaken"
        for _ in range(rng.choice([1, 2, 3, 5, 8, 12])):
            a = rng.uniform(first, dur)
            out.append((a, a + rng.choice([.03, .15, .5, 1.5, 4.]) * rng.uniform(.5, 2)))
    elif r < .55:
        how = "when warm"
        a, n = rng.uniform(.3, .7) * dur, rng.uniform(.3, 2)
        while a < dur:
            out.append((a, a + n)); a += n + rng.uniform(.5, .15 * dur + 1); n *= rng.uniform(1, 1.8)
    elif r < .65:
        how = "until warm"
        a, n = T0, rng.uniform(.2, .5) * dur
        out.append((a, n)); a = n
        while a < .7 * dur:
            a += rng.uniform(.3, 4); n = rng.uniform(.1, 2); out.append((a, a + n)); a += n
    elif r < .85:
        how = "when touched"
        for _ in range(rng.choice([1, 1, 2])):
            a = rng.uniform(.05, .9) * dur
            out.append((a, a + rng.uniform(.4, 9)))
    else:
        how = "again and again"
        a, p, n = rng.uniform(0, 4), rng.uniform(1.2, 9), rng.uniform(.08, .8)
        while a < dur:
            out.append((a, a + n * rng.uniform(.7, 1.3))); a += p * rng.uniform(.8, 1.2)
    return merge([(a, b) for a, b in out if b > first - 9], .02), how


def apply(rng, el, eps, val, fine=None):
    """Puts the state; fine: chatters within the episode on the scale of ms."""
    if fine is None:
        fine = rng.random() < .5
    end = -1e9
    for a, b in eps:
        if not fine or b - a > 60:
            el.put(a, b, val)
            continue
        t = a
        while t < b:
            n = rng.choice([.004, .02, .08, .3]) * rng.uniform(.5, 2)
            el.put(t, min(b, t + n), val if rng.random() < .9 else val / 2)
            t += n + rng.choice([.001, .006, .03, .15]) * rng.uniform(.5, 2)


def els_users(v, supply):
    d = {}
    for u in v.units:
        for n in (u.supply if supply else [n for b, p in u.path.items() for n in p]):
            d.setdefault(n, []).append(u)
    return d


def recorded_msgs(v, u):
    ms = [m for m in u.msgs if m.bus in v.recorded]
    if v.gw:
        ms += [m for m in v.gw.msgs if m.src is not None and m.src.unit is u and m.bus in v.recorded]
    return [m for m in ms if m.kind in ("per", "nm", "dm1", "copy", "pause")]


def alive(u, s, least=2.):
    return sum(b - a for a, b in both(u.want, [(0, s.dur)])) > min(least, .3 * s.dur)


def pick(rng, v, s, busy, names=None):
    c = [u for u in v.units if u not in busy and alive(u, s) and not u.own_switch and (names is None or u.name in names)]
    good = [u for u in c if u.bus in v.recorded and recorded_msgs(v, u) and not u.is_gw]
    far = [u for u in c if u.bus not in v.recorded and not u.is_gw and (u.ans or recorded_msgs(v, u))]
    if far and (not good or rng.random() < .1):
        return rng.choice(far)
    return rng.choice(good) if good else None


def plant(rng, v, s, fault, busy):
    """-> planted entry with live references, or None if this vehicle does not lend itself."""
    w = v.w.el
    p = {"fault": fault, "els": [], "units": [], "kind": "bus", "off": {}, "code": True}
    dur = s.dur
    if fault in ("silent from the start", "silent from the middle", "restraint"):
        u = pick(rng, v, s, busy, ("restraint", "brakes") if fault == "restraint" and v.kind == "truck" else ("restraint",) if fault == "restraint" else None)
        if not u or u.name == "brakes" and fault == "restraint":
            return None
        a = T0 - 1 if fault.endswith("start") else rng.uniform(.15, .8) * dur
        late = fault == "restraint"
        eps = [(a, END)]
        how = "for good"
        if late:
            r = rng.random()
            if r < .35:
                eps = [(T0 - 1, END)]
            elif r < .7:
                eps, how = episodes(rng, dur)
        acc = ["module_power", "module_connector", "module_dead"]
        r = rng.random()
        p["units"], p["accept"] = [u], acc
        if r < .4:
            n = rng.choice(["supply pin of " + u.name, "ground pin of " + u.name] + [x for x in u.supply if x.startswith("fuse") and len(els_users(v, True)[x]) == 1])
            apply(rng, w[n], eps, OPEN, None if len(eps) > 1 else False)
            p.update(kind="supply", really="module_power", how="%s open %s" % (n, how), els=[w[n]])
        elif r < .75 or (late and len(eps) > 1):
            n = u.path[u.bus][-1]
            apply(rng, w[n], eps, 1., None if len(eps) > 1 else False)
            p.update(really="module_connector", how="%s open %s" % (n, how), els=[w[n]])
        else:
            u.extra += eps
            p.update(kind="extra", really="module_dead", how="dies, " + how)
        return p
    if fault == "power intermittent":
        u = pick(rng, v, s, busy)
        if not u:
            return None
        p["units"] = [u]
        c = ["supply pin of " + u.name, "ground pin of " + u.name] + [x for x in u.supply if x.startswith("fuse") and len(els_users(v, True)[x]) == 1] * 2
        n = rng.choice(c)
        eps, how = episodes(rng, dur)
        if u.amps >= 1 and rng.random() < .45:        # a resistance: it fails under load or when the engine is started
            r = rng.uniform(5, 9) / u.amps * (v.volts / 12) ** 2
            if rng.random() < .5:
                eps = [(T0 - 1, END)]; how = "always"
            for a, b in eps:
                w[n].put(a, b, r)
            how = "%.1f ohm in %s, %s" % (r, n, how)
        else:
            apply(rng, w[n], eps, OPEN)
            how = "%s opens %s" % (n, how)
        p.update(kind="supply", accept=["module_power"], really="module_power", how=how, els=[w[n]])
        return p
    if fault in ("open stub", "corroded contact"):
        u = pick(rng, v, s, busy)
        if not u:
            return None
        n = u.path[u.bus][-1]
        eps, how = episodes(rng, dur)
        if fault == "open stub":
            apply(rng, w[n], eps, 1.)
        else:
            for a, b in eps:
                t = a
                while t < min(b, a + 40):
                    d = rng.choice([.002, .008, .03, .1]) * rng.uniform(.5, 2)
                    w[n].put(t, min(b, t + d), rng.choice([0., .3, .6, .9, 1., 1.]))
                    t += d
        p.update(units=[u], accept=["module_connector"], really="module_connector", how="%s: %s" % (n, how), els=[w[n]])
        return p
    if fault in ("branch", "shared supply"):
        d = els_users(v, fault != "branch")
        c = []
        for n, us in sorted(d.items()):
            x = [u for u in us if alive(u, s) and recorded_msgs(v, u) and u.bus in v.recorded]
            if len(x) < 2 or any(u in busy for u in us):
                continue
            if fault == "branch":
                b = next(b for u in us for b, q in u.path.items() if n in q)
                if b in v.recorded and len(us) < len([u for u in v.units if b in u.path]):
                    c.append((n, us))
            elif len(us) < len(v.units) * .8:
                c.append((n, us))
        if not c:
            return None
        n, us = rng.choice(c)
        good = rng.random() < .3
        if good:
            a = rng.choice([T0 - 1, rng.uniform(.1, .8) * dur])
            eps, how = [(a, END)], "for good"
        else:
            eps, how = episodes(rng, dur)
        if fault == "branch":
            apply(rng, w[n], eps, 1., False if good else None)
            acc = ["branch", "shared_supply"] if good else ["branch"]
            p.update(really="branch")
        else:
            r = rng.uniform(4, 9) / sum(u.amps * .3 for u in us)
            if rng.random() < .25 and not good:
                for a, b in eps:
                    w[n].put(a, b, min(60., r * 6) * (v.volts / 12) ** 2)
                how = "high resistance " + how
            else:
                apply(rng, w[n], eps, OPEN, False if good else None)
            acc = ["shared_supply", "branch"] if good else ["shared_supply"]
            p.update(really="shared_supply", kind="supply")
        p.update(units=us[:], accept=acc, how="%s: %s" % (n, how), els=[w[n]])
        return p
    if fault == "short":
        b = rng.choice(sorted(v.recorded))
        eps, how = episodes(rng, dur)
        eps = [e for e in eps if e[0] > .3 and e[1] - e[0] > .02] or [(dur * .3, dur * .3 + rng.uniform(.1, 3))]
        to, val = rng.choice([("to each other", 1.), ("one to ground", 1.), ("one to battery", 1.), ("one to ground through some ohms", rng.uniform(.5, .97))])
        apply(rng, w["wires %d" % b], eps, val)
        p.update(kind="line", accept=["line"], really="line", how="bus wires %s, %s" % (to, how), els=[w["wires %d" % b]], bus=b)
        return p
    if fault == "termination":
        b = rng.choice(sorted(v.recorded))
        eps, how = episodes(rng, dur)
        if rng.random() < .45:
            eps, how = [(rng.choice([T0 - 1, rng.uniform(.1, .6) * dur]), END)], "for good"
        if rng.random() < .7:
            e = w["terminator %d.%d" % (b, rng.randint(1, 2))]
            apply(rng, e, eps, 1., False)
        else:
            e = w["wires %d" % b]
            apply(rng, e, eps, rng.uniform(.05, .5), rng.random() < .4)
        p.update(kind="line", accept=["line"], really="line", how="%s bad %s" % (e.name, how), els=[e], bus=b)
        return p
    if fault == "gateway":
        g = v.gw
        if not g or g in busy or not alive(g, s):
            return None
        eps, how = episodes(rng, dur)
        if rng.random() < .4:
            eps, how = [(rng.choice([T0 - 1, rng.uniform(.1, .8) * dur]), END)], "for good"
        acc = ["gateway"] + (["branch"] if len(v.recorded) == 1 else [])
        p.update(units=[g], really="gateway")
        if rng.random() < .5:
            n = rng.choice([x for x in g.supply if "pin" in x])
            apply(rng, w[n], eps, OPEN)
            p.update(kind="supply", accept=acc + ["module_power"], how="%s open %s" % (n, how), els=[w[n]])
        else:
            g.extra += eps
            p.update(kind="extra", accept=acc, how="its program stops, " + how)
        return p
    if fault == "dead":
        u = pick(rng, v, s, busy)
        if not u:
            return None
        p["units"] = [u]
        r = rng.random()
        a = rng.choice([T0, rng.uniform(.05, .7) * dur])
        if r < .4:
            n = rng.choice([.2, .8, 2., 5.]) * rng.uniform(.6, 1.6) + u.boot * rng.choice([.3, 1.1, 1.1])
            t = a + n * rng.random()
            stop = rng.choice([END, a + rng.uniform(.2, .6) * dur])
            while t < min(dur, stop):
                u.extra.append((t, t + rng.uniform(.004, .09)))
                t += n * (rng.uniform(.97, 1.03) if rng.random() < .8 else rng.uniform(.5, 2)) + .05
            p.update(kind="extra", accept=["module_dead", "module_power"], how="watchdog resets again and again")
        elif r < .75:
            if not u.ans and v.kind != "truck":
                return None
            b = rng.choice([END, END, a + rng.uniform(.1, .5) * dur])
            v.todo.append((a, "noapp", u, True)); v.todo.append((b, "noapp", u, False))
            p.update(kind="noapp", span=[(a, b)], accept=["module_dead", "not_configured"], how="its program stands, the diagnosis answers", scan=True)
        else:
            u.extra.append((a, END))
            p.update(kind="extra", accept=["module_dead", "module_power", "module_connector"], how="dies")
        p["really"] = "module_dead"
        return p
    if fault == "flood":
        b = rng.choice(sorted(v.recorded))
        a = rng.choice([0., rng.uniform(.05, .7) * dur])
        e = rng.choice([END, a + rng.uniform(.05, .5) * dur + .3])
        r = rng.random()
        rate, ft = v.rates[b], 125. / v.rates[b]
        if r < .45:
            c = [u for u in v.units if u.bus == b and alive(u, s) and u.msgs and u not in busy]
            if not c:
                return None
            u = rng.choice(c)
            m = rng.choice([m for m in u.msgs if m.bus == b] or [None])
            if m is None or m.kind == "copy":
                return None
            v.floods.append((a, e, b, u, m, ft * rng.uniform(1.0, 1.15)))
            how = "%s sends 0x%X without end" % (u.name, m.id)
            p["src"] = u
        elif r < .8:
            i = rng.choice([0, 0, rng.randrange(0x40), rng.randrange(0x7F0)]) if not v.ext else rng.choice([0, 0x0C000000 | rng.randrange(1 << 20), 0x18FF0000 | rng.randrange(1 << 16)])
            v.floods.append((a, e, b, None, i, ft * rng.uniform(1.03, 1.15)))
            how = "a fitted device floods with 0x%X" % i
        else:
            i = rng.choice([0x7DF, rng.randrange(0x700, 0x7F0)]) if not v.ext else 0x18EAFFF9 if v.kind == "truck" else 0x18DB33F1
            v.floods.append((a, e, b, None, i, ft * rng.uniform(1.03, 1.1)))
            how = "a device at the connector asks without end"
        p.update(kind="flood", accept=["overload"], really="overload", how=how, span=[(a, e)], bus=b)
        return p
    if fault == "foreign":
        u = pick(rng, v, s, busy)
        if not u or u.bus not in v.recorded:
            return None
        p.update(units=[u], accept=["not_configured"], really="not_configured", kind="foreign", span=[(0., END)])
        r = rng.random()
        own = [m for m in u.msgs if m.kind not in ("copy", "repack", "dm1")]
        taken = {m.id for x in v.units for m in x.msgs} | {x.req for x in v.units} | {x.ans for x in v.units}
        if r < .4 and own and v.kind != "truck":
            part = own if rng.random() < .5 else rng.sample(own, max(1, len(own) // 2))
            sh = rng.choice([1, 2, 0x10, 0x40, 0x100, -1, -0x10])
            for m in part:
                i = m.id + sh
                while i in taken or i <= 0 or (not v.ext and i > 0x7DE):
                    i = (i + 0x13) % (0x690 if not v.ext else 0x1FFFFFFF)
                taken.add(i)
                c = Msg(rng, u, m.bus, i, m.ext, m.per, m.kind, m.dlc)
                c.n, c.start, c.ctr, c.chk, c.ctrmod = m.n, m.start, m.ctr, m.chk, m.ctrmod
                u.msgs[u.msgs.index(m)] = c
            p["how"] = "a unit of another variant, %d of its identifiers differ" % len(part)
            p["roster"] = True
        elif r < .75 and len(own) > 1:
            part = rng.sample(own, rng.randint(1, len(own) - 1))
            u.missing_ids |= {m.id for m in part}
            p["how"] = "not configured: %d messages are lacking" % len(part)
            p["roster"] = True
        elif v.kind != "truck" and u.ans:
            u.vin = "".join(rng.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(17))
            u.vin_known = True
            p["how"] = "used unit with another car's VIN"
            p["vin"] = p["scan"] = True
        else:
            return None
        if v.kind != "truck" and rng.random() < .6:
            c = rng.choice([(0xC300, 0x55), (0xC300, 0x56), (0xE101, 0x55), (0x9B00 + rng.randrange(256), 0x55), (0xE000 + rng.randrange(256), 0x54)])
            u.codes[c] = [True, True, True, 1, 0x2F, 1]
        if v.kind == "truck" and rng.random() < .7:
            u.codes[(628 + rng.randrange(3), rng.choice([13, 13, 2]))] = [True, True, True, 1, 0, 1]
        return p
    if fault in ("stale", "mended"):
        p.update(units=[], accept=["stale_codes"], really="stale_codes", kind="stale", scan=True, span=[])
        us = [u for u in v.units if u.watch]
        if fault == "mended" and rng.random() < .5:
            f = rng.choice(["open stub", "power intermittent", "silent from the start", "branch"])
            q = None
            save = dict(p)
            u = pick(rng, v, s, busy)
            if not u:
                return None
            b = rng.uniform(.25, .55) * dur
            a = rng.choice([T0 - 1, rng.uniform(.02, .2) * dur])
            if rng.random() < .5:
                n = u.path[u.bus][-1]
                w[n].put(a, b, 1.)
            else:
                n = rng.choice([x for x in u.supply if "pin" in x])
                w[n].put(a, b, OPEN)
            p.update(how="%s open until it was plugged in again" % n, span=[(max(a, 0), b)], after=b + .5, seen=u)
            return p
        r = rng.random()
        x = pick(rng, v, s, busy)
        if not x:
            return None
        if r < .6 or fault == "mended":
            left = [(z, w_["code"]) for z in us for w_ in z.watch if w_["u"] is x]
            if not left:
                return None
            for z, c in left:
                if rng.random() < .8:
                    z.codes[c] = [False, True, False, rng.randint(1, 40), rng.choice([0x08, 0x28, 0x2C, 0x20 | 0x08])]
            p["how"] = "codes left after a repair of " + x.name
        else:
            for z in v.units:
                if rng.random() < .6:
                    c = rng.choice([(0xF003, 0x16), (0xF003, 0x17), (0x0562, 0), (0x9317, 0x16)]) if v.kind != "truck" else (168, rng.choice([1, 4, 18]))
                    z.codes[c] = [False, True, False, rng.randint(1, 9), rng.choice([0x08, 0x28])]
                    if z.watch and rng.random() < .4:
                        z.codes[rng.choice(z.watch)["code"]] = [False, True, False, 1, rng.choice([0x08, 0x28])]
            p["how"] = "codes left after a jump start"
        if not any(z.codes for z in v.units if z.ans or v.kind == "truck"):
            return None
        return p


def history(rng, v, p):
    """It happened before: those who watch remember."""
    if rng.random() > .45 or p["kind"] in ("line", "flood", "foreign", "stale"):
        return
    for z in v.units:
        for w in z.watch:
            if w["u"] in p["units"] and z not in p["units"] and rng.random() < .6:
                z.codes[w["code"]] = [False, True, False, rng.randint(1, 30)]


def spans(p, dur, v, s):
    """When the fault is there, as intervals of the simulation's clock."""
    if p["kind"] in ("bus", "line"):
        iv = []
        for e in p["els"]:
            iv += [(a, b) for a, b, x in zip(e.ts, e.ts[1:] + [END], e.vs) if x > 0]
    elif p["kind"] == "supply":
        iv = [o for u in p["units"] for o in u.offs]
    elif p["kind"] == "extra":
        iv = [o for u in p["units"] for o in u.extra]
    else:
        iv = p["span"]
    iv = merge(both(merge(iv, .3), [(0., dur)]), .3)
    if p["units"] and p["kind"] not in ("foreign", "stale"):    # only while the units would run
        iv = both(iv, merge([x for u in p["units"] for x in u.want], 0))
    if p["kind"] == "flood" and p.get("src"):
        iv = both(iv, cut(p["src"].want, p["src"].offs + p["src"].extra))
    return [x for x in iv if x[1] - x[0] > .0005]
