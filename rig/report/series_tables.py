"""The tables of a series report: specimens, lives, curves, fits, ultimate loads, what was seen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from rig.report.measure import plain
from rig.report.series_grid import (
    YES_NO,
    Col,
    Grid,
    counted,
    grid,
    interval,
    named,
)
from rig.report.series_numbers import UNTOLD, Numbers, Step

MODELS: Final = ("weibull", "lognormal")
SPECIMEN: Final = named("specimen", "specimen", "specimen as the series names it")
GROUP: Final = named("group", "group", "group of the series")


def _told(name: str, head: str, unit: str, meaning: str, digits: int = 3) -> Col:
    return Col(name, head, unit, meaning, (name,), digits, UNTOLD)


COUNTED: Final = Col(
    "counted", "counts", YES_NO, "whether tests count it", ("counted",), no="no, left out"
)
AGE: Final = _told("age_s", "age", "s", "age of the concrete when the test began")
MODE: Final = named("mode", "mode", "how it failed, as a person saw it", blank=UNTOLD)
_HISTORY: Final = (
    SPECIMEN,
    named("kind", "entry", "life, ultimate load, or residual load after a run-out"),
    GROUP,
    named("exposure", "exposure", "exposure of its group", blank=UNTOLD),
    AGE,
    *(
        named(name, head, f"{meaning} of the specimen, else of its group", blank=UNTOLD)
        for name, head, meaning in (
            ("batch", "batch", "batch of the concrete"),
            ("cast", "cast", "day of casting"),
            ("bed", "bed", "prestressing bed"),
            ("frame", "frame", "test frame"),
        )
    ),
    named("member", "member", "member that it was cut from", blank=UNTOLD),
    _told("wet_s", "wet for", "s", "time for which it was wet"),
    COUNTED,
    named("run", "run", "folder or file of its run, as the series names it", blank="none"),
)
_LIVES: Final = (
    SPECIMEN,
    GROUP,
    _told("load_level", "load level", "%", "upper load over the capacity"),
    _told("concrete_level", "concrete level", "%", "largest stress of the top fibre over strength"),
    _told("tendon_range_Pa", "tendon range", "Pa", "stress range of the tendon"),
    Col("cycles", "life [cycles]", "1", "counted load cycles up to the end", ("cycles",)),
    named("outcome", "end", "failure or run-out", blank="its run tells none"),
    MODE,
    _told("interruptions_s", "stood still", "s", "all the time it stood still"),
    _told("unloaded_s", "of it unloaded", "s", "that of it without load"),
    Col(
        "overloaded",
        "overloaded",
        YES_NO,
        "whether a cycle went far above the upper load",
        ("overloaded",),
    ),
    COUNTED,
)
_LOADS: Final = (
    SPECIMEN,
    named("kind", "entry", "ultimate load, or residual load after a run-out"),
    GROUP,
    Col("load_N", "load", "N", "ultimate load", ("load_N",), 4, "its run tells none"),
    MODE,
    AGE,
    COUNTED,
)


def _entries(numbers: Numbers, kinds: tuple[str, ...]) -> Iterator[tuple[Step, ...]]:
    for i, entry in enumerate(numbers.value("specimens")):
        if entry["kind"] in kinds:
            yield "specimens", i


def specimens_grid(numbers: Numbers) -> Grid:
    """Return all entries with what is known of their history."""
    kinds = ("life", "ultimate load", "residual load")
    caption = ("Every entry of the series: where it comes from and what befell it",)
    return grid(numbers, "specimens", caption, _HISTORY, _entries(numbers, kinds))


def lives_grid(numbers: Numbers) -> Grid:
    """Return every life with its levels, counted or not."""
    caption = ("Lives and the levels they were tested at",)
    table = grid(numbers, "lives", caption, _LIVES, _entries(numbers, ("life",)))
    end, mode = ([col.name for col in _LIVES].index(name) for name in ("outcome", "mode"))
    rows = tuple(
        (*row[:mode], "none, ran out", *row[mode + 1 :])
        if row[mode] == UNTOLD and plain((row[end],)) == "run-out"
        else row
        for row in table.rows
    )
    return replace(table, rows=rows)


def loads_grid(numbers: Numbers) -> Grid:
    """Return every ultimate and residual load."""
    caption = ("Ultimate loads, one by one",)
    rows = _entries(numbers, ("ultimate load", "residual load"))
    return grid(numbers, "ultimate-loads", caption, _LOADS, rows)


def _groups(numbers: Numbers, table: str) -> list[tuple[Step, ...]]:
    return [(table, name) for name in numbers.value("group_names")]


def _with_names(numbers: Numbers, table: Grid) -> Grid:
    """Return a table of one row a group with the groups' names before it."""
    names = tuple(numbers.words("group_names", i, kind="name") for i in range(len(table.rows)))
    return Grid(
        table.name,
        table.caption,
        (GROUP, *table.columns),
        tuple((name, *row) for name, row in zip(names, table.rows, strict=True)),
        ("compare.group_names.*", *table.keys),
    )


