"""Faults in the physical thing. Each function puts a fault into the plan and returns what was
planted, or None when this vehicle or this day has no place for it."""
import copy
from spans import norm, inter, union, total, inside
from sim import Plan

FAR = 1e6


def shown(v, u, strict=False):
    """Frames of the unit that the connector shows: (channel, id, period, message)."""
    out = []
    for m in u.msgs:
        if v.buses[m.bus].channel is not None:
            out.append((v.buses[m.bus].channel, m.id, m.period, m))
        elif not u.gateway and v.dlc == "thin":
            for bj, new, div, lag in v.routes.get((m.bus, m.id), []):
                if v.buses[bj].channel is not None:
                    out.append((v.buses[bj].channel, new, m.period * div, m))
    return out


def lost_frames(v, d, i, when):
    """About how many frames the connector misses, were the unit silent then."""
    u = v.units[i]
    t = 0
    for ch, mid, p, m in shown(v, u):
        if m.kind in ("cyc", "cycev", "mode"):
            s = inter(d.awake[i], norm(when))
            if m.cond != "any":
                s = inter(s, d.eng if m.cond == "eng" else d.ign)
            t += total(inter(s, [(0, d.T)])) / p
    return t


def pick(r, v, d, need=1.0, ok=lambda u: True):
    c = [i for i, u in enumerate(v.units) if not u.gateway and ok(u) and total(inter(d.awake[i], [(0.3, d.T - .3)])) > need
         and (sum(1 / p for _, _, p, m in shown(v, u) if m.kind != "ev" and m.cond == "any") > .7
              or (v.dlc == "answers" and u.answer))]
    return r.choice(c) if c else None


def pattern(r, d, awake, style=None):
    """Intermittent: when the contact is open."""
    w = inter(awake, [(.4, d.T - .3)])
    if not w:
        return []
    L = total(w)

    def place():
        x = r.random() * L
        for a, b in w:
            if x < b - a:
                return a + x
            x -= b - a
        return w[-1][1] - .01
    style = style or r.choice(["few long", "few long", "many short", "clusters", "regular", "on start", "one"])
    out = []
    if style == "few long":
        out = [(t, t + r.uniform(.5, max(.8, min(6, L * .2)))) for t in (place() for _ in range(r.randint(2, 4)))]
    elif style == "many short":
        out = [(t, t + r.uniform(.03, .4)) for t in (place() for _ in range(r.randint(5, 25)))]
    elif style == "clusters":
        for _ in range(r.randint(1, 4)):
            t = place()
            for _ in range(r.randint(3, 12)):
                n = t + r.uniform(.01, .5)
                out.append((t, n))
                t = n + r.uniform(.01, .5)
    elif style == "regular":
        g, t = r.uniform(.7, 4), place() * .5
        while t < d.T and len(out) < 30:
            out.append((t, t + r.uniform(.08, .6) * g))
            t += g * r.uniform(.8, 1.2)
    elif style == "on start" and d.crank:
        for a, b in d.crank:
            out.append((a + r.random() * .2, b + r.uniform(.1, 2)))
        out.append((place(), 0))
        out[-1] = (out[-1][0], out[-1][0] + r.uniform(.2, 1))
    else:
        t = place()
        out = [(t, t + r.uniform(.4, max(.6, .3 * L)))]
    return [(a, min(b, d.T - .05)) for a, b in norm(out) if a > .2 and min(b, d.T - .05) - a > .004]


def rnd(s, T):
    return [[round(max(0, a), 3), round(min(b, T), 3)] for a, b in s if b > 0 and a < T]


def made(fault, accept, really, nodes, when, how, d):
    return {"fault": fault, "accept": accept, "really": really, "nodes": nodes, "when": rnd(when, d.T), "how": how}


def power(r, v, d, p, used):
    i = pick(r, v, d, ok=lambda u: u.i0 not in used)
    if i is None:
        return
    s = pattern(r, d, d.awake[i])
    s = [(a, b) for a, b in s if b - a > v.units[i].holdup + .005]
    if lost_frames(v, d, i, s) < 2 and v.dlc != "answers":
        return
    p.power[i] = s
    history(r, v, d, [i])
    return made("power intermittent", ["module_power"], "module_power", [i], s, r.choice(["pin of its supply spread", "its own fuse loose",
                "its ground screw loose", "supply wire chafed"]), d)


