"""The control units (table in units.txt) that cars and vans of the last fifteen years carry.

Names, codes and words: SAE J2012 as in /work/shared/facts/network-codes.tsv.  Which unit hangs on
which bus, how it is supplied and how fast it talks: common practice, and the real captures in
/work/shared/cars (10 and 20 ms for engine and chassis, 100 ms to 2 s for body and comfort).
"""

import pathlib
from collections import namedtuple

Kind = namedtuple("Kind", "name code called share drive zone supply fast mid slow flags")

# Columns of units.txt.  share: how many of ten cars have it.  drive: a any, c combustion or
# hybrid, e electric or hybrid.  zone: p drive train, c chassis, b body, i information.
# supply: 15 ignition, 30 permanent.
# flags: o answers OBD, u its user switches it, w weak when cranking, g wakes on charge,
#        n part of a partial network, v sends events, k polls for keys, s a plain sensor (often mute
#        to testers), r restraints.
ROWS = pathlib.Path(__file__).with_name("units.txt")


def kinds():
    """The table above as records."""
    result = []
    for line in ROWS.read_text(encoding="utf-8").splitlines():
        name, code, called, share, drive, zone, supply, fast, mid, slow, flags = line.split("|")
        result.append(Kind(name, 0xC000 | int(code, 16), called, int(share), drive, zone,
                           int(supply), int(fast), int(mid), int(slow), flags))
    return result


GATEWAY = Kind("gateway", 0xC146, "serial data gateway module a", 10, "a", "b", 30, 0, 1, 2, "g")

# Old codes from everyday life that have nothing to do with the network (bytes, failure type).
EVERYDAY = [(0x0171, 0x00), (0x0420, 0x00), (0x0128, 0x00), (0x9063, 0x13), (0x9A01, 0x12),
            (0x4034, 0x29), (0x5B12, 0x7A), (0x9318, 0x16), (0xA2B3, 0x1C), (0x0087, 0x00),
            (0x92A4, 0x14), (0x4A10, 0x64)]

BATTERY_VOLTAGE = 0xF003       # U3003
BUS_OFF = 0xC073               # U0073 control module communication bus off
MISMATCH = {0xC100: 0xC301, 0xC101: 0xC302, 0xC121: 0xC315, 0xC140: 0xC322}   # U0301, U0302, …
