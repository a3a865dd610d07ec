"""Starting the runner: a session of its own, and what keeps the computer from ending it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from typing import Any, Final

from rig.errors import DeviceError, InputError, NotBegun, RigError, StorageError

PROBE: Final = 3.0  # [s] in which a service of the system must answer
SCOPE: Final = ("systemd-run", "--user", "--scope", "--quiet")
INHIBIT: Final = (
    "systemd-inhibit",
    "--what=sleep:idle",
    "--who=nightrig",
    "--why=a fatigue test is running",
    "--mode=block",
)
LINGER: Final = ("loginctl", "show-user", "--property=Linger", "--value")

_ERRORS: Final[dict[int, type[RigError]]] = {
    kind.exit_code: kind for kind in (InputError, DeviceError, NotBegun, StorageError)
}


@dataclass(frozen=True, slots=True)
class Guarding:
    """What the runner is started through, and what nothing guards it against."""

    prefix: tuple[str, ...]
    warnings: tuple[str, ...]


def guarding() -> Guarding:
    """Ask the system for a scope that outlives the login and for a lock on sleep."""
    prefix: tuple[str, ...] = ()
    warnings = []
    if _works(SCOPE) and _lingers():
        prefix += SCOPE
    else:
        warnings.append("logging out of this computer may end the test: stay logged in")
    if _works(INHIBIT):
        prefix += INHIBIT
    else:
        warnings.append(
            "the computer may fall asleep and end the test: switch sleep off in its settings"
        )
    return Guarding(prefix, tuple(warnings))


def _works(program: tuple[str, ...]) -> bool:
    return _output((*program, "true")) is not None


def _lingers() -> bool:
    """Tell whether the user's services outlast the last logout; without it a scope does not."""
    return _output((*LINGER, str(os.getuid()))) == "yes"


def _output(command: tuple[str, ...]) -> str | None:
    """Return what a command printed, None where it is missing, fails or hangs."""
    if shutil.which(command[0]) is None:
        return None
    try:
        done = subprocess.run(
            command,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=PROBE,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout.strip() if done.returncode == 0 else None


def start_runner(arguments: list[str], prefix: tuple[str, ...]) -> subprocess.Popen[bytes]:
    """Start the runner in a session of its own; use `wait_ready` next."""
    command = [*prefix, sys.executable, "-P", "-m", "rig.assembly.runner", *arguments]
    return subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )


def end_early(process: subprocess.Popen[bytes]) -> bool:
    """Have a runner that is starting up end; return whether its test had begun all the same.

    Until then nothing moves; one that has just begun takes this as the request to stop.
    """
    process.terminate()
    try:
        wait_ready(process)
    except RigError:
        process.wait()
        return False
    return True


def wait_ready(process: subprocess.Popen[bytes]) -> tuple[str, ...]:
    """Return once the test begins, with what the runner warns of.

    Raises the RigError that kept it from beginning.
    """
    said = []
    for line in process.stdout or ():
        told = _told(line)
        if told is None:
            said.append(line.decode(errors="replace").strip())
        elif told.get("ready"):
            return tuple(map(str, told.get("warnings", ())))
        else:
            process.wait()
            kind = _ERRORS.get(int(told["exit"]), RigError)
            raise kind(str(told["problem"]))
    code = process.wait()
    words = "; ".join(said[-3:]) or "it said nothing"
    raise RigError(f"the runner ended with {code} before the test began: {words}")


def _told(line: bytes) -> dict[str, Any] | None:
    try:
        told = json.loads(line)
    except ValueError:
        return None
    return told if isinstance(told, dict) else None