def stub(r, v, d, p, used):
    i = pick(r, v, d, ok=lambda u: u.i0 not in used)
    if i is None:
        return
    s = pattern(r, d, d.awake[i])
    if lost_frames(v, d, i, s) < 2 and v.dlc != "answers":
        return
    u = v.units[i]
    if r.random() < .2:
        p.contact[(u.bus, i)] = [(a, b, 1.0, .3) for a, b in s]
        how = "one of its two bus wires opens"
    else:
        p.wire[(u.bus, i)] = [(a, b, "open", None) for a, b in s]
        how = "both its bus wires open"
    history(r, v, d, [i])
    return made("open stub", ["module_connector"], "module_connector", [i], s, how, d)


def corroded(r, v, d, p, used):
    i = pick(r, v, d, ok=lambda u: u.i0 not in used)
    if i is None:
        return
    s = pattern(r, d, d.awake[i], r.choice(["few long", "clusters", "many short", "regular"]))
    if lost_frames(v, d, i, s) < 5 and v.dlc != "answers":
        return
    px, py = r.uniform(.4, .98), r.choice([0, .02, .1, .3])
    p.contact[(v.units[i].bus, i)] = [(a, b, px, py) for a, b in s]
    history(r, v, d, [i])
    return made("corroded contact", ["module_connector"], "module_connector", [i], s, "green contact, %d%% of its frames fail" % (px * 100), d)


THREE = ["module_power", "module_connector", "module_dead"]


def silence(r, v, d, p, i, s):
    c = r.choice(THREE)
    if c == "module_power":
        p.power[i] = s
    elif c == "module_connector":
        p.wire[(v.units[i].bus, i)] = [(a, b, "open", None) for a, b in s]
    else:
        p.halt[i] = [(a, b, False) for a, b in s]
    return c


def silent_start(r, v, d, p, used, name="silent from the start", ok=None):
    i = pick(r, v, d, ok=ok or (lambda u: u.i0 not in used))
    if i is None:
        return
    s = [(-FAR, FAR)]
    c = silence(r, v, d, p, i, s)
    d.needroster = True
    return made(name, THREE, c, [i], [(0, d.T)], {"module_power": "its fuse is blown", "module_connector": "its bus wires are off",
                                              "module_dead": "its processor is dead"}[c], d)


def silent_mid(r, v, d, p, used, name="silent from the middle", ok=None):
    i = pick(r, v, d, 4.0, ok=ok or (lambda u: u.i0 not in used))
    if i is None:
        return
    w = inter(d.awake[i], [(d.T * .2, d.T * .8)])
    if not w:
        return
    a, b = r.choice(w)
    t = a + (b - a) * r.uniform(.2, .8)
    if lost_frames(v, d, i, [(t, FAR)]) < 5 and v.dlc != "answers":
        return
    c = silence(r, v, d, p, i, [(t, FAR)])
    return made(name, THREE, c, [i], [(t, d.T)], {"module_power": "its fuse blows", "module_connector": "its bus wires come off",
                                              "module_dead": "it dies"}[c], d)


def restraint(r, v, d, p, used):
    ok = lambda u: u.name == "restraint"
    if r.random() < .5:
        return silent_start(r, v, d, p, used, "restraint", ok)
    x = silent_mid(r, v, d, p, used, "restraint", ok)
    return x


def several(v, d, us):
    return [i for i in us if sum(1 / q for _, _, q, m in shown(v, v.units[i]) if m.kind != "ev") > .5 and inter(d.awake[i], [(1, d.T - 1)])]


def group_time(r, d, awake):
    good = r.choice(["start", "mid", "now and then", "now and then", "now and then"])
    if good == "start":
        return [(-FAR, FAR)], True
    if good == "mid":
        return [(r.uniform(.2, .7) * d.T, FAR)], True
    return pattern(r, d, awake), False


