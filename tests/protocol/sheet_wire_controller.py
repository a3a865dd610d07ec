"""Broken rig files: the controller, its status and what its words mean."""

from __future__ import annotations

from tests.protocol.broken import Broken

OWN = "limits = {"
LIMITS = 'limits = { load = "FORCe", stroke = "STRoke" }'
STATUS = (
    'status = ["mode", "moving", "counter", "tripped", "stopped_by", "pressure", "stroke", "-"]'
)

SHEET = [
    # [controller].
    Broken(
        "no controller's port",
        '[controller]\nport = "servo"\n',
        "[controller]\n",
        "[controller]",
        "controller.port",
        "is missing",
    ),
    Broken(
        "an identity of lines",
        '"emulated controller"',
        '"emulated\\ncontroller"',
        "identity",
        "controller.identity",
        "holds a line end",
    ),
    Broken(
        "decimals below",
        "decimals = 5",
        "decimals = -1",
        "decimals",
        "controller.decimals",
        "give 0 to 12",
    ),
    Broken(
        "a line end of its own",
        '"CRLF"',
        '"\\r\\n"',
        "line_end",
        "controller.line_end",
        "is not known here",
    ),
    Broken(
        "a force in lengths",
        'force = "kN"',
        'force = "mm"',
        "units =",
        "controller.units.force",
        '"mm" is a unit of length; give one of N, kN',
    ),
    Broken(
        "a rate in forces",
        '"force rate" = "kN/s"',
        '"force rate" = "kN"',
        "units =",
        "controller.units.force rate",
        "is a unit of force",
    ),
    Broken(
        "a unit misspelt",
        'speed = "mm/s"',
        'speed = "mm/sec"',
        "units =",
        "controller.units.speed",
        'did you mean "mm/s"?',
    ),
    Broken(
        "a quantity for a unit",
        'length = "mm"',
        'length = "1 mm"',
        "units =",
        "controller.units.length",
        '"1 mm" is no unit of length',
    ),
    Broken(
        "a unit that is none",
        'time = "s"',
        "time = 1",
        "units =",
        "controller.units.time",
        "1 is not text",
    ),
    Broken(
        "a unit is missing",
        'frequency = "Hz", ',
        "",
        "units =",
        "controller.units.frequency",
        'add frequency = "Hz"',
    ),
    Broken(
        "a kind of unit misspelt",
        "length = ",
        "lenght = ",
        "units =",
        "controller.units.lenght",
        'did you mean "length"?',
    ),
    Broken("no units", "units = {", "# {", "[controller]", "controller.units", "is missing"),
    Broken(
        "a scale of nothing",
        "force = 10.0",
        "force = 0.0",
        "scale =",
        "controller.scale.force",
        "out of range",
    ),
    Broken(
        "a scale that turns signs",
        "force = 10.0",
        "force = -1.0",
        "scale =",
        "controller.scale.force",
        "out of range",
    ),
    Broken(
        "a limit that nobody writes",
        'stroke = "STRoke" }',
        'midspan = "DEFL" }',
        OWN,
        "controller.limits.midspan",
        "known here are load, stroke",
    ),
    Broken(
        "a limit misspelt",
        'load = "FORCe"',
        'laod = "FORCe"',
        OWN,
        "controller.limits.laod",
        'did you mean "load"?',
    ),
    Broken(
        "no limit on the load",
        'load = "FORCe", ',
        "",
        OWN,
        "controller.limits.load",
        "is missing",
    ),
    Broken(
        "no limits of its own", LIMITS, "", "[controller]", "controller.limits.load", "is missing"
    ),
    Broken(
        "no limit where the rig has one",
        "[limits]\n",
        '[limits]\nstroke = ["-50 mm", "50 mm"]\n',
        'stroke = ["-50',
        "limits.stroke",
        "is no channel of the rig",
    ),
    Broken(
        "a limit that is a command",
        '"STRoke" }',
        '"STRoke;*RST" }',
        OWN,
        "controller.limits.stroke",
        "is no name of a limit",
    ),
    # Its status.
    *(
        Broken(
            f"no {name} in the status",
            f'"{name}"',
            '"-"',
            "status = [",
            "controller.status",
            f"leaves out {name}",
        )
        for name in ("mode", "moving", "counter", "stopped_by", "pressure")
    ),
    Broken(
        "no stroke in the status",
        '"stroke", "-"',
        '"-", "-"',
        "status = [",
        "controller.status",
        "leaves out stroke",
    ),
    Broken(
        "a field misspelt",
        '"moving",',
        '"movin",',
        "status = [",
        "controller.status[2]",
        'did you mean "moving"?',
    ),
    Broken(
        "a field twice",
        '"tripped",',
        '"mode",',
        "status = [",
        "controller.status[4]",
        '"mode" is there twice',
    ),
    Broken(
        "a field by number",
        '"tripped",',
        "7,",
        "status = [",
        "controller.status[4]",
        "write it in quotes",
    ),
    Broken(
        "a status in words",
        STATUS,
        'status = "mode"',
        "status =",
        "controller.status",
        "write it in brackets",
    ),
    Broken("no status", STATUS, "", "[controller]", "controller.status", "add status = ["),
    # Its words.
    Broken(
        "a word of nothing",
        'HIGH = "high"',
        'HIGH = "hihg"',
        "HIGH",
        "controller.words.HIGH",
        '"hihg" means nothing here; did you mean "high"?',
    ),
    Broken(
        "a word by number",
        'HIGH = "high"',
        "HIGH = 2",
        "HIGH",
        "controller.words.HIGH",
        "2 is not text",
    ),
    Broken(
        "a word of another field",
        'HIGH = "high"',
        '"mode HIGH" = "high"',
        '"mode HIGH"',
        "controller.words.mode HIGH",
        "known here are off, stroke, load, deflection",
    ),
    Broken(
        "a field of a word misspelt",
        'HIGH = "high"',
        '"presure HIGH" = "high"',
        '"presure',
        "controller.words.presure HIGH",
        'did you mean "pressure"?',
    ),
    Broken(
        "no words",
        "[controller.words]",
        "[controller.wordz]",
        "[controller.wordz]",
        "controller.wordz",
        'did you mean "words"?',
    ),
]
