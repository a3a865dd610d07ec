"""The tables of a series report that set groups beside each other: tests, ratios, lines, words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rig.report.measure import Part
from rig.report.series_grid import YES_NO, Col, Grid, counted, grid, interval, named, p_value
from rig.report.series_numbers import Numbers, Step

A: Final = named("a", "a", "the earlier group of the file")
B: Final = named("b", "b", "the later group of the file")
NOTE: Final = named("note", "note", "what is to be minded", blank="")


def _rows(numbers: Numbers, table: str) -> list[tuple[Step, ...]]:
    return [(table, i) for i in range(len(numbers.value(table)))]


def life_tests_grid(numbers: Numbers) -> Grid:
    """Return the exact log-rank test of each pair."""
    columns = (
        A,
        B,
        Col(
            "observed_minus_expected",
            "O-E of a",
            "ratio",
            "failures of a less those expected, below 0 where a lives longer",
            ("observed_minus_expected",),
        ),
        p_value("p_exact_one_sided", "one-sided p", "p that a lives longer"),
        p_value("smallest_p_one_sided", "smallest possible", "smallest one-sided p possible"),
        p_value("p_exact_two_sided", "two-sided p", "p of either living longer"),
        p_value("smallest_p_two_sided", "smallest possible, two-sided", "smallest two-sided p"),
        counted("arrangements", "arrangements", "ways to deal the specimens to the groups"),
        Col("exact", "all counted", YES_NO, "whether all of them were counted", ("exact",)),
        Col("stratified", "in batches", YES_NO, "whether within batches", ("stratified",)),
    )
    caption = ("Lives, a beside b: the exact log-rank test",)
    return grid(numbers, "life-tests", caption, columns, _rows(numbers, "life_tests"))


def life_ratios_grid(numbers: Numbers) -> Grid:
    """Return the life ratio of each pair by each law."""
    columns = (
        A,
        B,
        named("model", "law", "law that lives are taken for"),
        *interval("life of a over b", "life of a over that of b", ("ratio", "low", "high")),
        named("kind", "kind", "an interval, or a bound where a group only ran out"),
        Col("confidence", "of", "%", "confidence of the interval or bound", ("confidence",)),
        NOTE,
    )
    caption = ("Life ratios, a over b, of the lives as they are",)
    return grid(numbers, "life-ratios", caption, columns, _rows(numbers, "life_ratios"))


_EQUAL: Final = (
    named("measure", "at equal", "measure at which lives are brought to one level"),
    *interval(
        "ratio, levels exact",
        "life ratio, levels taken as exact",
        ("ratio", "low_without", "high_without"),
    ),
    *interval(
        "ratio, with their error",
        "life ratio with the error of mean capacities and slope",
        ("ratio", "low", "high"),
        prefix="with_error_",
    ),
    Col(
        "decades_from_capacity",
        "decades from capacities",
        "ratio",
        "standard error of the decadic logarithm of the ratio from the mean capacities",
        ("decades_from_capacity",),
        2,
    ),
    Col(
        "decades_from_slope",
        "decades from slope",
        "ratio",
        "standard error of the decadic logarithm of the ratio from the slope",
        ("decades_from_slope",),
        2,
    ),
    Col("confidence", "of", "%", "confidence of the intervals", ("confidence",)),
    named("slope_from", "slope from", "where the slope comes from", blank=""),
)


def water_grid(numbers: Numbers) -> Grid:
    """Return what is left of water at each equal level."""
    columns = (
        named("dry", "dry", "the dry group"),
        named("wet", "wet", "the wet group"),
        *_EQUAL,
        named("why_not", "not told, because", "why nothing can be told", blank=""),
    )
    caption = ("Left of water: lives of the dry group over those of the wet one, at one level",)
    rows = _rows(numbers, "left_of_water")
    told = [row for row in rows if numbers.value(*row, "why_not") is None]
    return grid(numbers, "left-of-water", caption, columns, told)


def levels_grid(numbers: Numbers) -> Grid:
    """Return the other pairs at equal levels."""
    caption = ("Other pairs at one level: lives of a over those of b",)
    columns = (A, B, *_EQUAL)
    return grid(numbers, "equal-levels", caption, columns, _rows(numbers, "at_equal_levels"))


def sn_grid(numbers: Numbers) -> Grid:
    """Return the S-N lines, of all groups together and of each."""
    law = (
        named("form", "form", "semilog: ln N = a + b S; loglog: ln N = a + b ln S"),
        *interval("a", "a of ln N = a + b S or b ln S, S the load level", ("a", "a_low", "a_high")),
        *interval("b", "b of the same", ("b", "b_low", "b_high")),
        Col("sigma", "sigma of ln N", "ratio", "scatter of ln N about the line", ("sigma",)),
        counted("n", "lives", "lives that tell their load level"),
        counted("failures", "failed", "of them failed"),
        Col("log_likelihood", "log-likelihood", "ratio", "of ln N", ("log_likelihood",), 5),
    )
    forms = ("semilog", "loglog")
    of: list[tuple[tuple[Step, ...], Part]] = [(("sn", form), "all together") for form in forms]
    for i, name in enumerate(numbers.value("group_names")):
        words = numbers.words("group_names", i, kind="name")
        of += [(("sn_of_groups", name, form), words) for form in forms]
    found = [(path, words) for path, words in of if numbers.value(*path) is not None]
    table = grid(numbers, "sn-lines", (), law, [path for path, _ in found])
    group = named("group", "group", "group, or all together")
    fields = [col.name for col in law]
    return Grid(
        "sn-lines",
        ("S-N lines, run-outs counted as such; the load level S is a share of the capacity",),
        (group, *table.columns),
        tuple((words, *row) for (_, words), row in zip(found, table.rows, strict=True)),
        (
            "compare.group_names.*",
            *(f"compare.sn.*.{n} or compare.sn_of_groups.*.*.{n}" for n in fields),
        ),
    )


def ultimate_tests_grid(numbers: Numbers) -> Grid:
    """Return the tests of ultimate loads of each pair."""
    columns = (
        A,
        B,
        *interval(
            "a less b",
            "mean ultimate load of a less that of b",
            ("difference", "difference_low", "difference_high"),
            unit="N",
        ),
        *interval(
            "a over b",
            "mean ultimate load of a over that of b",
            ("ratio", "ratio_low", "ratio_high"),
            digits=4,
        ),
        Col("t", "t", "ratio", "t of Welch", ("t",)),
        Col("df", "degrees of freedom", "ratio", "its degrees of freedom", ("df",)),
        p_value("p", "Welch p", "two-sided p of the test of Welch"),
        p_value("p_rank", "ranks p", "two-sided p of the exact rank test"),
        p_value("smallest_p_rank", "smallest possible", "smallest two-sided p of ranks possible"),
        Col("confidence", "of", "%", "confidence of the intervals", ("confidence",)),
    )
    caption = ("Ultimate loads, a beside b",)
    return grid(numbers, "ultimate-tests", caption, columns, _rows(numbers, "ultimate_tests"))


def hypotheses_grid(numbers: Numbers) -> Grid:
    """Return the word on each hypothesis."""
    columns = (
        named("name", "hypothesis", "hypothesis as the series words it"),
        named("quantity", "about", "quantity that it is about"),
        named("verdict", "word", "favoured, disfavoured, open, or too few"),
        *interval(
            "effect",
            "effect in the direction expected: a ratio, or a difference of shares",
            ("effect", "low", "high"),
        ),
        Col("confidence", "of", "%", "confidence of the interval", ("confidence",)),
        p_value("p", "one-sided p", "one-sided p in the direction expected"),
        p_value("smallest_p", "smallest possible", "smallest such p possible"),
        p_value("p_opposite", "p against it", "one-sided p in the opposite direction"),
    )
    caption = ("The word on each hypothesis of the series",)
    return grid(numbers, "hypotheses", caption, columns, _rows(numbers, "hypotheses"))


def service_grid(numbers: Numbers) -> Grid:
    """Return the years of each place in service; no rows where no service was asked for."""
    columns = (
        named("name", "place", "place in service"),
        Col("wet_time", "wet", "%", "share of the time that it is wet", ("wet_time",)),
        *interval(
            "until half have failed",
            "years until half of such members have failed",
            ("years", "low", "high"),
            unit="a",
        ),
        Col(
            "early",
            "until one of twenty has",
            "a",
            "years until one of twenty has failed",
            ("early",),
        ),
        named("kind", "kind", "what the ends are"),
        NOTE,
    )
    places = numbers.value("service", "places") or ()
    rows: Sequence[tuple[Step, ...]] = [("service", "places", i) for i in range(len(places))]
    return grid(numbers, "service", ("Years of each place in service",), columns, rows)
