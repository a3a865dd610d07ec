"""Disturbances scripted in a file: what happens in a rehearsal, and what is true of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from rig.assembly.events_parts import FEEDBACK, Part, made
from rig.assembly.events_tables import EventsFile, EventTable
from rig.assembly.simulation import simulation_setup
from rig.errors import InputError
from rig.protocol.document import Document, Read, meant, open_document
from rig.protocol.fields import NO_DIMENSION
from rig.protocol.plan import Plan
from rig.protocol.validation import validate
from rig.units import example, shown
from simulators.disturbances import Disturbance
from simulators.faults import Fault
from simulators.setup import SimulationSetup
from simulators.spoiled import Spoiled
from simulators.truth_file import Happening

OF_CHANNELS: Final = {"N": "force", "m": "length", "1": "strain", "m/s2": "acceleration"}
"""Dimension of an amount by the unit of the channel it is of."""
OF_CYCLES: Final = frozenset(
    {"slipping", "wires", "brittle-end", "slow-end"}
    | {"oil-droop", "servo-gain", "neighbour", "air-in-line"}
)
"""Kinds of which a test shows nothing that does not cycle."""
OF_WATER: Final = frozenset({"chill", "no-flow", "clogged-nozzle", "empty-tank"})
"""Kinds of which a test shows nothing that does not spray."""
MOST_SOFTER: Final = 0.5
"""Of flexibility, by which a swing of the temperature may soften: more leaves none of it the other
way."""
_PLACE: Final = ("kind", "at", "lasting", "channel")


@dataclass(frozen=True, slots=True)
class Events:
    """What an events file lets happen, `text` being the file as written."""

    title: str
    text: str
    happenings: tuple[Happening, ...]
    parts: tuple[Part, ...]

    def disturbed(self, setup: SimulationSetup) -> SimulationSetup:
        """Return the hidden truth of a rig to which all of it happens."""
        return replace(
            setup,
            faults=(*setup.faults, *(p for p in self.parts if isinstance(p, Fault))),
            disturbances=tuple(p for p in self.parts if isinstance(p, Disturbance)),
            spoiled=tuple(p for p in self.parts if isinstance(p, Spoiled)),
        )


def load_events(path: str, read: Read, plan: Plan) -> Events:
    """Return what a file lets happen to a plan. Raises `InputError` with every problem found."""
    document = open_document(path, read)
    file = validate(document, EventsFile)
    events = [e for e in file.event if e is not None] if file is not None else []
    for index, event in enumerate(file.event if file is not None else ()):
        if event is not None:
            _check(document, ("event", index), event, plan)
    if document.problems or file is None:
        raise InputError(document.problems)
    return Events(
        title=file.title,
        text=document.text,
        happenings=tuple(_happening(event, plan.rig.rate) for event in events),
        parts=tuple(part for event in events for part in made(event, plan.rig.rate).parts),
    )


def kept_events(text: str, plan: Plan) -> Events:
    """Return what happens in a rehearsal, by the text that its record keeps."""
    return load_events("events.toml", lambda _path: text, plan)


def _happening(event: EventTable, rate: float) -> Happening:
    numbers = {k: v for k, v in event.model_dump().items() if k not in _PLACE and v is not None}
    lasting = getattr(event, "lasting", None)
    return Happening(
        what=getattr(event, "kind"),  # noqa: B009 - each kind of event has one of its own
        cause=made(event, rate).cause,
        begin=event.at,
        end=None if lasting is None else event.at + lasting,
        channel=getattr(event, "channel", None),
        numbers={k: v[0] if isinstance(v, tuple) else v for k, v in numbers.items()},
    )


def _check(document: Document, path: tuple[str | int, ...], event: EventTable, plan: Plan) -> None:
    """Note what of an event cannot be in a plan."""
    for key, problem, remedy in (*_of_channel(event, plan), *_of_plan(event, plan)):
        document.refuse((*path, key), problem, remedy)


def _of_channel(event: EventTable, plan: Plan) -> Iterator[tuple[str, str, str]]:
    name = getattr(event, "channel", "")
    if not name:
        return
    channel = next((c for c in plan.rig.sampled if c.name == name), None)
    if channel is None:
        known = [c.name for c in plan.rig.sampled]
        yield "channel", f"{shown(name)} is no sampled channel of the rig", meant(name, known)
        return
    wanted = OF_CHANNELS.get(channel.unit)
    for key, value in event.model_dump().items():
        if not isinstance(value, tuple) or value[1] in (wanted, NO_DIMENSION):
            continue
        given, remedy = example(value[1]).split(" such as ")[0], "take another channel"
        if wanted is not None:
            remedy = f"give {example(wanted)}"
        yield key, f"is {given}, which {name} does not measure", remedy
    if getattr(event, "in_loop", False) and name != FEEDBACK:
        remedy = "take in_loop out"
        yield "in_loop", f"the servo loop is closed on {FEEDBACK}, not on {name}", remedy


def _of_plan(event: EventTable, plan: Plan) -> Iterator[tuple[str, str, str]]:
    kind = getattr(event, "kind", "")
    if kind in OF_CYCLES and plan.cyclic is None:
        yield "kind", f"{shown(kind)} shows in cycles, and the protocol has none", "take it out"
    if kind in OF_WATER and plan.spray is None:
        yield "kind", f"{shown(kind)} is of spray, and the protocol has none", "take it out"
    for short, long in (("longest", "every"), ("lasts", "every")):
        less, more = getattr(event, short, None), getattr(event, long, None)
        if isinstance(less, float) and isinstance(more, float) and less > more:
            yield short, f"is longer than {long}", f"make it shorter than {long}"
    swing, softer = getattr(event, "swing", None), getattr(event, "softer", None)
    if isinstance(swing, float) and isinstance(softer, float):
        most = abs(swing * softer)
        if most > MOST_SOFTER:
            told = f"softens the specimen by {most:.0%} over a swing of {swing:g} K"
            remedy = f"give at most {math.floor(1e4 * MOST_SOFTER / swing) / 100:g} %"
            yield "softer", told, remedy
    if kind == "wires" and plan.cyclic is not None:
        tables = simulation_setup(plan).tables
        there, wanted = tables.wires if tables else 0, getattr(event, "wires", 0)
        if wanted > there:
            yield "wires", f"the hardest tendon has {there} wires", f"give at most {there}"
