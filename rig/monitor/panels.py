"""The parts of the screen, each a function from a view and a width to lines."""

from __future__ import annotations

import math
from typing import Final

from rich.cells import cell_len
from rich.text import Text

from rig.monitor import words
from rig.monitor.call import OIL_WARM, OLD, TOO_OLD, loss
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import LABEL, Row, bar, fitted, wrapped
from rig.monitor.view import View
from rig.record.status import Coming

GOOD: Final = "green"
ODD: Final = "bold yellow"
BAD: Final = "bold red"
FAINT: Final = "dim"
FAR_OFF: Final = 0.02
"""Deviation of a load, a share of the load range, from which it is marked."""
SIMULATED: Final = "SIMULATED"


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
    if rig and row.used + cell_len(rig) + 5 < room:
        row.put(f" on {rig}")
    if told and row.used + len(told) + 2 <= width:
        row.put("  ").put(told, "bold magenta")
    if width >= 100:
        title = wrapped(signs.safe(view.header.title), max(width - len(clock) - row.used - 6, 1))
        more = f" {signs.more}" if title[1:] else ""
        row.put(f"   {title[0]}{more}" if title else "", FAINT)
    if row.used + len(clock) + 1 <= width:
        row.right(clock, width)
    return [row.text]


def _clock(view: View) -> str:
    now = view.calendar
    time = f"{words.date(now)} {now:%H:%M:%S}"
    if view.rehearsal:
        return f"{time} rehearsal calendar"
    return f"{time} {words.zone_name(now)}"


def doing(view: View, width: int, signs: Glyphs, *, brief: bool) -> list[Text]:
    """Return what the rig does and since when; one line only where `brief`."""
    status = view.status
    label = "now" if view.alive or view.ending is not None else "last known"
    row = Row(signs, width, label).put(status.state or words.DASH, "bold")
    if view.ending is not None:
        when = words.moment(view.at(view.ending.ended_time), view.calendar)
        row.maybe(f", {when}").maybe(f", after {words.span(view.ending.ended_time)} of test")
        return [row.text]
    lasted = status.time - status.since
    if brief and math.isfinite(lasted):
        row.maybe(f" for {words.span(lasted)}")
    means = wrapped(signs.safe(status.means), max(width - row.used - 2, 8))
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
        row.put(f"since {words.moment(when, view.calendar)}").maybe(f", for {lasted}")
    lines = [row.text] if row.used > LABEL else []
    if status.stages > 1 and status.stage:
        stage = Row(signs, width).put(" " * LABEL)
        stage.put(f"stage {status.stage_number} of {status.stages}, {status.stage}", FAINT)
        lines.append(stage.text)
    return lines


def ahead(view: View, width: int, signs: Glyphs, *, most: int) -> list[Text]:
    """Return what comes next by itself and when, the soonest first."""
    status = view.status
    if view.ending is not None or not view.alive:
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
    nothing = "nothing by itself" if view.told else words.DASH
    return lines or [Row(signs, width, "next").put(nothing).text]


def _order(item: Coming) -> float:
    return math.inf if item.within is None or math.isnan(item.within) else item.within


def _coming(view: View, item: Coming, row: Row) -> Text:
    row.put(item.what)
    if item.within is not None and math.isfinite(item.within):
        left = max(item.within - (0.0 if view.rehearsal else min(view.age, TOO_OLD)), 0.0)
        row.maybe(f": in {words.span(left)}", "bold")
        row.maybe(f", {_when(view, item.within)}")
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
    if view.ending is not None or not view.alive or not status.frequency > 0:
        return []
    left = (status.run_out - status.cycles) / status.frequency
    for item in status.coming:
        if item.cycle == status.run_out and item.within is not None:
            left = item.within
    row = Row(signs, width, "end")
    if status.state not in ("cycling", "build-up"):
        row.put(f"{words.span(left)} of cycling", "bold")
        return [row.maybe(" are left, once it cycles").maybe("; less if it fails").text]
    row.put(f"by {_when(view, left)}", "bold").maybe(", sooner if it fails")
    row.maybe("; pauses come on top", FAINT)
    lines = [row.text]
    if view.rehearsal and view.speed > 0:
        pace = Row(signs, width).put(" " * LABEL)
        pace.put(f"{words.span(left / view.speed)} from now", "bold")
        pace.maybe(f" at {words.number(view.speed)} times real speed")
        lines.append(pace.text)
    return lines


