"""What stands below a rig's line: why it needs somebody, or more of a rig that runs well."""

from __future__ import annotations

import math
from collections.abc import Iterator

from rich.text import Text

from rig.monitor import words
from rig.monitor.glyphs import Glyphs
from rig.monitor.lab.need import Judged, Need
from rig.monitor.lab.view import LabView
from rig.monitor.mqtt.told import Status
from rig.monitor.rows import FAINT, Row, wrapped

INDENT = 7
"""Cells that stand in front, below what the rig needs."""


def why(one: Judged, width: int, signs: Glyphs, most: int) -> list[Text]:
    """Return in at most `most` lines why a rig needs somebody."""
    said = "; ".join(dict.fromkeys(one.why))
    return _lines(said, width, signs, most, "" if one.need is Need.ENDED else "bold")


def more(one: Judged, view: LabView, width: int, signs: Glyphs, most: int) -> list[Text]:
    """Return in at most `most` lines what else is known of a rig."""
    told = list(one.why[:1]) if one.outcome else [*_known(one, view)]
    return _lines("; ".join(told), width, signs, most, FAINT)


def _lines(said: str, width: int, signs: Glyphs, most: int, style: str) -> list[Text]:
    room = max(width - INDENT, 1)
    parts = wrapped(signs.safe(said), room)
    if len(parts) > most > 0:
        parts = wrapped(signs.safe(said), max(room - 2, 1))[:most]
        parts[-1] += f" {signs.more}"
    return [Row(signs, width).put(" " * INDENT).put(p, style).text for p in parts[:most]]


def _known(one: Judged, view: LabView) -> Iterator[str]:
    status = one.rig.status
    if status is None:
        return
    cycles = one.rig.cycles or 0
    of = f" of {words.number(status.run_out)}" if status.run_out else ""
    yield f"{words.number(cycles)}{of} cycles"
    yield from _measured(status)
    if status.water is not None:
        yield f"water {status.water.doing}"
    coming = next((c for c in status.coming if c.at is not None), None)
    if coming is not None:
        yield f"next: {coming.what} {view.clock(coming.at)}"
    if status.last_trouble is not None:
        when = view.clock(status.last_trouble.at)
        yield f"last trouble {when}: {status.last_trouble.text}"


def _measured(status: Status) -> Iterator[str]:
    low, high = status.load_min, status.load_max
    if low is not None and high is not None:
        first = words.quantity(low, "N", with_unit=False)
        yield f"{first} to {words.quantity(high, 'N')}"
    if status.loss is not None and math.isfinite(status.loss):
        word = "below" if status.loss >= 0 else "above"
        yield f"stiffness {words.per_cent(abs(status.loss))} {word} baseline"
