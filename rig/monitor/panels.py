"""The parts of the screen, each a function from a view and a width to lines."""

from __future__ import annotations

import math
from typing import Final

from rich.text import Text

from rig.monitor import words
from rig.monitor.call import OIL_WARM, OLD, TOO_OLD, Call, Level, loss
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import LABEL, Row, bar, wrapped
from rig.monitor.view import View
from rig.record.status import Coming

GOOD: Final = "green"
ODD: Final = "bold yellow"
BAD: Final = "bold red"
FAINT: Final = "dim"
_LEVELS: Final = {
    Level.NOTHING: "bold white on green",
    Level.LOOK: "bold black on yellow",
    Level.COME: "bold white on red",
    Level.ENDED: "bold white on blue",
}
SIMULATED: Final = "SIMULATED"


def level_style(level: Level) -> str:
    """Return the colour of a verdict; its words say the same."""
    return _LEVELS[level]


def kind(view: View) -> str:
    """Return what kind of run this is: a rehearsal, a simulated one, or nothing for a real one."""
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
    if rig and row.used + len(rig) + 5 < room:
        row.put(f" on {rig}")
    if told and row.used + len(told) + 2 <= width:
        row.put("  ").put(told, "bold magenta")
    if row.used + len(clock) + 1 <= width:
        row.right(clock, width)
    return [row.text]


def _clock(view: View) -> str:
    now = view.calendar
    time = f"{words.date(now)} {now:%H:%M:%S}"
    if view.rehearsal:
        return f"{time} rehearsal calendar"
    return f"{time} {words.zone_name(now)}"


def verdict(verdict: Call, width: int, signs: Glyphs, *, most: int) -> list[Text]:
    """Return the verdict: one line in colour, then why, in at most `most` lines."""
    mark = signs.marks[verdict.level]
    row = Row(signs, width).put(f" {mark} {verdict.headline} {mark}")
    row.to(width)
    row.text.stylize(level_style(verdict.level))
    lines = [row.text]
    for why in verdict.why:
        style = "" if verdict.level in (Level.NOTHING, Level.ENDED) else "bold"
        for i, part in enumerate(wrapped(signs.safe(why), max(width - 3, 1))):
            row = Row(signs, width).put("   " if i or lines[1:] else " > ")
            lines.append(row.put(part, style).text)
    if len(lines) > most + 1:
        lines = lines[: most + 1]
        lines[-1].append(f" {signs.more}")
    return lines


