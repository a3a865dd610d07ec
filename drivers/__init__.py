"""Drivers of real hardware: each speaks one wire protocol and serves the ports of `rig.ports`.

A driver knows the words of layer 0 and its wire library, nothing else of nightrig, and nothing
of the simulators: a shared codec would hide a shared mistake.
"""
