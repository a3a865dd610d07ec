"""Judging samples by a plan: pure, the same for a rig, a rehearsal and a recording."""
