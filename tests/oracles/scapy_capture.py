"""Writes frames given as lines `time id data` on standard input as a network capture with scapy: pcap or pcapng, by the name's ending."""

import sys

from scapy.config import conf
from scapy.layers.can import CAN
from scapy.utils import PcapNgWriter, PcapWriter

conf.contribs["CAN"] = {"swap-bytes": False, "remove-padding": False}
name = sys.argv[1]
writer = PcapNgWriter(name) if name.endswith("ng") else PcapWriter(name, linktype=227)
for line in sys.stdin:
    time, identifier, data = line.rstrip("\n").split(" ")
    extended = len(identifier) == 8
    frame = CAN(flags="extended" if extended else 0, identifier=int(identifier, 16), data=bytes.fromhex(data))
    frame.time = float(time)
    writer.write(frame)
writer.close()
