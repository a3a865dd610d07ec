"""A short test that is told of: a rig file with `[messages]`, a lab file, a real broker."""

from __future__ import annotations

import contextlib
import json
import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.assembly.nights import Night, a_night, eventually
from tests.monitor.mqtt.broker import LAB, RIG, Broker

BRANCH = f"nightrig/v1/{LAB}/{RIG}"
MESSAGES = f'\n[messages]\nlab = "labs/lab.toml"\nname = "{RIG}"\n'


def lab_text(broker: Broker | None, more: str = "") -> str:
    """Return a lab file about a broker, and what more."""
    table = "" if broker is None else broker.table()
    return f'name = "{LAB}"\nzone = "UTC"\n{table}{more}\n'


@contextmanager
def a_told_night(
    folder: Path, broker: Broker | None, *, run_out: int = 60, more: str = "", rig: str = "",
    **people: object,
) -> Iterator[Night]:  # fmt: skip
    """Give a night that a teller tells of, and end the teller behind it.

    `more` goes into the lab file, `rig` into `[messages]` of the rig file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with a_night(folder, run_out=run_out, **people) as night:
        (folder / "labs").mkdir()
        (folder / "labs" / "lab.toml").write_text(lab_text(broker, more))
        text = (folder / "rig.toml").read_text()
        (folder / "rig.toml").write_text(f"{text}{MESSAGES}{rig}\n")
        try:
            yield night
        finally:
            for pid in tellers(night.out):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)


def tellers(out: Path) -> list[int]:
    """Return the process ids of the tellers of a run's folder."""
    found = []
    for line in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            words = line.read_bytes().split(b"\0")
            if b"rig.assembly.teller" in words and str(out.resolve()).encode() in words:
                found.append(int(line.parent.name))
    return found


def a_teller(out: Path) -> int:
    """Wait for a teller that has begun to tell; return its process id."""
    eventually(lambda: "tells of run" in log(out), "a teller that tells")
    return int(eventually(lambda: tellers(out), "a teller")[0])


def log(out: Path) -> str:
    """Return the log of a run's teller."""
    path = out / "teller.log"
    return path.read_text(errors="replace") if path.exists() else ""


def seqs(payloads: list[bytes]) -> list[int]:
    """Return the numbers of events as they came."""
    return [json.loads(payload)["seq"] for payload in payloads]


def once(payloads: list[bytes]) -> list[bytes]:
    """Return events as a receiver keeps them: what it has is dropped."""
    kept: dict[tuple[str, int], bytes] = {}
    for payload in payloads:
        told = json.loads(payload)
        kept.setdefault((told["run"], told["seq"]), payload)
    return list(kept.values())


def come(*arguments: object) -> str:
    """Return the rest of a lab file by which a program is started once a runner is gone."""
    return f"""
[program]
arguments = {json.dumps([str(argument) for argument in arguments])}
[[person]]
name = "A. Name"
[[alert]]
name = "come"
kinds = ["gone"]
people = ["A. Name"]
ways = ["program"]
"""
