"""What is measured: loads against their targets, deflection, stiffness, water, temperatures."""

from __future__ import annotations

import math
from typing import Final

from rich.text import Text

from rig.monitor import words
from rig.monitor.call import OIL_WARM, loss
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import BAD, FAINT, GOOD, LABEL, ODD, Row
from rig.monitor.view import View

FAR_OFF: Final = 0.02
"""Deviation of a load, a share of the load range, from which it is marked."""
SETTLES: Final = 60.0
"""Time [s] after the amplitude has grown in which loads still find their targets."""


def load(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return upper and lower load against their targets, and the net deflection."""
    status = view.status
    # What the last cycle did is no load of a rig whose test has ended.
    if view.ending is not None or not math.isfinite(status.load_max):
        return _still(view, width, signs)
    # While the amplitude grows, and shortly after, the loads are on their way to their targets.
    grown = status.state == "cycling" and status.time - status.since > SETTLES
    size = status.target_upper - status.target_lower
    upper = Row(signs, width, "upper load")
    _against(upper, status.load_max, status.target_upper, size, marked=grown)
    lower = Row(signs, width, "lower load")
    _against(lower, status.load_min, status.target_lower, size, marked=grown)
    least, most = status.deflection_min, status.deflection_max
    told = f"{words.quantity(least, 'm', with_unit=False)} to {words.quantity(most, 'm')}"
    row = Row(signs, width, "deflection").put(told, "bold").maybe(" net, min to max")
    return [upper.text, lower.text, row.text]


def _still(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return load and net deflection where no cycle has just been measured."""
    status, lines = view.status, []
    if math.isfinite(status.load) or view.ending is None:
        row = Row(signs, width, "load").put(words.quantity(status.load, "N"), "bold")
        if math.isfinite(status.target_upper) and not view.over:
            low = words.quantity(status.target_lower, "N", with_unit=False)
            row.maybe(f"   cycles: {low} to {words.quantity(status.target_upper, 'N')}", FAINT)
        lines.append(row.text)
    if math.isfinite(status.deflection) or view.ending is None:
        row = Row(signs, width, "deflection").put(words.quantity(status.deflection, "m"), "bold")
        lines.append(row.maybe("   net").text)
    return lines


def _against(row: Row, value: float, target: float, size: float, *, marked: bool) -> None:
    """Add a load, its target and how far it is from it, as a share of the load range."""
    row.right(words.quantity(value, "N"), LABEL + 9, "bold")
    if not math.isfinite(target):
        return
    row.maybe(f"  target {words.quantity(target, 'N'):>9}")
    # A share of a small lower load would shout where the specimen feels nothing.
    off = (value - target) / size if size > 0 else math.nan
    far_off = marked and abs(off) > FAR_OFF
    style = ODD if far_off else GOOD if marked else ""
    row.maybe(f"  {words.per_cent(off, 1, signed=True):>6}", style)
    if far_off:
        row.maybe(f" {row.signs.warn}", ODD)
    if math.isfinite(off):
        row.maybe(" of range", FAINT)


def stiffness(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return the stiffness against the baseline, and where warning and stop lie.

    Nothing for a test without cycles.
    """
    status = view.status
    if not (status.run_out or view.curve.stiffness or math.isfinite(status.stiffness)):
        return []
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
    elif status.baseline_last and not view.over and status.run_out:
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
    if view.ending is not None and (given := _given(view)):
        row.maybe(f"; {given}")
    elif told.missed:
        row.maybe(f" {signs.warn} {told.missed} missed", ODD)
    if told.on:
        flow = words.quantity(told.flow, "m3/s", with_unit=brief)
        asked = words.quantity(told.asked_flow, "m3/s")
        if not math.isfinite(told.flow):
            row.maybe(f", {asked} asked")
        else:
            row.maybe(f", {flow}" if brief else f", {flow} of {asked} asked")
    elif told.dry_for > 0 and not brief and not view.stale:
        row.maybe(f", dry for {words.span(told.dry_for)}")
    if told.coming is not None and told.coming.within is not None and view.ending is None:
        row.maybe(f"; {told.coming.what.removeprefix('water ')} {view.moment(told.coming.within)}")
    if brief:
        tank = _tank(view)
        return [row.maybe(f"; {tank}").text] if tank else [row.text]
    tank = _tank(view)
    return [row.text, Row(signs, width, "tank").put(tank[5:]).text] if tank else [row.text]


def _given(view: View) -> str:
    """Return what was given in all, as the newest word of it says."""
    mark = "water: "
    found = (e.text for e in reversed(view.events) if e.kind == "water" and mark in e.text)
    return next(found, "").removeprefix(mark)


def _tank(view: View) -> str:
    """Return what is in the tank, and when it is empty."""
    told = view.status.water
    if told is None or not math.isfinite(told.tank):
        return ""
    words_of_it = f"tank {words.quantity(told.tank, 'm3')}"
    if math.isfinite(told.tank_lasts) and view.ending is None:
        return f"{words_of_it}, empty {view.moment(told.tank_lasts)}"
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
    label = "temp." if all(unit == "K" for _, _, unit in told) else "others"
    rows: list[Row] = []
    for name, value, unit in told:
        warm = name == "oil" and value > OIL_WARM
        piece = f"{name} {words.quantity(value, unit)}" + (f" {signs.warn}" if warm else "")
        if not rows or not rows[-1].fits(f", {piece}"):
            if len(rows) == most:
                break
            rows.append(Row(signs, width, "" if rows else label))
            rows[-1].put(" " * (LABEL - rows[-1].used))
        else:
            rows[-1].put(", ")
        rows[-1].put(piece, ODD if warm else "")
    return [row.text for row in rows]
