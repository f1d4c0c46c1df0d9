"""From feeds, contacts and voltages: when each unit runs, talks, and is joined to the bus."""
from spans import norm, both, minus, total
from vehicle import Bag
import random
import physics


def states(r, v, w, S, own):
    """A dict of span lists per unit. `own`: unit -> spans in which its user switched it off."""
    dur, ign, acc = w.dur, w.keys["ign"], w.keys["acc"]
    fon = physics.feeds(r, v, w, S.feedcut, dur)
    keyed = norm(ign + acc, .001)
    net = [(a if a > 0 else -1e6, b + v.netsleep) for a, b in keyed]
    if not keyed or keyed[0][0] > 0 and not w.script[0][0] == "asleep":
        net.append((-1e6, v.netsleep * .7))
    for x, n in v.wakes:
        if not any(a <= x < b for a, b in keyed):
            net.append((x, x + n))
    net = norm(net)
    st = Bag(power=[], run=[], tx=[], off=[], diag=[], net=net)
    for u in v.units:
        r = random.Random(v.stseed * 1000 + u.i)       # the same chances with and without the fault
        pin = norm(S.pin.get(u.i, []) + S.gndcut.get(u.ground, []))
        on, mute = physics.unit_power(r, v, w, u, fon[u.feed], pin, S.pinres.get(u.i), S.gndres.get(u.ground), dur)
        awake = on
        if u.feedkind == "bat":
            awake = norm([(a if a < 0 else a + u.wakelag, min(b + u.sleep * .3, dur)) for a, b in net])
        elif u.feedkind == "ign" and u.after:
            awake = norm([(a, b + u.after) for a, b in on])
        run = []
        for a, b in both(on, awake):
            cold = any(abs(a - x) < 1e-9 for x, _ in on)
            if a > 0:
                a += u.boot * (1 if cold else .25) * (.95 + .13 * (a * 977.3 % 1))
            if a < b:
                run.append((a, min(b, dur)))
        if u.i in S.dead:
            run = minus(run, [(a, b + u.boot) for a, b in S.dead[u.i]])
        if u.i in S.loop:
            x, per, manner = S.loop[u.i]
            gaps = []
            while x < dur:
                n = per * (r.uniform(.85, 1.15) if manner == 0 else r.expovariate(1) + .1)
                gaps.append((x, x + u.boot * (1 if r.random() < .9 else r.uniform(2, 5)) + .02))
                x = max(x + n, gaps[-1][1] + .01)
            run = minus(run, norm(gaps))
        mute = norm(mute)
        st.power.append(on)
        st.run.append(run)
        alive = minus(run, mute)
        st.diag.append(alive)
        tx = minus(minus(alive, own.get(u.i, [])), S.stand.get(u.i, []))
        st.tx.append(tx)
        st.off.append([])
    for u in v.units:
        off = list(S.stub.get(u.i, []))
        for a, b in S.stubone.get(u.i, []):       # with one wire it disturbs itself into bus-off
            rec = min(r.uniform(u.boff[1], u.boff[2]), dur + 1)
            off.append((min(b, a + .03), b + (rec if b - a > .03 else 0)))
        off += S.branch.get((u.ch, u.branch), [])
        for a, b, c in S.short:
            if c == u.ch:
                rec = r.uniform(u.boff[1], u.boff[2])
                if rec > 1e6:                      # never until it is started anew
                    nxt = [x for x, _ in st.run[u.i] if x > b]
                    rec = (nxt[0] if nxt else dur + 1) - b
                off.append((a, b + (rec if b - a > .01 else 0)))
        st.off[u.i] = norm(off)
    return st


def audible(v, st, S, x, t):
    """When unit x hears target t."""
    X, T = v.units[x], v.units[t]
    a = st.tx[t]
    if X.ch == T.ch and X.branch == T.branch and (X.ch, X.branch) in S.branch:
        cut = norm([s for k in (x, t) for s in S.stub.get(k, []) + S.stubone.get(k, [])])
    else:
        cut = norm(st.off[x] + st.off[t])
    cut = norm(cut + [(p[0], p[1]) for k in (x, t) for p in S.stuberr.get(k, []) if p[2] > .84])
    cut = norm(cut + [(f[0], f[1]) for f in S.flood if f[3] > .96 and X.ch == 0])
    a = minus(a, cut)
    if X.ch != T.ch and v.gw is not None:
        a = minus(both(a, st.tx[v.gw]), st.off[v.gw])
    return a
