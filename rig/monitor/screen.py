"""The whole screen: which parts stand where, for every size of terminal."""

from __future__ import annotations

from rich.text import Text

from rig.monitor import panels
from rig.monitor.bounds import bounds
from rig.monitor.call import call
from rig.monitor.chart import Mark, chart
from rig.monitor.glyphs import Glyphs, glyphs
from rig.monitor.happened import happened
from rig.monitor.rows import Row, beside, fitted
from rig.monitor.view import View

SMALL = (72, 22)
"""Below this width or height the screen shows only what is needed first."""
WIDE = (110, 34)
"""From this size on there are two columns."""


def screen(view: View, width: int, height: int, signs: Glyphs, hint: str = "") -> list[Text]:
    """Return the screen as `height` lines of `width` cells."""
    if width < SMALL[0] or height < SMALL[1]:
        lines = _small(view, width, height, signs, hint)
    elif width < WIDE[0] or height < WIDE[1]:
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
    lines = panels.verdict(call(view), width, signs, most=1 if height < 10 else 2)
    lines += panels.doing(view, width, signs)[:1]
    lines += panels.ahead(view, width, signs, most=1)
    lines += panels.far(view, width, signs)
    lines += panels.freshness(view, width, signs)
    lines += panels.load(view, width, signs)
    lines += panels.stiffness(view, width, signs)
    lines += panels.water(view, width, signs)
    lines += panels.leaving(view, hint, width, signs)
    return lines + happened(view, width, height - len(lines), signs)


def _marks(view: View) -> tuple[Mark, ...]:
    status = view.status
    base = status.baseline
    return (
        Mark(base, "baseline", "green"),
        Mark(base * (1 - status.loss_stop), "stop", "red"),
        Mark(base * (1 - status.loss_warn), "warn", "yellow"),
    )


def _one_column(view: View, width: int, height: int, signs: Glyphs, hint: str) -> list[Text]:
    head = panels.top(view, width, signs)
    head += panels.verdict(call(view), width, signs, most=2)
    foot = panels.on_call(view, width, signs) + panels.freshness(view, width, signs)
    foot += panels.leaving(view, hint, width, signs)
    body = panels.doing(view, width, signs) + panels.ahead(view, width, signs, most=2)
    body += panels.far(view, width, signs) + panels.load(view, width, signs)
    body += panels.stiffness(view, width, signs)
    tail = bounds(view, width, signs, most=3)
    tail += panels.water(view, width, signs) + panels.warmth(view, width, signs)
    room = height - len(head) - len(foot) - len(body) - len(tail)
    drawn = chart(view.curve, _marks(view), width, min(max(room - 3, 3), 8), signs, foot=False)
    room -= len(drawn)
    events = happened(view, width, max(room, 1), signs)
    return head + body + drawn + tail + events + [Text()] * (room - len(events)) + foot


def _two_columns(view: View, width: int, height: int, signs: Glyphs, hint: str) -> list[Text]:
    head = panels.top(view, width, signs)
    head += panels.verdict(call(view), width, signs, most=3)
    foot = panels.leaving(view, hint, width, signs)
    rows = height - len(head) - len(foot) - 1
    left_width = (width - 3) // 2
    right_width = width - 3 - left_width
    left = panels.doing(view, left_width, signs) + panels.ahead(view, left_width, signs, most=4)
    left += [Text(), *panels.far(view, left_width, signs)]
    left += [Text(), *panels.load(view, left_width, signs)]
    left += [Text(), *bounds(view, left_width, signs, most=8)]
    left += [Text(), *panels.water(view, left_width, signs)]
    left += panels.warmth(view, left_width, signs)
    left += [Text(), *panels.on_call(view, left_width, signs)]
    left += panels.freshness(view, left_width, signs)
    right = panels.stiffness(view, right_width, signs)
    right += chart(view.curve, _marks(view), right_width, rows // 2, signs, foot=True)
    right += [Text()]
    right += happened(view, right_width, rows - len(right), signs)
    middle = beside(left[:rows], right[:rows], left_width, f" {signs.wall} ", right_width, signs)
    middle += [Text()] * (rows - len(middle))
    rule = Row(signs, width).put(signs.rule * width, "dim").text
    return [*head, *middle, rule, *foot]
