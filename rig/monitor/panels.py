"""The parts of the screen, each a function from a view and a width to lines."""

from __future__ import annotations

import math
from typing import Final

from rich.cells import cell_len
from rich.text import Text

from rig.monitor import played, words
from rig.monitor.call import OLD
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import BAD, FAINT, GOOD, LABEL, ODD, Row, bar, fitted, wrapped
from rig.monitor.view import TOO_OLD, View
from rig.record.status import Coming

SIMULATED: Final = "SIMULATED"
_LEAVE: Final = "leave"
_KEYS: Final = "keys"
_ROOM_FOR_WORDS: Final = 12
"""Cells below which a sentence is left out."""


def kind(view: View) -> str:
    """Return what kind of run this is: a rehearsal, a simulated one, or nothing for a real one.

    Of a recording that is played, that it is one.
    """
    if view.playing is not None:
        return played.kind(view)
    if view.rehearsal:
        return f"REHEARSAL, {SIMULATED}"
    return SIMULATED if view.header.simulated else ""


def top(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return the line that says which run, which kind of run, and what time it is."""
    row = Row(signs, width).put(signs.safe(view.header.specimen_id)[:30] or "run", "bold")
    told = kind(view)
    clock = _clock(view)
    room = width - len(clock) - len(told) - 4
    rig = signs.safe(view.status.rig)
    if rig and row.used + cell_len(rig) + 5 < room:
        row.put(f" on {rig}")
    if told and row.used + len(told) + 2 <= width:
        row.put("  ").put(told, "bold magenta")
    room = width - len(clock) - row.used - 6
    if room >= 30:
        title, *rest = wrapped(signs.safe(view.header.title), room) or [""]
        row.put(f"   {title}{f' {signs.more}' if rest else ''}", FAINT)
    if row.used + len(clock) + 1 <= width:
        row.right(clock, width)
    return [row.text]


def _clock(view: View) -> str:
    now = view.calendar
    time = f"{words.date(now)} {now:%H:%M:%S}"
    if view.playing is not None:
        return f"{words.date(now, with_year=True)} {now:%H:%M:%S} as recorded"
    if view.rehearsal:
        return f"{time} rehearsal calendar"
    return f"{time} {words.zone_name(now)}"


def doing(view: View, width: int, signs: Glyphs, *, brief: bool) -> list[Text]:
    """Return what the rig does and since when; one line only where `brief`."""
    status = view.status
    known = view.ending is not None or (view.alive and not view.stale)
    label = "then" if view.playing else "now" if known else "last known"
    row = Row(signs, width, label).put(status.state or words.DASH, "bold")
    if view.ending is not None:
        when = view.clock(view.at(view.ending.ended_time))
        row.maybe(f", {when}").maybe(f", after {words.span(view.ending.ended_time)} of test")
        return [row.text]
    lasted = status.time - status.since
    if brief and known and math.isfinite(lasted):
        row.maybe(f" for {words.span(lasted)}")
    room = width - row.used - 2
    means = wrapped(signs.safe(status.means), room) if room >= _ROOM_FOR_WORDS else []
    lines = [row.put(f": {means[0]}").text if means else row.text]
    if brief:
        if len(means) > 1:
            row.put(f" {signs.more}")
        return lines
    lines += [Row(signs, width).put(" " * LABEL + part).text for part in means[1:2]]
    return [*lines, *_since(view, width, signs)]


def _since(view: View, width: int, signs: Glyphs) -> list[Text]:
    status = view.status
    row = Row(signs, width).put(" " * LABEL)
    when = view.at(status.since)
    if when is not None:
        lasted = words.span(status.time - status.since)
        row.put(f"since {view.clock(when)}")
        row.maybe("" if view.stale or not view.alive else f", for {lasted}")
    lines = [row.text] if row.used > LABEL else []
    if status.stages > 1 and status.stage:
        stage = Row(signs, width).put(" " * LABEL)
        stage.put(f"stage {status.stage_number} of {status.stages}, {status.stage}", FAINT)
        lines.append(stage.text)
    return lines


def ahead(view: View, width: int, signs: Glyphs, *, most: int, brief: bool) -> list[Text]:
    """Return what comes next by itself and when, the soonest first.

    Of what has no room in its line the rest follows in a second one, or is left out where
    `brief`.
    """
    status = view.status
    if view.ending is not None or not view.alive:
        return []
    found = [c for c in status.coming if not (c.what == "run-out" and len(status.coming) > 1)]
    if status.water is not None and status.water.coming is not None:
        found.append(status.water.coming)
    found.sort(key=_order)
    lines: list[Text] = []
    for item in found[:most]:
        lines += _coming(view, item, width, signs, brief=brief, label="" if lines else "next")
    nothing = "nothing by itself" if view.told else words.DASH
    return lines or [Row(signs, width, "next").put(nothing).text]


def _order(item: Coming) -> float:
    return math.inf if item.within is None or math.isnan(item.within) else item.within


def _coming(
    view: View, item: Coming, width: int, signs: Glyphs, *, brief: bool, label: str
) -> list[Text]:
    first, *more = wrapped(signs.safe(item.what), max(width - LABEL, 1)) or [""]
    rows = [Row(signs, width, label)]
    rows[0].put(" " * (LABEL - rows[0].used)).put(first)
    if brief and more:
        rows[0].put(f" {signs.more}")
    else:
        rows += [Row(signs, width).put(" " * LABEL + part) for part in more]
    pieces = []
    if item.within is not None and math.isfinite(item.within):
        left = view.left(item.within)
        if left is not None:
            pieces.append((f": in {words.span(left)}", "bold"))
        pieces.append((f", {view.moment(item.within)}", ""))
    if item.cycle is not None:
        pieces.append((f", at cycle {words.number(item.cycle)}", FAINT))
    for piece, style in pieces:
        if not brief and not rows[-1].fits(piece):
            rows.append(Row(signs, width).put(" " * LABEL).put(piece.lstrip(":, "), style))
        else:
            rows[-1].maybe(piece, style)
    return [row.text for row in rows]


def far(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return how far the test is, and when it ends at the latest."""
    status = view.status
    if not status.run_out:
        row = Row(signs, width, "cycles")
        if status.cycles or view.curve.cycles:
            row.put(words.number(status.cycles), "bold")
        else:
            row.put("none in this test" if view.told else words.DASH)
        return [row.text]
    cycles = view.ending.cycles if view.ending is not None else status.cycles
    share = cycles / status.run_out
    row = Row(signs, width, "cycles").put(words.number(cycles), "bold")
    row.maybe(f" of {words.number(status.run_out)}")
    row.maybe(f" = {words.per_cent(share, _decimals(share))}", "bold")
    room = width - row.used - 2
    if room >= 10:
        row.put("  ").put(bar(share, min(room, 40), signs), GOOD)
    return [row.text, *_end(view, width, signs)]


def _decimals(share: float) -> int:
    return 2 if share < 0.1 else 1


def _end(view: View, width: int, signs: Glyphs) -> list[Text]:
    status = view.status
    if view.over or view.playing or not view.alive or not status.frequency > 0:
        return []
    if status.cycles >= status.run_out:
        return []  # it has run out, and is broken afterwards
    left = (status.run_out - status.cycles) / status.frequency
    for item in status.coming:
        if item.cycle == status.run_out and item.within is not None:
            left = item.within
    row = Row(signs, width, "end")
    if status.state not in ("cycling", "build-up"):
        row.put(f"{words.span(left)} of cycling", "bold")
        return [row.maybe(" are left, once it cycles").maybe("; less if it fails").text]
    if status.stage_number < status.stages:
        # A specimen that has run out is broken after it, which takes its time.
        row = Row(signs, width, "run-out")
    row.put(f"by {view.moment(left)}", "bold").maybe(", sooner if it fails")
    lines = [row.text]
    if view.rehearsal and view.speed > 0 and not view.stale:
        pace = Row(signs, width).put(" " * LABEL)
        pace.put(f"{words.span(left / view.speed)} from now", "bold")
        pace.maybe(f" at {words.number(view.speed)} times real speed")
        lines.append(pace.text)
    return lines


def watched(view: View, width: int, signs: Glyphs, *, brief: bool) -> list[Text]:
    """Return who is on call, and how old the newest data is; one line where `brief`.

    Of a recording that is played, where it stands.
    """
    if view.playing is not None:
        return played.position(view, width, signs)
    row = Row(signs, width, "on call")
    row.put(view.status.on_call or "nobody named", "bold" if view.status.on_call else FAINT)
    told, style = _age(view, signs)
    if not brief:
        return [row.text, *freshness(view, width, signs)]
    told = f"data {told}"
    line = fitted(row.text, max(width - len(told) - 2, 1), signs)
    row.text = line
    return [row.right(told, width, style).text]


def freshness(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return how old the newest data is, loud when it is old; of a recording where it stands."""
    if view.playing is not None:
        return played.position(view, width, signs)
    told, style = _age(view, signs)
    return [Row(signs, width, "data").put(told, style).text]


def _age(view: View, signs: Glyphs) -> tuple[str, str]:
    age = view.age
    if view.ending is not None:
        return "complete", ""
    if not math.isfinite(age):
        return "of unknown age", ODD
    if age > TOO_OLD:
        return f"{signs.warn} NO NEW DATA for {words.span(age)}", BAD
    if age > OLD:
        return f"{signs.warn} {words.span(age)} old", ODD
    return f"{age:.0f} s old", GOOD


def leaving(view: View, hint: str, width: int, signs: Glyphs) -> list[Text]:
    """Return how to ask the rig and how to leave the screen."""
    return asked(view, width, signs) + _left(view, hint, width, signs)


def asked(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return how to ask the rig; nothing where nobody answers."""
    # A rehearsal asks nobody, and answers nobody.
    if view.ending is not None or not view.alive or view.rehearsal:
        return []
    # A checklist is confirmed where the test was started, not by a request.
    verbs = [*(v for v in view.status.possible if v != "confirm"), "note"]
    row = Row(signs, width, "ask it").put(f"nightrig {verbs[0]}", "bold")
    for verb in verbs[1:]:
        row.maybe(f", {verb}", "bold")
    row.maybe(" (in any terminal)", FAINT)
    if view.status.local_input:
        row.maybe(f"; motion needs the {view.status.local_input} at the rig", FAINT)
    return [row.text]


def _left(view: View, hint: str, width: int, signs: Glyphs) -> list[Text]:
    if view.ending is not None and view.playing is None:
        return [Row(signs, width).put(hint, FAINT).text] if hint else []
    lines = []
    for i, part in enumerate(wrapped(signs.safe(hint), width - LABEL)[:2]):
        row = Row(signs, width, "" if i else _KEYS if view.playing else _LEAVE)
        lines.append(row.put(" " * LABEL * bool(i)).put(part, FAINT).text)
    return lines


def leaves(view: View, hint: str, width: int, signs: Glyphs) -> list[Text]:
    """Return how to leave the screen in one line; of a long sentence only its first part."""
    if not hint or width < 1:
        return []
    label = _KEYS if view.playing else _LEAVE
    row = Row(signs, width, label if width >= LABEL + cell_len(signs.safe(hint)) else "")
    return [row.put(hint if row.fits(hint) else hint.partition(";")[0], FAINT).text]
