"""Drivers of real hardware: each speaks one wire protocol and serves the ports of `rig.ports`.

A driver knows the words of layer 0 and its wire library, nothing else of nightrig, and nothing
of the simulators: a shared codec would hide a shared mistake. It is found by the name that the
rig file gives, among the entry points `nightrig.drivers` of what is installed:
`async open_rig(plan: RigPlan, clock: Clock) -> Rig`, pressure off when it returns. That a rig is
emulated is what its devices answer, never what a file says.
"""
