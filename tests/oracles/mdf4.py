"""Bus logging of ASAM MDF 4, by asammdf, and by hand what it does not write. Frames are lines `time bus kind id extended code data flags`: seconds with nine digits, the number of the
bus, data, remote, fd or error, hexadecimal, flags of CAN FD as BRS and ESI.

`write FILE FORM`: writes the frames on standard input. By asammdf: sorted, deflate, transposed, lists (data in many blocks). By hand: unsorted (one data
group, records as they came), varying (the same, data bytes as records of their own), outside (sorted, data bytes in a block of their own),
outside-packed (that block packed).
`read FILE`: prints what asammdf reads, `read-can FILE` what python-can does."""

import struct
import sys
import zlib
from datetime import datetime, timezone
from decimal import Decimal

import numpy as np
from asammdf import MDF, Signal, Source
from asammdf.blocks import v4_constants as v4c

PARTS = [("BusChannel", "<u1"), ("ID", "<u4"), ("IDE", "<u1"), ("DLC", "<u1"), ("DataLength", "<u1"), ("Dir", "<u1")]
FLAGS = [("EDL", "<u1"), ("BRS", "<u1"), ("ESI", "<u1")]
START = 1_700_000_000
EVENTS = {"data": "CAN_DataFrame", "fd": "CAN_DataFrame", "remote": "CAN_RemoteFrame", "error": "CAN_ErrorFrame"}


def frames():
    global START
    for at, line in enumerate(sys.stdin):
        if at == 0:
            # Near enough for a double to keep nanoseconds.
            START = int(line.split(".")[0])
        time, bus, kind, id, extended, code, *rest = line.rstrip("\n").split(" ")
        data, flags = rest[0] if rest else "", rest[1] if len(rest) > 1 else "00"
        yield int(Decimal(time) * 10**9) - START * 10**9, int(bus), kind, int(id, 16), int(extended), int(code), bytes.fromhex(data), flags


def group(event, rows):
    parts = PARTS + ([] if event == "CAN_RemoteFrame" else FLAGS + [("DataBytes", "(64,)u1")])
    samples = np.zeros(len(rows), dtype=[(f"{event}.{name}", kind) for name, kind in parts])
    for at, (_, bus, kind, id, extended, code, data, flags) in enumerate(rows):
        row = samples[at]
        for name, value in [("BusChannel", bus), ("ID", id), ("IDE", extended), ("DLC", code), ("DataLength", len(data))]:
            row[f"{event}.{name}"] = value
        if event != "CAN_RemoteFrame":
            for name, value in [("EDL", kind == "fd"), ("BRS", flags[0] == "1"), ("ESI", flags[1] == "1")]:
                row[f"{event}.{name}"] = value
            row[f"{event}.DataBytes"][: len(data)] = list(data)
    return samples


def write(path, form):
    mdf = MDF(version="4.10")
    source = Source("bus", "bus", "", v4c.SOURCE_BUS, v4c.BUS_TYPE_CAN)
    every = list(frames())
    mdf.start_time = datetime.fromtimestamp(START, timezone.utc)
    for event in dict.fromkeys(EVENTS.values()):
        rows = [row for row in every if EVENTS[row[2]] == event]
        if rows:
            times = np.array([row[0] / 1e9 for row in rows])
            signal = Signal(samples=group(event, rows), timestamps=times, name=event, source=source)
            mdf.append(signal, acq_source=source, common_timebase=True)
    if form == "lists":
        mdf.configure(write_fragment_size=4096)
    packed = {"deflate": 1, "transposed": 2}.get(form, 0)
    mdf.save(path, overwrite=True, compression=packed)


