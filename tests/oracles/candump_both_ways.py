"""`read NAME FILE`: prints what scapy reads of a candump log, one frame a line: time, identifier, extended, data. `write FILE`: has python-can write a log of
frames given as lines `time id data` on standard input, the identifier in eight digits where it has 29 bits."""

import sys

if sys.argv[1] == "read":
    from scapy.config import conf
    from scapy.layers.can import CandumpReader

    conf.contribs["CAN"] = {"swap-bytes": False, "remove-padding": False}
    for frame in CandumpReader(sys.argv[2]):
        extended = "extended" in str(frame.flags)
        print(f"{float(frame.time):.6f} {frame.identifier:0{8 if extended else 3}X} {bytes(frame.data[:frame.length]).hex().upper()}")
else:
    import can
    from can.io.canutils import CanutilsLogWriter

    writer = CanutilsLogWriter(sys.argv[2])
    for line in sys.stdin:
        time, identifier, data = line.rstrip("\n").split(" ")
        data = bytes.fromhex(data)
        writer(can.Message(timestamp=float(time), arbitration_id=int(identifier, 16), is_extended_id=len(identifier) == 8, data=data,
                           is_fd=len(data) > 8, channel="can0", is_rx=True))
    writer.stop()
