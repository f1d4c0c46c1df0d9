"""Real captures as material: read, cut into streams (one identifier's real times and payloads)."""
import gzip
import os
import re
from bisect import bisect_left
from functools import lru_cache
from statistics import median

# Captures of one vehicle with everything connected and running; and of the moment of key-on.
CARS = {"a": (["cars/car-a-sound-%d" % n for n in (1, 2, 3, 5, 7)], "cars/car-a-sound-6",
          "cars/car-a-missing-1"),
    "b": (["cars/car-b-sound-1", "cars/car-b-sound-2"], None, "cars/car-b-missing-1"),
    "c": (["cars/car-c-sound-%d" % n for n in (1, 2, 3, 5, 6, 7)], "cars/car-c-sound-4",
          "cars/car-c-missing-1"),
    "d": (["cars/car-d-sound-%d" % n for n in (3, 4, 5)], "cars/car-d-sound-1", None),
    "f": (["cars/car-f-sound-2", "cars/car-f-missing-1"], "cars/car-f-sound-1", None),
    "g": (["cars/car-g-sound-%d" % n for n in (1, 2, 5)], "cars/car-g-sound-3",
          "cars/car-g-missing-1"),
    "h": (["cars/car-h-sound-3", "cars/car-h-sound-4"], "cars/car-h-sound-1",
          "cars/car-h-missing-1"),
    "l": (["data/car-steady@0", "data/car-steady@20", "data/car-steady@34"], None, None),
    "p": (["data/car-capture-pause@34", "data/car-capture-pause@45"], None, None), }
# Trucks: captures with the seconds of the window used, and which channel is which bus.
TRUCKS = {"1": ["cars/truck-1-sound-1@%d" % s for s in (60, 200, 340, 480)],
    "2": ["cars/truck-2-keyoff-1@64", "cars/truck-2-keyoff-1@66"],
    "k": ["data/truck-key-on@0", "data/truck-key-on@25"],
    "s": ["data/truck-steady@%d" % s for s in (50, 400, 700)], }
WINDOW = {"cars/truck-1-sound-1": 110, "cars/truck-2-keyoff-1": 70, "data/truck-key-on": 36,
          "data/truck-steady": 110, "data/car-steady": 20, "data/car-capture-pause": 11}
ROOT = ""
_LINE = re.compile(r"\(([\d.]+)\)\s+(\S+)\s+([0-9A-F]+)#([0-9A-F]*)")

def find_root(option=None):
    """The folder that holds cars/ and data/."""
    global ROOT
    here = os.path.dirname(os.path.abspath(__file__))
    beside = os.path.join(here, "..", "..", "..", "..", "shared", "cars")
    for place in (option, beside):
        if place and os.path.isdir(place):
            ROOT = os.path.dirname(os.path.abspath(place))
            return ROOT
    raise SystemExit("no captures found; say --captures PATH/cars")

@lru_cache(maxsize=None)
def _file(name):
    frames = []
    with gzip.open(os.path.join(ROOT, name + ".log.gz"), "rt") as lines:
        for line in lines:
            m = _LINE.match(line)
            if m: frames.append((float(m[1]), m[2], m[3], m[4]))
    first = frames[0][0]
    return [(t - first, ch, ident, data) for t, ch, ident, data in frames]

@lru_cache(maxsize=None)
def read(capture):
    """{(channel, identifier): ([times], [payloads])} of a capture or a window `name@second`."""
    name, _, second = capture.partition("@")
    start = float(second or 0)
    stop = start + WINDOW.get(name, 1e9)
    out = {}
    frames = _file(name)
    if name == "data/car-capture-pause":  # the longest stretch without a pause near the window
        times = [f[0] for f in frames]
        cuts = [0.0] + [b for a, b in zip(times, times[1:]) if b - a > 0.3]
        ends = [a for a, b in zip(times, times[1:]) if b - a > 0.3] + [times[-1]]
        runs = sorted(zip(cuts, ends), key=lambda r: r[0] - r[1])
        start, stop = runs[0 if start < 40 else 1]
    for t, ch, ident, data in frames:
        if start <= t <= stop:
            times, loads = out.setdefault((ch, ident), ([], []))
            times.append(t - start)
            loads.append(data)
    return out

