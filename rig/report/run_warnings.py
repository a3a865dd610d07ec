"""What must be known beside the outcome of a run: what makes it doubtful, or no test at all."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rig.report.event_words import UNCONFIRMED, UNRECORDED
from rig.report.measure import COUNT, Measure, Part, Words
from rig.report.run_after import facts_after
from rig.report.run_keys import constant
from rig.report.run_parts import event_said, events_of, listed, of_column
from rig.report.run_reading import RunRead

_NAMED: Final = 3
"""Stretches without a record that are named among the warnings."""


def warnings(read: RunRead) -> tuple[tuple[Part, ...], ...]:
    """Return what must be known beside the outcome."""
    return tuple((*parts, ".") for parts in _warnings(read))


def _warnings(read: RunRead) -> Iterator[tuple[Part, ...]]:
    void = facts_after(read.cracks).get("void")
    if void is not None:
        yield "VOID: ", void.words
    yield from _no_test(read)
    if not read.ended:
        yield from _unfinished(read)
    if read.outcome == "failure" and UNCONFIRMED in read.recording.why:
        yield (
            "The failure is unconfirmed: no stroke channel tells a breaking specimen from a "
            "mid-span sensor that slipped; look at the specimen before you sign",
        )
    yield from _overloaded(read)
    yield from _uncounted(read)
    if events_of(read, "after the end") or any(e.at_utc for e in read.cracks):
        yield ("Added to after the end: run.h5 was made anew, as its events tell",)
    yield from _of_record(read)
    yield from _of_sensors(read)


def _no_test(read: RunRead) -> Iterator[tuple[Part, ...]]:
    """Yield where no specimen was tested by this program."""
    header = read.header
    if header.imported:
        yield ("Imported: this program did not watch it, and its file alone tells what happened",)
    elif header.virtual:
        yield (
            "Rehearsed: a simulated specimen on a simulated rig, in virtual time; no specimen was "
            "tested",
        )
    elif header.simulated:
        yield ("Simulated: by simulated or emulated devices; no specimen was tested",)


def _of_record(read: RunRead) -> Iterator[tuple[Part, ...]]:
    """Yield what is wrong with the record itself."""
    if not read.whole.verified and (read.ended or read.whole.sha256):
        yield ("The record: ", *read.whole.said)
    if not read.header.texts.get("protocol"):
        yield ("The record keeps no protocol: nothing is held against what was asked for",)
    elif read.unread:
        yield (
            "This version cannot read the texts that the record keeps; what they would tell is "
            "left out: ",
            Words(read.unread, "file.texts.trouble"),
        )


def _unfinished(read: RunRead) -> Iterator[tuple[Part, ...]]:
    """Yield what must be known of a test that goes on, or that was cut off."""
    if not read.header.virtual:
        yield (
            "This page does not say that the rig stands still: look at the screen and at the rig",
        )
    of_journal = "; it was read from the journal, run.h5 is made when a run ends"
    more = "" if read.whole.sha256 else of_journal
    yield (f"Unfinished: the record has no end, and all of it may change{more}",)


def _overloaded(read: RunRead) -> Iterator[tuple[Part, ...]]:
    loading = read.plan.loading if read.plan else None
    held = read.columns.held
    if loading is None or held is None or held.first_marked is None:
        return
    yield (
        "Overloaded: above ",
        constant("marked"),
        " of the upper load first in cycle ",
        Measure(held.first_marked, COUNT, "derived.overload.105.first"),
        ", and at most ",
        of_column(read, "load_max", "max"),
        ", the upper load being ",
        Measure(loading.upper, "N", "derived.upper_load", 5),
    )


def _uncounted(read: RunRead) -> Iterator[tuple[Part, ...]]:
    """Yield that a specimen has seen more cycles than are counted, where its controller told so."""
    found = [i for i in events_of(read, "resume") if UNRECORDED.match(read.events[i].text)]
    if found:
        said = listed([event_said(read, index) for index in found[:_NAMED]], "; ")
        more = ("; and more, among the deviations",) if len(found) > _NAMED else ()
        yield ("The specimen has seen more cycles than are counted: ", *said, *more)


def _of_sensors(read: RunRead) -> Iterator[tuple[Part, ...]]:
    names = {channel.name for channel in read.header.channels}
    if "load_2" not in names:
        yield ("There was no second measure of load: an error of the load cell shows nowhere",)
    supports = names & {"support_left", "support_right"}
    if "midspan" in names and not supports:
        yield ("Deflection and stiffness include bedding: no support was measured",)
    elif "midspan" in names and len(supports) == 1:
        yield ("Net deflection takes one support for both: what the other did shows nowhere",)
