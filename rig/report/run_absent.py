"""What was not measured or not recorded in a run, in words; and what reports are asked for.

The list of what is asked of a test report is from memory of ISO/IEC 17025, in words of our own. No
conformity is claimed: who signs the report decides that, by the standard itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rig.report.curve_sections import not_measured
from rig.report.document import Blanks, Items, Listed, Paragraph, Section, Signatures
from rig.report.measure import Part, Table
from rig.report.run_after import facts_after
from rig.report.run_parts import events_of
from rig.report.run_reading import RunRead

BY_HAND: Final = "not in the record: to be added by hand, on the lines below"
TO_WRITE: Final = (
    "Laboratory, address",
    "Place of the test",
    "Customer, contact",
    "Specimen received on",
    "Its condition, sampling",
    "Issued on; amends",
    "Remarks",
    "More remarks",
)
"""What is to be added by hand."""
SIGNED: Final = ("Tested by", "Checked by", "Approved by")
_CHANNELS: Final = (
    ("load_2", "a second measure of load"),
    ("stroke", "the stroke of the actuator"),
    ("support_left", "the left support"),
    ("support_right", "the right support"),
    ("pressure", "the pressure of the oil"),
    ("flow", "the flow of water"),
    ("level", "the level of water"),
)
_HISTORY: Final = (
    ("strengths", "strength of the concrete by age"),
    ("release", "when the prestress was released"),
    ("cast", "when it was cast"),
    ("soaked_since", "since when it was soaked"),
    ("water", "which water"),
    ("mass_before", "its mass before the test"),
    ("mass_after", "its mass after the test"),
    ("ph", "pH of the water"),
    ("conductivity", "conductivity of the water"),
)


def absent_section(read: RunRead) -> Section:
    """Return what this record does not hold."""
    rows = (*_of_channels(read), *not_measured(read.recording, read.columns), *_of_people(read))
    title = "Not measured or not recorded"
    lead = Paragraph(("The record holds none of these, so that nothing is said of them:",))
    return Section("not-recorded", title, (lead, Items(tuple(rows))))


def _of_channels(read: RunRead) -> Iterator[tuple[Part, ...]]:
    there = {channel.name for channel in read.header.channels}
    for name, words in _CHANNELS:
        if name not in there:
            yield (f"Not measured: {words}.",)


def _of_people(read: RunRead) -> Iterator[tuple[Part, ...]]:
    history = read.table("specimen", "history")
    for key, words in _HISTORY:
        if key not in history:
            yield (f"Not told by the specimen file: {words}.",)
    told = facts_after(read.cracks)
    for fact, words in (
        ("mode", "mode of failure"),
        ("wires", "broken wires"),
        ("rust", "rust of the steel"),
    ):
        if fact not in told:
            yield (f"Nobody has said: {words}.",)
    if "valid" not in told and "void" not in told:
        yield ("Nobody has said: whether the test is valid.",)
    yield from _of_the_test(read)


def _of_the_test(read: RunRead) -> Iterator[tuple[Part, ...]]:
    if not any(entry.crack for entry in read.cracks):
        yield ("No crack was read.",)
    if not any(entry.picture for entry in read.cracks):
        yield ("No picture was kept.",)
    if not read.rows("zeros"):
        yield ("No reading without load was taken.",)
    if read.header.exposure == "spray" and not events_of(read, "catch can"):
        yield ("No catch can was read: what the nozzles really give is not known.",)
    if read.outcome == "run-out" and read.recording.residual is None:
        yield ("No static test followed the cycles: the residual capacity is not known.",)
    yield ("Not recorded: the uncertainty of the results, beyond that of the calibrations.",)
    yield ("Not recorded: the longest delay of the program.",)


def asked_section(read: RunRead) -> Section:
    """Return what is asked of a test report, and where each of it stands here."""
    rows = tuple(_asked(read))
    said = (
        "A list from memory of what ISO/IEC 17025 asks of test reports, in words of our own. It "
        "claims no conformity: who signs decides that, by the standard itself.",
    )
    caption = ("What is asked of a test report, and where it stands",)
    table = Table(("asked for", "where it stands"), rows)
    by_hand = Paragraph(("To be added by hand, and signed for:",))
    return Section(
        "asked-of-reports",
        "What is asked of a test report",
        (Paragraph(said), Listed(caption, table), by_hand, Blanks(TO_WRITE), Signatures(SIGNED)),
    )


def _asked(read: RunRead) -> Iterator[tuple[str, str]]:
    yield "a title", "at the head of this report"
    yield "name and address of the laboratory", BY_HAND
    yield "where the test was done, if elsewhere", BY_HAND
    yield (
        "what tells this report from all others, on each page, and where it ends",
        "run and hash of run.h5, at the end; page numbers and the mark of the end on paper",
    )
    yield "name and contact of the customer", BY_HAND
    yield "the method used", "section Loads and life, with the protocol as written"
    yield (
        "what was tested: description, identity, condition",
        "section Data sheet; condition on arrival: " + BY_HAND,
    )
    yield "when the specimen was received, where that bears on the result", BY_HAND
    yield "how the specimen was sampled, where that bears on the result", BY_HAND
    started = "an import: " + BY_HAND if read.header.imported else "sections Outcome and Data sheet"
    yield "when the test was done", started
    yield "when the report was issued, and which earlier one it amends", BY_HAND
    yield (
        "that the results are of this specimen alone",
        "said here: all of them are of the specimen named at the head, and of no other",
    )
    yield "results with their units", "section Outcome, and every table and figure"
    yield "what was added to the method, left out or done otherwise", "section Deviations"
    yield "who answers for the report", "lines to be signed, at the end of this section"
    yield "which results came from others", _from_others(read)
    yield (
        "which data the customer gave, and that the laboratory does not answer for them",
        "what the specimen file says is as it was given; by whom: " + BY_HAND,
    )
    yield "that it is to be copied as a whole, or by leave of the laboratory", BY_HAND
    yield (
        "surroundings that bear on the result",
        "section Water and temperatures, as far as they were measured",
    )
    yield "whether it meets a requirement, and by which rule", BY_HAND
    yield (
        "uncertainty of the results, where it bears on them",
        "of channels as calibrated, in section Data sheet; of the results: " + BY_HAND,
    )
    yield "opinions, marked as such, with their ground", "what people wrote: notes, after the end"


def _from_others(read: RunRead) -> str:
    if read.header.imported:
        return "all of them: this run was imported"
    return "the capacity, where a series told it: section Loads and life"
