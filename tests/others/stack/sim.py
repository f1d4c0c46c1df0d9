"""Runs a vehicle: supplies, unit software (boot, bus state, transmit queue, bus-off, deadline monitors, event memory), buses."""
import heapq, itertools
from vehicle import Msg, Unit
from catalogue import bits, check

class Sim:
    def __init__(s, v, r, line, start, end):
        s.v, s.r, s.start, s.end = v, r, start, end
        s.h = []; s.seq = itertools.count(1); s.log = []; s.errlog = []; s.hooks = {}; s.reported = set(); s.t = 0.
        s.key = "off"; s.since = 0.; s.volt = v.volt * 1.04; s.netup = False; s.dipreset = set(); s.lastcrank = -99.; s.stored = set()
        for b in v.buses:
            b.pend = []; b.busy = False; b.noise = 0.; b.short = 0; b.last = {}; b.ring = None; b.ringt = -9; b.holder = None
            b.txcount = 0
        for u in v.units: u.reset()
        s.tester = Unit("tester", "", 0, v.buses[0]); s.tester.reset(); s.tester.state = "run"; s.tester.box = "own"; s.tester.proto = None
        s.flooder = Unit("flooder", "", 0, v.buses[0]); s.flooder.buses = list(v.buses); s.flooder.reset(); s.flooder.state = "run"; s.flooder.box = "own"
        for x in (s.tester, s.flooder): x.clearoff = False; x.quick = x.slow = .1; x.nq = 99; x.txto = 99; x.main = 9; x.depth = 99
        for t, state in line: s.at(t, s.setkey, state)
        s.noup = set()                                    # fuses that are open by a fault: name -> count
        for u in v.units: s.at(s.r.random() * u.main, s.mainfn, u)

    def at(s, t, fn, *a): heapq.heappush(s.h, (t, next(s.seq), fn, a))
    def run(s):
        h = s.h
        while h:
            t, _, fn, a = heapq.heappop(h)
            if t > s.end: break
            s.t = t; fn(t, *a)

    # --- key, supplies, wake and sleep ---------------------------------------------------
    def setkey(s, t, k):
        old, s.key = s.key, k; v = s.v
        if k != old: s.since = t if not (old in ("on", "crank", "run") and k in ("on", "crank", "run")) else s.since
        base = v.volt / 12
        s.volt = {"sleep": 12.6, "off": 12.5, "acc": 12.3, "on": 12.1, "crank": 9.8, "run": 14.2}[k] * base
        if k == "crank": s.lastcrank = t; s.dip(t)
        if k == "run": s.lastcrank = t
        first = t <= 0
        if k == "off" and old != "sleep": s.at(t + v.asleep, s.maybesleep, t)
        up = k != "sleep"
        for u in v.units: s.rewant(t, u, first)
        s.netup = up
        if up and not first:
            for b in v.buses: s.ringkick(t, b)
    def maybesleep(s, t, since):
        if s.key == "off": s.setkey(t, "sleep")
    def wanted(s, u):
        k, f = s.key, u.feed
        ign = k in ("on", "crank", "run")
        if f in ("15", "rel"): return ign
        if f == "acc": return k in ("acc", "on", "run")
        if f == "b15": return ign or (u.stop > 90 and k in ("off", "acc"))
        return k != "sleep"
    def rewant(s, t, u, first=False):
        w = s.wanted(u) and not u.offuser
        if w == u.want and not first: return
        u.want = w
        if w:
            u.heldup = None
            if u.state == "off" and not u.lost and not u.killed:
                if first: u.state = "run"; u.app = t - 5; u.gen += 1; s.startmsgs(t, u, True)
                else: s.boot(t, u, u.boot if u.feed in ("15", "acc", "rel") else u.wake)
        elif not first:
            d = u.stop if u.stop < 90 else .01 + .3 * s.r.random()
            if u.feed == "acc" and s.key == "crank": d = .02
            if u.offuser: d = .05
            u.heldup = t
            s.at(t + d, s.halt, u, t)
    def halt(s, t, u, mark):
        if u.heldup == mark and not u.want: s.die(t, u)
    def dip(s, t):
        """Cranking: a short deep dip, then a plateau; weak units reset or go mute, by their brown-out level."""
        low = s.dipv * s.v.volt / 12; long = s.dipt
        for u in s.v.units:
            if u.state != "run": continue
            if low < u.brown:
                s.dipreset.add(u.place)
                if u.sub and low > u.brown - 1.2: u.mute = True; s.at(t + long + s.r.random() * .1, s.unmute, u)
                else: s.die(t + .002, u); s.at(t + long, s.reboot, u)
    def unmute(s, t, u): u.mute = False
    def reboot(s, t, u):
        if u.want and u.state == "off" and not u.lost and not u.killed: s.boot(t, u, u.boot)
    def die(s, t, u):
        u.state = "off"; u.epoch += 1; u.gen += 1; u.deg = 0; u.tec = 0; u.boff = False; u.trying = False; u.nboff = 0; u.quiet = False
        for m in u.msgs: m.pending = False
        for b in u.fifo: u.fifo[b] = []
        u.cfs = []
        for w in u.watch: w.cnt = 0; w.bad = False
        for k in list(u.dtc): u.dtc[k] &= ~0x01
    def boot(s, t, u, d):
        u.state = "boot"; u.epoch += 1; u.gen += 1
        s.at(t + d * s.r.uniform(.96, 1.06), s.appstart, u, u.gen)
    def appstart(s, t, u, gen):
        if u.gen != gen or u.state != "boot" or u.inboot: return
        u.state = "run"; u.app = t; u.deg = 0; u.gen += 1
        for k in u.dtc: u.dtc[k] = u.dtc[k] & ~0x02 | 0x40
        s.startmsgs(t, u, False)
        if u.wd: s.at(t + u.wdrun * s.r.uniform(.97, 1.03), s.watchdog, u, u.gen)
        for b in u.buses: s.ringalive(t, b, u)
    def watchdog(s, t, u, gen):
        if u.gen != gen or u.state != "run" or not u.wd: return
        u.resets += 1; s.die(t, u)
        if u.resets > u.wdmax: u.inboot = 1; u.state = "boot"; u.gen += 1; return     # stays in its boot manager
        s.boot(t + .001, u, u.boot)
    # physical events planted by faults
    def lose(s, t, u):
        u.lost += 1; u.lostat = t
        if u.lost == 1: s.at(t + u.hold, s.lostnow, u, t)
    def lostnow(s, t, u, mark):
        if u.lost and u.lostat == mark and u.state != "off": s.die(t, u)
        elif u.lost and u.state != "off": s.die(t, u)
    def regain(s, t, u):
        u.lost = max(0, u.lost - 1)
        if not u.lost and u.want and u.state == "off" and not u.killed: s.boot(t, u, u.boot)
    def kill(s, t, u): u.killed = True; s.die(t, u)
    def opened(s, t, u, b):
        u.open[b] += 1
        if u.open[b] == 1: u.openat = t
    def closed(s, t, u, b):
        u.open[b] -= 1
        if u.open[b] == 0:
            u.island = None; u.openat = t
            if u.state == "run" and not u.boff: s.repush(t, u, b)
    def setisland(s, t, u, x): u.island = x
    def setnoise(s, t, u, own, others):
        for b in u.buses: u.noise[b] = own
        u.rnoise = others; s.nz(u)
    def nz(s, u):
        for b in u.buses: b.noisy = True
        b = u.buses[0]; b.noise2 = sum(x.rnoise for x in s.v.units if b in x.buses and x.state == "run" and not x.boff)
    def busnoise(s, t, b, p): b.noise = p
    def short(s, t, b, on): 
        b.short += on
        if not b.short: s.kick(t, b)
        else:
            for e in b.pend:
                m = e[2]
                if m.pending: s.fight(t, m.unit)
    # --- sending ------------------------------------------------------------------------
    def startmsgs(s, t, u, warm):
        """First frames: all in one burst, by their offsets, or one after another; NM first in some houses."""
        r = s.r; n = 0
        if s.v.kind == "truck" and not warm:
            m = Msg(u, u.buses[0], 0x18EEFF00 | u.sa, 0, "once"); m.base = bytearray([0x11, u.sa, 0x40 | u.k, 0x2A, 0, u.sa ^ 0x5A, 0, 0x80]); s.request(t + 0, m)
        for m in u.msgs:
            m.n = 0; m.cnt = r.randrange(16) if warm else 0; m.pending = False
            m.live = bytearray(m.base) if not warm else m.live
            if m.mode in ("copy", "ring"): continue
            if warm or u.spread == "offset" and not s.v.burst: first = t + m.offset
            elif u.spread == "burst" or s.v.burst: first = t + .0002 * n
            else: first = t + .004 * n + .001
            if m.mode == "nm" and not warm and u.nminit: first = t
            n += 1; m.since_start = 99 if warm else 0
            if m.mode == "event": first = t + r.expovariate(1 / m.gap)
            m.nom = first; s.at(first, s.tick, m, u.gen)
        if s.v.kind == "truck": s.at(t + r.random() if warm else t + 1, s.dm1, u, u.gen)
    def tick(s, t, m, gen):
        u = m.unit
        if u.gen != gen or u.state != "run": return
        mode = m.mode; r = s.r; per = m.period
        if mode == "event":
            if m.left > 0: m.left -= 1; nxt = t + .05
            else: m.left = m.reps; nxt = t + r.expovariate(1 / m.gap) + .03
            for i in range(1): s.touch(m)
            s.at(nxt, s.tick, m, gen)
        else:
            if mode == "mixed" and r.random() < per / m.gap: s.touch(m); s.at(t + min(per * .4, .02), s.extra, m, gen)
            m.nom += per * (1 + u.ppm)
            q = m.nom + r.random() * m.jit * (1 if r.random() < .97 else 6); tk = s.v.tick
            if tk and per > tk: q = max(q, (int(m.nom / tk) + 1) * tk + r.random() * .0002)
            s.at(q if q > t else t + per, s.tick, m, gen)
            if mode == "run" and s.key != "run": return
            if mode == "active" and int(t / m.gap + u.k) % 3: return
            if mode == "start" and t - u.app > 4 + u.k % 5: return
            if mode == "dep" and u.deg: return
            if mode == "sig":
                if m.got is None: return
                lost = t - m.seen > max(.25, m.period * 4)
                if lost and m.ontime == "stop": return
                m.lost = lost
        if u.txstop or u.mute or u.quiet and mode != "diag" or m in u.lack: return
        if m.group == "ign" and s.key in ("off", "sleep", "acc"):
            if u.feed != "acc" or s.key != "acc":
                if t - s.since > .3 or s.key == "sleep":
                    if u.feed in ("bus", "b15"): return
        s.request(t, m)
    def extra(s, t, m, gen):
        if m.unit.gen == gen and m.unit.state == "run" and not m.unit.txstop and not m.unit.mute and not m.unit.quiet: s.request(t, m)
    def touch(s, m):
        if m.sigs and not m.unit.frozen:
            b = m.sigs[0][0]; m.live[b] ^= 1 << s.r.randrange(8)
    def build(s, m, t):
        u = m.unit; v = s.v
        if m.mode in ("once", "diag", "ring", "relay"): return bytes(m.base)
        if m.mode == "sig":
            d = bytearray(m.got)
            if m.lost and m.ontime == "flag": d = bytearray([0xFF]) * len(d)
            return bytes(d)
        d = m.live; r = s.r; n = m.n; m.n += 1
        if u.frozen: return bytes(d)
        if m.mode == "nm":
            d[1] = m.base[1] | (1 if t - u.app < 1.5 else 0); d[2] = 0x10 if s.key in ("on", "run", "crank") else 0
            return bytes(d)
        for b, k, st in m.sigs:
            if k == "walk": d[b] = (d[b] + (r.randrange(-st, st + 1) if r.random() < .4 else 0)) & 255
            elif k == "saw": d[b] = (d[b] + st) & 255
            elif k == "noise": d[b] = r.randrange(256)
            elif k == "volt": d[b] = int(s.volt * 10 / (s.v.volt / 12)) + r.randrange(2)
            elif r.random() < .02: d[b] = (d[b] + st) & 255
        if m.special == "rpm":
            rpm = {"run": 780 + r.randrange(-15, 16), "crank": 220 + r.randrange(60)}.get(s.key, 0)
            x = rpm * 8 if v.kind == "truck" else rpm * 4; at = 3 if v.kind == "truck" else 2
            if v.kind == "truck": d[at], d[at + 1] = x & 255, x >> 8
            else: d[at], d[at + 1] = x >> 8, x & 255
        if m.mux: d[m.mux[0]] = n % m.mux[1]
        if m.deg:
            b, mask, how, which = m.deg
            if u.deg & which: d[b] = 0xFF if how == "sna" else d[b] | mask
            else: d[b] = m.base[b] & ~mask if how == "flag" else m.base[b] & 0x7F
        if m.since_start < u.init and u.initval is not None or u.uninit:
            m.since_start += 1; d = bytearray([u.initval if u.initval is not None else 0]) * m.dlc
        if m.ctr:
            b, sh, mod = m.ctr; m.cnt = (m.cnt + 1) % mod; w = 0xF if mod > 4 else 3
            d[b] = d[b] & ~(w << sh) & 255 | m.cnt << sh & 255
        if m.mac: d[4:8] = r.getrandbits(32).to_bytes(4, "big")
        if m.crc: d[m.crc[1]] = check(m.crc[0], d, m.crc[1], m.crc[2])
        return bytes(d)
    def request(s, t, m):
        """The transmit request of the communication layer: own mailbox, overwriting or not, or one software queue."""
        u = m.unit; b = m.bus
        if u.boff and u.clearoff and m.mode != "diag": return
        one = u.box[:4] == "fifo" and m.mode not in ("copy", "relay")
        if one:
            q = u.fifo[b]
            if len(q) >= u.depth:
                if u.box == "fifo-new": return
                q.pop(1 if len(q) > 1 else 0)
            q.append((m, s.build(m, t)))
            if len(q) > 1 and q[0][0].pending: return
            m, m.data = q[0]
        else:
            if m.pending and u.box == "own-old": return
            m.data = s.build(m, t)
            if m.pending: return
        m.pending = True; m.since = t
        s.push(t, m)
    def push(s, t, m):
        u = m.unit; b = m.bus
        if u.boff: return
        if u.open[b]:
            if u.island is not None:
                if u.island >= 0: m.pending = False; s.pop(t, m)      # others in the island acknowledge it
                else: s.fight(t, u)
            return                                                    # alone: repeated for ever, nobody acknowledges
        m.tok = next(s.seq)
        heapq.heappush(b.pend, (m.cur, m.tok, m, u.epoch))
        if b.short: s.fight(t, u)
        elif not b.busy: s.kick(t, b)
    def pop(s, t, m):
        u = m.unit; q = u.fifo[m.bus]
        if q and q[0][0] is m:
            q.pop(0)
            if q:
                n, n.data = q[0]; n.pending = True; n.since = t
                if u.open[m.bus] and u.island is not None and u.island >= 0:
                    n.pending = False; q.clear()
                else: s.push(t, n)
    def repush(s, t, u, b):
        q = u.fifo[b]
        if q and not q[0][0].pending: q[0][0].data = q[0][1]; q[0][0].pending = True
        for m in u.msgs:
            if m.bus is b and m.pending: s.push(t, m)
    def kick(s, t, b):
        if b.busy or b.short: return
        while b.pend:
            ident, tok, m, ep = b.pend[0]; u = m.unit
            if not m.pending or m.tok != tok or u.epoch != ep or u.boff or u.open[b] or u.state == "off":
                heapq.heappop(b.pend); continue
            b.busy = True; d = bits(m.cur, len(m.data)) / b.rate
            p = b.noise + u.noise.get(b, 0.) + getattr(b, "noise2", 0.)
            if p and s.r.random() < p:
                s.at(t + d * s.r.uniform(.2, .95) + 20 / b.rate, s.failed, b, m, ident)
            else: s.at(t + d, s.done, b, m, m.data, tok, ep)
            return
    def failed(s, t, b, m, ident):
        b.busy = False; u = m.unit; s.error(t, b)
        u.tec += 8
        if u.tec > 255 and not u.boff: s.busoff(t, u)
        s.kick(t, b)
    def error(s, t, b):
        if b.ch is not None and s.v.errs and len(s.errlog) < 6000: s.errlog.append((t, b.ch, s.r.choice((0, 1, 2, 4, 4, 4)), s.r.choice((0, 2, 3, 6, 8, 0x0A, 0x0A, 0x0A, 0x18, 0x19))))
    def fight(s, t, u):
        """Every attempt fails: some 32 attempts until the unit is off the bus."""
        if u.trying or u.boff: return
        u.trying = True; b = u.buses[0]
        for i in range(3): 
            if not u.open[b]: s.error(t + i * .0004, b)
        s.at(t + 34 * 60 / b.rate * s.r.uniform(.7, 1.3), s.fought, u, u.epoch)
    def fought(s, t, u, ep):
        u.trying = False
        if u.epoch != ep or u.state != "run": return
        if any(b.short for b in u.buses if not u.open[b]) or (u.island is not None and u.island < 0 and any(u.open.values())): s.busoff(t, u)
        else:
            for b in u.buses: s.repush(t, u, b)
    def busoff(s, t, u):
        u.boff = True; u.tec = 0; u.nboff += 1; u.boffat = t
        if u.clearoff or u.box == "restart":
            for m in u.msgs: m.pending = False
            for b in u.fifo: u.fifo[b] = []
        if u.proto and u.nboff >= 2: s.setdtc(u, (s.v.busoffcode | 0xC000, 0x88 if s.v.ftb else 0), None)
        s.at(t + (u.quick if u.nboff <= u.nq else u.slow) * s.r.uniform(.98, 1.03), s.recover, u, u.epoch)
    def recover(s, t, u, ep):
        if u.epoch != ep or not u.boff: return
        u.boff = False; u.tec = 0; s.at(t + 1.5, s.stable, u, u.epoch, u.nboff)
        for b in u.buses: s.repush(t, u, b)
    def stable(s, t, u, ep, n):
        if u.epoch == ep and u.nboff == n and not u.boff: u.nboff = 0
    def done(s, t, b, m, data, tok, ep):
        b.busy = False; u = m.unit
        if b.short: s.kick(t, b); return
        if u.epoch != ep or u.open[b] or u.boff: s.error(t, b); s.kick(t, b); return
        if m.tok == tok and m.pending:
            if u.tec: u.tec -= 1
            m.pending = False
            if data is not m.data and u.box == "own-old": pass
            if u.fifo[b]: s.pop(t, m)
        b.last[m.cur] = t; b.txcount += 1
        if b.ch is not None and t >= s.start: s.log.append((t, b.ch, m.cur, data))
        if m.copies or m.mode in ("diag",): s.forward(t, b, m, data)
        h = s.hooks.get(m.cur)
        if h: h(t, b, m, data)
        if m.mode == "ring": s.ringsent(t, b, m)
        if m.mode == "flood": s.floodnext(t, m)
        if b.pend: s.kick(t, b)
    # --- gateway ------------------------------------------------------------------------
    def forward(s, t, b, m, data):
        g = s.v.gateway
        if not g or m.cur != m.ident or m.unit is g and m.mode != "diag" or g.state != "run" or g.open[b] or g.boff or g.txstop: return
        for c in m.copies:
            c.got = data; c.seen = t
            if c.mode == "sig": continue
            c.cnt += 1
            if c.cnt % c.thin: continue
            if not g.quiet: s.at(t + c.delay * s.r.uniform(.5, 1.5), s.copyout, c, data, g.gen)
        if m.mode == "diag" and m.unit is not g and m.dst is not b:
            x = Msg(g, m.dst, m.cur, 0, "relay"); x.base = bytearray(data); x.mode = "diag"; x.dst = m.dst
            s.at(t + .001 + .002 * s.r.random(), s.copyout2, x, g.gen)
    def copyout(s, t, c, data, gen):
        g = c.unit
        if g.gen != gen or g.state != "run" or g.mute or c in g.lack: return
        c.data = data
        if not c.pending: c.pending = True; c.since = t; s.push(t, c)
    def copyout2(s, t, x, gen):
        if x.unit.gen == gen and x.unit.state == "run": s.request(t, x)
    # --- OSEK-like ring -----------------------------------------------------------------
    def members(s, b): return [u for u in s.v.units if u.nm and u.nm.mode == "ring" and u.nm.bus is b and u.state == "run" and not u.offuser and not u.mute]
    def ringkick(s, t, b):
        if b.ring is None and any(u.nm and u.nm.mode == "ring" and u.nm.bus is b for u in s.v.units):
            b.ring = 1; s.at(t + .1 + s.r.random() * .05, s.ringstep, b); s.ringguard(t + .3, b)
    def ringalive(s, t, b, u):
        if u.nm and u.nm.mode == "ring" and u.nm.bus is b: s.ringsend(t, u, u.k, 1)
    def ringsend(s, t, u, succ, op):
        m = u.nm
        if m.pending or u.txstop: return
        m.base[:] = bytes([succ, op | (0 if s.key in ("on", "run", "crank") else 0x10), 0, 0, 0, 0, 0, 0]); m.n += 1
        s.request(t, m)
    def ringstep(s, t, b):
        ms = s.members(b)
        if s.key == "sleep" or not ms: return
        i = next((i for i, u in enumerate(ms) if u is b.holder), -1); u = ms[(i + 1) % len(ms)]
        succ = ms[(i + 2) % len(ms)]; b.holder = u
        s.ringsend(t, u, succ.k, 2)
    def ringsent(s, t, b, m):
        b.ringt = t
        if m.base[1] & 2: s.at(t + .1 + .002 * s.r.random(), s.ringnext, b, t)
    def ringnext(s, t, b, mark):
        if b.ringt == mark or t - b.ringt < .2: s.ringstep(t, b)
    def ringguard(s, t, b):
        if s.key != "sleep" and t - b.ringt > .26 and not b.short:      # the ring broke: all say they are alive, then it goes on
            b.ringt = t
            for u in s.members(b): s.ringsend(t + .002, u, u.k, 1 if not u.open[b] else 4)
            s.at(t + .1, s.ringstep, b)
        s.at(t + .13, s.ringguard, b)
    # --- main function: transmit timeouts, deadlines, event memory -----------------------
    def mainfn(s, t, u):
        s.at(t + u.main, s.mainfn, u)
        if u.state != "run" or u.quiet: return
        if u.box in ("cancel", "restart"):
            for m in u.msgs:
                if m.pending and t - m.since > u.txto and m.mode != "copy": m.pending = False
        key = s.key
        ign = key in ("on", "run") and t - s.since > u.stable and t - s.lastcrank > u.stable
        if u.txstop and not u.wd: return
        if u.boff or t - u.boffat < 1.: return
        for w in u.watch:
            m = w.msg; tg = w.target
            if tg.offuser or s.volt < w.vmin: continue
            if not (ign if w.need == "ign" else key == "run" and ign if w.need == "run" else key != "sleep"): continue
            b = m.bus; last = b.last.get(m.ident, -99.)
            if u.open[b] and not (u.island is not None and u.island == tg.island): last = min(last, u.openat)
            elif u.open[b] and u.island is not None and tg.state == "run": last = t
            ref = max(last, u.app, s.since); lim = w.to if last > u.app and last > s.since else w.first
            if t - ref > lim:
                w.cnt = min(127, w.cnt + w.inc)
                if w.cnt >= 127 and not w.bad:
                    w.bad = True; u.deg |= 1 << w.bit; s.setdtc(u, (w.code | 0xC000, w.ftb), tg)
            elif w.cnt > 0 or w.bad:
                w.cnt -= w.dec
                if w.cnt <= 0:
                    w.cnt = 0
                    if w.bad:
                        w.bad = False
                        if not any(x.bad and x.bit == w.bit for x in u.watch): u.deg &= ~(1 << w.bit)
                        k = (w.code | 0xC000, w.ftb)
                        if k in u.dtc and not any(x.bad and x.code == w.code for x in u.watch): u.dtc[k] &= ~0x01
    def setdtc(s, u, code, tg):
        st = u.dtc.get(code, 0x50)
        u.dtc[code] = (st | 0x27 | (0x08 if not getattr(u, "conf2", False) or st & 0x04 and st & 8 else 0)) & ~0x50; s.stored.add((u.place, code))
    def dm1(s, t, u, gen):
        if u.gen != gen or u.state != "run": return
        s.at(t + 1., s.dm1, u, gen)
        if u.txstop or u.mute or u.quiet: return
        act = [c for c, st in u.dtc.items() if st & 1]
        s.sendlist(t, u, 0xFECA, act)
    def sendlist(s, t, u, pgn, codes, dst=0xFF):
        d = bytearray([4 if codes else 0, 0xFF])
        for c, f in codes:
            c &= 0x3FFF
            net = c & 0x100 == 0x100 or c in {x.code for x in s.v.units}
            spn, fmi = (2000 + c, 9) if c in {x.code for x in s.v.units} and s.v.dmstyle == "sa" else (639, 19 if c in (0x73, 1, 0x74) else 9) if c < 0x100 else (500 + c % 3000, 3 + f % 3)
            d += bytes([spn & 255, spn >> 8 & 255, spn >> 16 << 5 | fmi, 1])
            if c < 0x100: s.reported.add(c)
        if not codes: d += b"\0\0\0\0"
        fr = []
        if len(d) <= 8: fr.append((0x18000000 | pgn << 8 | u.sa, bytes(d) + b"\xff" * (8 - len(d))))
        else:
            n = (len(d) + 6) // 7
            fr.append((0x1CECFF00 | u.sa, bytes([0x20, len(d) & 255, len(d) >> 8, n, 0xFF, pgn & 255, pgn >> 8, 0])))
            d += b"\xff" * (n * 7 - len(d))
            for i in range(n): fr.append((0x1CEBFF00 | u.sa, bytes([i + 1]) + bytes(d[i * 7:i * 7 + 7])))
        for i, (ident, x) in enumerate(fr): s.at(t + i * .055, s.oneshot, u, u.buses[0], ident, x, u.gen, "once")
    def oneshot(s, t, u, b, ident, data, gen, mode="diag", dst=None):
        if u.gen != gen or u.state not in ("run", "boot"): return
        m = Msg(u, b, ident, 0, mode, len(data)); m.base = bytearray(data); m.dst = dst or b
        s.request(t, m)
        if m.pending and u.open[b]: m.pending = False
    # --- babbling -----------------------------------------------------------------------
    def flood(s, t, b, ident, data, gap, until):
        m = Msg(s.flooder, b, ident, 0, "flood", len(data)); m.base = bytearray(data); m.gap = gap; m.until = until; s.request2(t, m)
    def request2(s, t, m):
        if t < m.until: m.data = bytes(m.base); m.pending = True; m.since = t; s.push(t, m)
    def floodnext(s, t, m):
        if m.gap == 0: s.request2(t, m); return      # back to back: nobody below it gets through
        s.at(t + m.gap * s.r.uniform(.3, 1.7), s.request2, m)
