"""Numbers, durations and clock times in words that a tired person reads at once."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Final

from rig.channels import SHOWN, channel_unit

DASH: Final = "–"
"""Stands where nothing is known."""
LEAVES: Final = "Ctrl-C leaves this screen; the test goes on"
STOPS: Final = "Ctrl-C stops the rehearsal"

_ASKED: Final = {"pause": "paused", "unload": "unloaded", "continue": "continued"}
"""What was done on a request."""
_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS: Final = (
    *("Jan", "Feb", "Mar", "Apr", "May", "Jun"),
    *("Jul", "Aug", "Sep", "Oct", "Nov", "Dec"),
)
_MINUTE: Final = 60.0
_HOUR: Final = 3600.0
_DAY: Final = 86400.0
_SOON: Final = 5 * _MINUTE
_LONGEST: Final = 1e10
"""Seconds beyond which no clock time is worked out: some three centuries."""

_DECIMALS: Final = {"m": 3, "m3": 0, "K": 1, "1": 0, "Pa": 1}
"""Decimals of a value below 1 in the unit shown; two where it is not listed."""
_CHANNELS: Final[dict[str, str]] = {
    "load_2": "second load",
    "deflection": "net deflection",
    "midspan": "mid-span",
    "support_left": "left support",
    "support_right": "right support",
    "crack_opening": "crack opening",
    "temperature_air": "air",
    "temperature_water": "water",
    "temperature_oil": "oil",
    "tank": "tank",
}


def asked(cause: str, why: str) -> str:
    """Return why a state was entered: "by A. Name, a look" on "pause" is a pause by A. Name."""
    told = "; it stood because: "
    if told in why:
        before, _, why = why.partition(told)
        return f"{before}{told}{asked('pause', why)}"
    if not why.startswith("by "):
        return why
    who, _, text = why.partition(", ")
    done = _ASKED.get(cause, "asked")
    return f"{done} {who}: {text}" if text else f"{done} {who}"


def number(value: float, decimals: int = 0) -> str:
    """Return a number with separators of thousands and a true minus; a dash for none."""
    if not math.isfinite(value):
        return DASH
    text = f"{value:,.{decimals}f}" if abs(value) < 1e12 else f"{value:.2e}"
    if text.startswith("-"):
        text = text[1:] if float(text[1:].replace(",", "")) == 0 else "−" + text[1:]
    return text


def quantity(value: float, unit: str, *, with_unit: bool = True, difference: bool = False) -> str:
    """Return a value [SI `unit`] in the unit of the trade, such as "92.41 kN"."""
    name, factor, offset = SHOWN[unit]
    decimals = _DECIMALS.get(unit, 2)
    if not math.isfinite(value):
        return DASH
    shown = value * factor + (0.0 if difference else offset)
    for size, most in ((1000, 0), (100, 1), (1, 2)):
        if abs(shown) >= size:
            decimals = min(decimals, most)
            break
    text = number(shown, decimals)
    return f"{text} {name}" if with_unit else text


def unit_name(unit: str) -> str:
    """Return the unit of the trade in which an SI unit is shown."""
    return SHOWN[unit][0]


def unit_of(channel: str) -> str:
    """Return the SI unit of a channel, "1" where it is not known."""
    unit = channel_unit(channel)
    return unit if unit in SHOWN else "1"


def channel_name(channel: str) -> str:
    """Return a channel in words."""
    return _CHANNELS.get(channel, channel.replace("_", " "))


def per_cent(share: float, decimals: int = 1, *, signed: bool = False) -> str:
    """Return a share as "12.3 %", with its sign where it is a deviation."""
    text = number(100.0 * share, decimals)
    if signed and text.strip("0.") and not text.startswith("−") and math.isfinite(share):
        text = "+" + text
    return f"{text} %" if math.isfinite(share) else DASH


def span(seconds: float) -> str:
    """Return a duration [s]: "45 s", "3 min 20 s", "45 min", "2 h 10 min", "3 days 4 h"."""
    if not math.isfinite(seconds) or abs(seconds) > _LONGEST:
        return DASH
    whole = max(round(seconds), 0)
    if whole < 100:
        return f"{whole} s"
    if whole < 10 * _MINUTE:
        return _two(whole, 1, "s", 60, "min")
    if whole < 100 * _MINUTE:
        return f"{round(whole / _MINUTE)} min"
    if whole < 48 * _HOUR:
        return _two(round(whole / _MINUTE), 1, "min", 60, "h")
    if whole < 14 * _DAY:
        return _two(round(whole / _HOUR), 1, "h", 24, "days")
    return f"{round(whole / _DAY):,} days"


def _two(count: int, least: int, small: str, size: int, large: str) -> str:
    whole, rest = divmod(count, size)
    return f"{whole} {large} {rest} {small}" if rest >= least else f"{whole} {large}"


def after(when: datetime, seconds: float) -> datetime | None:
    """Return a time some seconds [s] later, None where nobody can tell."""
    if not math.isfinite(seconds) or abs(seconds) > _LONGEST:
        return None
    return when + timedelta(seconds=seconds)


def day(when: datetime, now: datetime) -> str:
    """Return the day of a time as seen from now: "today", "Sun 27 Dec", "Sun 27 Dec 2027"."""
    near = {-1: "yesterday", 0: "today", 1: "tomorrow"}.get((when.date() - now.date()).days)
    return near or date(when, with_year=abs((when - now).days) > 300)


def date(when: datetime, *, with_year: bool = False) -> str:
    """Return a date such as "Sun 27 Dec"."""
    year = f" {when.year}" if with_year else ""
    return f"{_DAYS[when.weekday()]} {when.day} {month(when)}{year}"


def month(when: datetime) -> str:
    """Return the month of a time such as "Dec"."""
    return _MONTHS[when.month - 1]


def moment(when: datetime | None, now: datetime) -> str:
    """Return a day and clock time such as "today 04:36", a dash for None.

    With seconds where it comes within minutes: somebody stands there and waits for it.
    """
    if when is None:
        return DASH
    near = timedelta(0) <= when - now < timedelta(seconds=_SOON)
    return f"{day(when, now)} {when:{'%H:%M:%S' if near else '%H:%M'}}"


def zone_name(when: datetime) -> str:
    """Return the name of a time's zone, such as "CET", or its distance from UTC."""
    return when.tzname() or f"UTC{when:%z}"
