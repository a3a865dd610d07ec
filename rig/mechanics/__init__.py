"""Sections, beams and what a specimen can be expected to do. Pure functions, SI."""
