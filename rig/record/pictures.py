"""Pictures of a run: copied by content into its folder and named by their SHA-256.

They are not decoded here; whether one is cut off is told by its parts alone.
"""

from __future__ import annotations

import hashlib
import os
import stat
import zlib
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rig.errors import InputError, StorageError
from rig.record.trouble import free_bytes, storage, sync_file, sync_folder

PICTURES: Final = "pictures"
LARGEST: Final = 30_000_000
"""Largest picture that is taken [B]: what a camera of 50 megapixels writes as JPEG."""
MOST: Final = 2000
"""So many pictures are kept of a run: 40 cracks at 50 inspections."""
LEFT: Final = 500_000_000
"""What pictures leave free on the disk [B]: the record of a live test needs it."""
_MAGIC: Final = {
    # ITU-T T.81, B.1.1.3: start of image, then the first byte of the next marker.
    b"\xff\xd8\xff": ".jpg",
    # ISO/IEC 15948 (PNG), 5.2.
    b"\x89PNG\r\n\x1a\n": ".png",
}
_PIECE: Final = 1 << 20
_OF_PHONES: Final = (b"heic", b"heix", b"hevc", b"mif1", b"msf1", b"avif")
"""Brands of ISO/IEC 23008-12 (HEIF) files, which phones write; from memory."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture that is kept: its hash, its file, and whether it was not there before."""

    sha256: str
    path: Path
    new: bool

    def take_back(self) -> None:
        """Take it away again, if it was not there before."""
        if self.new:
            with suppress(OSError):
                self.path.unlink()
                self.path.parent.rmdir()  # which it is not while there are others


def keep_picture(folder: Path, source: Path) -> Picture:
    """Copy a JPEG or PNG file into the pictures of a run's folder; durable when this returns.

    Raises InputError for what is no such picture or too much, StorageError for the disk.
    """
    data = _content(source)
    kind = next((end for magic, end in _MAGIC.items() if data.startswith(magic)), "")
    if not kind:
        raise InputError(f"{source}: {_other(data)}")
    if not (_whole_jpeg(data) if kind == ".jpg" else _whole_png(data)):
        raise InputError(
            f"{source}: the picture is cut off or damaged; copy it once more from the camera"
        )
    sha256 = hashlib.sha256(data).hexdigest()
    place = folder / PICTURES
    with storage(place, "keep the picture"):
        _make(place)
        path = place / f"{sha256}{kind}"
        if trouble_of_picture(path, sha256) == "":
            return Picture(sha256, path, new=False)
        _refuse_too_much(place, len(data))
        _write(path, data)
    return Picture(sha256, path, new=True)


def find_picture(folder: Path, sha256: str) -> Path | None:
    """Return the file of a picture of a run, None where there is none by its name."""
    for kind in _MAGIC.values():
        path = folder / PICTURES / f"{sha256}{kind}"
        if path.is_file():
            return path
    return None


def trouble_of_picture(path: Path, sha256: str) -> str:
    """Return what is wrong with the file of a picture, in words; "" where it is whole."""
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            return f"{path} is no plain file"
        with path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        return f"{path}: {error.strerror}"
    return "" if found == sha256 else f"{path} is not the picture that was kept"


def _content(source: Path) -> bytes:
    """Return the bytes of a plain file that is not too long. Raises InputError."""
    try:
        # A pipe or a device would keep whoever opens it waiting.
        handle = os.open(source, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY)
    except (OSError, ValueError) as error:
        said = error.strerror if isinstance(error, OSError) else error
        raise InputError(f"{source}: cannot be read: {said}; name a picture") from error
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise InputError(f"{source}: is no plain file; name a picture")
    try:
        with open(handle, "rb") as file:
            data = file.read(LARGEST + 1)
    except OSError as error:
        raise InputError(f"{source}: cannot be read: {error.strerror}") from error
    if len(data) > LARGEST:
        raise InputError(
            f"{source}: is larger than {LARGEST / 1e6:.0f} MB; save it smaller and give that one"
        )
    return data


def _other(data: bytes) -> str:
    """Return what is wrong with a file that is neither JPEG nor PNG, in words."""
    if not data:
        return "is empty; copy it once more from the camera"
    if data[4:8] == b"ftyp" and data[8:12] in _OF_PHONES:
        return "is HEIC or AVIF, as phones write it; save it as JPEG and give that one"
    return "is no JPEG or PNG picture by its content; save it as one"


def _whole_jpeg(data: bytes) -> bool:
    """Tell whether a JPEG has a frame, a scan and its end (ITU-T T.81, B.1.1 and B.2.1)."""
    at, framed = 2, False
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:  # a fill byte
            at += 1
            continue
        # A picture inside the picture, of a preview, lies within a segment and is passed over.
        if marker == 0xDA:
            return framed and data.find(b"\xff\xd9", at) > 0
        framed = framed or (0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC))
        at += 2 + int.from_bytes(data[at + 2 : at + 4])
    return False


def _whole_png(data: bytes) -> bool:
    """Tell whether a PNG has all chunks to its end, each with its CRC (ISO/IEC 15948, 5.3)."""
    at = 8
    while at + 12 <= len(data):
        long = int.from_bytes(data[at : at + 4])
        told = data[at + 4 : at + 8 + long]
        if zlib.crc32(told).to_bytes(4) != data[at + 8 + long : at + 12 + long]:
            return False
        if told[:4] == b"IEND":
            return True
        at += 12 + long
    return False


def _make(place: Path) -> None:
    try:
        place.mkdir()
    except FileExistsError:
        if not stat.S_ISDIR(place.lstat().st_mode):
            raise StorageError(f"{place}: is no folder of this run; move it away") from None
        return
    sync_folder(place.parent)


def _refuse_too_much(place: Path, size: int) -> None:
    kept = sum(1 for path in place.iterdir() if path.suffix in _MAGIC.values())
    if kept >= MOST:
        raise InputError(f"{place}: holds {kept:,} pictures, no more are taken")
    if free_bytes(place) < size + LEFT:
        raise InputError(
            f"{place}: the picture is not kept, the record needs the {LEFT / 1e6:.0f} MB left on "
            "the disk; make room"
        )


def _write(path: Path, data: bytes) -> None:
    new = path.with_name(f".{path.name}.{os.getpid()}")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW
    try:
        with open(os.open(new, flags, 0o644), "wb") as file:
            for begin in range(0, len(data), _PIECE):
                file.write(data[begin : begin + _PIECE])
        sync_file(new)
        os.replace(new, path)
    except BaseException:
        with suppress(OSError):
            new.unlink()
        raise
    sync_folder(path.parent)
