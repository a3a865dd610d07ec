"""The head of a series report: the answer to each main hypothesis, and what the series is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from rig.lives.hypotheses import LEVEL
from rig.report.measure import Part
from rig.report.series_numbers import Numbers, ranged

if TYPE_CHECKING:
    from rig.report.series_numbers import Step

MAIN: Final = 3
"""Hypotheses that are answered at the head, those the series names first; all stand below."""
_QUANTITIES: Final = {"ultimate": "ultimate load"}


def lead_of(numbers: Numbers) -> tuple[Part, ...]:
    """Answer the main hypotheses in words, then say what no answer holds for, and from how many."""
    many = numbers.value("counts", "hypotheses")
    parts: list[Part] = []
    for i in range(min(many, MAIN)):
        parts += _answer(numbers, i)
    if many > MAIN:
        parts += ["All ", numbers.measure("counts", "hypotheses"), " hypotheses stand below. "]
    if not many:
        parts += ["The series names no hypothesis. ", *_least(numbers)]
    if any(numbers.value("hypotheses", i, "along") for i in range(min(many, MAIN))):
        parts.append("What differs besides, in the warnings, may do as much. ")
    parts += ["Nothing is proven. From ", *_counts(numbers), "."]
    return tuple(parts)


def _answer(numbers: Numbers, i: int) -> tuple[Part, ...]:
    """Answer one hypothesis: its name, the word on it, and what that rests on."""
    at: tuple[Step, ...] = ("hypotheses", i)
    head = ("“", numbers.words(*at, "name"), "”: ")
    verdict = numbers.words(*at, "verdict", kind="name")
    entry: dict[str, Any] = numbers.value(*at)
    p = numbers.measure(*at, "p", unit="ratio", digits=2)
    match entry["verdict"]:
        case "favoured":
            rest = (", ", *_effect(numbers, i), ", one-sided p ", p)
        case "disfavoured":
            against = numbers.measure(*at, "p_opposite", unit="ratio", digits=2)
            rest = (", ", *_effect(numbers, i), ", one-sided p ", against, " for the opposite")
        case "open":
            rest = (", ", *_effect(numbers, i), ", one-sided p ", p)
        case _ if entry["smallest_p"] is None:
            rest = (", ", numbers.words(*at, "why", blank="nothing was found"))
        case _:
            least = numbers.measure(*at, "smallest_p", unit="ratio", digits=2)
            sizes = (numbers.measure(*at, "sizes", side) for side in (0, 1))
            one, other = sizes
            rest = (
                " to tell: ",
                one,
                " against ",
                other,
                " never show a one-sided p below ",
                least,
            )
    return (*head, verdict, *rest, ". ")


def _effect(numbers: Numbers, i: int) -> tuple[Part, ...]:
    """Say the effect with its interval: a ratio, or a difference of shares."""
    at: tuple[Step, ...] = ("hypotheses", i)
    entry: dict[str, Any] = numbers.value(*at)
    seen = entry["quantity"] == "observation"
    value, low, high = (
        numbers.measure(*at, name, unit="%" if seen else "ratio")
        for name in ("effect", "low", "high")
    )
    if all(entry[name] is None for name in ("effect", "low", "high")):
        return ("no ratio can be told",)
    sure = (" (", numbers.measure(*at, "confidence", unit="%"), ")")
    higher, lower = (names_of(numbers, i, side) for side in ("higher", "lower"))
    if seen:
        share = ("share with ", numbers.words(*at, "seen", kind="name"), " in ")
        return (*share, *higher, " less that in ", *lower, ": ", *ranged(value, low, high), *sure)
    quantity = _QUANTITIES.get(entry["quantity"], entry["quantity"])
    ends = ranged(value, low, high)
    return (f"{quantity} of ", *higher, " is ", *ends, " times that of ", *lower, *sure)


def names_of(numbers: Numbers, i: int, side: str) -> tuple[Part, ...]:
    """Return the names of the groups in which a hypothesis expects more, or less."""
    names = range(len(numbers.value("hypotheses", i, side)))
    parts = ((" and ", numbers.words("hypotheses", i, side, n, kind="name")) for n in names)
    return tuple(part for pair in parts for part in pair)[1:]


def _least(numbers: Numbers) -> tuple[Part, ...]:
    """Say the smallest p that any pair of groups could have reached, where that is a large one."""
    tests = numbers.value("life_tests")
    if not tests:
        return ()
    i = min(range(len(tests)), key=lambda n: tests[n]["smallest_p_two_sided"])
    if tests[i]["smallest_p_two_sided"] <= LEVEL:
        return ()
    return (
        "No pair of groups could have shown a two-sided p of lives below ",
        numbers.measure("life_tests", i, "smallest_p_two_sided", unit="ratio", digits=2),
        ". ",
    )


def _counts(numbers: Numbers) -> tuple[Part, ...]:
    at = ("counts",)
    return (
        *numbers.count("life", "lives", *at, "lives"),
        " (",
        *numbers.count("failure", "failures", *at, "failures"),
        ") and ",
        *numbers.count("ultimate load", "ultimate loads", *at, "ultimate_loads"),
        " in ",
        *numbers.count("group", "groups", *at, "groups"),
    )
