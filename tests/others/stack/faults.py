"""Plants a fault in a physical place: returns truth and the list of events (time, method of Sim, arguments)."""
from vehicle import seen_ids

class Spec: pass

def clip(l, a, b): return [(max(x, a), min(y, b)) for x, y in l if min(y, b) - max(x, a) > 0]

def drops(r, wins, least=.15):
    """When a loose thing lets go: few long ones, clusters, a shaking rhythm, heat, chatter."""
    a, b = max(wins, key=lambda w: w[1] - w[0]) if r.random() < .7 else r.choice(wins)
    if b - a < 1: a, b = max(wins, key=lambda w: w[1] - w[0])
    L = b - a; st = r.choice(("few", "few", "cluster", "rhythm", "heat", "one")); out = []
    if st == "few":
        for _ in range(r.randint(1, 5)):
            t = a + L * r.uniform(.03, .9); out.append((t, t + max(least, r.lognormvariate(-.1, .9))))
    elif st == "cluster":
        for _ in range(r.randint(1, 3)):
            t = a + L * r.uniform(.03, .85)
            for _ in range(r.randint(2, 9)): d = r.uniform(.03, .7); out.append((t, t + d)); t += d + r.uniform(.05, 1.2)
    elif st == "rhythm":
        per = r.uniform(.8, 5); t = a + L * r.uniform(.02, .4)
        for _ in range(r.randint(3, 12)): d = r.uniform(.1, .4) * per; out.append((t, t + d)); t += per * r.uniform(.8, 1.25)
    elif st == "heat":
        t = a + L * r.uniform(.2, .6); out.append((t, t + L * r.uniform(.1, .35)))
    else: t = a + L * r.uniform(.1, .8); out.append((t, t + r.uniform(.3, min(8, max(.5, L * .4)))))
    out = clip(sorted(out), a, b - .02); m = []
    for x, y in out:
        if m and x <= m[-1][1] + .03: m[-1] = (m[-1][0], max(y, m[-1][1]))
        else: m.append((x, y))
    return m

def chatter(r, iv):
    """Edges of a contact bounce."""
    out = []
    for a, b in iv:
        if r.random() < .3 and b - a > .3: c = a + .04 + r.random() * .1; out += [(a, a + .02), (c, b)]
        else: out.append((a, b))
    return out

