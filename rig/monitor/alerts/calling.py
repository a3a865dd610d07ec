"""What calls: the causes that hold at a look, and those that happened since the look before."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from rig.monitor.alerts.cause import LATELY, Cause, found_key
from rig.monitor.alerts.found import found, trouble
from rig.monitor.alerts.kinds import kind_of
from rig.monitor.alerts.stands import because, stands
from rig.monitor.alerts.whole import whole
from rig.monitor.happened import event_words, worth_telling
from rig.monitor.view import View
from rig.record.entries import Event

if TYPE_CHECKING:
    from rig.monitor.looks import Numbered

MOST_HEARD: Final = 400
"""Texts of events whose kind is remembered, the newest ones."""

_CALL: Final = frozenset(
    {"sensor", "water", "deviation", "record", "messages", "line", "clock", "bug", "oil"}
)
"""Kinds of events of which some call; the others show in the status, or call nobody."""
_BAD_WATER: Final = re.compile(r"does not|may still run|missed|given up|not confirmed|no water")
_GOOD: Final = re.compile(r"\b(come|answers|value|dry) again\b|\boff at last$|\bis back$")


def causes(view: View, heard: Mapping[str, str]) -> tuple[Cause, ...]:
    """Return what holds at a look, each cause once; nothing of a rehearsal, which moves no rig."""
    if view.rehearsal or not view.told:
        return tuple(whole(view)) if not view.rehearsal else ()
    held = {cause.key: cause for cause in found(view, heard)}
    # Why it stands was found before it stood: one cause, told as the pause.
    held |= {cause.key: cause for cause in stands(view, heard)}
    return (*whole(view), *held.values())


def sure_causes(view: View, heard: Mapping[str, str]) -> tuple[Cause, ...]:
    """Return what holds at a look; that it cannot be told is a cause by itself."""
    try:
        return causes(view, heard)
    except Exception as error:  # noqa: BLE001 - a defect of ours must not keep people from hearing
        return (_defect(error),)


def sure_happenings(view: View, events: Sequence[Numbered]) -> tuple[Cause, ...]:
    """Return what happened by some events; that one cannot be told is a cause by itself."""
    found: list[Cause] = []
    for each in events:
        try:
            found += happenings(view, [each])
        except Exception as error:  # noqa: BLE001 - as above
            found.append(replace(_defect(error), lasting=False, seq=each.seq))
    return tuple(found)


def _defect(error: Exception) -> Cause:
    return Cause(
        key="defect",
        kinds=("rig",),
        headline="ALERTS CANNOT BE WORKED OUT, look at the rig",
        happened=f"a defect of nightrig: {type(error).__name__}: {error}",
        did="nobody can tell from here; the test goes on",
        todo=("look after the rig with: nightrig watch", "tell who maintains nightrig"),
    )


def heard_from(heard: Mapping[str, str], events: Iterable[Numbered]) -> dict[str, str]:
    """Return the kind of the event that told each text, with those of some more events."""
    more = {**heard, **{each.event.text: each.event.kind for each in events}}
    return dict(list(more.items())[-MOST_HEARD:])


def happenings(view: View, events: Iterable[Numbered]) -> Iterator[Cause]:
    """Yield what happened by some events and calls by itself; what also lasts has the same key."""
    if view.rehearsal:
        return
    for each in events:
        if _calls(each.event) and each.event.text != because(view):
            _, text = event_words(each.event)
            kind, key = kind_of(each.event.kind, each.event.text), found_key(each.event.text)
            yield replace(trouble(view, kind, text, key=key, seq=each.seq), settle=LATELY)


def _calls(event: Event) -> bool:
    if event.kind == "pressure":
        return event.text.startswith("NOT")
    if event.kind not in _CALL or not worth_telling(event) or _GOOD.search(event.text):
        return False
    return event.kind != "water" or _BAD_WATER.search(event.text) is not None
