"""What a look at a rig has found, in lines for people."""

from __future__ import annotations

import math
from dataclasses import fields
from typing import TYPE_CHECKING, Final, TextIO

from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

from rig.channels import channel_unit
from rig.commands.saying import height_of, width_of
from rig.monitor import words
from rig.monitor.glyphs import Glyphs, glyphs
from rig.monitor.paint import can_paint
from rig.monitor.rows import BAD, FAINT, GOOD, ODD, Row, fitted, wrapped
from rig.protocol.wire import ROLES

if TYPE_CHECKING:
    from drivers.gauge import Seen
    from drivers.survey import Survey
    from rig.assembly.survey import Missing
    from rig.ports import ActuatorStatus, InputState, LineReport
    from rig.protocol.plan import RigPlan

WIDTH: Final = 100
"""Cells of a line where there is no terminal."""
LEAST: Final = 40
"""Cells below which no line is drawn."""
LABEL: Final = 13
VALUE: Final = 31
"""Cells of a channel's name and value."""
_ALL_THERE: Final = "bold white on green"
_LACKING: Final = "bold white on red"
_INPUTS: Final = {
    "emergency_stop": ("emergency stop pressed", "emergency stop released"),
    "guard_open": ("guard open", "guard closed"),
    "leak": ("leak found", "no leak"),
    "oil_pressure_low": ("oil pressure low", "oil pressure good"),
    "mains_lost": ("mains lost", "mains there"),
    "local_button": ("button pressed", "button not pressed"),
}
"""Each input in words: where it is so, and where not."""

Pieces = list[tuple[str, str]]
"""Texts with their styles, one after the other, broken between them where they do not fit."""


def in_words(
    plan: RigPlan,
    found: Survey,
    lacks: tuple[Missing, ...],
    stream: TextIO | None,
    *,
    ascii_only: bool,
) -> str:
    """Return what was found as lines for a stream, in colour where that is a terminal."""
    width, height = max(width_of(stream) or WIDTH, LEAST), height_of(stream)
    signs = glyphs(ascii_only=ascii_only)
    lines = drawn(plan, found, lacks, width, signs)
    if 0 < height <= len(lines):
        # What matters has gone off the top: the prompt takes a line too.
        lines.append(_headline(lacks, width, signs))
    if stream is None or not can_paint(stream):
        return "\n".join(line.plain.rstrip() for line in lines)
    console = Console(force_terminal=True, highlight=False, markup=False, emoji=False)
    with console.capture() as captured:
        for line in lines:
            console.print(line, soft_wrap=True)
    return captured.get().rstrip("\n")


def drawn(
    plan: RigPlan, found: Survey, lacks: tuple[Missing, ...], width: int, signs: Glyphs
) -> list[Text]:
    """Return what was found as lines of at most `width` cells."""
    lines = [*_top(plan, found, width, signs), *_verdict(lacks, width, signs)]
    for report in found.lines:
        lines += _line(report, width, signs)
    lines += _values(plan, found, width, signs)
    for label, pieces in (
        ("controller", _controller(found.status)),
        ("its limits", _limits(found)),
        ("inputs", _inputs(plan, found.inputs)),
        ("pump", _pump(found)),
    ):
        lines += _flowing(label, pieces, width, signs)
    for number, text in enumerate(_news(found)):
        lines += _flowing("" if number else "happened", [(text, ODD)], width, signs)
    return lines


def _news(found: Survey) -> list[str]:
    """Return what happened meanwhile on lines whose trouble was not said above."""
    known = [line.port for line in found.lines if line.trouble]
    return [text for text in found.told if not any(f'port "{port}"' in text for port in known)]


def _top(plan: RigPlan, found: Survey, width: int, signs: Glyphs) -> list[Text]:
    row = Row(signs, width).put(plan.name, "bold").put(f"  driver {plan.driver}", FAINT)
    if found.emulated:
        row.maybe("  EMULATED", "bold magenta")
    return [row.text]


def _verdict(lacks: tuple[Missing, ...], width: int, signs: Glyphs) -> list[Text]:
    """Return in colour whether all is there, then what is not, and what to try."""
    lines = [_headline(lacks, width, signs)]
    for one in lacks:
        what = f"{one.where}: {one.what}" if one.where else one.what
        lines += _indented("> ", what, "bold", width, signs)
        if one.remedy:
            lines += _indented("  try: ", one.remedy, "", width, signs)
    return lines


def _headline(lacks: tuple[Missing, ...], width: int, signs: Glyphs) -> Text:
    mark = signs.marks[2 if lacks else 0]
    said = f"{len(lacks)} MISSING OR IN DOUBT" if lacks else "ALL THERE"
    line = fitted(Text(f" {mark} {said} {mark}"), width, signs)
    line.stylize(_LACKING if lacks else _ALL_THERE)
    return line


def _indented(head: str, text: str, style: str, width: int, signs: Glyphs) -> list[Text]:
    parts = wrapped(signs.safe(text), max(width - len(head) - 1, 1))
    return [
        Row(signs, width).put(" " + (" " * len(head) if i else head)).put(part, style).text
        for i, part in enumerate(parts)
    ]


def _line(report: LineReport, width: int, signs: Glyphs) -> list[Text]:
    """Return who answers on a line, then how well."""
    nobody = "is not understood" if report.bad else "nobody answers"
    who, style = report.who or nobody, "bold" if report.who else BAD
    room = width - LABEL - cell_len(report.kind) - 2
    named = wrapped(signs.safe(who), max(room, 1))
    rows = [
        Row(signs, width, "" if i else report.port).to(LABEL).put(part, style)
        for i, part in enumerate(named)
    ]
    rows[0].right(report.kind, width, FAINT)
    pieces: Pieces = [(report.path, FAINT), *_counts(report), *_times(report)]
    return [*(row.text for row in rows), *_flowing("", pieces, width, signs)]


