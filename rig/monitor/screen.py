"""The whole screen: which parts stand where, for every size of terminal."""

from __future__ import annotations

from rich.text import Text

from rig.monitor import measured, panels
from rig.monitor.banner import large_verdict, verdict
from rig.monitor.bounds import bounds
from rig.monitor.call import Level
from rig.monitor.chart import Mark, chart
from rig.monitor.foretold import failure
from rig.monitor.glyphs import Glyphs, glyphs
from rig.monitor.happened import happened
from rig.monitor.played import called
from rig.monitor.rows import Row, beside, fitted
from rig.monitor.view import View

ONE_COLUMN = (72, 22)
"""Below this width or height the screen shows only what is needed first."""
TWO_COLUMNS = (110, 34)
"""From this size on two columns stand above the curve."""
_LEAST_EVENTS = 2
_ROOM_TO_LEAVE = 8
"""Height from which a small screen says which run it shows, and how to leave it."""
_KIND = "bold magenta"
_SIZES = ((3, 3, 5), (3, 2, 4), (3, 2, 3), (2, 1, 3), (2, 1, 2), (2, 1, 1))
"""Lines of reasons, of what comes next and of limits: the first that leave room are taken."""


def screen(view: View, width: int, height: int, signs: Glyphs, hint: str = "") -> list[Text]:
    """Return the screen as `height` lines of `width` cells; `hint` says how to leave it."""
    if width < ONE_COLUMN[0] or height < ONE_COLUMN[1]:
        lines = _small(view, width, height, signs, hint)
    elif width < TWO_COLUMNS[0] or height < TWO_COLUMNS[1]:
        lines = _one_column(view, width, height, signs, hint)
    else:
        lines = _two_columns(view, width, height, signs, hint)
    lines = lines[:height] + [Text()] * (height - len(lines))
    return [fitted(line, width, signs) for line in lines]


def screen_text(view: View, width: int, height: int, *, ascii_only: bool, hint: str = "") -> str:
    """Return one screen as plain text, a line each, without spaces at their ends."""
    lines = screen(view, width, height, glyphs(ascii_only=ascii_only), hint)
    return "".join(line.plain.rstrip() + "\n" for line in lines)


def _small(view: View, width: int, height: int, signs: Glyphs, hint: str) -> list[Text]:
    """Return the verdict, what is needed first, and how to leave; what has no room is dropped."""
    few = height < _ROOM_TO_LEAVE
    told = panels.kind(view)
    lines = [] if few else panels.top(view, width, signs)
    said = not told or any(told in line.plain for line in lines)
    lines += verdict(called(view), width, signs, most=_reasons(view, height, said=said))
    if not said:
        lines.insert(1 if few else 2, Row(signs, width).put(f" {told}", _KIND).text)
    foot = [] if few else panels.leaves(view, hint, width, signs)
    if view.ending is not None:
        middle = _ended(view, width, signs)
        room = height - len(lines) - len(foot)
        middle = middle[: max(room - _LEAST_EVENTS, 3)]
    else:
        middle = panels.doing(view, width, signs, brief=True)
        middle += panels.ahead(view, width, signs, most=1, brief=True)
        middle += panels.far(view, width, signs)
        middle += panels.freshness(view, width, signs)
        middle += measured.load(view, width, signs)
        middle += measured.stiffness(view, width, signs) + failure(view, width, signs)
        middle += measured.water(view, width, signs, brief=True)
        middle += panels.asked(view, width, signs)
    middle = middle[: height - len(lines) - len(foot)]
    room = height - sum(map(len, (lines, middle, foot)))
    events = happened(view, width, room, signs)
    return [*lines, *middle, *events, *[Text()] * (room - len(events)), *foot]


def _reasons(view: View, height: int, *, said: bool) -> int:
    """Return in how many lines a small screen says why: more where somebody has to act."""
    if height < _ROOM_TO_LEAVE:
        return int(said)
    return 2 if called(view).level is Level.NOTHING else 5 if height > 12 else 4


