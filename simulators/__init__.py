"""Simulated devices and specimen: a rig without hardware, repeatable from a seed."""