def doing(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return what the rig does and since when."""
    status = view.status
    row = Row(signs, width, "now").put(status.state or words.DASH, "bold")
    if view.ending is not None:
        row.put(f" {words.moment(view.at(view.ending.ended_time), view.calendar)}")
    elif status.means and status.means != status.state:
        room = width - row.used - 2
        first, *rest = wrapped(signs.safe(status.means), max(room, 8)) or [""]
        row.put(f": {first}")
        lines = [row.text]
        lines += [Row(signs, width).to(0).put(" " * LABEL + r).text for r in rest[:1]]
        return [*lines, *_since(view, width, signs)]
    return [row.text, *_since(view, width, signs)]


def _since(view: View, width: int, signs: Glyphs) -> list[Text]:
    status = view.status
    row = Row(signs, width).put(" " * LABEL)
    when = view.at(status.since)
    if when is not None and view.ending is None:
        lasted = words.span(status.time - status.since)
        row.maybe(f"since {words.moment(when, view.calendar)}, for {lasted}")
    if status.stages > 1 and status.stage:
        comma = "; " if row.used > LABEL else ""
        row.maybe(f"{comma}stage {status.stage_number} of {status.stages}, {status.stage}", FAINT)
    return [row.text] if row.used > LABEL else []


def ahead(view: View, width: int, signs: Glyphs, *, most: int) -> list[Text]:
    """Return what comes next by itself and when, the soonest first."""
    status = view.status
    if view.ending is not None:
        return []
    found = [c for c in status.coming if not (c.what == "run-out" and len(status.coming) > 1)]
    if status.water is not None and status.water.coming is not None:
        found.append(status.water.coming)
    found.sort(key=_order)
    lines = []
    for i, item in enumerate(found[:most]):
        row = Row(signs, width, "" if i else "next")
        if i:
            row.put(" " * LABEL)
        lines.append(_coming(view, item, row))
    return lines or [Row(signs, width, "next").put(words.DASH).text]


def _order(item: Coming) -> float:
    return math.inf if item.within is None or math.isnan(item.within) else item.within


def _coming(view: View, item: Coming, row: Row) -> Text:
    row.put(item.what)
    if item.within is not None and math.isfinite(item.within):
        left = max(item.within - (0.0 if view.rehearsal else min(view.age, TOO_OLD)), 0.0)
        row.maybe(f" in {words.span(left)}", "bold")
        row.maybe(f", {words.moment(view.within(item.within), view.calendar)}")
    if item.cycle is not None:
        row.maybe(f", at cycle {words.number(item.cycle)}", FAINT)
    return row.text


def far(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return how far the test is, and when it ends at the latest."""
    status = view.status
    if not status.run_out:
        row = Row(signs, width, "cycles")
        if status.cycles or view.curve.cycles:
            row.put(words.number(status.cycles), "bold")
        else:
            row.put("none in this stage" if status.stage else words.DASH)
        return [row.text]
    share = status.cycles / status.run_out
    row = Row(signs, width, "cycles").put(words.number(status.cycles), "bold")
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
    if view.ending is not None or not status.frequency > 0:
        return []
    left = (status.run_out - status.cycles) / status.frequency
    for item in status.coming:
        if item.cycle == status.run_out and item.within is not None:
            left = item.within
    row = Row(signs, width, "end")
    row.put(words.moment(view.within(left), view.calendar), "bold")
    row.maybe(" at the latest, if it does not fail")
    row.maybe(" (pauses come on top)", FAINT)
    lines = [row.text]
    if view.rehearsal and view.speed > 0:
        pace = Row(signs, width).put(" " * LABEL)
        pace.put(f"{words.span(left / view.speed)} from now", "bold")
        pace.maybe(f"; runs {words.number(view.speed)} times as fast as the clock")
        lines.append(pace.text)
    return lines


def load(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return upper and lower load against their targets, and the net deflection."""
    status = view.status
    cyclic = math.isfinite(status.target_upper) and math.isfinite(status.load_max)
    if not cyclic:
        row = Row(signs, width, "load").right(words.quantity(status.load, "N"), LABEL + 11, "bold")
        lines = [row.text]
        if math.isfinite(status.target_upper):
            target = Row(signs, width).put(" " * LABEL + "cycles will be between ")
            target.put(words.quantity(status.target_lower, "N", with_unit=False))
            target.put(f" and {words.quantity(status.target_upper, 'N')}")
            lines.append(target.text)
    else:
        span = status.target_upper - status.target_lower
        lines = [
            _against(view, "upper load", status.load_max, status.target_upper, span, width, signs),
            _against(view, "lower load", status.load_min, status.target_lower, span, width, signs),
        ]
    return [*lines, _deflection(view, width, signs)]


def _against(
    view: View, name: str, value: float, target: float, size: float, width: int, signs: Glyphs
) -> Text:
    row = Row(signs, width, name)
    row.right(words.quantity(value, "N"), LABEL + 11, "bold")
    row.maybe(f"   target {words.quantity(target, 'N', with_unit=False):>6}")
    off = (value - target) / target if target else math.nan
    told = words.per_cent(off, 1, signed=True)
    far_off = abs(value - target) > 0.02 * size
    row.maybe(f"   off {told:>7}", ODD if far_off else GOOD)
    if far_off:
        row.maybe(f" {signs.warn}", ODD)
    return row.text


def _deflection(view: View, width: int, signs: Glyphs) -> Text:
    status = view.status
    row = Row(signs, width, "deflection")
    if math.isfinite(status.deflection_max):
        low = words.quantity(status.deflection_min, "m", with_unit=False)
        high = words.quantity(status.deflection_max, "m")
        row.put(f"{low} to ").put(high, "bold")
        row.maybe(" net, least and most")
    else:
        row.right(words.quantity(status.deflection, "m"), LABEL + 11, "bold").maybe("   net")
    return row.text


def stiffness(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return the stiffness against the baseline, and where warning and stop lie."""
    status = view.status
    row = Row(signs, width, "stiffness").put(words.quantity(status.stiffness, "N/m"), "bold")
    lost = loss(view)
    if math.isfinite(lost):
        warned = lost >= status.loss_warn
        word = "below" if lost >= 0 else "above"
        row.maybe(f"  {words.per_cent(abs(lost))} {word}", ODD if warned else GOOD)
        row.maybe(f" baseline {words.quantity(status.baseline, 'N/m', with_unit=False)}")
    elif status.baseline_last and view.ending is None and status.run_out:
        row.maybe(
            f"  baseline: median of cycles {words.number(status.baseline_first)} "
            f"to {words.number(status.baseline_last)}",
            FAINT,
        )
    if math.isfinite(status.loss_warn):
        row.maybe(f"  warn {words.per_cent(status.loss_warn, 0)}", ODD)
    if math.isfinite(status.loss_stop):
        row.maybe(f"  stop {words.per_cent(status.loss_stop, 0)}", BAD)
    return [row.text]


def water(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return what the water does, what comes next, and when the tank is empty."""
    told = view.status.water
    if told is None:
        return []
    row = Row(signs, width, "water")
    row.put(told.doing or ("on" if told.on else "off"), "bold")
    if told.on:
        row.maybe(f"  {words.quantity(told.flow, 'm3/s')}")
        row.maybe(f" (asked {words.quantity(told.asked_flow, 'm3/s', with_unit=False)})", FAINT)
        if not told.confirmed:
            row.maybe(f" {signs.warn} no flow confirmed", ODD)
    elif told.dry_for > 0:
        row.maybe(f"  dry for {words.span(told.dry_for)}")
    if told.coming is not None:
        item = told.coming
        row.maybe(f"; {item.what}")
        if item.within is not None and math.isfinite(item.within):
            row.maybe(f" {words.moment(view.within(item.within), view.calendar)}")
    if told.missed:
        row.maybe(f" {signs.warn} {told.missed} missed", ODD)
    return [row.text, *_tank(view, width, signs)]


def _tank(view: View, width: int, signs: Glyphs) -> list[Text]:
    told = view.status.water
    if told is None or not math.isfinite(told.tank):
        return []
    row = Row(signs, width, "tank").put(words.quantity(told.tank, "m3"), "bold")
    empty = view.within(told.tank_lasts) if math.isfinite(told.tank_lasts) else None
    if empty is not None:
        row.maybe(f"  empty {words.moment(empty, view.calendar)}")
        row.maybe(f", in {words.span(told.tank_lasts)}", FAINT)
    return [row.text]


def warmth(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return the temperatures, and other slow signals."""
    status = view.status
    slow = {k: v for k, v in status.slow.items() if k not in ("tank", "flow")}
    oil = slow.pop("temperature_oil", status.oil_temperature)
    oil = status.oil_temperature if math.isfinite(status.oil_temperature) else oil
    told = [("oil", oil, "K")] if math.isfinite(oil) else []
    told += [(words.channel_name(k), v, words.unit_of(k)) for k, v in sorted(slow.items())]
    if not told:
        return []
    row = Row(signs, width, "also")
    for i, (name, value, unit) in enumerate(told):
        warm = name == "oil" and value > OIL_WARM
        piece = f"{', ' if i else ''}{name} {words.quantity(value, unit)}"
        row.maybe(piece + (f" {signs.warn}" if warm else ""), ODD if warm else "")
    return [row.text]


def freshness(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return how old the newest data is, loud when it is old."""
    row = Row(signs, width, "data")
    age = view.age
    if view.ending is not None:
        row.put("the record is complete")
    elif not math.isfinite(age):
        row.put("nobody knows how old")
    elif age > TOO_OLD:
        row.put(f"NO NEW DATA for {words.span(age)}", BAD)
        row.maybe(": look after the rig at the rig", BAD)
    elif age > OLD:
        row.put(f"{signs.warn} {words.span(age)} old", ODD)
    else:
        row.put(f"{age:.0f} s old" if age >= 1 else "fresh", GOOD)
    if view.unreadable:
        row.maybe("; the record cannot be read just now", ODD)
    return [row.text]


def on_call(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return who is on call."""
    if not view.status.on_call:
        return [Row(signs, width, "on call").put("nobody named", FAINT).text]
    return [Row(signs, width, "on call").put(view.status.on_call, "bold").text]


def leaving(view: View, hint: str, width: int, signs: Glyphs) -> list[Text]:
    """Return how to leave the screen and how to ask the rig."""
    if view.ending is not None:
        return [Row(signs, width).put(hint, FAINT).text] if hint else []
    lines = []
    if view.alive:
        verbs = [*view.status.possible, "note"]
        row = Row(signs, width, "ask it").put(f"nightrig {verbs[0]}", "bold")
        for verb in verbs[1:]:
            row.maybe(f", {verb}", "bold")
        row.maybe(" (in any terminal)", FAINT)
        if view.status.local_input:
            row.maybe(f"; motion needs the {view.status.local_input} at the rig", FAINT)
        lines.append(row.text)
    if hint:
        lines.append(Row(signs, width, "leave").put(hint, FAINT).text)
    return lines
