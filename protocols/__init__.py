"""Packaged protocols, rig files, specimens and test series: data, found by importlib.resources."""
