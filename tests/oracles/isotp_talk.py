"""Lets two ends of can-isotp talk to each other and prints the frames as log text; the messages sent go to standard error."""

import random
import sys

import isotp

random.seed(int(sys.argv[1]))
now = 1_700_000_000.0


def log(message):
    global now
    now += 0.0005
    kind = f"{message.arbitration_id:03X}#{message.data.hex().upper()}"
    print(f"({now:.6f}) can0 {kind}")


def pair(block_size, padding):
    to_module, to_tester = [], []
    tester_address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
    module_address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E8, rxid=0x7E0)
    params = {"stmin": 0, "blocksize": block_size, "tx_padding": padding}

    def end(own, other, address):
        def send(message):
            log(message)
            other.append(message)

        return isotp.TransportLayerLogic(rxfn=lambda timeout: own.pop(0) if own else None, txfn=send, address=address, params=params)

    return end(to_tester, to_module, tester_address), end(to_module, to_tester, module_address)


for _ in range(40):
    tester, module = pair(random.choice([0, 1, 4, 8]), random.choice([None, 0x00, 0xAA, 0xCC]))
    for sender, name in ((tester, "7E0"), (module, "7E8")):
        length = random.choice([1, 2, 6, 7, 8, 9, 13, 14, 20, 62, 63, random.randint(8, 900), 4095])
        payload = random.randbytes(length)
        sender.send(payload)
        for _ in range(length + 50):
            tester.process(rx_timeout=0)
            module.process(rx_timeout=0)
        print(name, payload.hex().upper(), file=sys.stderr)
