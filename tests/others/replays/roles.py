"""Names of control units, their lost-communication codes (SAE J2012) and their feeds."""
import os
import captures

# name, code, how likely fed by the ignition, how likely the user may switch it off
CAR_MAIN = """
    transmission U0101 .7 0, abs U0121 .6 0, cluster U0155 .4 0, restraint U0151 .9 0,
    body U0140 .05 0, power_steering U0131 .7 0, steering_angle U0126 .8 0, park_brake U0128 .3 0,
    vehicle_dynamics U0122 .7 0, yaw_sensor U0123 .9 0, transfer_case U0102 .6 0,
    gear_shift U0103 .5 0, cruise U0104 .8 0, fuel_pump U0109 .7 0, suspension U0132 .5 0,
    four-wheel_clutch U0114 .7 0, occupant U0154 .9 0, body_b U0142 .1 0"""
CAR_BODY = """
    climate U0164 .6 .1, radio U0184 .3 .8, door_driver U0199 .1 0, parking_aid U0159 .8 .6,
    tyre_pressure U0127 .5 0, telematics U0198 .1 .2, headlamp_levelling U0181 .8 0,
    sunroof U0169 .5 .1, rear_climate U0165 .6 .7, audio U0193 .3 .7, body_c U0143 .1 0,
    trailer_brake U0137 .5 .5"""
TRUCK_SPARE = """
    restraint U0151 .9 0, retarder U0129 .7 0, suspension U0132 .4 0, power_steering U0131 .7 0,
    shift U0103 .5 0, headlamp_levelling U0181 .8 0, turbo U010C .7 0,
    exhaust_recirculation U010A .7 0, battery U0111 .2 0, radio U0184 .3 .8,
    parking_aid U0159 .8 .4"""
# By the address that sent in the truck captures.
TRUCK = """
    00 engine U0100 .6 0, 01 engine_b U0115 .6 0, 03 transmission U0101 .7 0, 0B abs U0121 .7 0,
    17 cluster U0155 .5 0, 19 climate U0164 .6 .3, 21 body U0140 .1 0, 25 gateway_b U0147 .3 0,
    27 body_b U0142 .2 0, 2A cruise U0104 .8 0, 31 body_c U0143 .2 0, 3D reductant U010E .6 0,
    3E exhaust_sensor U011A .6 0, 47 body_d U0144 .3 0, A0 tachograph U019A .2 0,
    8B telematics U0198 .3 0, 80 tyre_pressure U0127 .5 0"""
ENGINE = ("engine", "U0100", 0.6, 0.0)
GATEWAY = ("gateway", "U0146", 0.1, 0.0)
_TEXTS = {}

def parse(table):
    """[(name, code, fed, user)] of a table; a leading address is kept as fifth."""
    out = []
    for row in table.split(","):
        words = row.split()
        name, code, fed, user = words[-4:]
        out.append((name.replace("_", " "), code, float(fed), float(user), *words[:-4]))
    return out

def called(code):
    """Lower-case text of a code of lost communication, without its first words."""
    if not _TEXTS:
        with open(os.path.join(captures.ROOT, "facts", "network-codes.tsv")) as lines:
            for line in lines:
                words = line.split("\t")
                if len(words) > 1: _TEXTS[words[0]] = words[1].strip().lower()
    return _TEXTS[code].removeprefix("lost communication with ")