class Blocks:
    def __init__(self):
        self.bytes = bytearray(64 + 104)
        self.bytes[:24] = b"MDF     4.10    by hand "
        self.bytes[28:30] = struct.pack("<H", 410)

    def put(self, name, links, data):
        self.bytes.extend(bytes(-len(self.bytes) % 8))
        at = len(self.bytes)
        self.bytes += b"##" + name + bytes(4) + struct.pack("<QQ", 24 + 8 * len(links) + len(data), len(links))
        self.bytes += struct.pack(f"<{len(links)}Q", *links) + data
        return at

    def channel(self, next, name, kind, value, byte, bits, sync=0, bit=0, conversion=0, data=0):
        text = self.put(b"TX", [], name.encode() + b"\0")
        head = struct.pack("<BBBBIII", kind, sync, value, bit, byte, bits, 0 if kind == 2 else 1 << 10)
        return self.put(b"CN", [next, 0, text, 0, conversion, data, 0, 0], head + bytes(72 - len(head)))

    def group(self, next, event, record, count, payload):
        """Records of 24 bytes: time, bus, identifier, flags, code, length, offset of the data bytes."""
        parts = [("BusChannel", 8, 8, 0), ("ID", 9, 32, 0), ("IDE", 13, 1, 0), ("DLC", 14, 8, 0), ("DataLength", 15, 8, 0)]
        parts += [("EDL", 13, 1, 1), ("BRS", 13, 1, 2), ("ESI", 13, 1, 3)] if event == "CAN_DataFrame" else []
        at = self.channel(0, f"{event}.DataBytes", 1, 10, 16, 64, data=payload) if payload is not None else 0
        if payload is None and event != "CAN_RemoteFrame":
            at = self.channel(0, f"{event}.DataBytes", 0, 10, 16, 512)
        for name, byte, bits, bit in reversed(parts):
            at = self.channel(at, f"{event}.{name}", 0, 0, byte, bits, bit=bit)
        linear = self.put(b"CC", [0, 0, 0, 0], struct.pack("<BBHHH4d", 1, 0, 0, 0, 2, 0, 0, 0, 1e-9))
        at = self.channel(at, "Timestamp", 2, 0, 0, 64, sync=1, conversion=linear)
        source = self.put(b"SI", [0, 0, 0], bytes([2, 2, 0, 0, 0, 0, 0, 0]))
        size = 16 if event == "CAN_RemoteFrame" else 24 if payload is not None else 80
        return self.put(b"CG", [next, at, 0, source, 0, 0], struct.pack("<QQHHIII", record, count, 6, 46, 0, size, 0))


def by_hand(path, form):
    rows, blocks = list(frames()), Blocks()
    records, varying, elsewhere = bytearray(), {1: 0, 3: 0}, {1: bytearray(), 3: bytearray()}
    numbers, counts = {"CAN_DataFrame": 1, "CAN_RemoteFrame": 2, "CAN_ErrorFrame": 3}, {1: 0, 2: 0, 3: 0}
    lists = {1: bytearray(), 2: bytearray(), 3: bytearray()}
    for time, bus, kind, id, extended, code, data, flags in rows:
        number = numbers[EVENTS[kind]]
        bits = extended | (kind == "fd") << 1 | (flags[0] == "1") << 2 | (flags[1] == "1") << 3
        record = struct.pack("<QBIBBB", time, bus, id, bits, code, len(data))
        if number != 2:
            if form == "unsorted":
                record += data + bytes(64 - len(data))
            else:
                record += struct.pack("<Q", len(elsewhere[number]))
                own = struct.pack("<I", len(data)) + data
                elsewhere[number] += own
                if form == "varying":
                    records += bytes([number + 10]) + own
                    varying[number] += 1
        counts[number] += 1
        records += bytes([number]) + record
        lists[number] += record
    if form in ("unsorted", "varying"):
        group = 0
        for event, number in reversed(numbers.items()):
            payload = None
            if form == "varying" and number != 2:
                total = len(elsewhere[number]) - 4 * varying[number]
                group = payload = blocks.put(b"CG", [group, 0, 0, 0, 0, 0], struct.pack("<QQHHIII", number + 10, varying[number], 1, 0, 0, total, 0))
            group = blocks.group(group, event, number, counts[number], payload)
        half = len(records) // 2
        data = [blocks.put(b"DT", [], bytes(part)) for part in (records[:half], records[half:])]
        lengths = struct.pack("<BBHIQQ", 0, 0, 0, 2, 0, half)
        data = blocks.put(b"DL", [0, *data], lengths)
        first = blocks.put(b"DG", [0, group, data, 0], bytes([1, 0, 0, 0, 0, 0, 0, 0]))
    else:
        first = 0
        for event, number in reversed(numbers.items()):
            payload = None
            if number != 2:
                own = bytes(elsewhere[number])
                packed = zlib.compress(own)
                head = b"SD" + struct.pack("<BBIQQ", 0, 0, 0, len(own), len(packed))
                payload = blocks.put(b"DZ", [], head + packed) if form == "outside-packed" else blocks.put(b"SD", [], own)
            group = blocks.group(0, event, 0, counts[number], payload)
            first = blocks.put(b"DG", [first, group, blocks.put(b"DT", [], bytes(lists[number])), 0], bytes(8))
    comment = blocks.put(b"MD", [], b"<FHcomment><TX/><tool_id>by hand</tool_id><tool_vendor>test</tool_vendor></FHcomment>\0")
    history = blocks.put(b"FH", [0, comment], struct.pack("<Q", START * 10**9) + bytes(8))
    head = b"##HD" + bytes(4) + struct.pack("<QQ6QQ", 104, 6, first, history, 0, 0, 0, 0, START * 10**9) + bytes(24)
    blocks.bytes[64:168] = head
    open(path, "wb").write(blocks.bytes)


