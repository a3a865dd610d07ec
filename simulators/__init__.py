"""Simulated devices and specimens: a whole rig without hardware.

They answer inside the program or on real serial lines. They know the words of layer 0 and the
mechanics of the specimen, never the drivers: a shared codec would hide a shared mistake.
"""