def branch(r, v, d, p, used):
    c = [(b, bi, g) for bi, b in enumerate(v.buses) for g in b.groups if len(several(v, d, g[1])) > 1 and not set(g[1]) & used]
    if not c:
        return
    b, bi, (word, us) = r.choice(c)
    s, good = group_time(r, d, union(*[d.awake[i] for i in us]))
    if not s or sum(lost_frames(v, d, i, s) >= 2 for i in us) < 2:
        return
    up = [i for i in us if inter(d.awake[i], [(0, d.T)])]
    for i in us:
        p.wire[(bi, i)] = [(a, e, "far" if len(up) > 1 else "open", word) for a, e in s]
    if r.random() < .25:
        p.line[bi] = [(a, e, r.uniform(.01, .1)) for a, e in s]     # the end with a terminator has gone too
    if s[0][0] < 0:
        d.needroster = True
    history(r, v, d, us)
    return made("branch", ["branch"] + (["shared_supply"] if good else []), "branch", sorted(us), s, word + " open" + (" for good" if good else ""), d)


def shared(r, v, d, p, used):
    c = [(w, us) for w, us in v.fuses + v.grounds if len(several(v, d, us)) > 1 and not set(us) & used and not any(v.units[i].gateway for i in us)]
    if not c:
        return
    word, us = r.choice(c)
    s, good = group_time(r, d, union(*[d.awake[i] for i in us]))
    s = [(a, b) for a, b in s if b - a > .02]
    if not s or sum(lost_frames(v, d, i, [(a, b) for a, b in s if b - a > v.units[i].holdup]) >= 2 for i in us) < 2:
        return
    for i in us:
        p.power[i] = s
    if s[0][0] < 0:
        d.needroster = True
    history(r, v, d, us)
    return made("shared supply", ["shared_supply"] + (["branch"] if good else []), "shared_supply", sorted(us), s, word, d)


def busy_bus(r, v, d):
    c = [bi for bi, b in enumerate(v.buses) if b.channel is not None and b.name != "dlc" and b.msgs]
    if not c:
        return None, []
    bi = r.choice(c)
    aw = union(*[d.awake[i] for i, u in enumerate(v.units) if bi in u.buses and u.msgs] or [[]])
    return bi, aw


def short(r, v, d, p, used):
    bi, aw = busy_bus(r, v, d)
    if bi is None or total(inter(aw, [(.5, d.T - .5)])) < 3:
        return
    s = [(a, b) for a, b in pattern(r, d, aw, r.choice(["few long", "one", "regular", "clusters"])) if b - a > .03]
    if total(inter(s, aw)) < .2:
        return
    p.line.setdefault(bi, []).extend((a, b, 1.0) for a, b in s)
    return made("short", ["line"], "line", [], s, r.choice(["bus wires chafed to each other", "one to ground", "one to battery"]), d)


def termination(r, v, d, p, used):
    bi, aw = busy_bus(r, v, d)
    if bi is None or total(inter(aw, [(.5, d.T - .5)])) < 3:
        return
    good = r.random() < .4
    s = [(-FAR, FAR)] if good else pattern(r, d, aw, r.choice(["few long", "clusters", "one"]))
    if not s:
        return
    q = r.choice([.03, .08, .15, .3, .5, .65])
    p.line.setdefault(bi, []).extend((a, b, min(.8, q * r.uniform(.7, 1.3))) for a, b in s)
    d.wanterr = q < .3
    return made("termination", ["line"], "line", [], s, r.choice(["a terminator is missing", "water in a main line connector", "both terminators out",
                "main line squeezed"]), d)


def gateway(r, v, d, p, used):
    if v.gw is None or v.gw in used:
        return
    g, u = v.gw, v.units[v.gw]
    over = [1 / (m.period * x[2]) for (b, mid), l in sorted(v.routes.items()) for x in l if v.buses[x[0]].channel is not None
            for m in v.buses[b].msgs if m.id == mid]
    if len(over) < 2 and v.dlc != "answers":
        return
    k = r.choice(["mid", "start", "now", "now"])
    s = [(-FAR, FAR)] if k == "start" else [(r.uniform(.25, .7) * d.T, FAR)] if k == "mid" else pattern(r, d, d.awake[g])
    if not s or total(inter(inter(s, d.awake[g]), [(0, d.T)])) < .5:
        return
    acc = ["gateway"]
    if sum(b.channel is not None for b in v.buses) == 1:
        acc.append("branch")
    if r.random() < .6:
        p.power[g] = s
        acc.append("module_power")
        how = "no supply"
    else:
        p.halt[g] = [(a, b, False) for a, b in s]
        how = "its program stops"
    if k == "start":
        d.needroster = True
    return made("gateway", acc, "gateway", [g], s, how, d)


