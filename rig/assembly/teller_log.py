"""What a teller notes for people: a few lines, in a file of the run's folder."""

from __future__ import annotations

import logging
import queue
from collections.abc import Iterator
from contextlib import contextmanager
from logging.handlers import QueueHandler, QueueListener, RotatingFileHandler
from pathlib import Path
from typing import Final

FILE: Final = "teller.log"
SIZE: Final = 200_000
"""Bytes of the log, and once more of the one before it."""
LOG: Final = logging.getLogger("nightrig.teller")


@contextmanager
def log_of(folder: Path) -> Iterator[None]:
    """Let a thread write what is noted: a disk that hangs keeps nobody from being told."""
    try:
        handler: logging.Handler = RotatingFileHandler(folder / FILE, maxBytes=SIZE, backupCount=1)
    except OSError:
        handler = logging.NullHandler()
    logging.raiseExceptions = False  # a full disk is no reason to print
    handler.setFormatter(logging.Formatter("%(asctime)s %(message)s"))
    lines = queue.SimpleQueue[logging.LogRecord]()
    noting, writing = QueueHandler(lines), QueueListener(lines, handler)
    LOG.addHandler(noting)
    LOG.setLevel(logging.INFO)
    LOG.propagate = False
    writing.start()
    try:
        yield
    finally:
        writing.stop()
        LOG.removeHandler(noting)
        handler.close()
