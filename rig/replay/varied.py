"""What if: a recording judged once more for each value of one key of its protocol."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rig.errors import InputError
from rig.protocol.document import spell
from rig.protocol.plan import Plan
from rig.protocol.position import Path
from rig.replay.edited import meant_key, with_value, without_value
from rig.replay.found import Replayed
from rig.replay.kept_files import changed_plan
from rig.replay.ranges import values_of
from rig.replay.recording import Recording
from rig.replay.replaying import replay_each


@dataclass(frozen=True, slots=True)
class Varied:
    """How the test would have ended for each value; `key` is spelt as far as it was meant.

    `notes` tell what else had to be changed for some values.
    """

    key: str
    values: tuple[str, ...]
    replayed: tuple[Replayed, ...]
    notes: tuple[str, ...] = ()


def vary(
    recording: Recording,
    words: str,
    protocol: str | None,
    read: Callable[[str], str],
) -> Varied:
    """Judge a recording for each value of `KEY=RANGE`, by its protocol or another one.

    Raises InputError with what is wrong with key, range or value, as in a file that was written.
    """
    key, equals, range_of = words.partition("=")
    if not equals or not key.strip() or not range_of.strip():
        raise InputError(
            f'--vary "{words}": write KEY=RANGE, such as failure.stiffness_loss="10 % .. 50 %"'
        )
    text = read(protocol) if protocol is not None else _kept(recording)
    path, spelt = meant_key(text, key.strip())
    values = values_of(range_of)
    tried = [_tried(recording, protocol, read, with_value(text, path, v), path) for v in values]
    silent = [value for value, (_, warns) in zip(values, tried, strict=True) if not warns]
    notes = []
    if silent:
        why = "judged without the warn beside it, which would come no sooner"
        notes.append(f"{', '.join(silent)}: {why}")
    if path[:1] == ("failure",) and set(path[1:]) & tried[0][0].failure.alert_only:
        notes.append(f"{path[1]} is alert only: no value of it ends or pauses the test")
    replayed = replay_each(recording, [plan for plan, _ in tried])
    return Varied(spelt, values, replayed, tuple(notes))


def _tried(
    recording: Recording,
    protocol: str | None,
    read: Callable[[str], str],
    text: str,
    path: Path,
) -> tuple[Plan, bool]:
    """Return the plan of a changed text, and whether its warning could stay.

    A `stop` that is varied may come to lie below the warning beside it, which is then left out.
    """
    try:
        return _plan(recording, protocol, read, text), True
    except InputError as error:
        beside = (*path[:-1], "warn")
        mild = {problem.field for problem in error.problems} == {spell(beside)}
        if path[-1] != "stop" or not mild:
            raise
        return _plan(recording, protocol, read, without_value(text, beside)), False


def _kept(recording: Recording) -> str:
    text = recording.header.texts.get("protocol", "")
    if not text:
        recording.plan()
    return text


def _plan(
    recording: Recording, protocol: str | None, read: Callable[[str], str], text: str
) -> Plan:
    if protocol is None:
        return changed_plan({**recording.header.texts, "protocol": text})
    return recording.plan_with(protocol, lambda path: text if path == protocol else read(path))
