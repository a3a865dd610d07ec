"""The screen of a lab: those that need somebody on top and always seen, the others in turn."""

from __future__ import annotations

from typing import Final

from rich.text import Text

from rig.monitor import words
from rig.monitor.banner import verdict
from rig.monitor.call import Call, Level
from rig.monitor.glyphs import Glyphs, glyphs
from rig.monitor.happened import event_words
from rig.monitor.lab import detail
from rig.monitor.lab.columns import Table
from rig.monitor.lab.need import Judged, Need, counts, judged
from rig.monitor.lab.rigs import News
from rig.monitor.lab.view import LabView
from rig.monitor.mqtt.told import Alert
from rig.monitor.rows import FAINT, ODD, Row, fitted, wrapped
from rig.record.entries import Event

TURN: Final = 8.0
"""Seconds for which rigs that have no room together are shown in turn."""
_NEWS: Final = 3
"""Lines from which what happened last is shown."""
_REASONS: Final = 3
"""Lines that tell why a rig needs somebody, at most."""
_OTHERS: Final = 4
"""Rigs that need nobody and are seen all the same, before more is told of those that do."""
_LOW: Final = 8
"""Height below which only rigs are shown, and how many need somebody."""
_NOBODY: Final = (
    "none has said anything yet, or this user may read none: look at the broker's access list"
)


def lab_screen(view: LabView, width: int, height: int, signs: Glyphs, hint: str = "") -> list[Text]:
    """Return the screen as `height` lines of `width` cells; `hint` says how to leave it."""
    found = judged(view)
    low = height < _LOW
    head = [] if low else [_top(view, width, signs)]
    head += verdict(sentence(view, found), width, signs, most=0 if low else 2)
    foot = [] if low else [*_not_understood(view, width, signs), *_leave(hint, width, signs)]
    room = max(height - len(head) - len(foot), 0)
    lines = [*head, *_body(found, view, room, width, signs), *foot][:height]
    return [fitted(line, width, signs) for line in lines]


def lab_text(view: LabView, width: int, height: int, *, ascii_only: bool, hint: str = "") -> str:
    """Return one screen as plain text, a line each, without spaces at their ends."""
    lines = lab_screen(view, width, height, glyphs(ascii_only=ascii_only), hint)
    return "".join(line.plain.rstrip() + "\n" for line in lines)


def sentence(view: LabView, found: tuple[Judged, ...]) -> Call:
    """Return in one sentence how many rigs need what; that the broker is away before all."""
    many, said = counts(found), _counted(found)
    if not view.connected:
        since = f" since {view.clock(view.since)}" if view.since is not None else ""
        known = f"{view.why or 'no answer'}; what stands below was known before"
        return Call(Level.COME, f"BROKER AWAY{since}", (known, said) if said else (known,))
    if not found:
        return Call(Level.LOOK, "NO RIG IS HEARD", (_NOBODY,))
    if many[Need.COME]:
        return Call(Level.COME, f"COME: {said}", ())
    if many[Need.LOOK] or many[Need.SILENT]:
        loud = any(one.loud and one.need is Need.LOOK for one in found)
        return Call(Level.LOOK, f"LOOK: {said}", (), loud=loud)
    return Call(Level.NOTHING if many[Need.WELL] else Level.ENDED, f"NOTHING TO DO: {said}", ())


def _counted(found: tuple[Judged, ...]) -> str:
    """Return how many rigs need what, "" where there is none."""
    words_of = {
        Need.COME: ("calls", "call"),
        Need.LOOK: ("to look at", "to look at"),
        Need.SILENT: ("silent", "silent"),
        Need.WELL: ("runs well", "run well"),
        Need.ENDED: ("ended", "ended"),
    }
    many = counts(found)
    if len(found) == 1:
        need = found[0].need
        is_so = "is " if need in (Need.LOOK, Need.SILENT, Need.ENDED) else ""
        return f"the one rig {is_so}{words_of[need][0]}"
    told = [f"{n} {words_of[need][n != 1]}" for need in Need if (n := many[need])]
    return f"{', '.join(told)} of {len(found)} rigs" if told else ""


def _top(view: LabView, width: int, signs: Glyphs) -> Text:
    row = Row(signs, width).put("lab ", FAINT).put(view.lab, "bold")
    now = view.calendar
    clock = f"{now:%H:%M:%S} {words.zone_name(now)}"
    dated = f"{words.date(now)} {clock}"
    broker = f"  broker {view.broker}"
    if row.used + len(broker) + len(clock) + 2 <= width:
        row.put(broker, FAINT)
    shown = dated if row.used + len(dated) + 2 <= width else clock
    return row.right(shown, width).text


def _not_understood(view: LabView, width: int, signs: Glyphs) -> list[Text]:
    lines = []
    if view.not_understood:
        told = f"{words.number(view.not_understood)} messages not understood, the last: "
        lines.append(Row(signs, width).put(told + view.newest, ODD).text)
    if view.beyond:
        told = f"{words.number(view.beyond)} messages of further rigs, which have no room here"
        lines.append(Row(signs, width).put(told, ODD).text)
    return lines


def _leave(hint: str, width: int, signs: Glyphs) -> list[Text]:
    if not hint:
        return []
    row = Row(signs, width)
    return [row.put(hint if row.fits(hint) else hint.partition(";")[0], FAINT).text]


