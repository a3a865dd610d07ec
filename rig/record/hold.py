"""One writer a record: a lock of the operating system on the run's folder itself."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from rig.errors import StorageError
from rig.record.trouble import storage

if sys.platform != "win32":
    import fcntl


class Hold:
    """Holds a run's folder for the one process that writes there, until `close`.

    It is the lock of whoever writes, not of the runner: a recorder whose runner has died may
    still hang in a call to the disk. It ends with its process, however that ends.
    """

    def __init__(self, folder: Path) -> None:
        """Take the folder. Raises StorageError if a process has it, or it cannot be opened."""
        self._handle = -1
        if sys.platform == "win32":
            return
        if not os.path.isdir(folder):
            raise StorageError(f"{folder}: there is no such folder; name the folder of a run")
        with storage(folder, "lock the record"):
            self._handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
            try:
                fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                self.close()
                raise StorageError(
                    f"{folder}: another process still writes the record; wait for its end, "
                    "then try again"
                ) from None
            except OSError:
                self.close()
                raise

    def twin(self) -> Hold:
        """Return a second hold on the folder, which stays held until both are closed."""
        twin = Hold.__new__(Hold)
        twin._handle = os.dup(self._handle) if self._handle >= 0 else -1
        return twin

    def close(self) -> None:
        """Let the folder go; a second time does nothing."""
        handle, self._handle = self._handle, -1
        if handle >= 0:
            os.close(handle)

    def __del__(self) -> None:
        # A recorder that was dropped without a word closes its journal in the same way.
        self.close()