def read_can(path):
    import can

    for own in can.LogReader(path):
        kind = "error" if own.is_error_frame else "remote" if own.is_remote_frame else "fd" if own.is_fd else "data"
        flags = f"{int(own.bitrate_switch)}{int(own.error_state_indicator)}" if own.is_fd else ""
        line = f"{own.timestamp:.6f} {own.channel} {kind} {own.arbitration_id:X} {int(own.is_extended_id)} {own.data.hex().upper()} {flags}"
        print(line.rstrip())


def read(path):
    mdf = MDF(path)
    out = []
    start = mdf.header.abs_time
    for index, own in enumerate(mdf.groups):
        names = [channel.name for channel in own.channels]
        event = next((name.split(".")[0] for name in names if name.split(".")[0] in EVENTS.values()), None)
        if event is None:
            continue
        part = lambda name: mdf.get(f"{event}.{name}", group=index).samples if f"{event}.{name}" in names else None
        bus, ids, extended, code, length = (part(name) for name in ["BusChannel", "ID", "IDE", "DLC", "DataLength"])
        edl, brs, esi, data = (part(name) for name in ["EDL", "BRS", "ESI", "DataBytes"])
        times = mdf.get_master(index)
        for at in range(len(ids)):
            fd = edl is not None and edl[at]
            kind = {"CAN_RemoteFrame": "remote", "CAN_ErrorFrame": "error"}.get(event, "fd" if fd else "data")
            bytes_ = b"" if data is None else bytes(bytearray(data[at]))[: length[at]]
            flags = f"{int(brs[at])}{int(esi[at])}" if fd else ""
            time = start + round(float(times[at]) * 1e9)
            line = f"{time // 10**9}.{time % 10**9:09d} {bus[at]} {kind} {int(ids[at]):X} {int(extended[at])} {int(code[at])} {bytes_.hex().upper()} {flags}"
            out.append((time, line.rstrip()))
    for _, line in sorted(out, key=lambda own: own[0]):
        print(line)


if sys.argv[1] == "read":
    read(sys.argv[2])
elif sys.argv[1] == "read-can":
    read_can(sys.argv[2])
elif sys.argv[3] in ("sorted", "deflate", "transposed", "lists"):
    write(sys.argv[2], sys.argv[3])
else:
    by_hand(sys.argv[2], sys.argv[3])
