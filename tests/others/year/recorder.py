"""Recorders of different quality: from bus rows to candump lines."""

TYPES = ((0x04, 0x0A), (0x02, 0x18), (0x08, 0x08), (0x10, 0x0A), (0x04, 0x03), (0x02, 0x1A),
         (0x01, 0x12), (0x08, 0x18))

class Recorder:
    """Draws its clock, its faults and whether it reports error frames."""
    def __init__(self, rng, errors_needed=False, bad=None):
        self.rng, self.tick = rng, rng.choice((1e-6, 1e-6, 1e-6, 1e-6, 1e-5, 1e-4, 1e-3))
        self.ppm, self.batch = rng.gauss(0, 30), rng.random() < .06
        self.mode = rng.choice(("all", "all", "some", "none", "none"))
        if errors_needed and self.mode == "none": self.mode = rng.choice(("all", "some"))
        self.most = rng.choice((5, 20, 100))
        self.bad = rng.random() < .09 if bad is None else bad
    def holes(self, length):
        """Pauses of the recorder."""
        rng = self.rng
        if not self.bad: return []
        out = []
        for _ in range(rng.randint(1, 4)):
            a = rng.uniform(length * .05, length * .95)
            out.append((a, a + rng.choice((.05, .3, 1, 4)) * (.5 + rng.random())))
        return out
    def write(self, sim, path, base):
        """Writes the file; gives (first time, frames, error frames, span)."""
        rng, rows = self.rng, [(t, bus, name, data, 0) for t, bus, name, data in sim.rows]
        warned = -9.0
        if self.mode != "none":
            window, count = -1, 0
            for t, bus, kind in sorted(sim.errors, key=lambda e: e[0]):
                if int(t) != window: window, count = int(t), 0
                count += 1
                if count > (self.most if self.mode == "some" else 400): continue
                what, where = rng.choice(TYPES)
                if kind == "short" and rng.random() < .5: what, where = 0x08, 0x06
                rows.append((t, bus, "20000088", f"0000{what:02X}{where:02X}00000000", 1))
                if count == 12 and t - warned > 2 and self.mode == "all":
                    warned = t
                    rows.append((t, bus, "20000004", "0004000000006000", 1))
        holes = self.holes(sim.day.length)
        if holes:
            rows = [r for r in rows if not any(a <= r[0] < b for a, b in holes)]
            if rng.random() < .4:
                share = rng.choice((.0005, .002, .01))
                rows = [r for r in rows if rng.random() >= share]
        rows.sort(key=lambda r: r[0])
        if not rows: return 0.0, 0, 0, 0.0
        zero = rows[0][0]
        scale, tick, last = 1 + self.ppm * 1e-6, self.tick, 0.0
        out = []
        for t, bus, name, data, _ in rows:
            t = (t - zero) * scale
            if self.batch: t = int(t * 1000) / 1000 + .0004
            if tick > 1e-6: t = int(t / tick) * tick
            if t < last: t = last
            last = t
            out.append(f"({base + t:.6f}) can{bus} {name}#{data}\n")
        with open(path, "w", encoding="ascii") as file:
            file.writelines(out)
        return zero, len(rows), sum(r[4] for r in rows), last
