"""Reads hexadecimal 0x59 messages, one a line, and prints the codes and status that udsoncan and py-uds see in each:
`CODE:STATUS CODE:STATUS …`, the two libraries separated by a bar."""

import sys

from udsoncan import Response, services
from uds.addressing import AddressingType
from uds.message import UdsMessage
from uds.translator import BASE_TRANSLATOR


def with_udsoncan(payload):
    response = Response.from_payload(payload)
    data = services.ReadDTCInformation.interpret_response(response, subfunction=payload[1])
    return [f"{dtc.id_iso()}:{dtc.status.get_byte_as_int():02X}" for dtc in data.service_data.dtcs]


def with_pyuds(payload):
    decoded = BASE_TRANSLATOR.decode(UdsMessage(payload=payload, addressing_type=AddressingType.PHYSICAL))
    found = []
    for record in decoded:
        if record["name"] != "DTC and DTCStatus":
            continue
        for parts in record["children"]:
            values = {part["name"]: part for part in parts}
            found.append(f"{values['DTC']['physical_value']}:{values['DTCStatus']['raw_value']:02X}")
    return found


for line in sys.stdin:
    payload = bytes.fromhex(line.strip())
    print(" ".join(with_udsoncan(payload)), "|", " ".join(with_pyuds(payload)))
