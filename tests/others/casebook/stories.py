"""The casebook: stories as they come into an independent workshop.

S(fault, vehicles, day, trigger, habit, words, options)
vehicles: c car, v van, e electric car, l light truck, h heavy truck, m machine.
day: words naming days of day.py; trigger: words naming when the contact fails (faults.py);
habit: words naming recording habits of the technician (day.py).  Options: really (the true class),
item (the physical thing), roles (preferred victims), pulse (how the contact behaves)."""

STORIES = []


def S(fault, vehicles, day, trigger, habit, words, **o):
    STORIES.append(dict(n=len(STORIES), fault=fault, vehicles=vehicles, day=day, trigger=trigger, habit=habit, words=words, **o))


ALL = "cvelhm"
# --- supply or ground of one unit ---
S("power", "cvel", "drive", "bump", "drive|long", "dash goes dark over bumps: fuse loose in its holder", item="fuse")
S("power", "cvelhm", "idle|keyon_start", "wiggle", "wiggle", "pin of supply backed out of the plug; technician pulls at the loom", item="pin")
S("power", "cvl", "keyon_start|two_stops", "crank", "idle|two", "unit gone for a moment whenever the engine is cranked: green ground screw", item="ground pin")
S("power", "hm", "keyon_start|two_stops", "crank", "idle|two", "controller faults at every start: supply splice corroded, sags with the starter", item="pin")
S("power", ALL, "idle|drive", "warm", "long|drive", "dies when warm, comes back when cool: cracked solder at the supply pin", item="pin")
S("power", "cvel", "idle", "load", "idle|scan_in", "unit resets whenever the rear heater is on: shared thin ground lead", item="ground pin")
S("power", "hm", "drive", "vibration", "drive|long", "machine shakes, screen reboots: battery terminal of the cab relay box loose", item="pin")
S("power", "cvel", "keyon_start|keyon|two_stops", "keyon", "idle|two", "comes late after key on: relay of that unit sticks", item="relay")
S("power", "cv", "doors|idle", "door", "wiggle|idle", "supply wire chafed in the door hinge", item="pin", roles=("driver door", "passenger door", "rear body"))
S("power", ALL, "idle|drive|two_stops", "random", "idle|drive|scan_in|late", "after rain now and then: water in the connector, supply pin green", item="pin")
# --- bus stub open ---
S("stub", "cvel", "doors|idle|drive", "door", "wiggle|drive", "windows forget themselves when the door swings: twisted pair broken in the hinge", roles=("driver door", "passenger door", "rear body"))
S("stub", ALL, "drive", "bump", "drive|long", "warning lights flash on bad roads: bus pin spread in the plug")
S("stub", ALL, "idle|keyon", "wiggle", "wiggle|scan_in", "loom moved by hand, unit drops out and returns")
S("stub", "cvl", "idle|drive", "warm", "long", "after twenty minutes' drive: bus crimp opens with heat")
S("stub", "cvel", "idle|drive", "random", "late|idle|scan_clear", "after body repair: bus wires of one unit twisted together without solder")
S("stub", "hm", "drive", "vibration", "drive|long", "chafed loom behind the cab tilt: one controller comes and goes")
S("stub", "lhv", "drive|idle", "long", "drive|scan_in", "trailer or body builder's unit: plug half seated")
# --- bus contact corroded ---
S("corroded", ALL, "idle|drive", "random", "idle|drive|late", "salt water in the connector under the carpet, bus pins green")
S("corroded", "cvel", "keyon_start|idle", "damp", "idle|scan_in", "bad on wet mornings, better as it dries")
S("corroded", "hm", "drive", "vibration", "drive|long", "frame connector full of dirt, frets with vibration")
S("corroded", "cvl", "idle", "wiggle", "wiggle", "tin worn off the bus pin; crackles when touched")
# --- never speaks ---
S("silent0", ALL, "idle|keyon|drive", "always", "idle|scan_in|late", "fuse of one unit blown", really="module_power", item="fuse")
S("silent0", "cvel", "keyon_start|keyon", "always", "scan_in|scan_first", "wrong fuse slot: fuse plugged in the neighbouring unfitted place", really="module_power", item="fuse")
S("silent0", ALL, "idle|keyon", "always", "scan_in|idle", "after body repair the plug was not put back on", really="module_connector", item="plug")
S("silent0", "hm", "keyon|idle", "always", "idle|two", "rodent cut the bus wires of one unit", really="module_connector", item="wires")
S("silent0", ALL, "keyon|idle|two_stops", "always", "idle|scan_in", "dead after a jump start with reversed leads", really="module_dead", item="inside")
S("silent0", "cvl", "keyon|idle", "always", "scan_in", "water got in the unit under the seat: no life", really="module_dead", item="inside")
# --- goes silent while recorded ---
S("silentm", ALL, "drive|idle", "once", "long|drive|idle", "fuse blows when the load is switched on", really="module_power", item="fuse")
S("silentm", ALL, "drive|idle", "once", "drive|wiggle", "the pair tore off when the loom was pulled", really="module_connector", item="wires")
S("silentm", ALL, "idle|drive|keyon_start", "once", "idle|long", "unit dies of heat and stays dead", really="module_dead", item="inside")
S("silentm", "cvl", "keyon_start", "oncecrank", "idle", "supply joint burnt through while cranking", really="module_power", item="pin")
# --- branch ---
S("branch", "cvel", "drive|idle", "bump", "drive|wiggle", "inline connector at the A post: half the comfort units come and go")
S("branch", ALL, "idle|keyon|drive", "always", "idle|scan_in|late", "splice pack pulled apart after repair: everything behind it missing")
S("branch", "hm", "drive", "vibration", "drive|long", "cab-to-chassis connector frets")
S("branch", ALL, "idle|drive", "once", "long|idle|drive", "splice of the branch breaks for good")
S("branch", "cvl", "idle", "wiggle", "wiggle|scan_in", "rodent ate the loom to the rear, bare ends touch now and then")
S("branch", "cve", "doors|idle", "door", "idle|wiggle", "tail gate loom: rear units drop when the gate is opened")
S("branch", ALL, "drive|idle", "long", "scan_in|drive", "dealer-fitted market gear spliced in with clamps that lose contact")
# --- shared supply ---
S("supply", ALL, "idle|drive", "random", "idle|drive|scan_in", "corroded fuse feeds several units", item="fuse")
S("supply", "cvl", "keyon_start|two_stops", "crank", "idle|two", "worn ignition switch: one output drops at and after cranking", item="relay")
S("supply", ALL, "idle|keyon|drive", "always", "idle|scan_in|late", "one fuse blown, several units missing", item="fuse")
S("supply", "hmlv", "drive", "vibration", "drive|long", "ground bolt on the frame loose under paint", item="ground")
S("supply", "cvel", "idle|drive", "load", "idle|drive", "ground point of the dash lifts when blower and seat heat run", item="ground")
S("supply", ALL, "idle|drive", "once", "long|drive", "relay drops out and does not pull in again", item="relay")
S("supply", "cvel", "keyon_start|keyon", "keyon", "idle|two", "accessory relay chatters after key on", item="relay")
# --- short ---
S("short", "cvel", "doors|idle|drive", "door", "wiggle|drive", "bus pair chafed through at the door hinge, touches body", kindof="ground")
S("short", ALL, "drive|idle", "bump", "drive|idle", "pair squeezed by a seat rail: the wires touch each other", kindof="each other")
S("short", "hm", "drive", "vibration", "drive|long", "loom rubs on the exhaust bracket: one wire to ground", kindof="ground")
S("short", "cvl", "idle|keyon_start", "random", "idle|scan_in", "water in the trailer socket's unit: bus high to battery", kindof="battery")
# --- gateway ---
S("gateway", ALL, "idle|drive", "random", "idle|drive", "gateway resets: cracked supply pin", item="supply")
S("gateway", ALL, "keyon|idle", "always", "scan_in|idle|two", "gateway dead after battery charger surge", item="inside")
S("gateway", ALL, "drive|idle", "once", "long|idle", "gateway hangs and stays so", item="inside")
S("gateway", "cvel", "idle|drive", "long", "scan_in|drive", "gateway left in programming mode by a broken-off update, falls back now and then", item="inside")
# --- termination ---
S("term", ALL, "idle|drive", "errors", "idle|drive", "replaced unit has no terminator inside: the old one had", item="terminator")
S("term", "hm", "drive|idle", "errors", "drive|long", "terminator plug fell off the end of the backbone", item="terminator")
S("term", "cvel", "idle|keyon_start", "errors", "idle|scan_in", "main line contact resistive after front crash repair", item="main line")
# --- dead inside ---
S("dead", ALL, "idle|drive", "watchdog", "idle|drive|late", "restarts again and again: flash worn out", how="restarts")
S("dead", ALL, "idle|keyon|drive", "long", "scan_in|idle", "program stands, diagnosis still answers: update broke off", how="stands")
S("dead", "cvl", "keyon_start|idle", "watchdog", "scan_in|idle", "since jump start it boots and boots", how="restarts")
S("dead", ALL, "drive|idle", "once", "long|drive", "unit gives up inside when warm", how="dies")
S("dead", ALL, "keyon|idle|two_stops", "always", "scan_in|two", "unit left in transport mode or boot loader: answers the tester, says nothing else", how="stands")
# --- flood ---
S("flood", ALL, "idle|drive", "long", "idle|drive", "insurance dongle floods the bus with requests of high priority", src="foreign id")
S("flood", ALL, "idle|keyon_start", "random", "idle|scan_in", "unit in factory test mode sends without pause", src="own id")
S("flood", "hm", "idle|drive", "always", "idle|drive", "retrofitted gadget sends far too often", src="foreign id")
# --- foreign ---
S("foreign", "cvel", "keyon|idle", "always", "scan_in|idle", "used unit of another car: VIN and equipment differ", how="used")
S("foreign", "cvelhm", "keyon|idle|keyon_start", "always", "scan_in|idle|two", "wrong part number: sends other identifiers", how="other ids")
S("foreign", "cvel", "keyon|idle", "always", "scan_in|scan_clear", "new unit, coding never finished: lacks messages", how="lacks")
S("foreign", "cvel", "keyon|idle", "always", "scan_in|idle", "used unit of a sister model works at another bit rate: breaks frames until bus-off, again and again", how="bitrate")
# --- restraint ---
S("restraint", "cvel", "idle|drive|two_stops", "once", "long|drive|idle", "airbag lamp after seat was moved: its plug came off", really="module_connector", item="plug")
S("restraint", "cvel", "idle|keyon|drive", "always", "scan_in|idle", "airbag fuse left out after repair", really="module_power", item="fuse")
S("restraint", "cvel", "drive|idle", "random", "drive|idle", "restraint unit comes and goes: supply pin under carpet wet", really="module_power", item="pin")
S("restraint", "cvel", "keyon|idle", "always", "scan_in", "locked restraint unit after crash, dead inside", really="module_dead", item="inside")
# --- nothing today ---
S("stale", ALL, "idle|keyon|drive", "none", "scan_in", "codes left from a jump start last winter", set="many")
S("stale", "cvel", "keyon|idle", "none", "scan_in|scan_clear", "codes of an earlier repair: unit was unplugged with key on", set="one")
S("stale", ALL, "idle|two_stops", "none", "scan_in", "battery was changed with the door open: codes everywhere", set="many")
S("mended", ALL, "idle|keyon", "none", "scan_in", "contact was cleaned yesterday, nobody cleared", set="one")
S("mended", "cvel", "idle|keyon", "mend", "scan_mend", "plug found loose and pushed home while recording, then scan", set="one")
S("mended", ALL, "idle|keyon", "none", "scan_clear", "fuse replaced this morning; scan, clear, scan", set="group")
# --- sound vehicles that only look bad ---
S("sound", ALL, "off_end", "none", "idle|long", "customer: 'it all drops out' - key was turned off while recording")
S("sound", "cvl", "keyon_start", "none", "idle", "weak battery: radio and tuner reboot at every crank, as built")
S("sound", ALL, "two_stops", "none", "two", "two key cycles; units come in their own order")
S("sound", ALL, "drive", "none", "drive|pauses", "recorder on a slow laptop: pauses in the file")
S("sound", "cve", "coffee", "none", "long", "car asleep, wakes for the fob and sleeps again")
S("sound", ALL, "idle", "none", "late", "short one at idle, plugged in late")
S("sound", "cvelhm", "idle|drive", "switch", "idle|drive", "driver switches a device off and on again")
S("sound", "cv", "startstop", "none", "drive", "start-stop in town: some units blink at restart")
S("sound", ALL, "idle", "none", "scan_in", "old codes from years ago, nothing today", old=1)
S("sound", "e", "charging", "none", "long|idle", "electric car charging: half the units asleep")
S("sound", "cvel", "doors|coffee", "none", "idle|long", "doors opened and shut, body wakes, others don't")
S("sound", ALL, "drive", "none", "thin", "wireless recorder loses frames in bunches")
S("sound", "hm", "two_stops|off_end", "none", "two|long", "truck: after-run of engine and aftertreatment looks like dropouts")
S("sound", "vlhm", "drive|idle", "switch", "drive", "power take-off unit or trailer used only at times")
S("sound", ALL, "acc", "none", "idle", "accessory only: radio on, engine units silent, then key on")
S("sound", "cvel", "idle|keyon", "none", "scan_clear", "tester clears, runs a reset of a unit (11 01): it restarts on demand", reset=1)
S("sound", "cvel", "drive|idle", "none", "drive|idle", "insurance dongle in the socket asks for live data all day", dongle=1)
S("sound", ALL, "keyon_start", "none", "scan_in|idle", "first start after battery change: everything boots from zero")
S("sound", "cvl", "two_stops|keyon_start", "none", "pauses", "recorder fed from the accessory socket: pauses at each crank")
