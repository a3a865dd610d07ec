"""Whether a picture tells where it was taken: people may not want that published."""

from __future__ import annotations

import struct
import warnings
from pathlib import Path
from typing import Final

_GPS_IFD: Final = 0x8825
"""Tag that points to the position: Exif 2.32 (CIPA DC-008), 4.6.3, GPS Info IFD Pointer."""
_PLACES: Final = frozenset({1, 2, 3, 4})
"""Tags of latitude and longitude with their signs: Exif 2.32, table 15."""
_HEAD: Final = b"Exif\0\0"
_PNG: Final = b"\x89PNG\r\n\x1a\n"
_FILL, _APP1, _SCAN = 0xFF, 0xE1, 0xDA
_XMP: Final = b"GPSLatitude"
"""What the same is called in the text that a camera or an editor may put beside it (XMP)."""


def tells_position(path: Path) -> bool | None:
    """Tell whether a picture holds a position; None where it cannot be looked into.

    Only what describes it is read, no pixel of it. Raises OSError where it cannot be opened.
    """
    from PIL import Image

    data = path.read_bytes()
    if _XMP in data:
        return True
    exif = Image.Exif()
    try:
        with warnings.catch_warnings():
            # What a damaged picture lets Pillow say is no concern of who makes a deposit.
            warnings.simplefilter("ignore")
            exif.load(_exif_of_png(data) if data.startswith(_PNG) else _exif_of_jpeg(data))
            return bool(_PLACES & set(exif.get_ifd(_GPS_IFD)))
    except (OSError, ValueError, SyntaxError, KeyError, TypeError, struct.error):
        return None


def _exif_of_png(data: bytes) -> bytes:
    """Return what the chunk eXIf of a PNG holds (PNG 3, 11.3.4.3), b"" without one."""
    at, kind = len(_PNG), b""
    while kind != b"IEND":
        length, kind = struct.unpack_from(">I4s", data, at)
        if kind == b"eXIf":
            return _HEAD + data[at + 8 : at + 8 + length]
        at += length + 12
    return b""


def _exif_of_jpeg(data: bytes) -> bytes:
    """Return what the segment APP1 of a JPEG holds (Exif 2.32, 4.7.2), b"" without one."""
    at = 2
    while True:
        fill, marker, length = struct.unpack_from(">BBH", data, at)
        if fill != _FILL:
            raise ValueError("no marker where one must be")
        # Any marker may have fill bytes before it: ITU-T T.81, B.1.1.2.
        if marker == _FILL:
            at += 1
            continue
        # Segments end where the scan begins: B.2.3.
        if marker == _SCAN:
            return b""
        content = data[at + 4 : at + 2 + length]
        if marker == _APP1 and content.startswith(_HEAD):
            return content
        at += 2 + length