class Stream:
    """What one identifier (or one transport pair) did: offsets, loop length, payloads."""
    def __init__(self, key, times, idents, loads, nominal, period, slots):
        self.key, self.times, self.idents, self.loads = key, times, idents, loads
        self.nominal, self.period, self.slots = nominal, period, slots
        self.ppm = (period / nominal - 1) * 1e6 if nominal else None
        gaps = [b - a for a, b in zip(times, times[1:])]
        seam = period * slots - (times[-1] - times[0])
        self.gap = max(gaps + [seam]) if gaps else 9.0   # the longest ordinary silence
        self.step = median(gaps) if gaps else 9.0

def _grid(times):
    """Fit a grid: (nominal, period, slots of each frame), or None where there is none."""
    gaps = [b - a for a, b in zip(times, times[1:])]
    step = median(gaps)
    if step < 0.002: return None
    near = sum(abs(g - step) < 0.35 * step for g in gaps)
    if near < 0.75 * len(gaps): return None
    period = sum(g for g in gaps if abs(g - step) < 0.35 * step) / near
    for _ in range(2):
        slots = [round((t - times[0]) / period) for t in times]
        n = len(times)
        ms, mt = sum(slots) / n, sum(times) / n
        var = sum((s - ms) ** 2 for s in slots)
        if not var: return None
        period = sum((s - ms) * (t - mt) for s, t in zip(slots, times)) / var
    unit = 0.001 if period < 0.2 else 0.01
    nominal = max(1, round(period / unit)) * unit
    if abs(period / nominal - 1) > 0.004: nominal = period
    return nominal, period, slots

@lru_cache(maxsize=None)
def streams(capture):
    """All identifiers of a capture as streams that can be continued: {(channel, key): Stream}."""
    out, pairs = {}, {}
    for (ch, ident), (times, loads) in sorted(read(capture).items()):
        if len(ident) == 8 and ident[2:4] in ("EC", "EB") and ident[4:6] == "FF":
            pairs.setdefault((ch, "TP" + ident[-2:]), []).extend(
                (t, ident, d) for t, d in zip(times, loads))
            continue
        if len(times) < 4: continue
        grid = _grid(times)
        if grid:
            nominal, period, slots = grid
            total = slots[-1] + 1
            round_to = 240 if total >= 480 else 16 if total >= 32 else 1
            total -= total % round_to
            cut = bisect_left(slots, total)
            stream = Stream((ch, ident), times[:cut], None, loads[:cut], nominal, period, total)
        else:
            n = len(times)
            length = (times[-1] - times[0]) * n / (n - 1)
            stream = Stream((ch, ident), times, None, loads, None, length, 1)
        out[ch, ident] = stream
    for (ch, key), rows in pairs.items():
        rows.sort()
        starts = [t for t, i, _ in rows if i[2:4] == "EC"]
        if len(starts) < 3: continue
        rows = [r for r in rows if starts[0] <= r[0] < starts[-1]]
        out[ch, key] = Stream((ch, key), [r[0] for r in rows], [r[1] for r in rows],
                              [r[2] for r in rows], None, starts[-1] - starts[0], 1)
    return out

@lru_cache(maxsize=None)
def boot_of(capture):
    """{identifier: (second of its first frame, [(offset, payload) of its first second])}."""
    if not capture: return {}
    out = {}
    for (_, ident), (times, loads) in read(capture).items():
        rows = [(t - times[0], d) for t, d in zip(times, loads) if t - times[0] < 1.2][:60]
        if times[0] > 0.02:  # it was seen to begin
            out[ident] = (times[0], rows)
    return out

def never_heard(whole, lacking):
    """Identifiers of the controller that was not connected in a second capture of the car."""
    if not lacking: return set()
    return {i for _, i in read(whole)} - {i for _, i in read(lacking)}
