"""Crack logs to draw; all of it is invented."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import count
from typing import Final

from rig.mechanics.specimen import Specimen
from rig.protocol.load import load_specimen
from rig.record.cracks import CrackEntry
from tests.readme import ROOT

MM: Final = 1e-3
COUNTS: Final = (0, 1_000, 10_000, 100_000, 500_000)


@cache
def prism() -> Specimen:
    """Return a prism of 150 by 200 mm over a span of 900 mm, its load points 300 mm apart."""
    text = (ROOT / "protocols/specimens/prism-small.toml").read_text()
    return load_specimen("prism-small.toml", lambda _: text)


def reading(number: int, cycle: int, crack: str, face: str = "front", **read) -> CrackEntry:
    """Return a reading; lengths in `read` are in mm."""
    sizes = {name: value * MM for name, value in read.items() if not isinstance(value, str)}
    entry = CrackEntry(number, 10.0 * cycle, cycle, "reading", "A. Name", crack=crack, face=face)
    return replace(entry, **(read | sizes))


def correction(number: int, wrong: CrackEntry, text: str, **right) -> CrackEntry:
    """Return what stands in the place of an entry, sizes in m."""
    later = {"number": number, "kind": "correction", "corrects": wrong.number, "text": text}
    return replace(wrong, **(later | right))


TWELVE: Final = """
C1  front    flexural     450  0.05/60/60 0.06/70/70 0.1/90/92  0.18/120/124 0.31/141/150
C2  front    flexural     330  0.04/40/40 0.04/40/40 0.08/66/66 0.12/90/90   0.2/110/112
C3  front    flexural     560  0.04/45/45 -          0.07/70/71 0.13/95/96   0.22/121/122
C4  front    longitudinal 350  -          -          0.03/80/40 0.05/80/90   0.1/80/190
C5  front    inclined     115  -          -          0.05/60/85 0.09/82/116  0.15/100/141
C6  front    inclined     800  -          -          -          0.06/70/99   ?/95/134
C1  back     flexural     452  0.05/58/58 -          0.1/85/86  0.16/118/120 0.29/138/140
C7  back     flexural     380  -          0.03/30/30 0.05/50/50 -            -
C8  back     longitudinal 470  -          -          -          0.04/?/60    0.06/?/120
C9  bottom   flexural     450  0.06/?/150 -          0.1/?/150  0.2/?/150    0.33/?/150
C10 bottom   longitudinal 300  -          -          -          0.08/?/100   0.15/?/260
C11 left-end longitudinal ?    -          -          -          -            0.05/78/60
C12 front    flexural     630  -          -          -          -            0.05/?/?
"""
"""Width, height and length [mm] at each count; "?" not read, "-" not there or passed over."""


def twelve() -> list[CrackEntry]:
    """Return 12 cracks at 5 inspections: some passed over, one corrected, a 13th withdrawn."""
    numbers = count(1)
    log: list[CrackEntry] = []
    rows = [line.split() for line in TWELVE.split("\n") if line]
    for place, cycle in enumerate(COUNTS):
        for label, face, direction, position, *read in rows:
            if read[place] == "-":
                continue
            given = [position, *read[place].split("/")]
            names = zip(("position", "width", "height", "length"), given, strict=True)
            sizes = {name: float(value) for name, value in names if value != "?"}
            log.append(reading(next(numbers), cycle, label, face, direction=direction, **sizes))
        if cycle == 10_000:
            wrong = next(e for e in log if e.crack == "C2" and e.cycle == cycle)
            log.append(correction(next(numbers), wrong, "read off the wrong card", width=0.09e-3))
        if cycle == 100_000:
            log.append(reading(next(numbers), cycle, "C13", position=120, width=0.02))
            text = "a scratch, no crack"
            log.append(correction(next(numbers), log[-1], text, fact="withdrawn"))
    return log
