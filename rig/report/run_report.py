"""The report of a run as a document: what became of the specimen, and all that bears on it."""

from __future__ import annotations

from pathlib import Path

from rig.report.document import Document, Section
from rig.report.run_events import events_section
from rig.report.run_files import about, files_section
from rig.report.run_lead import lead, outcome_section, warnings
from rig.report.run_loads import loads_section
from rig.report.run_parts import attribute
from rig.report.run_reading import RunRead, read_for_report
from rig.report.run_sheet import sheet_section


def run_document(path: Path) -> Document:
    """Return the report of a run, from its folder or run.h5; ended or not, imported too.

    Raises InputError where there is no run, StorageError where nothing of it can be read. Texts
    that this version cannot read are said to be so, and what they would tell is left out.
    """
    with read_for_report(path) as read:
        return Document(
            kind="run report",
            title=(attribute(read, "title"), ": ", attribute(read, "specimen_id")),
            lead=lead(read),
            warnings=warnings(read),
            sections=_sections(read),
            about=about(read),
        )


def _sections(read: RunRead) -> tuple[Section, ...]:
    return (
        outcome_section(read),
        sheet_section(read),
        loads_section(read),
        events_section(read),
        files_section(read),
    )
