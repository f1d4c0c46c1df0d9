"""The recorder: resolution, batches, pauses, losses, error frames; and the files."""
import json
import os


class Recorder:
    def __init__(self, r, T, benign=True):
        self.res = r.choice([1e-6, 1e-6, 1e-5, 1e-4, 1e-3, 1e-3])
        self.batch = r.choice([0, 0, 0, 0, .001, .005, .01])
        self.errors = r.random() < .45
        self.pauses, self.loss = [], 0
        x = r.random()
        if benign and x < .12:
            for _ in range(r.choice([1, 1, 2, 4])):
                a = r.uniform(.1, .9) * T
                self.pauses.append((a, a + r.choice([.05, .3, 1, 3]) * r.uniform(.5, 1.5)))
        elif benign and x < .18:
            self.loss = r.choice([.001, .005, .02])
        self.start = r.choice([0.0, 1.5e9 + r.random() * 2.5e8, 1.5e9 + r.random() * 2.5e8, r.random() * 5000])
        self.style = r.randrange(5)

    def lines(self, r, s):
        """Text, frames written, time of the first one, whether it was flawless."""
        ev = [(t, 0, c, i, e, d) for t, c, i, e, d in s.rec]
        if self.errors:
            last = {}
            for t, c in s.errs:
                if t - last.get(c, -1) > .0004:
                    last[c] = t
                    ev.append((t, 1, c, 0, False, b""))
        ev.sort(key=lambda x: x[0])
        out, t0, n, hurt = [], None, 0, False
        self.seen, self.last = {}, 0
        for t, k, c, i, e, d in ev:
            if len(out) > 119500:
                break
            if any(a <= t < b for a, b in self.pauses) or self.loss and r.random() < self.loss:
                hurt = True
                continue
            w = t
            if self.batch:
                w = (int(t / self.batch) + 1) * self.batch
            w = int(w / self.res) * self.res
            if t0 is None:
                t0 = w
                n0 = t
            self.last = t
            if k:
                kind = r.choice([0, 2, 4, 1])
                cls = (0x20000088 if self.style else 0x20000008)
                out.append("(%.6f) can%d %08X#%s" % (self.start + w, c, cls, bytes([0, 0, kind, r.choice([0, 3, 8, 0x0A, 0x19]), 0, 0, 0, 0]).hex().upper()))
            else:
                n += 1
                self.seen[(c, i)] = self.seen.get((c, i), 0) + 1
                out.append(("(%.6f) can%d %08X#%s" if e else "(%.6f) can%d %03X#%s") % (self.start + w, c, i, d.hex().upper()))
        return out, n, t0, hurt


def write(folder, name, lines):
    with open(os.path.join(folder, name), "w", newline="\n") as f:
        f.write("\n".join(lines) + "\n")


def truth(folder, t):
    with open(os.path.join(folder, "truth.json"), "w", newline="\n") as f:
        json.dump(t, f, indent=1)
        f.write("\n")
