"""What a column of a foreign file is: its heading or a map, held against names and units."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from rig.channels import CHANNEL_UNITS, channel_unit
from rig.errors import Problem
from rig.protocol.bounds import channel_dimension
from rig.units import SIGNS, UNITS, UnitError, parse, shown

Kind = Literal["samples", "cycles"]

COUNT: Final = "number"
"""The column of cycle numbers, which a file may also call `cycle`."""
NET: Final = "deflection"
"""Net deflection, which is computed where mid-span is measured."""
_HEADING: Final = re.compile(r"\s*(?P<name>[^\[\]]*?)\s*(?:\[\s*(?P<unit>[^\[\]]*?)\s*\])?\s*")
_OF_CYCLES: Final[dict[str, str]] = {
    "number": "count",
    "stiffness": "stiffness",
    "energy": "energy",
    "frequency": "frequency",
    "wet": "count",
    "flags": "count",
}
"""Dimensions of the columns of cycle rows that are no extremes of a channel."""
_SI: Final = {"time": "s", "frequency": "Hz", "stiffness": "N/m", "energy": "J"}
_ENERGY: Final = {"J": 1.0, "kJ": 1e3}
_EXAMPLES: Final = {
    "time": '"time [s]"',
    "force": '"[kN]"',
    "length": '"[mm]"',
    "strain": '"[um/m]"',
    "temperature": '"[degC]"',
    "flow": '"[L/min]"',
    "volume": '"[L]"',
    "stress": '"[bar]"',
    "acceleration": '"[m/s2]"',
    "resistance": '"[MOhm]"',
    "frequency": '"[Hz]"',
    "stiffness": '"[kN/mm]"',
    "energy": '"[J]"',
    "count": "no unit",
}


@dataclass(frozen=True, slots=True)
class Column:
    """A column that is read: its place in the file from 0, heading, name, and how it becomes SI.

    A value v of the file is v * `factor` + `zero` in SI. A time without a unit is a date-time.
    """

    place: int
    heading: str
    name: str
    factor: float
    zero: float = 0.0
    dated: bool = False


@dataclass(frozen=True, slots=True)
class Layout:
    """The columns that are read, in the file's order, what they are, and which are left out.

    `computed` tells that net deflection is left out, since mid-span tells it again.
    """

    kind: Kind
    columns: tuple[Column, ...]
    left_out: tuple[str, ...]
    computed: bool = False

    def column(self, name: str) -> Column | None:
        """Return a column by its name, None where the file has none."""
        return next((c for c in self.columns if c.name == name), None)

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the measured channels, load and mid-span first, whether the file has them."""
        names = [c.name for c in self.columns if c.name != "time"]
        if self.kind == "cycles":
            names = [stem for n in names if (stem := stem_of(n)) not in (None, NET)]
        else:
            names = ["midspan" if n == NET else n for n in names]
        return tuple(dict.fromkeys(("load", "midspan", *names)))


