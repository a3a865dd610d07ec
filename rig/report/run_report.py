"""The report of a run as a document: what became of the specimen, and all that bears on it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Final

from rig.report.curve_sections import curve_sections
from rig.report.document import Block, Document, Section
from rig.report.measure import Part
from rig.report.run_absent import absent_section, asked_section
from rig.report.run_checks import forecast_section, statics_section
from rig.report.run_cracks import after_section, cracks_section
from rig.report.run_deviations import deviations_section
from rig.report.run_events import events_section, last_minute, stops
from rig.report.run_files import about, files_section
from rig.report.run_lead import lead, outcome_section, specimen_named
from rig.report.run_loads import loads_section
from rig.report.run_parts import attribute
from rig.report.run_quality import quality_section
from rig.report.run_reading import RunRead, read_for_report
from rig.report.run_sheet import sheet_section
from rig.report.run_stood import inspections_section, interruptions_section
from rig.report.run_warnings import warnings
from rig.report.run_water import water_section
from rig.report.run_zeros import zeros_section

LAST_MINUTE: Final = "last-minute"
CONDITIONS: Final = "conditions"


def run_document(path: Path) -> Document:
    """Return the report of a run, from its folder or run.h5; ended or not, imported too.

    Raises InputError where there is no run, StorageError where nothing of it can be read. Texts
    that this version cannot read are said to be so, and what they would tell is left out.
    """
    with read_for_report(path) as read:
        return Document(
            kind="Report of a run",
            title=_title(read),
            lead=lead(read),
            warnings=warnings(read),
            sections=_sections(read),
            about=about(read),
        )


def _title(read: RunRead) -> tuple[Part, ...]:
    """Return specimen and run, which tell a report from others, then what was tested."""
    who, run = specimen_named(read), attribute(read, "run_id")
    return (who, ", run ", run, ": ", attribute(read, "title"))


def _sections(read: RunRead) -> tuple[Section, ...]:
    curves = curve_sections(read.recording, read.plan, read.columns)
    apart = (CONDITIONS, LAST_MINUTE)
    before = tuple(section for section in curves if section.name not in apart)
    return (
        outcome_section(read),
        sheet_section(read),
        loads_section(read),
        *before,
        water_section(read, _blocks(curves, CONDITIONS)),
        zeros_section(read),
        interruptions_section(read),
        inspections_section(read),
        statics_section(read),
        cracks_section(read),
        after_section(read),
        *((forecast_section(read),) if read.cyclic else ()),
        *_last_minute(read, curves),
        events_section(read),
        deviations_section(read),
        quality_section(read),
        absent_section(read),
        files_section(read),
        asked_section(read),
    )


def _last_minute(read: RunRead, curves: Iterable[Section]) -> tuple[Section, ...]:
    """Return the end in figures, where samples of it are kept, and the story of its events.

    Nothing is returned of a test that went on when it was read.
    """
    if not read.ended and not stops(read):
        return ()
    title = "The last minute, and what followed the stop"
    if read.header.imported:
        title = "The end of the recording"
    return (Section(LAST_MINUTE, title, (*_blocks(curves, LAST_MINUTE), *last_minute(read))),)


def _blocks(sections: Iterable[Section], name: str) -> tuple[Block, ...]:
    """Return the blocks of the section of a name, none where there is none."""
    return tuple(block for section in sections if section.name == name for block in section.blocks)