def dead(r, v, d, p, used):
    i = pick(r, v, d, 4.0, ok=lambda u: u.i0 not in used)
    if i is None:
        return
    u, T = v.units[i], d.T
    k = r.choice(["watchdog", "watchdog", "stands", "stands", "dies"])
    w = inter(d.awake[i], [(0, T)])
    t0 = w[0][0] + r.uniform(.1, .5) * (w[-1][1] - w[0][0]) if r.random() < .7 or k != "watchdog" else -3
    if k == "watchdog":
        s, t, up, dn = [], t0, r.choice([.1, .5, 1, 3, 8]), r.choice([.01, .05, .2])
        t = t0
        while t < T and len(s) < 60:
            s.append((t, t + dn * r.uniform(.8, 1.2)))
            t = s[-1][1] + min(u.boot, 1.5) * r.choice([.9, 1.05, 1.05]) + up * r.uniform(.6, 1.5)
        if len(inter(s, w)) < 3:
            return
        p.reset[i] = s
        d.slowboot = True
        s2 = [(a, min(b + u.boot, T)) for a, b in s]
        return made("dead", ["module_dead", "module_power"], "module_dead", [i], norm(s2), "restarts by its watchdog", d)
    s = [(t0, FAR)]
    if lost_frames(v, d, i, s) < 5:
        return
    diag = k == "stands"
    p.halt[i] = [(t0, FAR, diag)]
    return made("dead", ["module_dead", "not_configured"] if diag else THREE, "module_dead", [i], s,
                "application stands, diagnosis answers" if diag else "dies", d)


def flood(r, v, d, p, used):
    bi, aw = busy_bus(r, v, d)
    if bi is None or total(inter(aw, [(.5, d.T - .5)])) < 3:
        return
    b = v.buses[bi]
    ext = v.kind != "car"
    n = r.choice([8, 8, 4, 1])
    ft = ((67 if ext else 47) + 8 * n) * 1.1 / b.rate
    s = pattern(r, d, aw, r.choice(["few long", "one", "clusters"]))
    own = sum(m.bits * 1.1 / m.period for m in b.msgs) / b.rate
    gap = ft * r.choice([1.0, 1.05, 1.2, 1.5]) / max(.3, 1 - own * r.choice([0, .5, .9]))
    left, out = min(14.0, 45000 * gap), []
    for a, e in s:
        e = min(e, a + left)
        left -= e - a
        if e - a > .1:
            out.append((a, e))
    if total(inter(out, aw)) < .25:
        return
    k = r.choice(["idiot", "retrofit", "own"])
    if k == "own":
        m = r.choice(b.msgs)
        mid, how = m.id, "a unit's task has run wild and sends one message without end"
    else:
        mid = r.choice([0, 1, r.randrange(0x40)]) if not ext else r.choice([0x00000000, 0x04000000 | r.randrange(0x3FF), 0x0C000027])
        how = "babbling transmitter" if k == "idiot" else "retrofitted box floods"
    data = bytes(r.choice([0, 255, r.randrange(256)]) for _ in range(n))
    for a, e in out:
        p.flood.append((bi, a, e, mid, ext, gap, data, r.choice([0, .02, .3])))
    return made("flood", ["overload"], "overload", [], out, how, d)


