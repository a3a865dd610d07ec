"""`nightrig alerts --test`: a test alert on every way to everybody, and what became of each."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.clock import SystemClock
from rig.commands.saying import folded, meanwhile, say, say_json
from rig.errors import DeviceError, InputError
from rig.protocol.lab import Lab, MailServer, Messages, Way

if TYPE_CHECKING:
    from rig.monitor.alerts.messages import Send
    from rig.monitor.alerts.trying import Tried
    from rig.monitor.secrets import Hidden

NAMELESS: Final = "test"
"""Stands for the rig in topics where only a lab file is tried."""


def try_ways(folder: Path | None, lab_file: str | None, *, as_json: bool) -> int:
    """Try every way of a run's lab, or of a lab file; return the exit code. Raises InputError."""
    lab, messages = _lab(folder, lab_file)
    if not lab.rules:
        raise InputError(f"{messages.lab}: it names nobody who is told; add [[person]], [[alert]]")
    found = asyncio.run(_all(lab, messages, as_json=as_json))
    failed = [each for each in found if each.failed]
    if as_json:
        say_json({"lab": lab.name, "tried": [asdict(each) for each in found]})
    else:
        _say("see that each has arrived: what a server took may still be lost on its way")
    return DeviceError.exit_code if failed else 0


def _lab(folder: Path | None, lab_file: str | None) -> tuple[Lab, Messages]:
    if lab_file is not None:
        from rig.commands.files import find_lab, load_lab

        return load_lab(lab_file), Messages(find_lab(lab_file), NAMELESS)
    from rig.assembly.telling import kept_messages, told_lab

    if folder is None:
        raise InputError("name the folder of a run, or a lab file with --lab")
    messages = kept_messages(folder)
    return told_lab(messages), messages


async def _all(lab: Lab, messages: Messages, *, as_json: bool) -> list[Tried]:
    from rig.monitor.alerts.quiet import zone_of
    from rig.monitor.alerts.trying import tried

    trying = tried(lab, _ways(lab, messages), messages.name, SystemClock(), zone_of(lab.zone))
    with meanwhile("test alert", "each way is tried, one after the other"):
        found = [each async for each in trying]
    if not as_json:
        for each in found:
            became = f"FAILED: {each.failed}" if each.failed else "taken"
            _say(f"{each.way} to {', '.join(each.people)}: {became}")
    return found


def _say(line: str) -> None:
    say(folded(line, sys.stdout))


def _ways(lab: Lab, messages: Messages) -> dict[Way, Send]:
    from rig.monitor.alerts.program import program_way

    ways: dict[Way, Send] = {}
    if lab.mail is not None:
        from rig.monitor.alerts.mail import mail_way

        ways["mail"] = mail_way(lab.mail, _password(lab.mail))
    if lab.program is not None:
        ways["program"] = program_way(lab.program)
    if lab.broker is not None:
        # Imported late: a client of a broker takes its time.
        from rig.monitor.alerts.by_broker import broker_way
        from rig.monitor.mqtt.telling import own_broker

        broker = own_broker(lab.broker, messages)
        ways["mqtt"] = broker_way(broker, lab.name, messages.name)
    return ways


def _password(server: MailServer) -> Callable[[], Hidden] | None:
    from rig.monitor.secrets import read_secret

    secret = server.password
    return None if secret is None else lambda: read_secret(secret)
