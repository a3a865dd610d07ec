"""`[controller]` of a rig file: a laboratory's own commands for what the program asks for."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, Final

from rig.protocol.document import Document, meant
from rig.protocol.position import Path
from rig.protocol.wire import ACTIONS, Controller, Scaling
from rig.protocol.wire_demands import OWN_LIMITS
from rig.protocol.wire_fields import LINE_ENDS, line_problem, nearest, unread
from rig.protocol.wire_status import MEANINGS, build_fields, build_words
from rig.protocol.wire_tables import ControllerTable
from rig.protocol.wire_values import of_unit
from rig.units import shown

_AT: Final = ("controller",)
_QUESTIONS: Final = ("identify", "error", "echo", "status", "read limit")
_LIMITS: Final = ("write limit", "read limit")
_MOST_LINES: Final = 10
_PLACEHOLDER: Final = re.compile(r"\{([^{}]*)\}")
_LIMIT_NAME: Final = re.compile(r"[\w.:*#@+-]{1,60}", re.ASCII)


def build_controller(
    document: Document, table: ControllerTable, limited: tuple[str, ...]
) -> Controller:
    """Return the controller; what is wrong with it is noted in the document.

    `limited` names the channels for which it must have limits of its own, () where it has none.
    """
    own = bool(limited)
    actions = _actions(document, table.actions, own)
    fields = build_fields(document, table.status, own)
    limits = _limits(document, table, limited)
    return Controller(
        port=table.port,
        actions=actions,
        fields=fields,
        words=build_words(document, table.words, _expected(actions, fields, limits)),
        units=_units(document, table),
        limits=limits,
        identity=table.identity,
        decimals=table.decimals,
        line_end=LINE_ENDS.get(table.line_end, "\n"),
    )


def _expected(
    actions: Iterable[str], fields: Iterable[str], limits: Iterable[str]
) -> list[tuple[str, str]]:
    """Return what a controller must be able to say, by field of its status."""
    known = set(actions)
    unheard = {("mode", "deflection"): "deflection", ("stopped_by", "watchdog"): "heartbeat"}
    words = [(n, m) for n in ("mode", "pressure", "stopped_by") for m in MEANINGS[n] if m]
    found = [word for word in words if word not in unheard or unheard[word] in known]
    if not limits:
        found.remove(("stopped_by", "limit"))
    found += [("tripped", channel) for channel in limits]
    told = set(fields)
    return [word for word in found if word[0] in told]


def _units(document: Document, table: ControllerTable) -> dict[str, Scaling]:
    if table.units is None:
        return {}
    scales = table.scale.model_dump(by_alias=True) if table.scale else {}
    found = {}
    for kind, unit in table.units.model_dump(by_alias=True).items():
        scaling = of_unit(document, (*_AT, "units", kind), unit, kind)
        found[kind] = Scaling(scaling.factor * scales.get(kind, 1.0), scaling.offset)
    return found


def _limits(document: Document, table: ControllerTable, limited: tuple[str, ...]) -> dict[str, str]:
    found = {}
    for channel, name in table.limits.items():
        path = (*_AT, "limits", channel)
        sound = isinstance(name, str) and _LIMIT_NAME.fullmatch(name)
        if channel not in OWN_LIMITS:
            document.refuse(path, "is no limit that is written", meant(channel, OWN_LIMITS))
        if not sound:
            document.refuse(
                path,
                f"{shown(name)} is no name of a limit",
                "write the controller's word that takes the place of {limit}",
            )
        found[nearest(channel, OWN_LIMITS)] = name if sound else ""
    at = (*_AT, "limits")
    for channel in () if unread(document, at) else limited:
        if channel not in found:
            document.refuse_missing(at, channel)
    return found


# What is asked of it.


def _actions(document: Document, table: dict[str, Any], own: bool) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for name, value in table.items():
        path, action = (*_AT, "actions", name), name
        if name not in ACTIONS:
            document.refuse(path, "is no action", meant(name, ACTIONS))
            action = nearest(name, ACTIONS)
            if not action or action in table:
                continue
        lines = _lines(document, path, action, value)
        found[action] = lines or ()
        if lines:
            _placeholders(document, path, action, lines)
    at = (*_AT, "actions")
    if unread(document, at):
        return found
    for name in _needed(own):
        if name not in found:
            document.refuse_missing(at, name)
    if not own and "heartbeat" not in found:
        document.warn(
            at,
            "have no heartbeat: the controller goes on by itself when this program ends",
            'add heartbeat = "..." where the controller has a watchdog',
        )
    return found


def _needed(own: bool) -> tuple[str, ...]:
    optional = {"deflection"} if own else {"deflection", "heartbeat", *_LIMITS}
    return tuple(name for name in ACTIONS if name not in optional)


def _lines(document: Document, path: Path, action: str, value: Any) -> tuple[str, ...] | None:
    """Return the lines of an action, None with the problems noted."""
    given = value if isinstance(value, list) else [value]
    if not given or not all(isinstance(line, str) for line in given):
        document.refuse(
            path,
            f"{shown(value)} is no command",
            "write it in quotes, several lines as a list of them",
        )
        return None
    most = 1 if action in _QUESTIONS else _MOST_LINES
    if len(given) > most:
        document.refuse(path, f"has {len(given)} lines", f"give at most {most}")
        return None
    sound = True
    for index, line in enumerate(given):
        problem = line_problem(line) or _brackets(line)
        if problem:
            document.refuse((*path, index) if isinstance(value, list) else path, *problem)
            sound = False
    return tuple(given) if sound else None


def _brackets(line: str) -> tuple[str, str] | None:
    rest = _PLACEHOLDER.sub("", line)
    if "{" in rest or "}" in rest:
        return f"{shown(line)} has a bracket without its other half", "write {name}"
    return None


def _placeholders(document: Document, path: Path, action: str, lines: tuple[str, ...]) -> None:
    known = ACTIONS[action]
    used = {name for line in lines for name in _PLACEHOLDER.findall(line)}
    wrong = sorted(used - set(known))
    for name in wrong:
        document.refuse(path, f"{{{name}}} is nothing that is known here", _instead(name, known))
    near = [_near(name, known) for name in wrong]
    missing = [name for name in known if name not in (*used, *near)]
    if "over" in missing:
        missing.remove("over")
        document.warn(
            path,
            "leaves out {over}, the time over which the amplitude grows or falls",
            "see that the controller changes it slowly by itself",
        )
    # One that is nothing may have been meant to be one that is missing.
    for name in missing if len(missing) > near.count("") else ():
        document.refuse(path, f"leaves out {{{name}}}", f"put {{{name}}} where it belongs")


def _near(name: str, known: tuple[str, ...]) -> str:
    return nearest(name.partition(":")[0].strip(), known)


def _instead(name: str, known: tuple[str, ...]) -> str:
    if not known:
        return "take it out: nothing is filled in here"
    near = _near(name, known)
    if near:
        return f"did you mean {{{near}}}?"
    return f"known here are {', '.join(f'{{{each}}}' for each in known)}"
