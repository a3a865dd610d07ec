"""Loops of load against net deflection: single cycles, static checks, and a test to ultimate."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rig.criteria.crack import OFFSET, CrackSetup, CrackState, FirstCrack, first_crack
from rig.judging.watchers import LEAST_SHARE
from rig.report.curve_axes import (
    GREY,
    LOOKS,
    MARGIN,
    SMALL,
    WIDTH,
    WORDS,
    framed,
    look,
    new_figure,
)
from rig.report.document import Block, Drawn
from rig.report.figures import COLOURS
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Told

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.report.curve_kept import Loop
    from rig.report.curve_statics import Static
    from rig.samples import FloatArray

HEIGHT: Final = 3.1
MOST: Final = 400
"""Points of one loop."""
_NAMED: Final = 8
_ROWS: Final = 14
MOST_POINTS: Final = 1500
"""Points of a loading in which a first crack is looked for."""


def loops_block(loops: Sequence[Loop]) -> Block | None:
    """Return load against net deflection of cycles 1, 10, 100 ..., one over the other."""
    if not loops:
        return None
    sentence: tuple[Part, ...] = (
        "Load against net deflection, sample by sample, of the cycles nearest to the counts one, "
        "ten, a hundred and so on that were kept whole, and of the last.",
    )
    heads = ("counted cycle", "Load from", "Load to", "Net deflection from", "Net deflection to")
    table = Table(heads, tuple(_loop_row(loop) for loop in loops))
    draw = partial(_draw_loops, loops)
    return Drawn("loops", "Loops of single cycles", draw, Told(sentence, table))


def _loop_row(loop: Loop) -> tuple[Cell, ...]:
    key = f"derived.loop.{loop.number}"
    ends = [
        Measure(float(end(values)), unit, f"{key}.{name}.{what}", 4)
        for name, values, unit in (("load", loop.load, "N"), ("deflection", loop.deflection, "m"))
        for what, end in (("min", np.nanmin), ("max", np.nanmax))
    ]
    return (Measure(loop.number, COUNT, f"cycles.number.at.{loop.number}"), *ends)


def _draw_loops(loops: Sequence[Loop]) -> Figure:
    with look():
        figure, axes = _square("net deflection [mm]", "load [kN]")
        for place, loop in enumerate(loops):
            at = thinned(loop.load, loop.deflection)
            colour = COLOURS[place % len(COLOURS)]
            dash = LOOKS[(place + place // len(COLOURS)) % len(LOOKS)]["linestyle"]
            axes.plot(
                1e3 * loop.deflection[at],
                1e-3 * loop.load[at],
                color=colour,
                linestyle=dash,
                linewidth=0.9,
                label=f"cycle {loop.number:,}",
            )
        _legend(axes)
    return figure


def statics_block(statics: Sequence[Static], but: Static | None = None) -> Block | None:
    """Return all static checks, one over the other, but one that is drawn by itself."""
    known = [static for static in statics if static.drawn and static is not but]
    if not known:
        return None
    others = ", but the one above" if but is not None else ""
    sentence: tuple[Part, ...] = (
        "Load against net deflection of all slow loadings that the record holds, static checks and "
        f"every other{others}. Earlier ones are paler; where lines lie on each other, nothing has "
        "changed between their counts.",
    )
    rows = tuple(_static_row(static) for static in _some(known))
    heads = ("counted cycle", "Largest load", "Net deflection there", "Largest net deflection")
    draw = partial(_draw_statics, known)
    return Drawn("static-checks", "All slow loadings", draw, Told(sentence, Table(heads, rows)))


def _some(known: Sequence[Static]) -> list[Static]:
    places = np.unique(np.round(np.linspace(0, len(known) - 1, _ROWS)).astype(int))
    return [known[place] for place in places.tolist()]


def _static_row(static: Static) -> tuple[Cell, ...]:
    key = f"derived.static.{static.index}"
    peak = int(np.nanargmax(static.load))
    return (
        Measure(static.cycle, COUNT, f"static.{static.index}.cycle"),
        Measure(float(static.load[peak]), "N", f"{key}.load.max", 4),
        Measure(float(static.deflection[peak]), "m", f"{key}.deflection.at_load_max", 4),
        Measure(float(np.nanmax(static.deflection)), "m", f"{key}.deflection.max", 4),
    )


def _draw_statics(known: Sequence[Static]) -> Figure:
    with look():
        figure, axes = _square("net deflection [mm]", "load [kN]")
        named = {static.index for static in _spread(known)}
        counts = list(dict.fromkeys(static.cycle for static in known))
        for place, static in enumerate(known):
            at = thinned(static.load, static.deflection)
            dash = LOOKS[counts.index(static.cycle) % len(LOOKS)]["linestyle"]
            style: dict[str, Any] = {"color": _paler(place, len(known)), "linestyle": dash}
            if static.index in named:
                style["label"] = f"at {static.cycle:,} cycles"
            x, y = 1e3 * static.deflection[at], 1e-3 * static.load[at]
            axes.plot(x, y, linewidth=0.9, **style)
        _legend(axes)
    return figure


def _spread(known: Sequence[Static]) -> list[Static]:
    """Return those of many that are named: one of each count, the first and the last too."""
    first_of = list({static.cycle: static for static in reversed(known)}.values())[::-1]
    places = np.unique(np.round(np.linspace(0, len(first_of) - 1, _NAMED)).astype(int))
    return [first_of[place] for place in places.tolist()]


def _paler(place: int, many: int) -> str:
    """Return a blue that gets darker from the first to the last."""
    share = (place + 1) / many
    pale, dark = (157, 195, 226), (8, 42, 80)
    return "#" + "".join(
        f"{round(a + share * (b - a)):02x}" for a, b in zip(pale, dark, strict=True)
    )


def highest_of(statics: Sequence[Static]) -> Static | None:
    """Return the slow loading that went highest, None where none can be drawn."""
    known = [static for static in statics if static.drawn]
    return max(known, key=lambda static: float(np.nanmax(static.load)), default=None)


_AS_NAMED: Final = (
    "The ultimate load is that of the outcome, which single samples at full rate held; the line is "
    "of means, and near its flat top their largest lies elsewhere. ",
)


def ultimate_block(static: Static, *, uncracked: bool, named: bool) -> Block:
    """Return a loading with its first crack and its largest load marked.

    `uncracked` tells that the specimen was not loaded before the first slow loading, `named` that
    the outcome names an ultimate load.
    """
    peak = int(np.nanargmax(static.load))
    fresh = uncracked and static.index == 0
    crack = crack_of(static, peak) if fresh else None
    key = f"derived.static.{static.index}"
    parts: list[Part] = [
        "Largest load ",
        Measure(float(static.load[peak]), "N", f"{key}.load.max", 4),
        " at a net deflection of ",
        Measure(float(static.deflection[peak]), "m", f"{key}.deflection.at_load_max", 4),
        ", in samples as the record keeps a slow loading, means of some at full rate. ",
        *(_AS_NAMED if named else ()),
        *_crack_words(crack, fresh, key),
    ]
    table = Table(("Net deflection", "Load"), tuple(_along(static, peak)))
    draw = partial(_draw_ultimate, static, peak, crack)
    return Drawn("ultimate", "Load against net deflection", draw, Told(tuple(parts), table))


def _crack_words(crack: FirstCrack | None, fresh: bool, key: str) -> tuple[Part, ...]:
    if not fresh:
        return ("The specimen was cracked before this loading: no first crack is looked for.",)
    if crack is None:
        return ("No first crack shows in it.",)
    return (
        "First crack, by an offset of ",
        Measure(OFFSET, "%", "constant.crack_offset"),
        " from the first straight line, at ",
        Measure(crack.load, "N", f"{key}.first_crack.load"),
        " and ",
        Measure(crack.deflection, "m", f"{key}.first_crack.deflection"),
        ".",
    )


def crack_of(static: Static, peak: int) -> FirstCrack | None:
    """Return the first crack of a first loading up to its largest load, None where none shows."""
    load, deflection = static.load[: peak + 1], static.deflection[: peak + 1]
    known = np.isfinite(load + deflection)
    # Each point is held against all before it: of very many they are averaged.
    seconds = max(1.0, np.count_nonzero(known) / MOST_POINTS) / static.rate
    setup = CrackSetup(static.rate, LEAST_SHARE * float(static.load[peak]), seconds)
    values = load[known].astype(np.float32), deflection[known].astype(np.float32)
    return first_crack(setup, CrackState(), 0, *values)[1]


def _along(static: Static, peak: int) -> list[tuple[Cell, ...]]:
    """Return points at tenths of the way to the largest load, and the last one."""
    rows: list[tuple[Cell, ...]] = []
    for place in np.unique(np.round(np.linspace(0, peak, 11)).astype(int)).tolist():
        key = f"static.{static.index}.samples"
        at = static.deflection[place], static.load[place]
        rows.append(
            (
                Measure(float(at[0]), "m", f"{key}.deflection.{place}", 4),
                Measure(float(at[1]), "N", f"{key}.load.{place}", 4),
            )
        )
    return rows


def _draw_ultimate(static: Static, peak: int, crack: FirstCrack | None) -> Figure:
    with look():
        figure, axes = _square("net deflection [mm]", "load [kN]")
        at = thinned(static.load, static.deflection)
        x, y = 1e3 * static.deflection[at], 1e-3 * static.load[at]
        axes.plot(x, y, color=COLOURS[0], linewidth=1.1, label="load")
        marks = [("largest load", "^", 1e-3 * static.load[peak], 1e3 * static.deflection[peak])]
        if crack is not None:
            marks.append(("first crack", "o", 1e-3 * crack.load, 1e3 * crack.deflection))
        for name, mark, load, deflection in marks:
            style: dict[str, Any] = {"color": COLOURS[1], "markerfacecolor": "white"}
            words = f"{name}: {load:,.4g} kN"
            axes.plot([deflection], [load], mark, markersize=6, label=words, **style)
        axes.axhline(0.0, color=GREY, linewidth=0.5)
        _legend(axes)
    return figure


def _square(across: str, up: str) -> tuple[Figure, Axes]:
    """Return a figure with one wide panel and room for a legend beside it."""
    figure = new_figure(HEIGHT)
    axes = framed(figure, (MARGIN, 0.5, WIDTH - MARGIN - 1.75, HEIGHT - 0.6))
    axes.set_xlabel(across, fontsize=WORDS)
    axes.set_ylabel(up, fontsize=WORDS)
    return figure, axes


def _legend(axes: Axes) -> None:
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(1.01, 1.0),
        frameon=False,
        fontsize=SMALL,
        handlelength=2.8,
        borderaxespad=0.0,
    )


def thinned(load: FloatArray, deflection: FloatArray) -> list[int]:
    """Return which samples of a loop are drawn: of each bin the extremes of load and deflection."""
    known = np.flatnonzero(np.isfinite(load + deflection))
    if len(known) <= MOST:
        return [int(place) for place in known]
    edges = np.unique(np.round(np.linspace(0, len(known), MOST // 4 + 1)).astype(int)).tolist()
    taken: set[int] = {int(known[0]), int(known[-1])}
    for begin, end in pairwise(edges):
        part = known[begin:end]
        for values in (load[part], deflection[part]):
            taken |= {int(part[values.argmin()]), int(part[values.argmax()])}
    return sorted(taken)
