"""nightrig: control and acquisition for fatigue tests of prestressed concrete beams in bending."""

__version__ = "0.1.0"