def _body(
    found: tuple[Judged, ...], view: LabView, room: int, width: int, signs: Glyphs
) -> list[Text]:
    table = Table(found, view, width, signs)
    lines = [table.titles] if room > 3 and found else []
    room -= len(lines)
    needy = [one for one in found if one.needs_somebody]
    calm = [one for one in found if not one.needs_somebody]
    first = _needy(needy, len(calm), table, room, width, signs)
    if first is None:
        turning = _in_turn(needy, calm, view, table, room, width, signs)
        return [*lines, *turning, *[Text()] * (room - len(turning))]
    lines += first
    room -= len(first)
    rest = _calm(calm, view, table, room, width, signs)
    lines += rest
    room -= len(rest)
    happened = _news(view, room, width, signs)
    return [*lines, *[Text()] * (room - len(happened)), *happened]


def _needy(
    needy: list[Judged], others: int, table: Table, room: int, width: int, signs: Glyphs
) -> list[Text] | None:
    """Return those that need somebody, with as much of why as has room; None if it has none."""
    if len(needy) + min(others, 1) > room:
        return None
    reasons = [detail.why(one, width, signs, _REASONS) for one in needy]
    # One line of why for each before a second one for any, and those that need it most first.
    given = [0] * len(needy)
    for most in range(1, _REASONS + 1):
        left = min(others, _OTHERS)
        for place, told in enumerate(reasons):
            if len(told) >= most and len(needy) + sum(given) + 1 + left <= room:
                given[place] = most
    lines: list[Text] = []
    for one, most in zip(needy, given, strict=True):
        lines += [table.line(one), *(detail.why(one, width, signs, most) if most else ())]
    return lines


def _calm(
    calm: list[Judged], view: LabView, table: Table, room: int, width: int, signs: Glyphs
) -> list[Text]:
    """Return those that need nobody; in turn where they have no room together."""
    for most in (3, 2, 1):
        lines: list[Text] = []
        for one in calm if 2 * len(calm) <= room else ():
            lines += [table.line(one), *detail.more(one, view, width, signs, most)]
        if lines and len(lines) <= room:
            return lines
    if len(calm) <= room:
        return [table.line(one) for one in calm]
    shown = _page(calm, room - 1, view)
    told = f"and {words.number(len(calm) - len(shown))} more, nothing to do"
    told += "; shown in turn" if shown else ""
    row = Row(signs, width).put(" " * detail.INDENT).put(told, FAINT)
    return [*(table.line(one) for one in shown), row.text]


def _page(rigs: list[Judged], room: int, view: LabView) -> list[Judged]:
    """Return the rigs whose turn it is, as many as have room."""
    if room < 1:
        return []
    pages = -(-len(rigs) // room)
    begin = int(view.now.seconds // TURN) % pages * room
    begin = min(begin, len(rigs) - room)  # the last ones fill their page, too
    return rigs[begin : begin + room]


def _in_turn(
    needy: list[Judged],
    calm: list[Judged],
    view: LabView,
    table: Table,
    room: int,
    width: int,
    signs: Glyphs,
) -> list[Text]:
    """Return more rigs that need somebody than have room: in turn, the others by their names.

    The first ones that call or are to be looked at stay; the rest has half of the room.
    """
    names = min(max(room // 6, 1), 3)
    urgent = [one for one in needy if one.need <= Need.LOOK]
    stay = urgent[: max((room - names) // 2, 0)]
    turning = needy[len(stay) :]
    shown = [*stay, *_page(turning, room - names - len(stay), view)]
    hidden = [one.rig.name for one in needy if one not in shown]
    quiet = f"{words.number(len(calm))} more have nothing to do; " if calm else ""
    few = f"{quiet}{words.number(len(hidden))} more need somebody, shown in turn: "
    told = wrapped(signs.safe(few + ", ".join(hidden)), max(width - 2, 1))
    if len(told) > names:
        told = told[:names]
        told[-1] += f" {signs.more}"
    lines = [table.line(one) for one in shown]
    return [*lines, *(Row(signs, width).put(text, ODD).text for text in told)][:room]


def _news(view: LabView, room: int, width: int, signs: Glyphs) -> list[Text]:
    """Return what happened last at any rig, the newest at the bottom."""
    if room < _NEWS or not view.news:
        return []
    rule = Row(signs, width).put(signs.rule * 2, "dim").put(" what happened last ", "bold cyan")
    lines = [rule.put(signs.rule * (width - rule.used), "dim").text]
    size = max(len(news.rig) for news in view.news)
    for news in view.news[-(room - 1) :]:
        row = Row(signs, width)
        told = None if news.told.at is None else view.local(news.told.at)
        row.put(f"{told:%H:%M:%S}  " if told is not None else "--:--:--  ", FAINT)
        row.put(news.rig, "bold").to(10 + size + 1)
        kind, text = _words(news)
        lines.append(
            row.put(f"{kind}: ", "bold" if isinstance(news.told, Alert) else "").put(text).text
        )
    return lines


def _words(news: News) -> tuple[str, str]:
    """Return what kind of thing happened, and what, in human words."""
    told = news.told
    if isinstance(told, Alert):
        return f"ALERT {told.kind}", told.subject
    return event_words(Event(0.0, 0, told.kind, told.text))