def groups_grid(numbers: Numbers) -> Grid:
    """Return what the lives of each group tell by themselves."""
    columns = (
        counted("n", "lives", "lives that count"),
        counted("failures", "failed", "of them failed"),
        counted("run_outs", "did not", "of them ran out, or ended by another mode"),
        Col(
            "median_cycles",
            "median [cycles]",
            "1",
            "life at which the product-limit curve falls to half",
            ("median_cycles",),
            blank="not reached",
        ),
        Col(
            "outlived_cycles",
            "outlived [cycles]",
            "1",
            "life that most such specimens outlive, by lognormal lives",
            ("outlived", "life"),
            blank="cannot be told",
        ),
        Col(
            "outlived_share",
            "by a share",
            "%",
            "share of specimens that outlive it",
            ("outlived", "share"),
        ),
        Col(
            "outlived_confidence",
            "said with",
            "%",
            "confidence with which that is said",
            ("outlived", "confidence"),
        ),
    )
    caption = ("Lives of each group by themselves",)
    return _with_names(
        numbers, grid(numbers, "groups", caption, columns, _groups(numbers, "groups"))
    )


def modes_grid(numbers: Numbers) -> Grid:
    """Return what it makes of each median how those that ended by another mode are taken."""
    what = "median where specimens that ended by another mode"
    columns = (
        counted("withdrawn", "withdrawn", "specimens that ended by another mode"),
        counted("median", "median [cycles]", f"{what} are withdrawn then"),
        counted("median_if_next", "if they failed just then", f"{what} failed just then"),
        counted("median_if_last", "if they outlived all", f"{what} outlived all"),
    )
    names = numbers.value("group_names") if numbers.value("mode") else ()
    rows = [("groups", name, "sensitivity") for name in names]
    caption = ("What it makes of each median how those of other modes are taken",)
    table = grid(numbers, "other-modes", caption, columns, rows)
    return _with_names(numbers, table)


def fits_grid(numbers: Numbers) -> Grid:
    """Return the laws fitted to the lives of each group."""
    law, log = ("weibull",), ("lognormal",)
    columns = (
        *interval(
            "Weibull shape",
            "shape of the Weibull law",
            ("shape", "shape_low", "shape_high"),
            prefix="weibull_",
            at=law,
        ),
        *interval(
            "Weibull scale [cycles]",
            "scale of the Weibull law",
            ("scale", "scale_low", "scale_high"),
            unit="1",
            prefix="weibull_",
            at=law,
        ),
        *interval(
            "mean of ln N",
            "mean of the natural logarithm of lives, lognormal law",
            ("mu", "mu_low", "mu_high"),
            prefix="lognormal_",
            at=log,
        ),
        *interval(
            "sigma of ln N",
            "standard deviation of the natural logarithm of lives, lognormal law",
            ("sigma", "sigma_low", "sigma_high"),
            prefix="lognormal_",
            at=log,
        ),
        named("why_not", "no fit, because", "why no law can be fitted", blank=""),
    )
    caption = (
        "Laws fitted to the lives of each group, with intervals of ",
        numbers.measure("confidence", unit="%"),
        " by profile likelihood",
    )
    return _with_names(numbers, grid(numbers, "fits", caption, columns, _groups(numbers, "fits")))


def curve_grid(numbers: Numbers) -> Grid:
    """Return the steps of the product-limit curves."""
    columns = (
        Col("cycles", "at [cycles]", "1", "life at which specimens failed"),
        Col("at_risk", "lived up to it", "1", "specimens that lived up to it"),
        Col("failures", "failed", "1", "specimens that failed at it"),
        Col("survival", "left", "%", "share that has not failed from it on"),
        Col("survival_low", "left", "%", "lower end of that share"),
        Col("survival_high", "left", "%", "upper end of that share"),
    )
    fields = ("times", "at_risk", "failures", "survival", "low", "high")
    rows = []
    for g, name in enumerate(numbers.value("group_names")):
        for i in range(len(numbers.value("groups", name, "curve", "times") or ())):
            steps = (
                numbers.measure("groups", name, "curve", field, i, unit=col.unit)
                for field, col in zip(fields, columns, strict=True)
            )
            rows.append((numbers.words("group_names", g, kind="name"), *steps))
    caption = (
        "Steps of the product-limit curves; intervals of ",
        numbers.measure("confidence", unit="%"),
        " of each step by itself",
    )
    keys = tuple(f"compare.groups.*.curve.{field}.*" for field in fields)
    return Grid(
        "survival", caption, (GROUP, *columns), tuple(rows), ("compare.group_names.*", *keys)
    )


def ultimates_grid(numbers: Numbers) -> Grid:
    """Return the mean ultimate load of each group."""
    columns = (
        counted("n", "loads", "ultimate loads that count, residual ones not"),
        Col("mean_N", "mean", "N", "mean ultimate load", ("mean_N",), 4),
        Col(
            "variation",
            "variation",
            "%",
            "standard deviation (n - 1) over the mean",
            ("variation",),
            2,
        ),
    )
    caption = ("Ultimate loads of each group, residual ones left out",)
    table = grid(numbers, "ultimates", caption, columns, _groups(numbers, "ultimates"))
    return _with_names(numbers, table)


def seen_grid(numbers: Numbers) -> Grid:
    """Return on how many specimens each sign was seen."""
    columns = (
        named("looked_for", "sign", "what was looked for"),
        GROUP,
        counted("seen", "seen on", "specimens on which it was seen"),
        counted("looked", "of", "specimens that were looked at"),
        counted("specimens", "specimens in all", "specimens of the group"),
        Col("low", "share", "%", "lower end of the share", ("low",), 2),
        Col("high", "share", "%", "upper end of the share", ("high",), 2),
    )
    caption = (
        "What was looked for afterwards; intervals of the share of ",
        numbers.measure("confidence", unit="%"),
        " after Clopper and Pearson",
    )
    rows = [("observations", i) for i in range(len(numbers.value("observations")))]
    return grid(numbers, "observations", caption, columns, rows)
