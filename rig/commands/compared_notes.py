"""What intervals of so few specimens really hold, for people: the notes of fits and ratios."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rig.lives.doubted import merged

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from rig.lives.comparison import GroupTold, LifePair

MOST_NOTES: Final = 8
"""Notes that are printed below a table."""


def notes_of_groups(groups: Sequence[GroupTold]) -> list[str]:
    """Return a line for each note on the fits and curves of groups."""
    said = []
    for group in groups:
        parts = {"Weibull": group.weibull, "lognormal": group.lognormal, "curve": group.curve}
        said += [(f"{group.lives.name}, {name}", x.note) for name, x in parts.items() if x]
    return _lines(said)


def notes_of_ratios(pairs: Sequence[LifePair]) -> list[str]:
    """Return a line for each note on the life ratios of pairs."""
    return _lines(
        (f"{pair.a.name} over {pair.b.name}", ratio.note)
        for pair in pairs
        for ratio in pair.ratios
        if ratio is not None
    )


def _lines(said: Iterable[tuple[str, str]]) -> list[str]:
    lines = [f"  {line}" for line in merged(said)]
    rest = len(lines) - MOST_NOTES
    return [*lines[:MOST_NOTES], *([f"  {rest} more notes with --json"] if rest > 0 else [])]