def _ended(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return what a test that has ended leaves behind, the most important first."""
    lines = panels.far(view, width, signs) + measured.stiffness(view, width, signs)
    lines += measured.water(view, width, signs, brief=True)
    return lines + panels.doing(view, width, signs, brief=True) + measured.load(view, width, signs)


def _one_column(view: View, width: int, height: int, signs: Glyphs, hint: str) -> list[Text]:
    foot = panels.watched(view, width, signs, brief=True)
    foot += panels.leaving(view, hint, width, signs)
    tail = measured.water(view, width, signs, brief=True) + measured.warmth(
        view, width, signs, most=1
    )
    head: list[Text] = []
    limits: list[Text] = []
    for reasons, coming, rows in _SIZES:
        head = panels.top(view, width, signs)
        head += verdict(called(view), width, signs, most=reasons)
        head += panels.doing(view, width, signs, brief=True)
        head += panels.ahead(view, width, signs, most=coming, brief=True)
        head += panels.far(view, width, signs) + measured.load(view, width, signs)
        head += measured.stiffness(view, width, signs) + failure(view, width, signs)
        limits = bounds(view, width, signs, most=rows, label="limits")
        room = height - sum(map(len, (head, limits, tail, foot)))
        if room >= _LEAST_EVENTS + 3:
            break
    drawn = chart(view.curve, _marks(view), width, _curve_rows(room), signs, foot=False)
    room -= len(drawn)
    events = happened(view, width, room, signs)
    return [*head, *drawn, *limits, *tail, *events, *[Text()] * (room - len(events)), *foot]


def _curve_rows(room: int) -> int:
    return max(min(room - _LEAST_EVENTS, 3 + (room - _LEAST_EVENTS - 3) // 2), 0)


def _two_columns(view: View, width: int, height: int, signs: Glyphs, hint: str) -> list[Text]:
    head = panels.top(view, width, signs)
    head += large_verdict(called(view), width, signs, most=2)
    foot = panels.leaving(view, hint, width, signs)
    one = width // 2 - 3
    other = width - 3 - one
    left = _apart(
        panels.doing(view, one, signs, brief=False)
        + panels.ahead(view, one, signs, most=3, brief=False),
        panels.far(view, one, signs) + failure(view, one, signs, most=2),
        measured.load(view, one, signs),
    )
    right = _apart(
        bounds(view, other, signs, most=6, label=""),
        measured.water(view, other, signs, brief=False)
        + measured.warmth(view, other, signs, most=2),
        panels.watched(view, other, signs, brief=False),
    )
    top = beside(left, right, one, f" {signs.wall} ", other, signs)
    stiffness = measured.stiffness(view, width, signs)
    rules = 4 if stiffness else 3
    room = height - rules - sum(map(len, (head, top, stiffness, foot)))
    drawn = chart(view.curve, _marks(view), width, room * 3 // 5, signs, foot=True)
    room -= len(drawn)
    events = happened(view, width, room, signs)
    rest = [Text()] * (room - len(events))
    split = fitted(_rule("what it does", one + 1, signs), one + 1, signs)
    split.append_text(_rule("room to the limits, water, people", width - one - 1, signs))
    curve = [_rule("stiffness", width, signs), *stiffness, *drawn] if stiffness else []
    happening = [_rule("what happened last", width, signs), *events, *rest]
    return [*head, split, *top, *curve, *happening, _rule("", width, signs), *foot]


def _apart(*blocks: list[Text]) -> list[Text]:
    """Return blocks below each other with an empty line between them."""
    lines: list[Text] = []
    for block in blocks:
        if lines and block:
            lines.append(Text())
        lines += block
    return lines


def _rule(name: str, width: int, signs: Glyphs) -> Text:
    row = Row(signs, width)
    if name:
        row.put(signs.rule * 2, "dim").put(f" {name} ", "bold cyan")
    return row.put(signs.rule * (width - row.used), "dim").text


def _marks(view: View) -> tuple[Mark, ...]:
    status = view.status
    base = status.baseline
    return (
        Mark(base, "baseline", "green"),
        Mark(base * (1 - status.loss_stop), "stop", "red"),
        Mark(base * (1 - status.loss_warn), "warn", "yellow"),
    )
