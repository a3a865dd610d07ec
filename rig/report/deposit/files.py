"""The files of a deposit: which there are, their hashes, and the list that `sha256sum -c` reads."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final

from rig.errors import StorageError
from rig.report.document import PAGE, PAPER

SUMS: Final = "SHA256SUMS"
METADATA: Final = "ro-crate-metadata.json"
CITATION: Final = "CITATION.cff"
README: Final = "README.txt"
TABLES: Final = "csv"
WRITTEN: Final = "files"
REPORTS: Final = (PAGE, PAPER)
FORMATS: Final[Mapping[str, str]] = {
    ".h5": "application/x-hdf5",
    ".csv": "text/csv",
    ".toml": "application/toml",
    ".jpg": "image/jpeg",
    ".png": "image/png",
    ".html": "text/html",
    ".pdf": "application/pdf",
    ".txt": "text/plain",
    ".cff": "application/yaml",
    ".json": "application/ld+json",
}
"""Media types by the ending of a name; application/x-hdf5 is common, and not registered."""
_PIECE: Final = 1 << 20
_LINE: Final = re.compile(r"([0-9a-f]{64})  (\S.*)")


@dataclass(frozen=True, slots=True)
class Held:
    """What a file holds: bytes, SHA-256, and, of a CSV file, rows below its head."""

    size: int
    sha256: str
    rows: int


def media_type(name: str) -> str:
    """Return the media type of a file by its name."""
    return FORMATS.get(PurePosixPath(name).suffix, "text/plain")


def copied(source: Path, target: Path) -> str:
    """Copy a file whole and return its SHA-256. Raises OSError."""
    digest = hashlib.sha256()
    with source.open("rb") as given, target.open("xb") as taken:
        while piece := given.read(_PIECE):
            digest.update(piece)
            taken.write(piece)
    shutil.copymode(source, target)
    return digest.hexdigest()


def names_below(folder: Path) -> tuple[str, ...]:
    """Return the files below a folder, sorted. Raises StorageError for a link or a device."""
    found = []
    for above, folders, files in os.walk(folder):
        for name in (*folders, *files):
            path = Path(above, name)
            mode = path.lstat().st_mode
            if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
                raise StorageError(f"{path}: is no plain file; a deposit holds no others")
            if stat.S_ISREG(mode):
                found.append(path.relative_to(folder).as_posix())
    return tuple(sorted(found))


def held(path: Path) -> Held:
    """Return what a file holds, read once."""
    digest, size, lines, quoted = hashlib.sha256(), 0, 0, False
    is_table = path.suffix == ".csv"
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            digest.update(piece)
            size += len(piece)
            if is_table:
                found, quoted = _lines(piece, quoted)
                lines += found
    return Held(size, digest.hexdigest(), max(lines - 1, 0))


def _lines(piece: bytes, quoted: bool) -> tuple[int, bool]:
    """Return the ends of rows in a piece of CSV, and whether it ends inside of quotes."""
    if not quoted and b'"' not in piece:
        return piece.count(b"\n"), False
    # A quote inside of quotes is doubled (RFC 4180, 2.7), so that it opens and closes once more.
    parts = piece.split(b'"')
    outside = parts[1::2] if quoted else parts[::2]
    return sum(part.count(b"\n") for part in outside), quoted ^ (len(parts) % 2 == 0)


def sums_text(files: Mapping[str, Held]) -> str:
    """Return the list of checksums as GNU coreutils write and read it."""
    return "".join(f"{files[name].sha256}  {name}\n" for name in sorted(files))


def read_sums(text: str) -> dict[str, str]:
    """Return the hash of each file that a list names. Raises StorageError."""
    found: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        match = _LINE.fullmatch(line)
        if match is None or not is_below(match[2]) or match[2] in found:
            raise StorageError(f"{SUMS}:{number}: is no checksum of one more file of the deposit")
        found[match[2]] = match[1]
    return found


def is_below(name: str) -> bool:
    """Tell whether the name of a file stays below its folder, on every system."""
    parts = name.split("/")
    bad = "\\" in name or ":" in name or not name.isprintable()
    return not bad and all(part not in ("", ".", "..") for part in parts)


def difference(there: Iterable[str], listed: Iterable[str]) -> str:
    """Return what is missing of the files that are listed, or not listed; "" for nothing."""
    missing = sorted(set(listed) - set(there))
    more = sorted(set(there) - set(listed))
    if missing:
        return f"{missing[0]} is missing{_others(missing)}"
    return f"{more[0]} is not listed{_others(more)}" if more else ""


def _others(names: list[str]) -> str:
    return f", and {len(names) - 1} more" if names[1:] else ""
