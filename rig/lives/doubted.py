"""What of a comparison stands on doubtful ground; nothing of it is refused."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from rig.lives.ultimate import outlier_words
from rig.protocol.series import SAME_LEVEL

if TYPE_CHECKING:
    from rig.lives.at_levels import AtLevel, LeftOfWater
    from rig.lives.comparison import LifePair, UltimatePair
    from rig.lives.grouped import LifeGroup
    from rig.lives.hypotheses import Weighed

MOST_ABOUT: Final = 3
"""Groups, or pairs of them, that are named beside one note of theirs."""


class Doubt(NamedTuple):
    """What is doubtful, and of which groups or hypothesis ("": the words say it)."""

    about: str
    words: str

    def __str__(self) -> str:
        return f"{self.about}: {self.words}" if self.about else self.words


def unlike_levels(a: LifeGroup, b: LifeGroup) -> tuple[str, ...]:
    """Say where two groups did not run at one load level."""
    levels = np.concatenate([a.levels, b.levels])
    if not np.isfinite(levels).all():
        return ("not all say their load level",)
    if np.ptp(levels) < SAME_LEVEL:
        return ()
    return ("load levels differ, and the lives are compared as they are: see those at equal level",)


def of_pairs(pairs: Sequence[LifePair], ultimate_pairs: Sequence[UltimatePair]) -> Iterator[Doubt]:
    """Return the doubts of all pairs, and that there are several."""
    for pair in pairs:
        about = f"{pair.a.name} (a) and {pair.b.name} (b), lives"
        yield from (Doubt(about, words) for words in pair.warnings)
    for each in ultimate_pairs:
        about = f"{each.a.name} (a) and {each.b.name} (b), ultimate loads"
        yield from (Doubt(about, words) for words in each.test.warnings)
        for shown in each.test.outliers:
            group = each.a if shown.group == "a" else each.b
            yield Doubt("", outlier_words(shown, group.specimens[shown.outlier.index]))
    many = max(len(pairs), len(ultimate_pairs))
    if many > 1:
        yield Doubt(
            "",
            f"{many} pairs of groups are compared, and no p is corrected for that: look first at "
            "the pair the series was made for",
        )


def of_levels(water: Iterable[LeftOfWater], others: Iterable[AtLevel]) -> Iterator[Doubt]:
    """Return the doubts of all ratios at equal levels."""
    told = [(each.dry, each.wet, each.equal) for each in water]
    told += [(each.a, each.b, each.equal) for each in others]
    for a, b, equal in told:
        if equal is not None:
            about = f"{a} and {b}, at equal {equal.measure}"
            yield from (Doubt(about, words) for words in equal.warnings)


def of_hypotheses(hypotheses: Iterable[Weighed], said: Iterable[Doubt]) -> Iterator[Doubt]:
    """Return the doubts of hypotheses that are not those of a pair, said before."""
    before = {doubt.words for doubt in said}
    for weighed in hypotheses:
        for words in weighed.warnings:
            if words not in before:
                yield Doubt(f'"{weighed.name}"', words)


def of_groups(groups: Iterable[LifeGroup]) -> Iterator[Doubt]:
    """Say which lives were overloaded: they count all the same."""
    for group in groups:
        many = [s for s, over in zip(group.specimens, group.overloaded, strict=True) if over]
        if many:
            yield Doubt(group.name, f"overloaded, and counted all the same: {', '.join(many)}")


def merged(said: Iterable[tuple[str, str]]) -> list[str]:
    """Return each of some words once, with all that they are said of; "" is said of nothing."""
    about: dict[str, list[str]] = {}
    for of, words in said:
        names = about.setdefault(words, [])
        if of and of not in names:
            names.append(of)
    return [_said_of(words, names) for words, names in about.items() if words]


def _said_of(words: str, about: Sequence[str]) -> str:
    if not about:
        return words
    rest = f" and {len(about) - MOST_ABOUT} more" if len(about) > MOST_ABOUT else ""
    return f"{'; '.join(about[:MOST_ABOUT])}{rest}: {words}"
