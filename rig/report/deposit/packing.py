"""A deposit as one zip file: the same bytes for the same files; and one unpacked with caution."""

from __future__ import annotations

import hashlib
import shutil
import zipfile
import zlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from rig.errors import StorageError
from rig.record.pictures import LEFT
from rig.record.trouble import free_bytes
from rig.report.deposit.files import Held, is_below

_EPOCH: Final = (1980, 1, 1, 0, 0, 0)
"""The first moment that a zip file can tell; that of the files on this disk says nothing."""
_PACKED: Final = frozenset({".h5", ".jpg", ".png", ".pdf"})
"""Kinds of files that are packed already."""
_PIECE: Final = 1 << 20
_PLAIN: Final = 0o100644 << 16
_UNIX: Final = 3
_METHODS: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
"""How files in a zip file are packed by any program; others are not worth their unpackers."""
_DAMAGE: Final = (
    zipfile.BadZipFile,
    zlib.error,
    RuntimeError,
    EOFError,
    ValueError,
)
"""What reading a zip file raises that is none, or is damaged."""


def pack(folder: Path, names: Iterable[str], out: Path) -> None:
    """Write files of a folder into a new zip file. Raises OSError."""
    with zipfile.ZipFile(out, "x", allowZip64=True) as archive:
        for name in sorted(names):
            info = zipfile.ZipInfo(name, _EPOCH)
            info.create_system, info.external_attr = _UNIX, _PLAIN
            packed = Path(name).suffix in _PACKED
            info.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
            info.file_size = (folder / name).stat().st_size
            with (folder / name).open("rb") as given, archive.open(info, "w") as taken:
                shutil.copyfileobj(given, taken, _PIECE)


def unpack(archive: Path, folder: Path) -> None:
    """Write what a zip file holds into an empty folder, and nothing outside of it.

    Raises StorageError for what is no zip file, or is damaged, too large or out to harm; OSError.
    """
    try:
        with zipfile.ZipFile(archive) as source:
            infos = [info for info in source.infolist() if not info.is_dir()]
            _refuse_harm(archive, folder, infos)
            for info in infos:
                _unpack_one(source, info, folder)
    except _DAMAGE as error:
        raise StorageError(f"{archive}: is no zip file that is whole: {error}") from error


def _refuse_harm(archive: Path, folder: Path, infos: list[zipfile.ZipInfo]) -> None:
    names = {info.filename for info in infos}
    for name in names:
        if not is_below(name):
            raise StorageError(f"{archive}: holds {name!r}, which is no file of a deposit")
    if len(names) < len(infos):
        raise StorageError(f"{archive}: holds two files of one name, which is no deposit")
    if other := next((i.filename for i in infos if i.compress_type not in _METHODS), ""):
        raise StorageError(f"{archive}: {other!r} is packed in a way that is not read here")
    size = sum(info.file_size for info in infos)
    # What is unpacked is thrown away again, and must not stop a test whose record is on that disk.
    if size + LEFT > free_bytes(folder):
        raise StorageError(
            f"{archive}: needs {size:,} bytes unpacked and {LEFT:,} left, the disk of {folder} has "
            "less; make room"
        )


def _unpack_one(source: zipfile.ZipFile, info: zipfile.ZipInfo, folder: Path) -> None:
    path = folder / info.filename
    path.parent.mkdir(parents=True, exist_ok=True)
    # No more is read than the size that is told, which was held against the disk.
    with source.open(info) as given, path.open("xb") as taken:
        shutil.copyfileobj(given, taken, _PIECE)


def packed_as(archive: Path, files: Mapping[str, Held]) -> str:
    """Return what differs between a zip file and the files it was made of, "" for nothing."""
    with zipfile.ZipFile(archive) as source:
        if sorted(source.namelist()) != sorted(files):
            return "it does not hold the same files"
        for name, held in files.items():
            with source.open(name) as file:
                readable: Any = file  # which its stub does not say
                if hashlib.file_digest(readable, "sha256").hexdigest() != held.sha256:
                    return f"{name} does not read back as it was written"
    return ""
