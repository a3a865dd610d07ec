"""Samples that run.h5 alone holds: those of an imported run, often larger than memory.

The journal keeps what is known of them and the SHA-256 of each channel, so that damage is told;
the samples themselves cannot be made again from it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np

from rig.errors import StorageError
from rig.record.sealing import seal
from rig.record.segment import FILTERS
from rig.record.trouble import LIBRARY_ERRORS
from rig.samples import SampleArray

SHA256: Final = "sha256"
"""What in the head of a stretch of samples tells that the run file holds them."""
CHUNK_FRAMES: Final = 16384
PIECE_FRAMES: Final = 16 * CHUNK_FRAMES
"""Frames that are read at once."""
_NAN: Final = np.float32(np.nan)


class SamplesLost(StorageError):
    """The samples of an imported run are damaged or gone; its rows can be made again."""


def sample_set(group: Any, name: str, frames: int) -> Any:
    """Return a new dataset for the samples of one channel; what is not written is NaN."""
    shape: dict[str, Any] = {"shape": (frames,), "maxshape": (None,), "chunks": (CHUNK_FRAMES,)}
    return group.create_dataset(name, dtype="<f4", fillvalue=_NAN, **shape, **FILTERS)


class SampleSets:
    """Samples on their way into the datasets of an open run file, as they come."""

    def __init__(self, file: Any, channels: tuple[str, ...]) -> None:
        self.frames = 0
        group = file.require_group("full_rate")
        self._sets = [sample_set(group, name, 0) for name in channels]
        self._hashes = [hashlib.sha256() for _ in channels]
        self._channels = channels
        self._rest = np.empty((len(channels), 0), np.float32)

    def add(self, values: SampleArray) -> None:
        """Add samples of all channels, shape (channels, frames). Raises what h5py raises."""
        values = np.concatenate((self._rest, values), axis=1)
        # One NaN for all: what is not written reads back as this one.
        values[np.isnan(values)] = _NAN
        whole = values.shape[1] // CHUNK_FRAMES * CHUNK_FRAMES
        for begin in range(0, whole, CHUNK_FRAMES):
            self._write(values[:, begin : begin + CHUNK_FRAMES])
        self._rest = values[:, whole:].copy()

    def _write(self, chunk: SampleArray) -> None:
        end = self.frames + chunk.shape[1]
        for dataset, hashed, row in zip(self._sets, self._hashes, chunk, strict=True):
            plain = np.ascontiguousarray(row, "<f4")
            hashed.update(plain.data)
            dataset.resize((end,))
            if np.isnan(row[0]) and np.isnan(row).all():
                continue
            if len(row) == CHUNK_FRAMES:
                dataset.id.write_direct_chunk((self.frames,), seal(plain))
            else:
                dataset[self.frames : end] = plain
        self.frames = end

    def finish(self) -> dict[str, str]:
        """Write what is left and return the SHA-256 of each channel's samples."""
        if self._rest.shape[1]:
            self._write(self._rest)
        self._rest = self._rest[:, :0]
        return {n: h.hexdigest() for n, h in zip(self._channels, self._hashes, strict=True)}


def kept_pieces(
    path: Path, head: Mapping[str, Any]
) -> Iterator[tuple[dict[str, Any], SampleArray]]:
    """Yield the samples of an imported run in pieces: what is known of each, and its values.

    Raises SamplesLost where they cannot be read or are not those that were imported: for a wrong
    hash only after the last piece.
    """
    known = {name: head[name] for name in ("label", "cycle", "rate")}
    channels, hashes = tuple(head["channels"]), [hashlib.sha256() for _ in head["channels"]]
    with _opened(path) as file:
        for begin in range(0, head["frames"], PIECE_FRAMES):
            frames = min(PIECE_FRAMES, head["frames"] - begin)
            values = np.empty((len(channels), frames), np.float32)
            for name, row, hashed in zip(channels, values, hashes, strict=True):
                row[:] = _read(path, file, name, begin, begin + frames)
                hashed.update(row.data)
            first = head["first_frame"] + begin
            yield known | {"first_frame": first, "channels": channels}, values
    for name, hashed in zip(channels, hashes, strict=True):
        if hashed.hexdigest() != head[SHA256][name]:
            raise SamplesLost(_damaged(path, name))


def _opened(path: Path) -> Any:
    if not path.is_file():
        raise SamplesLost(f"{path} is missing, and the samples are kept nowhere else; {_REMEDY}")
    try:
        return h5py.File(path, "r")
    except LIBRARY_ERRORS as error:
        words = f"{path} cannot be opened, and the samples are kept nowhere else; {_REMEDY}"
        raise SamplesLost(words) from error


def _read(path: Path, file: Any, name: str, begin: int, end: int) -> SampleArray:
    try:
        found: SampleArray = file["full_rate"][name][begin:end]
    except LIBRARY_ERRORS as error:
        raise SamplesLost(_damaged(path, name)) from error
    if len(found) != end - begin:
        raise SamplesLost(_damaged(path, name))
    return found


_REMEDY: Final = (
    "import the file once more into a new folder; the rows of cycles are whole in the journal"
)


def _damaged(path: Path, name: str) -> str:
    return (
        f"{path}: the samples of {name} are not as they were imported, and are kept nowhere else; "
        f"{_REMEDY}"
    )
