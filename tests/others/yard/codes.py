"""Trouble codes: who notices what, when a code is stored, healed, cleared, and how it is spelt."""
from spans import INF, inter, minus, union, norm, has, length
from catalogue import SPN_OF

INVALID = {0xC100: 0xC401, 0xC101: 0xC402, 0xC121: 0xC415, 0xC140: 0xC422, 0xC151: 0xC452, 0xC155: 0xC423, 0xC131: 0xC420, 0xC164: 0xC424}
OWN = (0x0562, 0x0113, 0x0401, 0x0171, 0x9A01, 0x5034, 0x4560, 0x8012, 0x9325, 0xD003, 0x0087, 0x0683)


class Book:
    """Codes of all controllers: entries[unit] = list of dicts(code, target, on = [(set, healed)], hist)."""

    def __init__(b, rng, v, s, up, segs, talk, deaf, lost, p, benign_old):
        U = v.units
        b.entries = {u.idx: [] for u in U}
        b.clears = {u.idx: [] for u in U}
        b.v = v
        quiet = norm([(a - .5, z + 1.) for a, z, _ in s.cranks])
        ign = minus(s.ign, quiet)
        gwtalk = talk[v.gw.idx] if v.gw else []
        planted = [i for t in p.truth for i in t["nodes"]]
        before = any(t["fault"] not in ("silent from the middle", "restraint", "flood", "stale", "mended", "foreign") for t in p.truth) and rng.random() < .6
        for w in U:
            ready = [(r + w.watchdelay, z) for a, z, r in segs[w.idx] if z > r + w.watchdelay]
            en0 = inter(minus(norm(ready), p.stand.get(w.idx, [])), [(a + w.watchdelay, z) for a, z in ign if z - a > w.watchdelay])
            mydeaf = deaf[w.idx]
            bus = [x for x in mydeaf if x[1] - x[0] > .1 and has(en0, x[0])]
            if bus and (w.maskall or rng.random() < .4):
                b.add(w, ("bus",), [(max(x[0], 0) + .1, x[1]) for x in bus] if not w.maskall else [(x[0] + .1, x[1]) for x in bus], False, rng)
            for a, z, q in p.noise.get(w.chan, []):  # errors enough to go bus-off
                if q >= .15 and z - a > .2 and not w.hidden and has(en0, max(a, 0)) and rng.random() < .3:
                    b.add(w, ("bus",), [(a + .1, z)], False, rng)
            for tgt, to, runonly in w.watch:
                t = U[tgt]
                if t.feed in ("switch", "pto", "run", "heater", "acc", "always"):
                    continue
                en = inter(en0, s.run) if runonly else en0
                en = inter(en, [(a + t.boot + t.late + 1, z) for a, z in up[tgt] if z - a > t.boot + 1.5])
                heard = talk[tgt]
                if t.chan != w.chan:
                    heard = inter(heard, gwtalk)
                if w.maskall:
                    en = minus(en, [(a, z + to) for a, z in mydeaf])
                heard = minus(heard, mydeaf)
                # the time out runs through a test that was enabled all along
                on = [(a + to * w.confirm, z) for a, z in minus(en, heard) if z - a > to * w.confirm]
                if p.drop.get(tgt) or p.other.get(tgt):
                    gone = set(p.drop.get(tgt, [])) | set(p.other.get(tgt, {}))
                    if rng.random() < len(gone) / max(1, len(t.msgs)):
                        on = [(a + to, z) for a, z in en if z - a > to]
                if w.memory == "at sleep":
                    on = [x for x in on if not any(x[0] < q[0] < s.D for q in lost.get(w.idx, []))]
                hist = before and tgt in planted and rng.random() < .6
                if on or hist:
                    b.add(w, ("lost", tgt), on, hist, rng)
        for i, what in p.codes:
            ws = [w for w in U if any(x[0] == i for x in w.watch) and not w.nodiag]
            if len(ws) < 1:
                ws = [w for w in U if w.idx != i and not w.nodiag]
                rng.shuffle(ws); ws = ws[:rng.choice((1, 2, 3))]
            for w in ws:
                if what == "history" and rng.random() < .8 or w is ws[0]:
                    if what == "config":
                        b.add(w, ("invalid", i), [(-INF, INF)], False, rng)
                    else:
                        b.add(w, ("lost", i), [], True, rng)
            if what == "config" and rng.random() < .6:
                b.add(U[i], ("unconfigured", i), [(-INF, INF)], False, rng)
        for i in sorted(p.power):
            if rng.random() < .3:
                b.add(U[i], ("supply",), [], True, rng)
        b.benign = []
        for u in U:
            if benign_old and rng.random() < .3:
                b.benign.append(u.idx)
                if rng.random() < .55 or not u.watch:
                    b.add(u, ("own", rng.choice(OWN)), [], True, rng)
                else:
                    b.add(u, ("lost", rng.choice(u.watch)[0]), [], True, rng)

    def add(b, w, key, on, hist, rng):
        for e in b.entries[w.idx]:
            if e["key"] == key:
                e["on"] = sorted(e["on"] + list(on)); e["hist"] = e["hist"] or hist
                return
        v = b.v
        if v.kind == "truck":
            fmi = rng.choice((9, 9, 19))
            if key[0] == "lost":
                sa = v.units[key[1]].address
                spn = 2000 + sa if w.spn == "source" else 639 if w.spn == "network" and v.units[key[1]].chan == 0 else 1231 if w.spn == "network" else SPN_OF.get(sa, 2000 + sa)
                code = (spn, fmi)
            else:
                code = {"bus": (639, rng.choice((2, 9, 14))), "invalid": (2000 + v.units[key[1]].address if key[0] == "invalid" else 639, 19), "unconfigured": (rng.choice((1634, 629)), 13),
                        "supply": (rng.choice((168, 627)), rng.choice((4, 4, 1))), "own": (rng.choice((168, 1542, 100, 3251, 520192, 94)), rng.choice((3, 4, 5, 1, 18)))}[key[0]]
            if any(e["code"] == code for e in b.entries[w.idx]):
                for e in b.entries[w.idx]:
                    if e["code"] == code:
                        e["on"] = norm(e["on"] + list(on)); e["also"].append(key); e["hist"] = e["hist"] or hist
                return
        else:
            t = v.units[key[1]] if key[0] in ("lost", "invalid") else None
            code = (t.code, w.ftb) if key[0] == "lost" else (INVALID.get(t.code, 0xC300), rng.choice((0, 0x81, 0x56))) if key[0] == "invalid" else \
                {"bus": (rng.choice((0xC001, 0xC073)), 0x88 if v.age != "old" else 0), "unconfigured": (rng.choice((0xC300, 0xD100, 0xE101)), rng.choice((0x55, 0x56, 0x54))),
                 "supply": (rng.choice((0x0562, 0xF003)), rng.choice((0x16, 0))), "own": (key[1] if len(key) > 1 else 0, rng.choice((0, 0x11, 0x15, 0x2F)))}[key[0]]
        b.entries[w.idx].append(dict(key=key, code=code, on=list(on), hist=hist, also=[]))

    def at(b, i, t):
        """Codes in the memory of unit i at t: (code, active, of this cycle, keys)."""
        out = []
        cl = max([c for c in b.clears[i] if c <= t], default=None)
        for e in b.entries[i]:
            on = [(x, z) for x, z in e["on"] if x <= t and (cl is None or z > cl + .5)]
            act = any(z > t for x, z in on) and (cl is None or t > cl + 1)
            if act or (on and (cl is None or t > cl + 1)) or (e["hist"] and cl is None):
                out.append((e["code"], act, bool(on), [e["key"]] + e["also"]))
        return out
