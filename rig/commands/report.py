"""`nightrig report`: the report of a run or of a series, as one page and as a PDF."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from rig.commands.files import exists, find_series, packaged
from rig.commands.folders import holds_run, place
from rig.commands.options import json_option
from rig.commands.recorded import refuse_no_recording
from rig.commands.saying import folded, meanwhile, say, say_json, say_refusal
from rig.commands.saying import visible as shown
from rig.commands.series_options import comparison_options, confidence_of, series_of, years_of
from rig.errors import InputError, RigError, StorageError
from rig.record.layout import RUN_FILE
from rig.report.document import PAGE

if TYPE_CHECKING:
    from rig.record.entries import RunHeader
    from rig.report.document import Document

_SHOWN: Final = 2
"""Files that are named to people: page and paper."""


@dataclass(frozen=True, slots=True)
class _Told:
    """A document, what it is told of for scripts, and the files that were written."""

    document: Document
    about: Mapping[str, Any]
    files: Sequence[Path]


@click.command(short_help="Make the report of a run or of a series, as a page and as a PDF.")
@click.argument("what", metavar="DIR|SERIES")
@click.option(
    "--out",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="Folder for the report; without it beside run.h5, or SERIES-report for a series.",
)
@comparison_options
@json_option
def report(
    what: str,
    out: Path | None,
    mode: str | None,
    confidence: str | None,
    service: str | None,
    *,
    as_json: bool,
) -> None:
    """Write report.html and report.pdf of the run in DIR (or its run.h5), or of SERIES.

    The page needs no network and no other file. Of a live run it tells what is recorded so far.
    An earlier report of the same is replaced, no other file is. For a series its figures are
    written beside it as SVG and PDF, and its tables as CSV; --mode, --confidence and --service
    are for a series.

    Ends with 0, or 2 where a file or an option is wrong, or 6 where the record cannot be read or
    the report cannot be written.

    Example: nightrig report night-1
    """
    try:
        if _is_run(what):
            _refuse_options(mode=mode, confidence=confidence, service=service)
            told = _of_run(Path(what), out)
        else:
            told = _of_series(what, out, mode, confidence_of(confidence), service)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise
    files = [_file(path) for path in told.files]
    if as_json:
        say_json({**told.about, "files": files})
    else:
        say(folded(shown("\n".join(_lines(told, files))), sys.stdout))


def _is_run(what: str) -> bool:
    """Tell whether a run is meant: a folder, or a file that is no TOML. Raises InputError."""
    if exists(what):
        return not what.endswith(".toml")
    if what.endswith(".toml") or packaged(f"series/{what}") or packaged(what):
        return False
    raise InputError(f"{place(Path(what)).text}; nor is there a series of that name")


def _refuse_options(**given: str | None) -> None:
    for name, value in given.items():
        if value is not None:
            raise InputError(f"--{name}: is for a series; leave it out for a run")


def _of_run(run: Path, out: Path | None) -> _Told:
    refuse_no_recording(run)
    if run.name == RUN_FILE and holds_run(run.parent):
        # Held against its journal, and the same whichever of both was named.
        run = run.parent
    header, outcome, cycles = _known(run)
    own = run if run.is_dir() else run.parent
    folder = out or own
    _refuse_another_run(folder, own)
    # Imported late: figures would slow down every command, and a slip is told sooner.
    from rig.report.written_report import of_run, refuse_foreign, write_report

    of = of_run(header.run_id, header.started_utc)
    refuse_foreign(folder, of)
    from rig.report.run_report import run_document

    with meanwhile(str(folder), "writing the report ..."):
        document = run_document(run)
        files = write_report(document, folder, of)
    about = {
        "run": str(run.absolute()),
        "run_id": header.run_id,
        "outcome": outcome,
        "cycles": cycles,
    }
    return _Told(document, about, files)


def _refuse_another_run(folder: Path, own: Path | None) -> None:
    """Raise InputError where a folder holds another run: the report of that one belongs there."""
    holds = holds_run(folder) or (folder / RUN_FILE).is_file()
    if holds and not (own is not None and own.samefile(folder)):
        raise InputError(
            f"--out {folder}: holds another run, nothing was written; name another folder"
        )


def _known(run: Path) -> tuple[RunHeader, str | None, int]:
    """Return header, outcome and cycles of a run, from run.h5 where its journal is broken."""
    from rig.replay.recording import open_recording

    try:
        recording = open_recording(run)
    except StorageError:
        if not (run / RUN_FILE).is_file():
            raise
        recording = open_recording(run / RUN_FILE)
    with recording:
        return recording.header, recording.outcome, recording.cycles


def _of_series(
    name: str, out: Path | None, mode: str | None, confidence: float | None, service: str | None
) -> _Told:
    source = Path(find_series(name))
    folder, of = out or Path(f"{source.stem}-report"), f"series {source.stem}"
    series = series_of(name)
    years = years_of(series, service, confidence)
    # Imported late, as above.
    from rig.report.written_report import refuse_foreign, write_report

    _refuse_another_run(folder, None)
    refuse_foreign(folder, of)
    _refuse_series_files(folder)
    from rig.lives.comparison import compared
    from rig.report.drawn_figures import drawn
    from rig.report.series_files import write_series_files
    from rig.report.series_report import series_document

    with meanwhile(series.title, "writing the report ..."):
        told = compared(series, mode, confidence)
        document = series_document(series, told, years, source)
        figures = drawn(document)
        files = [*write_report(document, folder, of, figures)]
        files += write_series_files(told, years, folder, figures)
    return _Told(document, {"series": str(source.absolute()), "title": series.title}, files)


def _refuse_series_files(folder: Path) -> None:
    """Raise InputError where files of a series would be replaced that belong to no report of it."""
    found = sorted(folder.glob("series-*"))
    if found and not os.path.lexists(folder / PAGE):
        raise InputError(
            f"{found[0]}: is there already without its report, nothing was written; move it away, "
            "or name another folder with --out"
        )


def _file(path: Path) -> dict[str, Any]:
    """Return path, hash and size of a file that was written."""
    from rig.record.hashes import sha256_of

    found = sha256_of(path)
    return {"file": str(path.absolute()), "sha256": found, "bytes": os.path.getsize(path)}


def _lines(told: _Told, files: Sequence[Mapping[str, Any]]) -> list[str]:
    from rig.report.measure import plain
    from rig.report.page_words import visible

    lines = [visible(plain(told.document.lead))]
    lines += [f"  warning   {visible(plain(warning))}" for warning in told.document.warnings]
    for row, (path, file) in enumerate(zip(told.files[:_SHOWN], files, strict=False)):
        lines.append(f"  {'' if row else 'written':<9} {path}, {_size(file['bytes'])}")
    if more := [path.suffix for path in told.files[_SHOWN:]]:
        kinds = ", ".join(f"{more.count(kind)} {kind[1:].upper()}" for kind in dict.fromkeys(more))
        lines.append(f"            and beside them {kinds}: {told.files[-1].parent / 'series-*'}")
    return lines


def _size(count: int) -> str:
    return f"{count / 1e6:.1f} MB" if count >= 1e6 else f"{count / 1e3:.0f} kB"
