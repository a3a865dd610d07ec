"""What differs between groups besides what they were made for: age, batch, bed, frame, water.

A test tells that groups differ, never why. What goes along with the group is said here, so that
nobody takes the one for the other.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final, NamedTuple

from rig.lives.grouped import counts, has_load
from rig.protocol.series import FACTORS

if TYPE_CHECKING:
    from rig.protocol.series import Life, Series, Ultimate

UNEVEN: Final = 0.5
"""Share of specimens that would have to change their batch for both groups to be alike."""
APART: Final = 0.1
"""Relative difference of mean ages or wet times that counts. Common practice, no source."""
_SAID: Final = {"wet": "wet time"}
_DAY: Final = 86_400.0
_HOUR: Final = 3_600.0


@dataclass(frozen=True, slots=True)
class _Told:
    """A factor of the specimens of one group; None where nobody told."""

    group: str
    values: tuple[str | float | None, ...]

    @property
    def known(self) -> list[str | float]:
        return [value for value in self.values if value is not None]


class GoesAlong(NamedTuple):
    """What goes along: of the groups `of`, all where there are none, and of which `kind` of entry.

    `kind` is "lives", "ultimate loads", or another where it is of no pair.
    """

    of: tuple[str, ...]
    kind: str
    words: str

    def __str__(self) -> str:
        about = ", ".join(x for x in (" and ".join(self.of), self.kind) if x)
        return f"{about}: {self.words}"


def confounded(series: Series) -> tuple[str, ...]:
    """Return `going_along` as lines for people."""
    return tuple(dict.fromkeys(map(str, going_along(series))))


def going_along(series: Series) -> tuple[GoesAlong, ...]:
    """Return each factor that goes along with a pair of groups.

    Of lives, of ultimate loads (residual and void ones left out), and of the lives of a group
    beside its own companions, whose age their load levels rest on. A factor that nobody told is
    named too: it cannot be looked for.
    """
    lives = [life for life in series.lives if counts(life)]
    loads = [u for u in series.ultimates if has_load(u) and not u.residual]
    return (
        *_of_kind(series, "lives", lives),
        *_of_kind(series, "ultimate loads", loads),
        *_beside_companions(series, lives, loads),
        *_not_dry(series, lives),
    )


def _of_kind(series: Series, kind: str, entries: Sequence[Life | Ultimate]) -> list[GoesAlong]:
    groups = [name for name in series.groups if any(entry.group == name for entry in entries)]
    if len(groups) < 2:
        return []
    lines: list[GoesAlong] = []
    untold = []
    for factor in (*FACTORS, "age", "wet"):
        told = [_told(series, factor, name, entries) for name in groups]
        if not any(group.known for group in told):
            if factor != "wet":
                untold.append(factor)
            continue
        for one, other in combinations(told, 2):
            if factor == "wet" and _dry(series, one.group) != _dry(series, other.group):
                continue  # that is what these groups were made for
            words = _differ(
                factor, one, other, f"group and {_SAID.get(factor, factor)} are not told apart"
            )
            if words:
                lines.append(GoesAlong((one.group, other.group), kind, words))
    if untold:
        words = f"nobody told {', '.join(untold)}: whether groups differ in that is not known"
        lines.append(GoesAlong((), kind, words))
    return lines


def _told(series: Series, factor: str, group: str, entries: Iterable[Life | Ultimate]) -> _Told:
    own = [entry for entry in entries if entry.group == group]
    if factor in FACTORS:
        return _Told(group, tuple(series.factor(entry, factor) for entry in own))
    return _Told(group, tuple(getattr(entry, factor) for entry in own))


def _dry(series: Series, group: str) -> bool:
    return series.groups[group].get("exposure", "dry") == "dry"


def _differ(factor: str, one: _Told, other: _Told, hence: str) -> str:
    """Say how two groups differ in a factor and what follows; nothing where they do not."""
    if not (one.known or other.known):
        return ""
    if not (one.known and other.known):
        silent = other.group if one.known else one.group
        return (
            f"{_SAID.get(factor, factor)} of {silent} is not told: whether it differs is not known"
        )
    words = (_names if factor in FACTORS else _numbers)(factor, one, other)
    return f"{words}: {hence}" if words else ""


def _names(factor: str, one: _Told, other: _Told) -> str:
    """Say how the values of a factor, such as batches, are dealt to two groups."""
    a, b = Counter(one.known), Counter(other.known)
    dealt = f"{_dealt(a)} against {_dealt(b)}"
    if min(len(a), len(b)) > 1 and max((a + b).values()) == 1:
        return ""  # each has one of its own: it varies within the groups as much as between them
    if not a.keys() & b.keys():
        return f"no {factor} is in both ({dealt})"
    apart = sum(abs(a[x] / a.total() - b[x] / b.total()) for x in {*a, *b}) / 2
    if apart >= UNEVEN:
        return f"{factor} is dealt unevenly ({dealt})"
    return ""


def _dealt(counted: Counter[str | float]) -> str:
    return ", ".join(f"{n} of {name}" for name, n in sorted(counted.items(), key=str))


def _numbers(factor: str, one: _Told, other: _Told) -> str:
    """Say that ages or wet times of two groups do not overlap and differ by more than `APART`."""
    a, b = ([float(x) for x in group.known] for group in (one, other))
    if not _apart(a, b):
        return ""
    unit, name = (_DAY, "d") if factor == "age" else (_HOUR, "h")
    spans = f"{_span(a, unit, name)} against {_span(b, unit, name)}"
    what = "ages" if factor == "age" else "wet times"
    return f"{what} do not overlap ({spans})"


def _apart(a: list[float], b: list[float]) -> bool:
    means = sum(a) / len(a), sum(b) / len(b)
    separate = max(a) < min(b) or max(b) < min(a)
    return separate and abs(means[0] - means[1]) > APART * max(means)


def _span(values: list[float], unit: float, name: str) -> str:
    low, high = min(values) / unit, max(values) / unit
    return f"{low:.3g} {name}" if low == high else f"{low:.3g} to {high:.3g} {name}"


def _beside_companions(
    series: Series, lives: Sequence[Life], loads: Sequence[Ultimate]
) -> list[GoesAlong]:
    """Say where lives and their companions differ in age or batch: load levels rest on these."""
    lines = []
    for group in series.groups:
        for factor in ("age", "batch"):
            own = _told(series, factor, group, lives)
            beside = _told(series, factor, group, loads)
            if own.known and beside.known:
                hence = f"load levels rest on capacities of another {factor}"
                words = _differ(factor, own, beside, hence)
                kind = "lives against companions"
                lines += [GoesAlong((group,), kind, words)] if words else []
    return lines


def _not_dry(series: Series, lives: Sequence[Life]) -> list[GoesAlong]:
    words = "{} was wet for {:.3g} h, its group is dry"
    return [
        GoesAlong((life.group,), "", words.format(life.specimen, life.wet / _HOUR))
        for life in lives
        if life.wet and _dry(series, life.group)
    ]
