"""What the keys of specimen and rig files are called in a data sheet."""

from __future__ import annotations

from typing import Final

NAMES: Final = {
    "name": "Name",
    "shape": "Shape",
    "width": "Width",
    "height": "Height",
    "span": "Span",
    "load_spacing": "Distance of the load points",
    "strength": "Strength",
    "modulus": "Modulus",
    "tensile_strength": "Tensile strength",
    "density": "Density",
    "law": "Stress-strain law",
    "peak_strain": "Strain at the peak",
    "ultimate_strain": "Ultimate strain",
    "area": "Area",
    "depth": "Depth from the top",
    "bond": "Bond",
    "stress": "Prestress",
    "stress_at": "Prestress told at",
    "yield": "Yield stress",
    "mix": "Mix",
    "cast": "Cast",
    "release": "Released",
    "soaked_since": "Soaked since",
    "soaked_until": "Soaked until",
    "water": "Water",
    "strengths": "Strengths by age",
}
"""What the keys of a specimen file are called here."""

RIG: Final = {
    "name": "Name",
    "driver": "Driver",
    "rate": "Samples a second",
    "local_input": "Input at the rig",
}
RIG_GROUPS: Final = {
    "actuator": "Actuator",
    "frame": "Frame",
    "supply": "Oil supply",
    "dynamic_verification": "Verification in motion",
    "proof_of_stopping": "Proof of stopping",
    "pump": "Pump",
    "limits": "Limits",
    "stops": "Stop categories",
}
RIG_NAMES: Final = {
    "actuator.load": "Range of load",
    "actuator.stroke": "Range of stroke",
    "actuator.speed": "Highest speed",
    "actuator.frequency": "Highest frequency",
    "actuator.limits": "Limits held by",
    "frame.moving_mass": "Moving mass",
    "frame.cell": "Load cell",
    "frame.dead_load": "Dead load",
    "frame.zeroed": "Zeroed while it was",
    "supply.piston_area": "Area of the piston",
    "supply.pressure": "Pressure",
    "supply.flow": "Flow of the pump",
    "supply.others": "Flow that others take",
    "supply.valve_flow": "Flow of the valve",
    "supply.valve_drop": "Pressure drop of the valve",
    "dynamic_verification.date": "Date",
    "dynamic_verification.by": "By",
    "dynamic_verification.frequency": "Up to a frequency of",
    "dynamic_verification.difference": "Difference of load range",
    "proof_of_stopping.date": "Date",
    "proof_of_stopping.by": "By",
    "proof_of_stopping.renew_after": "Renewed after",
    "pump.flow": "Flow",
    "pump.tank": "Tank",
    "pump.make_up": "Make-up",
    "limits.load": "Load",
    "limits.stroke": "Stroke",
    "limits.deflection": "Net deflection",
    "stops.emergency_stop": "Emergency stop",
    "stops.guard": "Guard",
    "stops.limit": "Limit",
    "stops.fault": "Fault",
    "stops.mains": "Mains lost",
    "stops.pause": "Pause",
}
GROUPS: Final = {
    "geometry": "Geometry",
    "concrete": "Concrete",
    "tendon": "Tendons",
    "bar": "Bars",
    "history": "History",
}
PARTS: Final = {"Specimen", "Rig", *GROUPS.values(), *RIG_GROUPS.values()}
"""What the parts are called."""


def name_of(where: str, key: str) -> str:
    """Return what a key at a place such as "rig.actuator" is called, "" for one that is unknown."""
    text, _, group = where.partition(".")
    if text == "rig":
        return RIG_NAMES.get(f"{group}.{key}", "") if group else RIG.get(key, "")
    return NAMES.get(key, "")
