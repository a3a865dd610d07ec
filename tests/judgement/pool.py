"""Many nights by two processes, each record kept in a file of JSON lines as soon as it is there."""

from __future__ import annotations

import json
import multiprocessing
import os
import sys
import threading
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from tests.judgement.carrying import Record, carry_out, nice, program
from tests.judgement.drawing import Night


def kept(results: Path) -> dict[str, Record]:
    """Return the records of this program in a file, by name of night."""
    if not results.exists():
        return {}
    found = {}
    for line in results.read_text(encoding="utf-8").splitlines():
        try:
            record = Record.of(json.loads(line))
        except (ValueError, KeyError):
            continue  # a last line that was cut off: its night is made again
        if record.program == program():
            found[record.name] = record
    return found


def carried_out(nights: Iterable[Night], results: Path, processes: int = 2) -> list[Record]:
    """Return the records of all nights, in their order; those that a file keeps are not made again.

    A night in which the program fails ends it all, and says which it was.
    """
    wanted = list(nights)
    known = kept(results)
    missing = [night for night in dict.fromkeys(wanted) if night.name not in known]
    if missing:
        results.parent.mkdir(parents=True, exist_ok=True)
        with results.open("a", encoding="utf-8") as file:
            for record in _made(missing, processes):
                if file.tell() and not _ends_with_line(results):
                    file.write("\n")
                file.write(json.dumps(record.plain()) + "\n")
                file.flush()
                known[record.name] = record
    return [known[night.name] for night in wanted]


def _ends_with_line(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, 2)
        return file.read(1) == b"\n"


def _made(nights: list[Night], processes: int) -> Iterable[Record]:
    # Spawned: a fork of threads may hang.
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=spawn, initializer=_begin) as pool:
        futures = {pool.submit(carry_out, night): night for night in nights}
        try:
            for done, future in enumerate(as_completed(futures), 1):
                try:
                    record = future.result()
                except Exception as error:
                    raise RuntimeError(f"{futures[future].name!r}: {error!r}") from error
                _tell(f"{done}/{len(nights)} {record.name}: {record.outcome}, {record.cpu_s:.0f} s")
                yield record
        finally:
            pool.shutdown(cancel_futures=True)


def _begin() -> None:
    """Let others of this computer go first, and end with who started this process."""
    nice()
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)  # whatever it is at: nobody would keep it


def _tell(words: str) -> None:
    print(words, file=sys.stderr, flush=True)
