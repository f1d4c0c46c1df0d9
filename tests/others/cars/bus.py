"""The wires: arbitration, disturbed frames, bus-off, the gateway's copies, and the recorder.

Arbitration and error counters as ISO 11898-1 has them (+8 for a failed transmission, -1 for a good
one, bus-off above 255).  Error frames in the form of linux/can/error.h.
"""

import heapq

from spans import inside, minus, union
from traffic import frame, length, order

PLACES = (0x02, 0x03, 0x07, 0x06, 0x08, 0x0A, 0x0B, 0x12, 0x18, 0x19, 0x1B)


def error_text(rng, kind=None):
    """A bus error as the recorder's controller reports it: stuff, form or bit error."""
    kind = kind or rng.choice((0x04, 0x04, 0x04, 0x02, 0x01))
    return f"{rng.choice((0x20000088, 0x20000008)):08X}#0000{kind:02X}" \
        f"{rng.choice(PLACES):02X}00000000"


def state_text(level, transmit=0, receive=0):
    """Controller state: 0x04 warning, 0x10 passive (receiving side), 0x40 active again."""
    return f"20000004#00{level:02X}00000000{transmit:02X}{receive:02X}"


def disturbed(noise, time, unit):
    """Chance that a frame of this unit is broken at this moment."""
    return max((chances.get(unit, others) for begin, end, chances, others in noise
                if begin <= time < end), default=0.0)


def arbitrate(rng, released, rate, noise, recover):
    """One channel.  Returns (sent, errors, busy): frames in time order with their end of frame."""
    released.sort(key=lambda r: r[0])
    sent, errors, failing, quiet_until = [], [], {}, {}
    waiting, heap = {}, []
    now, busy, index, count = 0.0, 0, 0, len(released)
    noisy = union([(n[0], n[1]) for n in noise])
    bit = 1 / rate
    while index < count or heap:
        if not heap and released[index][0] > now:
            now = released[index][0]
        while index < count and released[index][0] <= now:
            item = released[index]
            index += 1
            if item[1] not in waiting:
                heapq.heappush(heap, item[1])
            waiting[item[1]] = item
        item = waiting.pop(heapq.heappop(heap))
        unit = item[2]
        if quiet_until and quiet_until.get(unit, 0) > now:
            continue
        if noisy and inside(noisy, now):
            if rng.random() < disturbed(noise, now, unit):
                part = int(item[4] * rng.uniform(0.2, 0.95)) + 20
                now += part * bit
                busy += part
                errors.append((now, unit))
                failing[unit] = failing.get(unit, 0) + 8
                if failing[unit] > 255:
                    quiet_until[unit] = now + recover.get(unit, 0.1)
                    failing[unit] = 0
                elif item[1] not in waiting:
                    waiting[item[1]] = item
                    heapq.heappush(heap, item[1])
                continue
            failing[unit] = max(0, failing.get(unit, 0) - 1)
        now += item[4] * bit
        busy += item[4]
        sent.append((now, item[1], unit, item[3], item[4], item[5]))
    return sent, errors, busy


def blocked(rng, released, shorts, recover):
    """A short: nobody gets a frame through, all go bus-off and come back one after another."""
    if not shorts:
        return released
    spans = {}
    for place, pause in list(recover.items()) + [(-1, 0.1)]:
        spans[place] = [(a, b + pause * rng.uniform(0.2, 1.2)) for a, b in shorts]
    return [r for r in released if not inside(spans.get(r[2], shorts), r[0])]


def carried(rng, car, plan, sent, gate_runs, source):
    """Copies of the frames of one channel that the gateway sends on the other."""
    works = minus(gate_runs, union(plan.noroute, plan.parted.get(car.gateway, [])))
    result, latest = [], {}
    for time, _, unit, text, bits, entry in sent:
        if entry is None or entry.routed is None or entry.channel != source:
            continue
        if latest.get(entry.ident, -1) > time or not inside(works, time):
            continue
        due = time + car.gateway_lag * rng.uniform(0.4, 1.6)
        latest[entry.ident] = due
        copy = frame(entry.routed, text.split("#")[1])
        result.append((due, (order(entry.routed), 0), car.gateway, copy, bits, None))
    return result


def flood(rng, plan, span, channel):
    """A unit or an added device that sends without end."""
    result = []
    for begin, end in plan.floods.get(channel, []):
        time = begin
        while time < min(end, span):
            text = frame(plan.flood_id, plan.flood_data or f"{rng.getrandbits(64):016X}")
            result.append((time, (order(plan.flood_id), 0), plan.flood_unit, text,
                           length(plan.flood_id, 8), None))
            time += plan.flood_gap * rng.uniform(0.8, 1.2)
    return result