def load(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return upper and lower load against their targets, and the net deflection."""
    status = view.status
    if not math.isfinite(status.load_max):
        return _still(view, width, signs)
    size = status.target_upper - status.target_lower
    upper = _against("upper load", status.load_max, status.target_upper, size, width, signs)
    lower = _against("lower load", status.load_min, status.target_lower, size, width, signs)
    least, most = status.deflection_min, status.deflection_max
    told = f"{words.quantity(least, 'm', with_unit=False)} to {words.quantity(most, 'm')}"
    row = Row(signs, width, "deflection").put(told, "bold").maybe(" net, least and most")
    return [upper.text, lower.text, row.text]


def _still(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return load and net deflection where no cycle has just been measured."""
    status, lines = view.status, []
    if math.isfinite(status.load) or view.ending is None:
        row = Row(signs, width, "load").put(words.quantity(status.load, "N"), "bold")
        if math.isfinite(status.target_upper) and view.ending is None:
            low = words.quantity(status.target_lower, "N", with_unit=False)
            row.maybe(f"   cycles: {low} to {words.quantity(status.target_upper, 'N')}", FAINT)
        lines.append(row.text)
    if math.isfinite(status.deflection) or view.ending is None:
        row = Row(signs, width, "deflection").put(words.quantity(status.deflection, "m"), "bold")
        lines.append(row.maybe("   net").text)
    return lines


def _against(name: str, value: float, target: float, size: float, width: int, signs: Glyphs) -> Row:
    row = Row(signs, width, name)
    row.right(words.quantity(value, "N"), LABEL + 9, "bold")
    if not math.isfinite(target):
        return row
    row.maybe(f"   target {words.quantity(target, 'N'):>9}")
    off = (value - target) / target if target else math.nan
    far_off = abs(value - target) > FAR_OFF * size
    told = f"   {words.per_cent(off, 1, signed=True):>7}"
    return row.maybe(f"{told} {signs.warn}" if far_off else told, ODD if far_off else GOOD)


def stiffness(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return the stiffness against the baseline, and where warning and stop lie."""
    status = view.status
    row = Row(signs, width, "stiffness")
    value, lost = status.stiffness, loss(view)
    if not math.isfinite(value) and view.curve.stiffness:
        value = view.curve.stiffness[-1]
        lost = 1.0 - value / status.baseline if status.baseline > 0 else math.nan
        row.put(words.quantity(value, "N/m"), "bold").maybe(" when last measured,")
    else:
        row.put(words.quantity(value, "N/m"), "bold")
    if math.isfinite(lost):
        word = "below" if lost >= 0 else "above"
        row.maybe(
            f"  {words.per_cent(abs(lost))} {word}", ODD if lost >= status.loss_warn else GOOD
        )
        row.maybe(f" baseline {words.quantity(status.baseline, 'N/m', with_unit=False)}")
    elif status.baseline_last and view.ending is None and status.run_out:
        first, last = words.number(status.baseline_first), words.number(status.baseline_last)
        row.maybe(f"  baseline comes from cycles {first} to {last}", FAINT)
    if math.isfinite(status.loss_warn):
        row.maybe(f"  warn {words.per_cent(status.loss_warn, 0)}", ODD)
    if math.isfinite(status.loss_stop):
        row.maybe(f"  stop {words.per_cent(status.loss_stop, 0)}", BAD)
    return [row.text]


def water(view: View, width: int, signs: Glyphs, *, brief: bool) -> list[Text]:
    """Return what the water does and what comes next, and when the tank is empty."""
    told = view.status.water
    if told is None:
        return []
    row = Row(signs, width, "water").put(told.doing or ("on" if told.on else "off"), "bold")
    if told.missed:
        row.maybe(f" {signs.warn} {told.missed} missed", ODD)
    if told.on:
        flow = words.quantity(told.flow, "m3/s", with_unit=brief)
        asked = words.quantity(told.asked_flow, "m3/s")
        row.maybe(f", {flow}" if brief else f", {flow} of {asked} asked")
    elif told.dry_for > 0 and not brief:
        row.maybe(f", dry for {words.span(told.dry_for)}")
    if told.coming is not None and told.coming.within is not None and view.ending is None:
        row.maybe(f"; {told.coming.what.removeprefix('water ')} {_when(view, told.coming.within)}")
    if brief:
        tank = _tank(view)
        return [row.maybe(f"; {tank}").text] if tank else [row.text]
    tank = _tank(view)
    return [row.text, Row(signs, width, "tank").put(tank[5:]).text] if tank else [row.text]


def _when(view: View, seconds: float) -> str:
    return words.moment(view.within(seconds), view.calendar)


def _tank(view: View) -> str:
    """Return what is in the tank, and when it is empty."""
    told = view.status.water
    if told is None or not math.isfinite(told.tank):
        return ""
    words_of_it = f"tank {words.quantity(told.tank, 'm3')}"
    if math.isfinite(told.tank_lasts) and view.ending is None:
        return f"{words_of_it}, empty {_when(view, told.tank_lasts)}"
    return words_of_it


def warmth(view: View, width: int, signs: Glyphs, *, most: int) -> list[Text]:
    """Return temperatures and other slow signals in at most `most` lines, oil first."""
    status = view.status
    slow = {k: v for k, v in status.slow.items() if k not in ("tank", "flow")}
    oil = slow.pop("temperature_oil", status.oil_temperature)
    oil = status.oil_temperature if math.isfinite(status.oil_temperature) else oil
    told = [("oil", oil, "K")] if math.isfinite(oil) else []
    names = sorted(slow, key=lambda name: (not name.startswith("temperature"), name))
    told += [(words.channel_name(name), slow[name], words.unit_of(name)) for name in names]
    rows: list[Row] = []
    for name, value, unit in told:
        warm = name == "oil" and value > OIL_WARM
        piece = f"{name} {words.quantity(value, unit)}" + (f" {signs.warn}" if warm else "")
        if not rows or not rows[-1].fits(f", {piece}"):
            if len(rows) == most:
                break
            rows.append(Row(signs, width, "" if rows else "also"))
            rows[-1].put(" " * (LABEL - rows[-1].used))
        else:
            rows[-1].put(", ")
        rows[-1].put(piece, ODD if warm else "")
    return [row.text for row in rows]


def watched(view: View, width: int, signs: Glyphs, *, brief: bool) -> list[Text]:
    """Return who is on call, and how old the newest data is; one line where `brief`."""
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
    """Return how old the newest data is, loud when it is old."""
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
    for i, part in enumerate(wrapped(signs.safe(hint), width - LABEL)[:2]):
        row = Row(signs, width, "" if i else "leave")
        lines.append(row.put(" " * LABEL * bool(i)).put(part, FAINT).text)
    return lines
