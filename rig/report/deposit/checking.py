"""Whether a deposit is whole: one just written, or one that somebody received."""

from __future__ import annotations

import tempfile
import warnings
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote

from rig.errors import StorageError
from rig.record.entries import LISTS
from rig.record.layout import RUN_FILE
from rig.record.trouble import storage
from rig.replay.exporting import told_by_disk
from rig.replay.recording import Recording, open_recording
from rig.report.deposit.about import one_line, version_of
from rig.report.deposit.citation import read_citation
from rig.report.deposit.crate import RUN_ID, VERSION, crate_class
from rig.report.deposit.files import (
    CITATION,
    METADATA,
    SUMS,
    TABLES,
    Held,
    difference,
    held,
    is_below,
    names_below,
    read_sums,
)
from rig.report.deposit.packing import unpack

_ROOT_NEEDS: Final = ("name", "description", "datePublished", "license")
"""What the root must have: RO-Crate 1.2, "Direct properties of the Root Data Entity"."""
_DAMAGE: Final = (ValueError, KeyError, TypeError, AttributeError, AssertionError, RecursionError)
"""What the crate's package raises for metadata that is none."""


def check(place: Path) -> Mapping[str, Held]:
    """Return the files of a deposit, a folder or a zip file, that is whole.

    A zip file is unpacked into a folder of the system's temporary ones. Raises
    StorageError for the first thing that is not as its checksums, metadata or run.h5 say.
    """
    with told_by_disk(place, "read the deposit"):
        return check_folder(place) if place.is_dir() else _check_zip(place)


def _check_zip(place: Path) -> Mapping[str, Held]:
    with tempfile.TemporaryDirectory(prefix="deposit-") as folder:
        unpack(place, Path(folder))
        try:
            return check_folder(Path(folder))
        except StorageError as error:
            # Nobody else knows of that folder.
            raise StorageError(str(error).replace(folder, str(place))) from error


def check_folder(folder: Path) -> Mapping[str, Held]:
    """Return the files of a deposit's folder that is whole. Raises StorageError and OSError."""
    names = names_below(folder)
    if missing := [name for name in (SUMS, METADATA, CITATION, RUN_FILE) if name not in names]:
        raise StorageError(f"{folder}: {missing[0]} is missing; this is no deposit that is whole")
    files = {name: held(folder / name) for name in names}
    _checksums(folder, files)
    root = _metadata(folder, files)
    _citation(folder, root)
    _record(folder, files, root)
    return files


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except ValueError as error:
        raise StorageError(f"{path}: is no text in UTF-8") from error


def _checksums(folder: Path, files: Mapping[str, Held]) -> None:
    listed = read_sums(_text(folder / SUMS))
    if found := difference(files, {*listed, SUMS}):
        raise StorageError(f"{folder}: {found} by {SUMS}")
    for name, sha256 in listed.items():
        if files[name].sha256 != sha256:
            raise StorageError(f"{folder / name}: does not hold what {SUMS} says; it was changed")


def _metadata(folder: Path, files: Mapping[str, Held]) -> Mapping[str, Any]:
    """Hold the metadata, as the crate's own package reads it, against the files."""
    path = folder / METADATA
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            crate = crate_class()(folder.absolute())
            root = crate.root_dataset.properties()
            parts = [entity.properties() for entity in crate.data_entities]
            run = crate.get(RUN_ID)
            root = {**root, "run_id": run["value"] if run else ""}
    except _DAMAGE as error:
        raise StorageError(f"{path}: is no RO-Crate metadata: {_said(error)}") from error
    if missing := [name for name in _ROOT_NEEDS if not root.get(name)]:
        raise StorageError(
            f"{path}: the dataset has no {missing[0]}, which RO-Crate {VERSION} asks"
        )
    described = dict(_described(path, parts))
    if found := difference(files, {*described, METADATA}):
        raise StorageError(f"{folder}: {found} by {METADATA}")
    for name, part in described.items():
        _hold(path, name, part, files[name])
    return root


def _described(path: Path, parts: list[Mapping[str, Any]]) -> Iterator[tuple[str, Any]]:
    for part in parts:
        name = unquote(str(part["@id"]))
        if part["@type"] != "File" or not is_below(name):
            raise StorageError(f"{path}: {name!r} is no file of the deposit")
        yield name, part


def _hold(path: Path, name: str, part: Mapping[str, Any], file: Held) -> None:
    if name == SUMS:
        return
    if part.get("contentSize") != str(file.size) or part.get("sha256") != file.sha256:
        raise StorageError(f"{path}: tells another size or SHA-256 of {name} than it has")


def _citation(folder: Path, root: Mapping[str, Any]) -> None:
    path = folder / CITATION
    cited = read_citation(_text(path))
    for key, name in (("version", "version"), ("date-released", "datePublished")):
        if cited.get(key) != root.get(name):
            raise StorageError(f"{path}: {key} is not that of {METADATA}")


def _record(folder: Path, files: Mapping[str, Held], root: Mapping[str, Any]) -> None:
    """Hold run.h5 against the metadata, and the rows of the CSV files against it."""
    path = folder / RUN_FILE
    with storage(path, "read the run file"), open_recording(path) as recording:
        same = one_line(recording.header.run_id) == root["run_id"]
        if not same or root.get("version") != version_of(files[RUN_FILE].sha256):
            raise StorageError(f"{path}: is not the record that {METADATA} tells of")
        for name, rows in _rows_due(recording):
            file = f"{TABLES}/{name}"
            if file in files and files[file].rows != rows:
                raise StorageError(
                    f"{folder / file}: has {files[file].rows:,} rows, {RUN_FILE} has {rows:,}"
                )


def _rows_due(recording: Recording) -> Iterator[tuple[str, int]]:
    """Yield the CSV files of an export with the rows that each is to have."""
    for kind in ("cycles", "build_up", "slow"):
        yield f"{kind}.csv", recording.count(kind)
    for kind in LISTS:
        yield f"{kind}.csv", len(recording.entries(kind))
    kept = [frames for _, _, frames, _ in recording.stretches() if frames]
    static = [record.values.shape[1] for record in recording.static()]
    for kind, frames in (("full_rate", kept), ("static", static)):
        yield f"{kind}.csv", len(frames)
        for number, count in enumerate(frames, start=1):
            yield f"{kind}/{number:04d}.csv", count


def _said(error: BaseException) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
