"""`nightrig devices --emulate`: a simulated rig at the ends of pseudo-terminals."""

from __future__ import annotations

import json
import shlex
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

from rig.commands.files import load
from rig.commands.saying import say
from rig.errors import InputError

if TYPE_CHECKING:
    from simulators.wire.truth import Told

PROTOCOL: Final = "first-night"
"""The protocol whose specimen is in the rig where none is named."""
FIRST_LINE: Final = "# The rig file of an emulated rig"
"""How a rig file begins that may be written over: an emulation has made it."""


def emulate(
    protocol: str,
    rig: str,
    seed: int,
    ports: Path | None,
    out: Path | None,
    truth: Path | None,
    trouble: str,
    panel: Path | None = None,
) -> int:
    """Emulate the rig of a protocol until Ctrl-C; return the exit code, 0.

    `protocol` and `rig` are "" for the packaged ones, `ports` is the folder of the ports' links,
    None for a fresh one. The rig file goes to `out`, None for standard output; what really
    happens to `truth`; its inputs are operated at the socket `panel`. Raises InputError and
    DeviceError.
    """
    plan = load(protocol or PROTOCOL, rig or None)
    if out is not None:
        _refuse_taken(out)
    if panel is not None and not panel.absolute().parent.is_dir():
        raise InputError(f"--panel {panel}: there is no folder {panel.parent}; name one that is")
    # Imported late: a mistake in a file is told sooner.
    from rig.assembly.emulation import emulate as run
    from rig.assembly.emulation import what_happens

    happens = what_happens(trouble)
    with _folder(ports) as folder, _opened(truth) as told_to:

        def tell(told: Told) -> None:
            if told_to is not None:
                _write(told_to, told)

        def ready(text: str) -> None:
            _hand_out(text, out, protocol, panel)
            if happens:
                say(f"on its lines: {happens}", err=True)

        if told_to is None:
            run(plan, seed, folder, ready, trouble=trouble, panel=panel)
        else:
            run(plan, seed, folder, ready, tell=tell, trouble=trouble, panel=panel)
    return 0


def _hand_out(text: str, out: Path | None, protocol: str, panel: Path | None) -> None:
    """Give the rig file to whoever wants it, and say what can be done with it."""
    if out is None:
        say(text)
        name = "emulated.toml"
        begun = f"the rig runs; save the text above as {name} and in another terminal try"
    else:
        try:
            new = out.with_name(f".{out.name}.new")
            new.write_text(text, encoding="utf-8")
            if out.exists():  # of an emulation that is over; people may have written into it
                kept = out.replace(out.with_name(f"{out.name}.before"))
                say(f"{out}: what was there is kept as {kept.name}", err=True)
            new.replace(out)  # who waits for the file finds it whole
        except OSError as error:
            raise InputError(
                f"--out {out}: {error.strerror or error}; name another file"
            ) from error
        name = shlex.quote(str(out))
        begun = f"the rig runs, its rig file is {name}; in another terminal try"
    say(
        f"{begun}\n"
        f"  nightrig devices --rig {name}\n"
        f"  nightrig run {shlex.quote(protocol or PROTOCOL)} --rig {name} --out night-wire\n"
        f"{_proving(name, panel)}"
        "Ctrl-C ends it",
        err=True,
    )


def _proving(rig: str, panel: Path | None) -> str:
    """Return what to type to have the stops proven, where somebody can operate the inputs."""
    if panel is None:
        return ""
    return f"  nightrig devices --rig {rig} --prove-stops --panel {shlex.quote(str(panel))}\n"


def _refuse_taken(out: Path) -> None:
    """Refuse to write over a file that no emulation has made."""
    try:
        if not out.exists():
            return
        with out.open(encoding="utf-8") as file:
            if file.readline().startswith(FIRST_LINE):
                return
    except (OSError, UnicodeDecodeError):
        pass
    raise InputError(f"--out {out}: already exists, nothing was started; name a new file")


@contextmanager
def _folder(ports: Path | None) -> Iterator[Path]:
    """Give the folder of the links; a fresh one is taken away again."""
    if ports is not None:
        yield ports.absolute()
        return
    with tempfile.TemporaryDirectory(prefix="nightrig-") as fresh:
        yield Path(fresh)


@contextmanager
def _opened(truth: Path | None) -> Iterator[TextIO | None]:
    """Open a new file for what really happens."""
    if truth is None:
        yield None
        return
    try:
        file = truth.open("x", encoding="utf-8")
    except FileExistsError:
        raise InputError(f"--truth {truth}: already exists; name a new file") from None
    except OSError as error:
        raise InputError(f"--truth {truth}: {error.strerror or error}; name another file") from None
    with file:
        yield file


def _write(file: TextIO, told: Mapping[str, object]) -> None:
    """Write one line, at once: whoever reads along waits for it."""
    file.write(json.dumps(told) + "\n")
    file.flush()
