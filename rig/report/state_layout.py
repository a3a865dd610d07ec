"""Where each state stands in the diagram of states, and which way each arrow runs.

The places are data and fixed by hand; what the arrows say comes from the state table. An arrow
that leaves or reaches a frame stands for all states that stand inside it. Units are a tenth of an
inch, from the lower left corner.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from rig.control.states import TABLE, Row

Point = tuple[float, float]
Kind = Literal["moves", "still", "off"]

WIDTH: Final = 122.0
HEIGHT: Final = 138.0
BOX: Final = (14.0, 7.0)

ASKED: Final = ("start", "confirm", "pause", "continue", "unload", "stop")
"""Causes that people bring about, drawn in bold."""


@dataclass(frozen=True, slots=True)
class Box:
    """A state's place: centre and height, the kind that gives its shape, and its words."""

    x: float
    y: float
    kind: Kind
    words: str
    height: float = BOX[1]

    @property
    def edges(self) -> tuple[float, float, float, float]:
        """Left, lower, right and upper edge."""
        half = self.height / 2
        return self.x - BOX[0] / 2, self.y - half, self.x + BOX[0] / 2, self.y + half


@dataclass(frozen=True, slots=True)
class Frame:
    """Several states that share arrows: edges, and the words in a corner of the frame."""

    edges: tuple[float, float, float, float]
    words: str = ""
    words_at: Point = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Arrow:
    """A way from a state or frame to another, and where the first line of its label begins.

    `side` says whether the label begins, has its middle or ends there; `width` is in characters.
    """

    source: str
    target: str
    route: tuple[Point, ...]
    label: Point
    side: Literal["left", "center", "right"] = "left"
    width: int = 22

    @property
    def name(self) -> str:
        """The id in the drawing."""
        return f"{self.source}-{self.target}"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a label; bold where people ask for it."""

    text: str
    asked: bool


BOXES: Final[dict[str, Box]] = {
    "idle": Box(10, 129.5, "still", "nothing asked\nof the rig"),
    "checklist": Box(36, 129.5, "off", "pressure off"),
    "starting": Box(10, 78.5, "still", "still:\nhorn or lamp,\nthen pressure", 37),
    "approach": Box(36, 90, "moves", "moves"),
    "static": Box(58, 98.5, "moves", "moves"),
    "ramp": Box(58, 90, "moves", "moves"),
    "hold": Box(58, 81.5, "moves", "moves"),
    "build-up": Box(80, 90, "moves", "moves"),
    "cycling": Box(108, 90, "moves", "moves"),
    "inspection": Box(36, 66, "moves", "moves"),
    "waiting": Box(36, 29, "still", "still, may go\non by itself"),
    "locked": Box(58, 29, "still", "still,\nlow pressure"),
    "pausing": Box(80, 48, "moves", "moves"),
    "paused": Box(80, 29, "still", "still, unloads by\nitself in time"),
    "unloading": Box(108, 48, "moves", "moves"),
    "unloaded": Box(108, 29, "off", "pressure off"),
    "re-wetting": Box(94, 14, "still", "still, may go\non by itself"),
    "stopping": Box(80, 129.5, "moves", "may still move"),
    "stopped": Box(108, 129.5, "off", "pressure off"),
}

FRAMES: Final[dict[str, Frame]] = {
    "running": Frame(
        (1.5, 8, 120.5, 112.5), "the thick arrow leaves every state in this frame", (25, 110.5)
    ),
    "pausable": Frame((25, 60, 119, 108.5)),
    "stages": Frame((26.5, 72, 89, 107), "stages of the protocol", (27.5, 105.2)),
    "slow": Frame((50, 77, 66, 103)),
    "near": Frame(
        (25, 22.5, 119, 39.2),
        "people may be near: at lower load\nan open guard does not stop the test",
        (38, 36.6),
    ),
    "held": Frame((26.5, 24, 89, 34)),
}

ARROWS: Final = (
    Arrow("idle", "checklist", ((17, 129.5), (29, 129.5)), (23, 131), "center"),
    Arrow("idle", "starting", ((6, 126), (6, 97)), (7, 122)),
    Arrow(
        "idle", "stopping", ((14, 133), (14, 134.3), (76, 134.3), (76, 133)), (16, 135.4), width=60
    ),
    Arrow("checklist", "starting", ((36, 126), (36, 118), (14, 118), (14, 97)), (16, 119.5)),
    Arrow("checklist", "stopping", ((43, 129.5), (73, 129.5)), (58, 132.8), "center"),
    Arrow("starting", "stages", ((17, 90), (26.5, 90)), (21, 91.5), "center"),
    Arrow("starting", "inspection", ((17, 66), (29, 66)), (21, 67.5), "center"),
    Arrow("approach", "inspection", ((38, 86.5), (38, 69.5)), (37.2, 78), "right"),
    Arrow(
        "static", "inspection", ((51, 99), (27.8, 99), (27.8, 68), (29, 68)), (40, 100.3), "center"
    ),
    Arrow("approach", "slow", ((43, 90), (50, 90)), (46.5, 91.5), "center"),
    Arrow("slow", "slow", ((54, 103), (54, 105), (62, 105), (62, 103)), (63, 104.8)),
    Arrow("slow", "build-up", ((66, 90), (73, 90)), (69.5, 91.5), "center"),
    Arrow("approach", "build-up", ((40, 86.5), (40, 74.5), (80, 74.5), (80, 86.5)), (41, 78)),
    Arrow("build-up", "cycling", ((87, 90), (101, 90)), (95, 91.5), "center"),
    Arrow("cycling", "inspection", ((108, 86.5), (108, 66), (43, 66)), (107, 67.5), "right"),
    Arrow("inspection", "waiting", ((36, 62.5), (36, 32.5)), (37, 48)),
    Arrow("waiting", "locked", ((43, 29), (51, 29)), (47, 32), "center", 7),
    Arrow("paused", "locked", ((73, 29), (65, 29)), (69, 30.5), "center"),
    Arrow("pausing", "paused", ((80, 44.5), (80, 32.5)), (79, 41), "right"),
    Arrow("unloading", "unloaded", ((108, 44.5), (108, 32.5)), (109, 41)),
    Arrow("held", "unloading", ((89, 31), (93, 31), (93, 48), (101, 48)), (94, 44.6), width=17),
    Arrow("pausable", "pausing", ((80, 60), (80, 51.5)), (79, 58.3), "right", 46),
    Arrow("pausable", "unloading", ((108, 60), (108, 51.5)), (109, 56)),
    Arrow("near", "starting", ((25, 31), (14, 31), (14, 60)), (15, 48), width=18),
    Arrow("near", "re-wetting", ((94, 22.5), (94, 17.5)), (95, 20)),
    Arrow("re-wetting", "paused", ((87, 15.5), (80, 15.5), (80, 25.5)), (79, 20), "right"),
    Arrow("re-wetting", "unloaded", ((101, 14), (108, 14), (108, 25.5)), (102, 12.4)),
    Arrow("re-wetting", "starting", ((87, 11.5), (4.8, 11.5), (4.8, 60)), (50, 12.4)),
    Arrow("starting", "unloaded", ((3.4, 60), (3.4, 9.2), (112, 9.2), (112, 25.5)), (64, 10.1)),
    Arrow("starting", "re-wetting", ((6.4, 60), (6.4, 14.2), (87, 14.2)), (20, 15.2)),
    Arrow("running", "stopping", ((80, 112.5), (80, 126)), (82, 124.6), width=56),
    Arrow("stopping", "stopped", ((87, 129.5), (101, 129.5)), (94, 131), "center"),
)


def members(name: str) -> tuple[str, ...]:
    """Return a state, or the states that stand in a frame, in the order of a test."""
    if name in BOXES:
        return (name,)
    left, lower, right, upper = FRAMES[name].edges
    return tuple(
        state for state, box in BOXES.items() if left < box.x < right and lower < box.y < upper
    )


def pairs(arrow: Arrow) -> tuple[tuple[str, str], ...]:
    """Return every (state, following state) that an arrow stands for."""
    return tuple((a, b) for a in members(arrow.source) for b in members(arrow.target))


def label(arrow: Arrow) -> tuple[Line, ...]:
    """Return what an arrow says: the table's causes, with the states where not all have them."""
    drawn = set(pairs(arrow))
    found: dict[str, list[str]] = {}
    for row in TABLE:
        if (row.state, row.to) in drawn:
            found.setdefault(row.cause, []).append(row.state)
    sources = frozenset(state for state, _ in drawn)
    # What leaves every state of a frame comes before what has exceptions.
    order = sorted(found, key=lambda cause: set(found[cause]) != sources)
    lines: list[Line] = []
    for asked in (True, False):
        words = [_where(c, frozenset(found[c]), sources) for c in order if (c in ASKED) is asked]
        lines += [Line(text, asked) for text in _wrap(words, arrow.width)]
    return tuple(lines)