def plant(kind, v, r, wins, A, B, taken, sound):
    f = Spec(); f.kind = kind; f.ev = []; f.nodes = []; f.pre = None; f.extra = []; f.never = False; f.bus = None; ev = f.ev
    cands = [u for u in v.units if u.place not in taken and seen_ids(v, u)[0] and (u is not v.gateway) and any(m.mode == "cyc" for m in u.msgs)
             and (u.feed not in ("acc",) or r.random() < .3)]
    if not cands: return None
    L = B - A; INF = 1e9
    def power(u, iv):
        for a, b in iv: ev.append((a, "lose", u)); b < INF and ev.append((b, "regain", u))
    def wires(u, iv, one=None):
        bs = [u.buses[0]] if len(u.buses) == 1 or r.random() < .6 else u.buses
        for a, b in iv:
            if one: ev.append((a, "setnoise", u, one, r.choice((0, .02, .1, .25)))); b < INF and ev.append((b, "setnoise", u, 0., 0.))
            else:
                for x in bs: ev.append((a, "opened", u, x)); b < INF and ev.append((b, "closed", u, x))
    def pre(u, p=.7): f.pre = (p, [u])       # its watchers had the time to store codes before
    def truth(accept, really, nodes, when, how):
        f.accept, f.really, f.nodes, f.when, f.how = accept, really, [u.place for u in nodes], when, how; return f
    u = r.choice(cands); n = u.name
    three = ["module_power", "module_connector", "module_dead"]
    if kind == "power intermittent":
        iv = drops(r, wins, .25); power(u, chatter(r, iv)); 
        return truth(["module_power"], "module_power", [u], iv, f"supply of {n} ({r.choice(('fuse seat', 'ground pin', 'feed pin', 'crimp'))}) drops")
    if kind == "open stub":
        iv = drops(r, wins, .25); one = r.choice((None, None, None, .97, 1.))
        wires(u, chatter(r, iv), one); return truth(["module_connector"], "module_connector", [u], iv, f"{'one wire' if one else 'both wires'} of the stub of {n} open")
    if kind == "corroded contact":
        iv = drops(r, wins, .4); sub = []
        for a, b in iv:
            t = a
            while t < b: d = r.expovariate(1 / .15) + .01; sub.append((t, min(b, t + d))); t += d + r.expovariate(1 / .08)
        if r.random() < .5: wires(u, sub, r.choice((.5, .8, .95)))
        else: wires(u, sub)
        return truth(["module_connector"], "module_connector", [u], iv, f"bus contact of {n} corroded, fails in bursts")
    if kind in ("silent from the start", "silent from the middle", "restraint"):
        mid = kind == "silent from the middle" or kind == "restraint" and r.random() < .5
        if kind == "restraint":
            u = next((x for x in cands if x.role == "srs"), None)
            if not u: return None
        if mid:
            a, b = max(wins, key=lambda w: w[1] - w[0]); t = a + (b - a) * r.uniform(.15, .7)
        else: t = -50.; f.never = True; pre(u, .75)
        how = r.choice(three); iv = [(t, INF)]
        if how == "module_power": power(u, iv)
        elif how == "module_connector": wires(u, iv)
        else: ev.append((t, "kill", u))
        return truth(three, how, [u], [(max(t, A), B)], f"{u.name}: {how} for good")
    if kind in ("branch", "shared supply"):
        groups = {}
        for x in cands + ([v.gateway] if kind == "shared supply" and v.gateway and r.random() < .2 else []):
            if kind == "branch": groups.setdefault(x.splice, []).append(x)
            else:
                groups.setdefault(x.fuse, []).append(x); groups.setdefault(x.ground, []).append(x)
        groups = [(k, g) for k, g in groups.items() if 2 <= len(g) <= 7 and len(g) < len(cands)]
        if not groups: return None
        k, g = r.choice(groups); good = r.random() < .3; start = good and r.random() < .4
        if good:
            a, b = max(wins, key=lambda w: w[1] - w[0]); iv = [(-50. if start else a + (b - a) * r.uniform(.15, .7), INF)]; f.never = start
            if start: f.pre = (.75, g)
        else: iv = drops(r, wins, .3)
        if kind == "shared supply":
            ch = chatter(r, iv)
            for x in g: power(x, ch)
            return truth(["shared_supply", "branch"] if good else ["shared_supply"], "shared_supply", g, [(max(a, A), min(b, B)) for a, b in iv], f"{'ground' if k == g[0].ground else 'fuse or relay'} {k} of {len(g)} units")
        b = g[0].buses[0]; isl = 1 if (b.rate <= 125000 or b.term and r.random() < .6) else -1
        for s, e in chatter(r, iv):
            for x in g: ev.append((s, "setisland", x, isl)); ev.append((s, "opened", x, b)); e < INF and ev.append((e, "closed", x, b))
        return truth(["branch", "shared_supply"] if good else ["branch"], "branch", g, [(max(s, A), min(e, B)) for s, e in iv], f"splice {k[1]} on bus {b.n}: {len(g)} units off the main line, island {'works' if isl > 0 else 'cannot work'}")
    live = [b for b in v.buses if b.ch is not None] + ([v.buses[1]] if len(v.buses) > 1 and r.random() < .2 else [])
    live = [b for b in live if b.ch is not None or any(c.bus.ch == 0 for x in v.units if x.buses[0] is b for c in v.routed.get(x, []))]
    if kind == "short":
        b = f.bus = r.choice(live); iv = drops(r, wins, .2)
        if r.random() < .2: iv = iv[:-1] + [(iv[-1][0], INF)]
        for s, e in iv: ev.append((s, "short", b, 1)); e < INF and ev.append((e, "short", b, -1))
        return truth(["line"], "line", [], [(s, min(e, B)) for s, e in iv], f"wires of bus {b.n} shorted")
    if kind == "termination":
        live = [b for b in live if b.ch is not None]; b = f.bus = r.choice(live); whole = r.random() < .5; p = r.choice((.02, .05, .1, .1, .15, .25, .4))
        iv = [(-50., INF)] if whole else drops(r, wins, 1.)
        for s, e in iv: ev.append((s, "busnoise", b, p)); e < INF and ev.append((e, "busnoise", b, 0.))
        f.p = p; return truth(["line"], "line", [], [(max(s, A), min(e, B)) for s, e in iv], f"terminator of bus {b.n} missing, {p:.0%} of frames fail")
    if kind == "gateway":
        g = v.gateway
        if not g or g.place in taken or not v.routed: return None
        mid = r.random() < .75; how = r.choice(("power", "power", "stub", "program", "reset"))
        if mid: iv = drops(r, wins, .4) if r.random() < .6 else [(max(wins, key=lambda w: w[1] - w[0])[0] + L * r.uniform(.1, .5), INF)]
        else: iv = [(-50., INF)]; f.never = True; pre(g)
        if iv[0][0] > B - 1: return None
        if how == "power": power(g, iv)
        elif how == "stub": wires(g, iv)
        elif how == "program":
            for s, e in iv: ev.append((s, "standing", g, True)); e < INF and ev.append((e, "standing", g, False))
        else:
            for s, e in iv: ev.append((s, "kill", g)); e < INF and ev.append((e, "unkill", g))
        acc = ["gateway"] + (["branch"] if len([b for b in v.buses if b.ch is not None]) == 1 else []) + (["module_power"] if how == "power" else [])
        return truth(acc, "gateway", [g], [(max(s, A), min(e, B)) for s, e in iv], f"gateway stops ({how})")
    if kind == "dead":
        how = r.choice(("watchdog", "watchdog", "stands", "standsdiag", "dies", "frozen?"))
        a, b = max(wins, key=lambda w: w[1] - w[0]); t = -50. if r.random() < .35 else a + (b - a) * r.uniform(.1, .6)
        when = [(max(t, A), B)]
        if how == "watchdog":
            ev.append((t, "wdstart", u)); 
            if t < 0: pre(u, .5)
            return truth(["module_dead", "module_power"], "module_dead", [u], when, f"{n} reset by its watchdog again and again")
        f.never = t < 0
        if t < 0: pre(u)
        if how == "dies": ev.append((t, "kill", u)); return truth(three[::-1], "module_dead", [u], when, f"{n} dies")
        ev.append((t, "standing", u, True, how == "standsdiag"))
        if how == "standsdiag": return truth(["module_dead", "not_configured"], "module_dead", [u], when, f"sending of {n} stands, its diagnosis answers")
        return truth(three[::-1], "module_dead", [u], when, f"program of {n} stands")
    if kind == "flood":
        b = f.bus = r.choice([b for b in v.buses if b.ch is not None]); iv = drops(r, wins, .4); iv = clip(iv, 0, B); budget = 25.; out = []
        ext = v.kind != "car"; src = r.choice(("junk", "zero", "unit", "addon")); m = r.choice([m for x in v.units for m in x.msgs if m.bus is b and m.dlc])
        ident = {"junk": r.randrange(1, 0x60) if not ext else r.randrange(0x04000000, 0x0C000000), "zero": 0 if not ext else 0x00000000 | 0x04000001, "unit": m.ident, "addon": r.randrange(0x10, 0x300) if not ext else 0x08FF0000 | r.randrange(65536)}[src]
        gap = r.choice((0., 0., .00002, .0001)); data = bytes(m.base) if src == "unit" else bytes(r.randrange(256) for _ in range(r.choice((8, 8, 2, 1)) if src != "zero" else 8))
        for s, e in iv:
            e = min(e, s + budget)
            if e - s > .05: ev.append((s, "flood", b, ident, data, gap, e)); out.append((s, e)); budget -= e - s
        f.ident = ident; return truth(["overload"], "overload", [], out, f"{src} {ident:X} floods bus {b.n}")
    if kind == "foreign":
        how = r.choice(("ids", "ids", "vin", "vin", "lacks", "uninit"))
        if how == "vin" and (v.kind == "truck" or v.proto == "obd"): how = "ids"
        f.how2 = how; ev.append((-50., "foreign", u, how, r.random()))
        if how == "ids": pre(u, .8)
        if how == "vin": u.proto = v.proto
        f.never = how in ("ids",)
        return truth(["not_configured"], "not_configured", [u], [(A, B)], f"{n} foreign: {how}")
    if kind in ("stale", "mended"):
        f.pre = None; f.stale = True
        if kind == "mended" and r.random() < .4:
            a, b = max(wins, key=lambda w: w[1] - w[0])
            iv = [(a + .2 if r.random() < .5 else -50., a + (b - a) * r.uniform(.2, .5))]
            (power if r.random() < .5 else wires)(u, iv); f.pre = (.6, [u])
            f.live = True
            return truth(["stale_codes"], "stale_codes", [], [(max(iv[0][0], A), iv[0][1])], f"{n} was silent and is mended within the recording")
        f.live = False; f.oldabout = [u] if kind == "mended" else r.sample(cands, min(len(cands), r.randint(1, 5)))
        return truth(["stale_codes"], "stale_codes", [], [], f"old codes about {', '.join(x.name for x in f.oldabout)}")
