"""Published examples of stuffing (COBS): bytes, and what stands for them on the line."""

from __future__ import annotations


def _run(first: int, last: int) -> bytes:
    """Return the bytes from one value to another, both included."""
    return bytes(range(first, last + 1))


# The table of encoding examples in the Wikipedia article "Consistent Overhead Byte Stuffing", and
# in the last row the worked example of S. Cheshire, M. Baker, IEEE/ACM Transactions on Networking
# 7(2), 1999; from memory.
PUBLISHED = [
    (bytes.fromhex("00"), bytes.fromhex("01 01")),
    (bytes.fromhex("00 00"), bytes.fromhex("01 01 01")),
    (bytes.fromhex("00 11 00"), bytes.fromhex("01 02 11 01")),
    (bytes.fromhex("11 22 00 33"), bytes.fromhex("03 11 22 02 33")),
    (bytes.fromhex("11 22 33 44"), bytes.fromhex("05 11 22 33 44")),
    (bytes.fromhex("11 00 00 00"), bytes.fromhex("02 11 01 01 01")),
    (_run(0x01, 0xFE), b"\xff" + _run(0x01, 0xFE)),
    (b"\0" + _run(0x01, 0xFE), b"\x01\xff" + _run(0x01, 0xFE)),
    (_run(0x01, 0xFF), b"\xff" + _run(0x01, 0xFE) + b"\x02\xff"),
    (_run(0x02, 0xFF) + b"\0", b"\xff" + _run(0x02, 0xFF) + b"\x01\x01"),
    (_run(0x03, 0xFF) + b"\0\x01", b"\xfe" + _run(0x03, 0xFF) + b"\x02\x01"),
    (
        bytes.fromhex("45 00 00 2c 4c 79 00 00 40 06 4f 37"),
        bytes.fromhex("02 45 01 04 2c 4c 79 01 05 40 06 4f 37"),
    ),
]
