"""The hash by which a file is known again."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from rig.record.trouble import storage

if TYPE_CHECKING:
    from pathlib import Path


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file, as `sha256sum` prints it. Raises StorageError."""
    with storage(path, "read the file"), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
