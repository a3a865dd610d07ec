"""Emulated devices at the other ends of pseudo-terminals, on the physics of the simulated rig.

Each has a parser of its own and shares no code with the drivers: a shared codec would hide a
shared mistake.
"""
