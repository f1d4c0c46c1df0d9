"""The recorder: clock, pauses, lost frames, error frames, merging of two channels, text."""
from catalogue import bits

class Rec: pass

def record(s, r, A, B, v, plain=False):
    rec = Rec(); rec.logger = False; base = 1.5e9 + r.randrange(2 * 10 ** 8) + r.random()
    rows = [(t, ch, i, d) for t, ch, i, d in s.log] + [(t, ch, -1, (k, p)) for t, ch, k, p in s.errlog if A <= t <= B]
    rows.sort(key=lambda x: (x[0], x[1]))
    pauses = []; lossy = 0.
    if not plain and r.random() < .13:
        for _ in range(r.randint(1, 4)): t = A + (B - A) * r.uniform(.05, .9); pauses.append((t, t + min((B - A) * .12, r.choice((.08, .3, 1, 4)) * r.uniform(.6, 1.4))))
    elif not plain and r.random() < .08: lossy = r.choice((.002, .01, .05))
    clock = r.choices((1e-6, 1e-4, 1e-3, .01), (80, 8, 8, 4))[0]; batch = r.random() < .08; lag = r.random() < .15
    out = []; burst = 0; rec.ids = {}; rec.bits = {}; rec.lost = 0; kinds = set()
    for row in rows:
        t, ch, i, d = row
        if any(a <= t < b for a, b in pauses): rec.logger = True; continue
        if lossy:
            if burst: burst -= 1; rec.logger = True; continue
            if r.random() < lossy / 8: burst = r.randint(1, 15)
        q = t + r.random() * .00003
        if batch: q = int(t / .0011) * .0011 + .0011
        if out and q < out[-1][0]: q = out[-1][0]
        out.append((q, ch, i, d))
    if lag and any(x[1] == 1 for x in out):                      # the second channel is read in batches, up to 50 ms late
        out = [x[1:] for x in sorted((x[0] if x[1] == 0 or x[0] < out[0][0] + .2 else int(x[0] / .05) * .05 + .05, *x) for x in out)] if False else \
              sorted(out, key=lambda x: x[0] if x[1] == 0 or x[0] < out[0][0] + .2 else int(x[0] / .05) * .05 + .05)
    rec.lines = []; n = 0
    for q, ch, i, d in out:
        w = round((base + q) / clock) * clock
        if i < 0:
            kind, place = d
            cls = 0x88 if kind or place else 0x80
            kinds.add("bus")
            rec.lines.append("(%.6f) can%d 200000%02X#%s\n" % (w, ch, cls, bytes([0, 0, kind, place, 0, 0, 0, 0]).hex().upper())); continue
        n += 1
        rec.lines.append(("(%.6f) can%d %08X#%s\n" if i > 0x7FF else "(%.6f) can%d %03X#%s\n") % (w, ch, i, d.hex().upper()))
        rec.ids.setdefault((ch, i), []).append(q); rec.bits[ch] = rec.bits.get(ch, 0) + bits(i, len(d))
    rec.frames = n; rec.first = out[0][0] if out else A; rec.last = max((x[0] for x in out[-50:]), default=A); rec.span = rec.last - rec.first
    rec.errkinds = sorted(kinds); return rec
