"""The report of a series: what it says, what to beware of, and everything it stands on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rig import __version__
from rig.lives.hypotheses import LEVEL
from rig.report.document import Document
from rig.report.lives_object import compared_object
from rig.report.measure import COUNT, Measure, Part, Words
from rig.report.series_compared import (
    comparison_section,
    hypotheses_section,
    lives_section,
    service_section,
    survival_section,
    ultimate_section,
)
from rig.report.series_grids import grids_of
from rig.report.series_numbers import Numbers
from rig.report.series_runs import Sources, sources_of
from rig.report.series_sections import (
    cautions_section,
    left_out_section,
    method_section,
    runs_section,
    specimens_section,
    words_section,
)

if TYPE_CHECKING:
    from pathlib import Path

    from rig.lives.comparison import Comparison
    from rig.lives.service import ServiceLife
    from rig.protocol.series import Series

MOST_ALONG: Final = 3
"""Things that go along with the first hypothesis and are said at the head; all stand below."""


def series_document(
    series: Series, told: Comparison, years: ServiceLife | None, source: Path | None = None
) -> Document:
    """Return the report of a series that was compared.

    `years` are of a place in service, None where nobody asked. `source` is the series file, beside
    which its runs are looked up and hashed. Every number out of the comparison has for its key the
    path in the object of `compare --json`, after "compare."; those of files begin with "series."
    and "runs.". Raises StorageError where a file cannot be read.
    """
    numbers = Numbers(compared_object(told, years))
    grids = grids_of(numbers)
    sources = sources_of(series, source)
    return Document(
        kind="Series report",
        title=(numbers.words("title"),),
        lead=_lead(numbers),
        warnings=_warnings(numbers, sources),
        sections=(
            words_section(numbers),
            cautions_section(numbers),
            specimens_section(numbers, grids),
            lives_section(told, numbers, grids),
            survival_section(told, numbers, grids),
            ultimate_section(told, numbers, grids),
            comparison_section(numbers, grids),
            hypotheses_section(numbers, grids),
            service_section(numbers, grids),
            left_out_section(numbers),
            runs_section(sources),
            method_section(),
        ),
        about=_about(numbers, sources),
    )


def _lead(numbers: Numbers) -> tuple[Part, ...]:
    """Say in two or three sentences what the series says, and what it cannot say."""
    at = ("counts",)
    parts: list[Part] = [
        *numbers.count("life", "lives", *at, "lives"),
        " (",
        *numbers.count("failure", "failures", *at, "failures"),
        ") and ",
        *numbers.count("ultimate load", "ultimate loads", *at, "ultimate_loads"),
        " in ",
        *numbers.count("group", "groups", *at, "groups"),
        ". ",
    ]
    if numbers.value(*at, "hypotheses"):
        parts += [
            "“",
            numbers.words("hypotheses", 0, "name"),
            "”: ",
            numbers.words("hypotheses", 0, "verdict", kind="name"),
            "; ",
            numbers.words("hypotheses", 0, "why", blank="nothing was found"),
            ". ",
            *_others(numbers),
        ]
    else:
        parts += ["The series names no hypothesis. ", *_least(numbers)]
    parts.append("Nothing is proven.")
    return tuple(parts)


def _others(numbers: Numbers) -> tuple[Part, ...]:
    """Say how many of all hypotheses got each word, where there are several."""
    if numbers.value("counts", "hypotheses") < 2:
        return ()
    return (
        "Of ",
        numbers.measure("counts", "hypotheses"),
        " hypotheses ",
        numbers.measure("counts", "favoured"),
        " favoured, ",
        numbers.measure("counts", "disfavoured"),
        " disfavoured, ",
        numbers.measure("counts", "open"),
        " open, and for ",
        numbers.measure("counts", "too_few"),
        " too few specimens. ",
    )


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


def _warnings(numbers: Numbers, sources: Sources) -> tuple[tuple[Part, ...], ...]:
    """Say what every reader must know before the rest."""
    found: list[tuple[Part, ...]] = []
    simulated = [i for i, run in enumerate(sources.runs) if run.kind == "simulated"]
    imported = [i for i, run in enumerate(sources.runs) if run.kind == "imported"]
    for runs, words in (
        (simulated, " simulated: rehearsals in virtual time, on no specimen"),
        (imported, " imported: recorded elsewhere"),
    ):
        if runs:
            of = Measure(
                len(runs), COUNT, f"runs.{'simulated' if runs is simulated else 'imported'}"
            )
            every = Measure(len(sources.runs), COUNT, "runs.count")
            found.append((of, " of ", every, f" runs{words}."))
    if numbers.value("counts", "left_out"):
        found.append(
            (
                *numbers.count("entry is", "entries are", "counts", "left_out"),
                " left out, void or unknown.",
            )
        )
    if numbers.value("mode") is not None:
        found.append(("compared for ", numbers.words("mode", kind="name"), " alone."))
    if numbers.value("hypotheses"):
        along = numbers.all_words("hypotheses", 0, "along")[:MOST_ALONG]
        found += [(*words, ".") for words in along]
    if numbers.value("cautions"):
        stand = numbers.count("caution stands", "cautions stand", "counts", "cautions")
        found.append((*stand, " below: read them before the rest."))
    return tuple(found)


def _about(numbers: Numbers, sources: Sources) -> tuple[tuple[Part, ...], ...]:
    """Say what the report was made from, and by what."""
    lines: list[tuple[Part, ...]] = [
        (
            "Made by nightrig ",
            Words(__version__, "constant.SOFTWARE", "name"),
            ". Its numbers are those of compare --json, in SI units there.",
        ),
        (
            "Confidence of intervals: ",
            numbers.measure("confidence", unit="%"),
            "; of life ratios and hypotheses: ",
            numbers.measure("confidence_of_ratios", unit="%"),
            ".",
        ),
    ]
    if sources.file:
        lines.append(
            (
                "Series file: ",
                Words(sources.file, "series.file", "file"),
                ", SHA-256 ",
                Words(sources.sha256, "series.sha256", "file"),
            )
        )
    return tuple(lines)
