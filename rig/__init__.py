"""nightrig: control and acquisition for fatigue tests of prestressed concrete beams in bending."""
