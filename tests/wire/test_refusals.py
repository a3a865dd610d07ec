"""What is wrong with a port is one line each and exit code 4, and moves nothing."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from drivers.lines import SerialLine
from rig.clock import SystemClock
from rig.protocol.wire import Port
from tests.assembly.nights import COMMAND, PATIENCE
from tests.wire.live import WireNight, a_wire_night

pytestmark = [
    pytest.mark.nights,
    pytest.mark.xdist_group("wire"),
    pytest.mark.timeout(180),
]

PORTS = ("servo", "samples", "bus", "thermometer")
NOBODY = 65534
SEES_ALL = ("--inh-caps", "+dac_read_search", "--ambient-caps", "+dac_read_search")
"""Lets another user read programs that lie in a closed folder, and open nothing for writing."""


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WireNight]:
    with a_wire_night(tmp_path_factory.mktemp("refused")) as made:
        yield made


def path_of(night: WireNight, port: str) -> str:
    return str(night.folder / "ports" / port)


def edited(night: WireNight, *changes: tuple[str, str]) -> Path:
    """Write a rig file that differs from the emulation's."""
    rig = (night.folder / "rig.toml").read_text()
    for old, new in changes:
        assert rig.count(old) == 1, old
        rig = rig.replace(old, new)
    file = night.folder / "other.toml"
    file.write_text(rig)
    return file


def ran(
    night: WireNight, rig: Path, through: Sequence[str] = (), cwd: Path | None = None
) -> list[str]:
    """Start a test, which must be refused with 4; return the lines that say why."""
    cwd = cwd or night.folder
    out = cwd / "refused"
    order = [*COMMAND, "run", "protocol.toml", "--rig", str(rig), "--out", str(out)]
    done = night.finished([*through, *order], cwd)
    assert (done.returncode, done.stdout) == (4, ""), done.stderr
    assert not out.exists()
    told = done.stderr.splitlines()
    begun = next(i for i, line in enumerate(told) if "starting; until it has begun" in line)
    assert all(line.startswith("warning: ") for line in told[:begun])
    return told[begun + 1 :]


def looked(
    night: WireNight, rig: Path, through: Sequence[str] = (), cwd: Path | None = None
) -> dict[str, str]:
    """Look at the devices, which must end with 4; return what is missing by port."""
    order = [*COMMAND, "devices", "--rig", str(rig), "--seconds", "1", "--json"]
    done = night.finished([*through, *order], cwd)
    assert done.returncode == 4, done.stderr
    missing = json.loads(done.stdout)["missing"]
    found = {m["where"].split()[0]: f"{m['what']}; {m['try']}" for m in missing}
    assert len(found) == len(missing), missing
    return found


def fits(told: Sequence[str], wanted: Sequence[str]) -> None:
    """Hold lines against one pattern each, whatever their order."""
    assert len(told) == len(wanted), told
    for pattern in wanted:
        assert len([line for line in told if re.fullmatch(pattern, line)]) == 1, (pattern, told)


@contextmanager
def taken(path: str) -> Iterator[None]:
    """Have a port in use by another program, which this one is to theirs."""
    line = SerialLine(Port("other", path, 9600), SystemClock())
    line.open(lambda _data, _when: None)
    try:
        yield
    finally:
        line.close()


def test_each_port_in_trouble_is_a_line_of_its_own(night: WireNight) -> None:
    gone = str(night.folder / "none")
    rig = edited(
        night,
        (f'"{path_of(night, "servo")}"', f'"{gone}"'),
        ("baud = 921600", "baud = 460800"),
        ("baud = 19200", "baud = 9600  # the bus"),
    )
    before = night.truth()
    with taken(path_of(night, "thermometer")):
        told, found = ran(night, rig), looked(night, rig)
    fits(
        told,
        [
            rf'port "servo" \({gone}\): there is no such port; is it plugged in .*',
            r'port "samples" \(.*\): bytes come but no frame fits; 460800 baud in the rig file; .*',
            r'water station: address 1 on port "bus" does not answer .*; .* do address, baud .*',
            r'cabinet: address 2 on port "bus" does not answer .*; .* do address, baud .*',
            r'port "thermometer" \(.*\): in use by another program; end it, or .*',
        ],
    )
    assert set(found) == {"servo", "samples", "bus", "thermometer"}
    assert "there is no such port" in found["servo"]
    assert "no frame fits; " in found["samples"]
    assert "understood at 921600 baud, the rig file says 460800" in found["samples"]
    assert "understood at 19200 baud, the rig file says 9600" in found["bus"]
    assert "in use by another program; end it" in found["thermometer"]
    assert night.truth() == before, "something was moved or switched"


@pytest.mark.endurance
def test_a_controller_at_another_speed_is_not_understood(night: WireNight) -> None:
    rig = edited(night, ("baud = 115200", "baud = 38400"))
    before = night.truth()
    fits(ran(night, rig), [r'port "servo" \(.*\): "\*ESE [0-9]+;\*ESE\?" .*; .*'])
    found = looked(night, rig)
    assert set(found) == {"servo"}
    assert "understood at 115200 baud, the rig file says 38400" in found["servo"]
    assert night.truth() == before, "something was moved or switched"


def as_nobody() -> list[str]:
    """Return what starts a program as another user, who can read it and owns no port."""
    change = ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups"]
    for command in ([*change, *SEES_ALL], change):
        tried = subprocess.run(
            [*command, sys.executable, "-c", "import os; print(os.getuid())"],
            capture_output=True,
            text=True,
            timeout=PATIENCE,
            check=False,
        )
        if tried.stdout == f"{NOBODY}\n":
            return command
    pytest.skip("another user cannot read this interpreter")


@contextmanager
def open_to_all(night: WireNight, *ports: str) -> Iterator[None]:
    """Let every user open some ports of the emulation."""
    with ExitStack() as back:
        for port in ports:
            path = os.path.realpath(path_of(night, port))
            back.callback(os.chmod, path, os.stat(path).st_mode & 0o777)
            os.chmod(path, 0o666)
        yield


@pytest.mark.system
@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_a_port_that_is_another_users_is_refused(
    night: WireNight, system_program: Callable[[str], str]
) -> None:
    system_program("setpriv")
    another = as_nobody()
    own = night.runtime / "tmp"  # pytest's own folders are closed to others
    for folder in (night.runtime, own):
        os.chown(folder, NOBODY, NOBODY)
    shutil.copy(night.folder / "protocol.toml", own)
    paths = [(path_of(night, p), os.path.realpath(path_of(night, p))) for p in PORTS]
    edits = [(f'"{link}"', f'"{path}"') for link, path in paths]
    rig = Path(shutil.copy(edited(night, *edits), own))
    before = night.truth()
    with open_to_all(night, *(set(PORTS) - {"servo"})):
        told, found = ran(night, rig, another, own), looked(night, rig, another, own)
    refused = 'permission refused; join the group of the port (often "dialout") and log in again'
    assert told == [f'port "servo" ({paths[0][1]}): {refused}']
    assert found == {"servo": refused}
    assert night.truth() == before, "something was moved or switched"


def test_the_rig_is_all_there_where_nothing_is_wrong(night: WireNight) -> None:
    done = night.nightrig("devices", "--rig", "rig.toml", "--seconds", "1", "--json")
    assert (done.returncode, json.loads(done.stdout)["missing"]) == (0, [])