def foreign(r, v, d, p, used):
    i = pick(r, v, d, ok=lambda u: u.i0 not in used and len(u.msgs) > 1)
    if i is None:
        return
    u = v.units[i]
    k = r.choice(["ids", "lacks", "used", "used"])
    ms = [m for m in u.msgs if m.id != u.nmsender]
    r.shuffle(ms)
    if k == "ids" and v.kind == "truck":
        new = r.choice([x for x in range(0x60, 0xE0) if x not in [w.sa for w in v.units]])
        u.codesa, u.sa = u.sa, new
        for m in ms:
            swap(v, u, m, m.id & ~0xFF | new)
        how = "claims another source address"
    elif k == "ids":
        for m in ms[:max(1, len(ms) * 2 // 3)]:
            for _ in range(99):
                nid = m.id + r.randrange(-64, 64) if not m.ext else m.id ^ r.randrange(1, 256) << 8
                if 0x40 < nid < (0x700 if not m.ext else 0x1FFFFFFF) and not any(nid in s for s in v.used) and not any(x.id == nid for b in v.buses for x in b.msgs):
                    break
            else:
                return
            for s in v.used:
                s.add(nid)
            swap(v, u, m, nid)
        how = "unit of another platform, other identifiers"
    elif k == "lacks":
        for m in ms[:max(1, len(ms) // 2)]:
            swap(v, u, m, None)
        how = "coded without options, lacks messages"
    else:
        u.used = True
        if v.proto != "uds" or not u.answer or not v.askvin or u.name in ("rain", "angle", "nox"):
            return
        d.needvin = i
        how = "used unit with the VIN of another car"
        if r.random() < .4:
            for m in ms[:1]:
                swap(v, u, m, None)
    if k != "used":
        d.needroster = True
    return made("foreign", ["not_configured"], "not_configured", [i], [(0, d.T)], how, d)


def swap(v, u, m, nid):
    u.msgs.remove(m)
    v.buses[m.bus].msgs.remove(m)
    v.ghosts.append(m)
    if nid is not None:
        n = copy.copy(m)
        n.id = nid
        u.msgs.append(n)
        v.buses[m.bus].msgs.append(n)


def old_codes(r, v, targets, share=.7):
    """Codes of an earlier trouble in those who watch, confirmed and not failing today."""
    n = 0
    for u in v.units:
        for m, peer, to, deb in u.monitors:
            if peer.i0 in targets and r.random() < share:
                c = (2000 + peer.sa, 9) if v.kind == "truck" else (0xC0 | peer.code >> 8, peer.code & 255, u.ftb)
                u.dtcs[c] = r.choice([0x08, 0x28, 0x28, 0x2C, 0x68, 0x48])
                n += 1
    return n


def history(r, v, d, nodes):
    if r.random() < .6:
        old_codes(r, v, nodes, r.choice([.3, .7, 1]))


def stale(r, v, d, p, used):
    k = r.choice(["repair", "jump", "battery"])
    t = [i for i, u in enumerate(v.units)]
    r.shuffle(t)
    t = t[:r.choice([1, 1, 2]) if k == "repair" else r.choice([2, 4, 6])]
    if not old_codes(r, v, t, .8):
        return
    d.needcodes = True
    return made("stale", ["stale_codes"], "stale_codes", [], [], {"repair": "left of an earlier repair", "jump": "left of a jump start",
                "battery": "left of a battery change"}[k], d)


def mended(r, v, d, p, used):
    if r.random() < .55:
        g = [us for b in v.buses for w, us in b.groups] + [us for w, us in v.fuses] + [[i] for i in range(len(v.units))]
        if not old_codes(r, v, r.choice(g), .95):
            return
        d.needcodes = True
        return made("mended", ["stale_codes"], "stale_codes", [], [], "connector renewed yesterday, codes not cleared", d)
    i = pick(r, v, d, 4, ok=lambda u: u.i0 not in used and inside(d.awake[u.i0], .1))
    if i is None:
        return
    t = r.uniform(.15, .4) * d.T
    p.wire[(v.units[i].bus, i)] = [(-FAR, t, "open", None)]
    d.needcodes = True
    d.mend = t
    return made("mended", ["stale_codes", "module_connector", "module_power"], "stale_codes", [i], [(0, t)], "its connector was plugged in again while recorded", d)


ALL = {"power intermittent": (18, power), "open stub": (18, stub), "corroded contact": (12, corroded),
       "silent from the start": (12, silent_start), "silent from the middle": (12, silent_mid), "branch": (19, branch),
       "shared supply": (19, shared), "short": (9, short), "gateway": (10, gateway), "termination": (9, termination),
       "dead": (16, dead), "flood": (9, flood), "foreign": (10, foreign), "stale": (10, stale), "mended": (9, mended),
       "restraint": (9, restraint)}