def short_errors(rng, shorts, span):
    """What a recorder sees of a short: bursts as every unit tries again after bus-off."""
    result = []
    for begin, end in shorts:
        time = begin + 0.0003
        for _ in range(rng.randint(8, 60)):
            result.append((time, error_text(rng, rng.choice((0x08, 0x02, 0x04)))))
            time += rng.uniform(0.0001, 0.0008)
        result.append((time, state_text(0x10, 0, 0x88)))
        while time < end:
            time += rng.expovariate(6)
            for k in range(rng.randint(1, 8)):
                if time + k * 0.0003 < end:
                    result.append((time + k * 0.0003, error_text(rng)))
        result.append((end + 0.02, state_text(0x40)))
    return [e for e in result if e[0] < span]


def controller_states(errors):
    """Receive error counter of the recorder: warning at 96, passive at 128 (ISO 11898-1)."""
    result, count, last, level = [], 0, 0.0, 0
    for time, _ in errors:
        count = max(0, count - int((time - last) * 900)) + 1
        last = time
        if count >= 128 and level < 2:
            level = 2
            result.append((time, state_text(0x10, 0, 0x80)))
        elif count >= 96 and level < 1:
            level = 1
            result.append((time, state_text(0x04, 0, 0x60)))
        elif count < 90 and level:
            level = 0
            result.append((time, state_text(0x40)))
    return result


def draw_recorder(rng, span):
    """Habits of the recorder: does it deliver errors, does it pause, lose, round its times."""
    pauses = []
    if rng.random() < 0.08:
        for _ in range(rng.randint(1, 4)):
            begin = rng.uniform(1, span)
            pauses.append((begin, begin + rng.choice((0.2, 1.0, 3.0, 8.0)) * rng.uniform(0.5, 1)))
    overflow = [rng.uniform(0, span) for _ in range(rng.randint(1, 12))] \
        if rng.random() < 0.06 else []
    return {"errors": rng.random() < 0.6, "pauses": union(pauses), "overflow": overflow,
            "grain": rng.choice((0, 0, 0, 0, 0, 0.0001, 0.001)), "plug": rng.random() < 0.12,
            "epoch": rng.randrange(1500000000, 1900000000) + rng.random(),
            "noise": rng.uniform(2e-6, 6e-5)}


def write_log(rng, path, channels, recorder):
    """Writes the recording; returns its frames, how many are errors, when the first came."""
    lines = [(time, channel, text) for channel, frames in enumerate(channels)
             for time, text in frames]
    gaps = union(recorder["pauses"], [(t, t + rng.uniform(0.003, 0.06))
                                      for t in recorder["overflow"]])
    if recorder["plug"]:
        lines += [(0.0001 + 0.0004 * k, 0, error_text(rng)) for k in range(rng.randint(1, 9))
                  if recorder["errors"]]
    lines.sort()
    written, faults, last, zero = 0, 0, 0.0, None
    with open(path, "w", encoding="ascii") as out:
        for time, channel, text in lines:
            if gaps and inside(gaps, time):
                continue
            stamp = time + rng.random() * recorder["noise"]
            if recorder["grain"]:
                stamp = int(stamp / recorder["grain"]) * recorder["grain"]
            stamp = last = max(last, stamp)
            out.write(f"({recorder['epoch'] + stamp:.6f}) can{channel} {text}\n")
            written += 1
            zero = stamp if zero is None else zero
            faults += text[0] == "2" and text[8:9] == "#" and text < "20001"
    return written, faults, zero or 0.0


def simulate(rng, car, day, plan, released, talk, gate_runs):
    """Runs both channels; returns per channel the frames, and the loads."""
    recover = {u.place: u.recover for u in car.units}
    outcome, loads, copies = [[], []], [0.0, 0.0], []
    for channel in (1, 0) if car.gateway is not None else (0,):
        pool = released[channel] + copies + talk[channel] + flood(rng, plan, day.span, channel)
        if channel == 1 and car.recorded == 2:
            back = [r for r in released[0] if not inside(plan.shorts.get(0, []), r[0])]
            pool += carried(rng, car, plan, back, gate_runs, 0)
        shorts = plan.shorts.get(channel, [])
        pool = blocked(rng, pool, shorts, recover)
        sent, errors, busy = arbitrate(rng, pool, car.rates[channel],
                                       plan.noise.get(channel, []), recover)
        loads[channel] = busy / car.rates[channel] / day.span
        outcome[channel] = [(s[0], s[3]) for s in sent if s[0] < day.span]
        if channel == 1:
            copies = carried(rng, car, plan, sent, gate_runs, 1)
        if plan.recorder["errors"]:
            outcome[channel] += [(t, error_text(rng)) for t, _ in errors if t < day.span]
            outcome[channel] += controller_states(errors)
            outcome[channel] += short_errors(rng, shorts, day.span)
    return outcome[:car.recorded], loads[:car.recorded]