def _counts(report: LineReport) -> Pieces:
    sound = not (report.bad or report.dropped)
    style = GOOD if report.good and sound else ODD
    counts = f"{report.good:,} good, {report.bad:,} bad, {report.dropped:,} missing"
    return [(counts, style)]


def _times(report: LineReport) -> Pieces:
    """Return how quickly a line answers, and how far its times may be off."""
    pieces: Pieces = []
    if report.round_trip is not None:
        usual, longest = report.round_trip
        pieces.append((f"answers in {_ms(usual)}, {_ms(longest)} at most", ""))
    if report.skew:
        pieces.append((f"skew {_ms(report.skew)}", ""))
    if report.drift is not None:
        pieces.append((f"drift {words.number(report.drift * 1e6, 1)} µs/s", ""))
    return pieces


def _ms(seconds: float) -> str:
    milliseconds = seconds * 1e3
    return f"{words.number(milliseconds, 1 if milliseconds < 100 else 0)} ms"


def _values(plan: RigPlan, found: Survey, width: int, signs: Glyphs) -> list[Text]:
    """Return what the channels read, in two columns where there is room."""
    room = width - LABEL
    columns = 2 if room >= 2 * VALUE + 2 else 1
    wide = room // columns
    cells = [_value(c.name, found.values.get(c.name), wide, signs) for c in plan.channels]
    lines = []
    for first in range(0, len(cells), columns):
        row = Row(signs, width, "" if first else "values").to(LABEL)
        for cell in cells[first : first + columns]:
            row.text.append_text(fitted(cell, wide, signs))
        lines.append(row.text)
    return lines


def _value(channel: str, seen: Seen | None, width: int, signs: Glyphs) -> Text:
    row = Row(signs, width).put(channel)
    unit = channel_unit(channel)
    if seen is None or unit is None or not math.isfinite(seen.value):
        return row.right("none", VALUE, BAD).text
    row.right(words.quantity(seen.value, unit), VALUE, "bold")
    if seen.lowest < seen.highest:
        low = words.quantity(seen.lowest, unit, with_unit=False)
        row.maybe(f"  {low} to {words.quantity(seen.highest, unit, with_unit=False)}", FAINT)
    return row.text


def _controller(status: ActuatorStatus | None) -> Pieces:
    if status is None:
        return []
    power = ODD if status.pressure != "off" else ""
    pieces: Pieces = [
        (f"pressure {status.pressure}", power),
        (f"controls the {status.mode}" if status.mode != "off" else "valve closed", power),
        ("IT MOVES: stay out", BAD) if status.moving else ("stands", ""),
        (f"stroke {words.quantity(status.stroke, 'm')}", ""),
        (f"counter {status.counter:,}", ""),
    ]
    if status.stopped_by:
        by = f"{status.stopped_by} ({status.tripped})" if status.tripped else status.stopped_by
        pieces.append((f"stopped by its {by}", ODD))
    return pieces


def _limits(found: Survey) -> Pieces:
    """Return the controller's own limits, and of what it has none."""
    pieces: Pieces = []
    for name, (low, high) in found.limits.items():
        unit = channel_unit(name) or "1"
        if not (math.isfinite(low) or math.isfinite(high)):
            pieces.append((f"{name}: none set", ""))
            continue
        least = words.quantity(low, unit, with_unit=False)
        pieces.append((f"{name} {least} to {words.quantity(high, unit)}", ""))
    return pieces


def _inputs(plan: RigPlan, state: InputState | None) -> Pieces:
    """Return the inputs that there are; of a rig without wires all that its driver may tell."""
    if state is None:
        return []
    wired = set(_INPUTS)
    if plan.wire is not None:
        wired = {point.what for one in plan.wire.modbus for point in one.points} & set(ROLES)
    pieces: Pieces = []
    for field in fields(state):
        if field.name in _INPUTS and field.name in wired:
            so, not_so = _INPUTS[field.name]
            value = getattr(state, field.name)
            pieces.append((so, ODD) if value else (not_so, ""))
    if state.oil_temperature is not None:
        pieces.append((f"oil {words.quantity(state.oil_temperature, 'K')}", ""))
    return pieces


def _pump(found: Survey) -> Pieces:
    if (pump := found.pump) is None:
        return []
    pieces: Pieces = [("on", ODD) if pump.on else ("off", "")]
    if pump.flow is not None:
        pieces.append((f"flow {words.quantity(pump.flow, 'm3/s')}", ""))
    if pump.tank is not None:
        pieces.append((f"tank {words.quantity(pump.tank, 'm3')}", ""))
    return pieces


def _flowing(label: str, pieces: Pieces, width: int, signs: Glyphs) -> list[Text]:
    """Return pieces one after the other, separated, on as many lines as they need."""
    rows: list[Row] = []
    for text, style in pieces:
        shown = signs.safe(text)
        if rows and rows[-1].fits(f", {shown}"):
            rows[-1].put(", ").put(shown, style)
            continue
        if rows:
            rows[-1].put(",")
        for part in wrapped(shown, max(width - LABEL - 1, 1)):
            head = "" if rows else label
            rows.append(Row(signs, width, head).to(LABEL).put(part, style))
    return [row.text for row in rows]
