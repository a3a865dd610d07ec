"""Criteria: baseline, failure, run-out, ultimate load. Pure functions over cycles and samples."""
