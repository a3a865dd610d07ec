"""The stream beside the journal: HDF5 that any program can read while the run goes on."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import h5py

from rig.errors import StorageError
from rig.record.entries import Field, RunHeader
from rig.record.sealing import CHUNK_ROWS, LEVEL, AnyArray
from rig.record.trouble import LIBRARY_ERRORS, storage

SEGMENTS: Final = "segments"
FILTERS: Final[dict[str, Any]] = {
    "compression": "gzip",
    "compression_opts": LEVEL,
    "shuffle": True,
    "fletcher32": True,
}


def describe(dataset: Any, units: str, long_name: str) -> None:
    """Give a dataset the two attributes that every one has."""
    dataset.attrs["units"] = units
    dataset.attrs["long_name"] = long_name


class Segment:
    """One segment, made at a start and never opened for writing again."""

    def __init__(self, folder: Path, header: RunHeader, fields: tuple[Field, ...]) -> None:
        place = folder / SEGMENTS
        self._rows = 0
        with storage(place, "make a segment"):
            place.mkdir(exist_ok=True)
            number = 1 + max((int(p.stem) for p in place.glob("[0-9]*.h5")), default=0)
            self.path = place / f"{number:04d}.h5"
            # The one pair of versions that SWMR and every HDF5 since 1.10 agree on.
            self._file = h5py.File(self.path, "x", libver=("v110", "v110"))
            self._file.attrs["format"] = "nightrig-segment"
            self._file.attrs["version"] = 1
            self._file.attrs["run_id"] = header.run_id
            group = self._file.create_group("cycles")
            self._sets = [self._column(group, f) for f in fields]
            self._file.flush()
            self._file.swmr_mode = True

    def _column(self, group: Any, field: Field) -> Any:
        shape: dict[str, Any] = {"shape": (0,), "maxshape": (None,), "chunks": (CHUNK_ROWS,)}
        dataset = group.create_dataset(field.name, dtype=field.dtype, **shape, **FILTERS)
        describe(dataset, field.units, field.long_name)
        return dataset

    def chunk(self, parts: list[bytes]) -> None:
        """Append a whole chunk of sealed columns and show it to readers."""
        with storage(self.path, "write the segment"):
            # Through HDF5's own calls: h5py's shape and resize cost as much as the writing.
            for dataset, sealed in zip(self._sets, parts, strict=True):
                dataset.id.set_extent((self._rows + CHUNK_ROWS,))
                dataset.id.write_direct_chunk((self._rows,), sealed)
            self._rows += CHUNK_ROWS
            self._file.flush()

    def close(self, tail: Mapping[str, AnyArray]) -> None:
        """Write the last rows, short of a chunk, and close."""
        with storage(self.path, "close the segment"):
            for dataset, column in zip(self._sets, tail.values(), strict=True):
                dataset.resize((self._rows + len(column),))
                dataset[self._rows :] = column
            self._file.close()

    def drop(self) -> None:
        """Close without writing anything more, whatever the disk says."""
        with suppress(StorageError, *LIBRARY_ERRORS):
            self._file.close()