def spoken(cause: str) -> str:
    """Return a cause as people say it."""
    return cause.replace("_", " ")


def _where(cause: str, states: frozenset[str], sources: frozenset[str]) -> str:
    """Return a cause, with its states in brackets unless all sources have it."""
    lacking = sources - states
    if not lacking:
        return spoken(cause)
    shorter = min((states, lacking), key=len)
    named = ", ".join(state for state in BOXES if state in shorter)
    return f"{spoken(cause)} ({'not' if shorter is lacking else 'only'} in {named})"


def _wrap(phrases: list[str], width: int) -> list[str]:
    """Return phrases in lines of about a width, broken before a bracket if need be."""
    lines: list[str] = []
    for phrase in phrases:
        if lines and len(lines[-1]) + 2 + len(phrase) <= width:
            lines[-1] += f", {phrase}"
            continue
        if lines:
            lines[-1] += ","
        lines += [phrase] if len(phrase) <= width else phrase.replace(" (", "\n(").split("\n")
    return lines


def problems(table: Iterable[Row] = TABLE) -> list[str]:
    """Return, one line each, what a table has and the drawing lacks, and the other way round."""
    table = tuple(table)
    steps = {(row.state, row.to) for row in table}
    unplaced = sorted({state for step in steps for state in step} - set(BOXES))
    if unplaced:
        return [f"no box stands for {state}; add one" for state in unplaced]
    drawn = {pair: arrow.name for arrow in ARROWS for pair in pairs(arrow)}
    lacking = [f"no arrow stands for {a} -> {b}; add one" for a, b in sorted(steps - set(drawn))]
    return lacking + [
        f"arrow {drawn[a, b]}: the table has no step {a} -> {b}; take it away"
        for a, b in sorted(set(drawn) - steps)
    ]
