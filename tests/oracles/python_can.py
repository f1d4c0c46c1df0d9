"""Prints the frames that python-can reads from a candump log, in the columns that the test compares."""

import sys

import can
from can.io.canutils import CanutilsLogReader

for message in CanutilsLogReader(sys.argv[1]):
    kind = "fd" if message.is_fd else "remote" if message.is_remote_frame else "data"
    width = 8 if message.is_extended_id else 3
    data = "" if message.is_remote_frame else message.data.hex().upper()
    flags = [str(flag).lower() if message.is_fd else "" for flag in (message.bitrate_switch, message.error_state_indicator)]
    fields = [f"{message.timestamp:.6f}", message.channel, kind, f"0x{message.arbitration_id:0{width}X}",
              str(message.is_extended_id).lower(), data, *flags]
    print(",".join(fields))
