"""Columns of rows as sealed bytes: exactly what HDF5's shuffle, deflate and fletcher32 store.

A chunk is compressed once, when it is sealed into the journal; segment and run file are given
the same bytes with `write_direct_chunk`.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.errors import StorageError

CHUNK_ROWS: Final = 4096
LEVEL: Final = 1
AnyArray = NDArray[np.generic]


def fletcher32(data: bytes) -> int:
    """Return HDF5's Fletcher-32 of bytes: 16-bit big-endian words, ones' complement sums.

    Source: J. G. Fletcher, An arithmetic checksum for serial transmissions, IEEE Trans. Comm.
    30 (1982); word order as in HDF5's H5_checksum_fletcher32.
    """
    words = np.frombuffer(data + b"\0" * (len(data) % 2), dtype=">u2").astype(np.int64)
    first = int(words.sum())
    second = int((words * np.arange(len(words), 0, -1, dtype=np.int64)).sum())
    return _folded(second) << 16 | _folded(first)


def _folded(total: int) -> int:
    # Folding carries never turns a sum that is not zero into zero.
    return (total - 1) % 65535 + 1 if total else 0


def seal(column: AnyArray) -> bytes:
    """Return one column, shape (rows,), as the bytes of an HDF5 chunk."""
    # Measured digits are noise and runs, where a search for repeats costs a quarter more time
    # and saves nothing; counts do repeat.
    strategy = zlib.Z_DEFAULT_STRATEGY if column.dtype.kind == "i" else zlib.Z_RLE
    packer = zlib.compressobj(LEVEL, zlib.DEFLATED, zlib.MAX_WBITS, zlib.DEF_MEM_LEVEL, strategy)
    packed = packer.compress(shuffled(column)) + packer.flush()
    return packed + struct.pack("<I", fletcher32(packed))


def shuffled(column: AnyArray) -> bytes:
    """Return the bytes of a column ordered by significance: all first bytes, all second..."""
    plain = np.ascontiguousarray(column).view(np.uint8)
    return plain.reshape(len(column), column.itemsize).T.tobytes()


def unseal(sealed: bytes, dtype: str, rows: int) -> AnyArray:
    """Return the column, shape (rows,). Raises ValueError for damaged bytes."""
    try:
        plain = zlib.decompress(memoryview(sealed)[:-4])
    except zlib.error as error:
        raise ValueError(f"damaged compressed bytes: {error}") from error
    size = np.dtype(dtype).itemsize
    if len(plain) != rows * size:
        raise ValueError(f"{len(plain)} bytes where {rows} rows need {rows * size}")
    spread = np.frombuffer(plain, np.uint8).reshape(size, rows)
    column: AnyArray = np.ascontiguousarray(spread.T).reshape(-1).view(dtype)
    return column


def join(parts: Sequence[bytes]) -> bytes:
    """Return sealed columns as one body: their lengths as uint32, then their bytes."""
    return struct.pack(f"<{len(parts)}I", *map(len, parts)) + b"".join(parts)


def split(body: bytes, count: int) -> list[bytes]:
    """Return the sealed columns of a body. Raises ValueError if the lengths do not add up."""
    head = 4 * count
    if len(body) < head:
        raise ValueError(f"{len(body)} bytes are too few for {count} columns")
    lengths = struct.unpack_from(f"<{count}I", body)
    if head + sum(lengths) != len(body):
        raise ValueError(f"column lengths add up to {head + sum(lengths)}, not {len(body)}")
    ends = np.cumsum((head, *lengths)).tolist()
    return [body[a:b] for a, b in pairwise(ends)]


def checksum(label: str, body: bytes) -> int:
    """Return the CRC-32 of a journal row: what it says it is, then its body."""
    return zlib.crc32(body, zlib.crc32(label.encode()))


def check(label: str, body: object, crc: object, where: str) -> None:
    """Raise StorageError naming the journal row whose checksum does not fit.

    A damaged row may hold anything where its text or bytes belong.
    """
    plain = body.encode() if isinstance(body, str) else body
    if not isinstance(plain, bytes) or checksum(label, plain) != crc:
        raise StorageError(
            f"{where}: the journal is damaged at {label}: its checksum does not fit; "
            "keep a copy of the folder before anything else"
        )
