"""A folder that appears under its name only once it is whole, however the program ends."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from rig.errors import InputError, StorageError
from rig.record.hold import Hold
from rig.record.trouble import storage, sync_folder

SUFFIX: Final = ".nightrig-import"
"""How the hidden folder beside the one that is made ends; what a kill left ends so too."""


@contextmanager
def staged(out: Path) -> Iterator[tuple[Path, Hold]]:
    """Give a hidden folder beside `out`, and its hold; it becomes `out` where no error came.

    What a kill left of others like it in the same place is taken away first. Raises InputError
    where `out` exists or somebody else is making it, StorageError for the disk.
    """
    out = out.absolute()
    clear_remains(out.parent)
    folder = out.with_name(f".{out.name}{SUFFIX}")
    with storage(folder, "make the folder of the run"):
        try:
            folder.mkdir()
        except FileExistsError:
            raise InputError(
                f"{out}: another program is just making it; nothing was written; wait for it, or "
                "name another folder"
            ) from None
    hold = Hold(folder)
    try:
        # Whoever writes in it lets its own hold go; the folder stays held until it has its name.
        yield folder, hold.twin()
        with storage(out, "give the folder its name"):
            sync_folder(folder)
            _refuse_taken(out)
            os.rename(folder, out)
            sync_folder(out.parent)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    finally:
        hold.close()


def _refuse_taken(out: Path) -> None:
    # A folder that is empty would be replaced without a word.
    if os.path.lexists(out):
        raise InputError(f"{out}: already exists, nothing was written; name a new folder")


def clear_remains(place: Path) -> None:
    """Take away what killed programs left in a folder; what somebody holds stays."""
    for left in place.glob(f".*{SUFFIX}"):
        try:
            hold = Hold(left)
        except StorageError:
            continue
        shutil.rmtree(left, ignore_errors=True)
        hold.close()
