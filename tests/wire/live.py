"""A short test through four pseudo-terminals: emulation, runner and recorder as processes."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.assembly.nights import COMMAND, PROTOCOL, QUICKER, ROOT, Night, eventually

LONGEST = 150.0
"""How long [s] a whole test may take before it is given up."""

WET = """
[spray]
begin = "5 cycles"
continuous = true
flow = "1.5 L/min"
tolerance = "15 %"
if_unconfirmed = { retries = 2, every = "5 s", then = "pause" }
on_pause = "keep"
on_stop = "off"
"""


@dataclass
class WireNight(Night):
    """A night whose rig is emulated by a process of its own."""

    emulation: subprocess.Popen[bytes] | None = None

    def carried_out(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run a command that carries a whole test out in real time."""
        return self.finished([*COMMAND, *arguments], within=LONGEST)

    def truth(self) -> list[dict[str, Any]]:
        """Return what has really happened in the rig so far."""
        lines = (self.folder / "truth.jsonl").read_text("utf-8").splitlines(keepends=True)
        return [json.loads(line) for line in lines if line.endswith("\n")]

    def emulate(self) -> None:
        """Start the emulation and wait for its rig file."""
        options = ["--rig", "simulated.toml", "--ports", "ports", "--out", "rig.toml"]
        command = [*COMMAND, "devices", "--emulate", "protocol.toml", *options]
        with (self.folder / "emulation.log").open("wb") as log:
            self.emulation = subprocess.Popen(
                [*command, "--truth", "truth.jsonl"],
                cwd=self.folder,
                env=self.env,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=log,
            )
        eventually((self.folder / "rig.toml").exists, "the rig file of the emulation")

    def end_emulation(self) -> int:
        """End the emulation as Ctrl-C does; return its exit code."""
        assert self.emulation is not None
        self.emulation.send_signal(signal.SIGINT)
        return self.emulation.wait(20)


@contextmanager
def a_wire_night(folder: Path, *, run_out: int = 60) -> Iterator[WireNight]:
    """Write the files of a short wet test, emulate its rig, and clear up behind it."""
    specimen = ROOT / "protocols" / "specimens" / "prism-small.toml"
    text = PROTOCOL.format(specimen=specimen, run_out=run_out)
    text = text.replace('exposure = "dry"', 'exposure = "spray"')
    (folder / "protocol.toml").write_text(text.replace("[failure]", f"{WET}\n[failure]"))
    rig = (ROOT / "protocols" / "rigs" / "simulated.toml").read_text()
    name = f"wired frame {folder.name} {os.getpid()}"
    rig = rig.replace("simulated frame", name)
    for slow, quick in QUICKER.items():
        assert slow in rig
        rig = rig.replace(slow, quick)
    (folder / "simulated.toml").write_text(rig)
    runtime = Path(tempfile.mkdtemp(prefix="wire-"))
    (runtime / "tmp").mkdir()
    more = {"NIGHTRIG_SOCKETS": str(runtime / "nightrig"), "TMPDIR": str(runtime / "tmp")}
    night = WireNight(folder, runtime, f"{name}, emulated", {**os.environ, **more})
    try:
        night.emulate()
        yield night
    finally:
        night.clear_away()
        if night.emulation is not None and night.emulation.poll() is None:
            night.emulation.kill()
            night.emulation.wait()
        shutil.rmtree(folder / "ports", ignore_errors=True)