class Refused(Exception):
    """Why a heading cannot be used: what is wrong, and what would be right."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.problem, self.remedy = problem, remedy


def parse_map(entries: Sequence[str]) -> dict[str, str]:
    """Return the heading that each source is given, out of "HEADING = SOURCE". Raises Refused."""
    mapped: dict[str, str] = {}
    for entry in entries:
        heading, sign, source = (part.strip() for part in entry.rpartition("="))
        if not sign or not heading or not source:
            raise Refused(
                f"{shown(entry)} is no heading and source",
                'write --column "load [kN] = Force"',
            )
        if source in mapped:
            raise Refused(f"{shown(source)} is given two headings", "name each source once")
        mapped[source] = heading
    return mapped


def layout_of(
    file: str, line: int, headings: Sequence[str], mapped: Mapping[str, str]
) -> tuple[Layout | None, list[Problem]]:
    """Return what the columns of a file are, and every problem with them.

    `mapped` gives headings of a file, or places from 1, the heading that they are read by.
    """
    columns: list[Column] = []
    left_out: list[str] = []
    problems: list[Problem] = []
    unused = dict(mapped)
    for place, written in enumerate(headings):
        heading = unused.pop(written, None) or unused.pop(str(place + 1), None) or written
        try:
            column = column_of(place, heading)
        except Refused as refused:
            field = f"column {shown(written)}"
            problems.append(Problem(file, line, field, refused.problem, refused.remedy))
            continue
        if column is None:
            left_out.append(written)
        else:
            columns.append(column)
    for source in unused:
        known = ", ".join(shown(h) for h in headings[:12])
        problems.append(
            Problem(file, line, "--column", f"there is no column {shown(source)}", f"has {known}")
        )
    problems += [] if problems else _missing(file, line, columns)
    if problems:
        return None, problems
    kind: Kind = "cycles" if any(_is_of_cycles(c.name) for c in columns) else "samples"
    computed = {c.name for c in columns} >= {NET, "midspan"}
    if computed:
        left_out += [c.heading for c in columns if c.name == NET]
        columns = [c for c in columns if c.name != NET]
    return Layout(kind, tuple(columns), tuple(left_out), computed), []


def column_of(place: int, heading: str) -> Column | None:
    """Return the column of a heading, None for one that is nothing of a test. Raises Refused."""
    match = _HEADING.fullmatch(heading)
    if match is None:
        raise Refused("is no heading", 'write a name and its unit, such as "load [kN]"')
    name, unit = match["name"], match["unit"]
    name = COUNT if name == "cycle" else name
    dimension = dimension_of(name)
    if dimension is None:
        _refuse_near(name, unit)
        return None
    if name == "time" and not unit:
        return Column(place, heading, name, 1.0, dated=True)
    factor, zero = _to_si(name, unit, dimension)
    return Column(place, heading, name, factor, zero)


def dimension_of(name: str) -> str | None:
    """Return the dimension of a column by its name, None for an unknown name."""
    if name == "time" or name in _OF_CYCLES:
        return _OF_CYCLES.get(name, "time")
    stem = stem_of(name)
    channel = name if channel_unit(name) else stem
    return channel_dimension(channel) if channel else None


def stem_of(name: str) -> str | None:
    """Return the channel whose extreme over a cycle a name is, None for another name."""
    stem, sign, end = name.rpartition("_")
    return stem if sign and end in ("max", "min") and channel_unit(stem) else None


def _is_of_cycles(name: str) -> bool:
    return name in _OF_CYCLES or stem_of(name) is not None


def _to_si(name: str, unit: str | None, dimension: str) -> tuple[float, float]:
    """Return factor and zero of a unit. Raises Refused."""
    if dimension == "count":
        if unit in (None, "", "1", "-"):
            return 1.0, 0.0
        raise Refused(f"has the unit {shown(unit)}", f"a {name} is a bare number: leave it out")
    example = f"write {shown(name + ' ' + _EXAMPLES[dimension].strip(chr(34)))}"
    if dimension == "time":
        example = 'write "time [s]"; only date-times need no unit'
    if not unit:
        raise Refused("has no unit", example)
    known = unit.translate(SIGNS)
    if dimension == "energy" and known in _ENERGY:
        return _ENERGY[known], 0.0
    if dimension == "stiffness":
        force, _, length = known.partition("/")
        if force in UNITS["force"] and length in UNITS["length"]:
            return UNITS["force"][force] / UNITS["length"][length], 0.0
    if known == "1" and dimension == "strain":
        return 1.0, 0.0
    if known in UNITS.get(dimension, {}):
        zero = parse(f"0 {known}", dimension) if dimension == "temperature" else 0.0
        return UNITS[dimension][known], zero
    raise Refused(_wrong_unit(unit, dimension), example)


def _wrong_unit(unit: str, dimension: str) -> str:
    try:
        parse(f"1 {unit}", dimension if dimension in UNITS else "force")
    except UnitError as error:
        # "1 psi" is a stress: the number is ours, not the file's.
        said = error.problem.replace(shown(f"1 {unit}"), shown(unit))
        return said if said != error.problem else f"{shown(unit)} is no unit of {dimension}"
    return f"{shown(unit)} is no unit of {dimension}"


def _refuse_near(name: str, unit: str | None) -> None:
    """Raise Refused for a name that is likely meant to be a known one."""
    known = [*(n + "1" if n.endswith("_") else n for n in CHANNEL_UNITS), "time", *_OF_CYCLES]
    known += [f"{n}_{end}" for n in CHANNEL_UNITS if n[-1] != "_" for end in ("max", "min")]
    plain = re.sub(r"[\s\-(].*$", "", name.strip().lower())
    near = plain if plain in known else None
    near = near or next(iter(difflib.get_close_matches(name.lower(), known, 1, 0.75)), None)
    if near:
        round_ones = re.search(r"\(([^()]+)\)\s*$", name)
        right = f"{near} [{unit or (round_ones[1] if round_ones else 'unit')}]"
        raise Refused(
            "is no name of a channel",
            f'did you mean {shown(right)}? write it so, or give --column "{right} = {name}'
            + (f' [{unit}]"' if unit else '"'),
        )


def _missing(file: str, line: int, columns: Sequence[Column]) -> list[Problem]:
    names = [c.name for c in columns]

    def problem(text: str, remedy: str) -> list[Problem]:
        return [Problem(file, line, "", text, remedy)]

    doubled = next((n for n in names if names.count(n) > 1), None)
    if doubled:
        return problem(f"there are two columns {shown(doubled)}", "give each a name of its own")
    of_cycles = [n for n in names if _is_of_cycles(n)]
    samples = [n for n in names if n != "time" and n not in of_cycles]
    if of_cycles and samples:
        return problem(
            f"{shown(of_cycles[0])} is of rows of cycles, {shown(samples[0])} of samples",
            "put them into two files",
        )
    if of_cycles:
        measured = [n for n in of_cycles if n not in (COUNT, "wet", "flags")]
        if not measured:
            return problem("nothing that was measured", 'add a column such as "load_max [kN]"')
        return []
    if "load" not in names:
        return problem(
            'there is no column "load"',
            'name it "load [kN]" in the file, or give --column "load [kN] = NAME"',
        )
    if NET in names and "midspan" not in names and any(n in _SUPPORTS for n in names):
        return problem(
            '"deflection" is net, and the supports are taken off it already',
            "leave out the supports, or give mid-span in its place",
        )
    return []


_SUPPORTS: Final = ("support_left", "support_right")
