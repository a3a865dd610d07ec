"""Rig files whose channels are all calibrated, as a real rig's must be."""

from __future__ import annotations

import re

CERTIFICATE = "C-0417"
CALIBRATION = """
[channel.calibration]
date = "{date}"
until = "{until}"
certificate = "{certificate}"
uncertainty = "{uncertainty}"
used = {used}
"""


def calibrated(rig: str, date: str = "2001-01-15", until: str = "2199-12-31") -> str:
    """Return a rig file's text with a calibration below each channel, over its whole range."""

    def below(found: re.Match[str]) -> str:
        used = found["range"]
        unit = re.search(r"[a-zA-Z/]+", used)
        assert unit is not None
        table = CALIBRATION.format(
            date=date,
            until=until,
            certificate=CERTIFICATE,
            uncertainty=f"0.01 {unit[0]}",
            used=used,
        )
        return found[0] + table

    return re.sub(r"(?s)\[\[channel\]\]\nname[^\[]*?range = (?P<range>\[[^\n]*\])\n", below, rig)
