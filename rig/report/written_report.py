"""A report on the disk: page and paper side by side, an earlier one of the same replaced whole."""

from __future__ import annotations

import os
import secrets
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.errors import InputError, StorageError
from rig.record.trouble import storage, sync_file, sync_folder
from rig.report.document import PAGE, PAPER, Document
from rig.report.drawn_figures import drawn
from rig.report.level_columns import level_document
from rig.report.page import of_page, page_of
from rig.report.paper import is_our_paper, write_paper
from rig.report.paper_pdf import UnknownPdf

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LONGEST: Final = 255
"""Letters of the id of a run, or of its begin: what the name of a folder can have."""


def of_run(run_id: str, started_utc: str) -> str:
    """Return what the report of a run is of, by which an earlier one of the same is known.

    It is short enough for the head of a file. A run.h5 of others may hold signs that no file takes.
    """
    run = run_id if len(run_id) <= _LONGEST else sha256(_bytes(run_id)).hexdigest()
    return _bytes(f"{run}, begun {started_utc[:_LONGEST]}").decode()


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "replace")


def is_report_of(path: Path, of: str) -> bool:
    """Tell whether a file is the page or the paper of a report of that."""
    if path.name == PAGE:
        return path.is_file() and of_page(path) == of
    return is_our_paper(path, of)


def refuse_foreign(folder: Path, of: str) -> None:
    """Raise InputError where a report may not be written: nothing but the same one is replaced.

    The folder is there, or the one above it; `of` is what the report is of.
    """
    if os.path.lexists(folder) and not os.path.isdir(folder):
        raise InputError(f"{folder}: is no folder, nothing was written; name a folder")
    above = folder if os.path.isdir(folder) else folder.absolute().parent
    if not os.path.isdir(above):
        raise InputError(
            f"{above}: there is no such folder, nothing was written; make it first, or name another"
        )
    if not os.access(above, os.W_OK | os.X_OK):
        raise InputError(
            f"{above}: you may not write there, nothing was written; name another with --out"
        )
    page, paper = folder / PAGE, folder / PAPER
    if os.path.lexists(page):
        found = of_page(page) if page.is_file() else None
        if found is None:
            raise _foreign(page, "is no report of this program")
        if found != of:
            raise _foreign(page, f"is the report of {found or 'something else'}, not of {of}")
    if os.path.lexists(paper) and not (paper.is_file() and is_our_paper(paper, of)):
        raise _foreign(paper, f"is no report of {of}")


def _foreign(path: Path, what: str) -> InputError:
    return InputError(f"{path}: {what}, nothing was written; move it away, or name another folder")


def write_report(
    document: Document, folder: Path, of: str, figures: Mapping[str, Figure] | None = None
) -> tuple[Path, Path]:
    """Write page and paper of a document into a folder, which is made; return both.

    Each figure is drawn once; `figures` are all of them by name, where they are drawn already.
    Page and paper are whole before either takes its name, so that an earlier report stays until
    there is a new one; two that are written at once do not meet. Where figures cannot be put on
    paper the page is written all the same. Raises InputError as `refuse_foreign` does, and
    StorageError.
    """
    refuse_foreign(folder, of)
    document = level_document(document)
    figures = drawn(document) if figures is None else figures
    page, paper = folder / PAGE, folder / PAPER
    mark = secrets.token_hex(4)
    fresh = {path: folder / f".{path.name}.{mark}" for path in (page, paper)}
    with storage(folder, "make the folder"):
        folder.mkdir(exist_ok=True)
    try:
        text = page_of(document, figures, of)
        with storage(page, "write the report"):
            fresh[page].write_text(text, encoding="utf-8", newline="\n")
        try:
            write_paper(document, fresh[paper], figures, of)
        except UnknownPdf as error:
            _named(folder, {page: fresh[page]})
            raise StorageError(f"{paper}: was not written, {page.name} was; {error}") from error
        _named(folder, fresh)
    finally:
        for new in fresh.values():
            _away(new)
    return page, paper


def _named(folder: Path, fresh: Mapping[Path, Path]) -> None:
    """Give files that are whole the names that they shall have."""
    for path, new in fresh.items():
        with storage(path, "write the report"):
            sync_file(new)
            os.replace(new, path)
    with storage(folder, "write the report"):
        sync_folder(folder)


def _away(path: Path) -> None:
    """Remove what was not finished; where even that fails there is something worse to be told."""
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return
