"""What in a lab file contradicts itself, and what a rig file asks of it that is not there."""

from __future__ import annotations

from collections.abc import Sequence

from rig.protocol.document import Document, meant
from rig.protocol.lab import KINDS, WAYS, Lab, Messages
from rig.protocol.lab_tables import AlertTable, LabFile
from rig.protocol.message_tables import refuse_userless, spoilt
from rig.protocol.position import Path
from rig.units import shown

_SET_UP = {
    "mqtt": ("broker", '[broker] with host = "broker.example"'),
    "mail": ("mail", "[mail] with host and sender"),
    "program": ("program", '[program] with arguments = ["/usr/local/bin/call-out"]'),
}
"""By way: the table it needs, and how that begins."""


def check_lab(document: Document, file: LabFile) -> None:
    """Note where tables of a lab file contradict each other."""
    tells = file.broker or file.alert or file.requests
    if not tells and not {"broker", "alert", "requests"} & document.unread:
        document.refuse(
            (),
            "tells nobody anything",
            'add [broker] with host = "broker.example", or [[person]] and [[alert]]',
        )
    _check_broker(document, file)
    _check_mail(document, file)
    _check_program(document, file)
    _check_twice(document, "person", [p.name if p else None for p in file.person])
    _check_twice(document, "alert", [a.name if a else None for a in file.alert])
    for index, table in enumerate(file.alert):
        if table is not None:
            _check_rule(document, file, ("alert", index), table)


def check_rig(rig: Document, messages: Messages, lab: Lab, file: str) -> None:
    """Note in a rig file what it asks of its lab file, which is the file of that name."""
    path: Path = ("messages",)
    if messages.requests and lab.afar is None:
        rig.refuse(
            (*path, "requests"),
            f"cannot be signed: {file} has no [requests]",
            'add it there, with secret = { file = "../secrets/requests" }, or take requests out',
        )
    if messages.user and lab.broker is None:
        rig.refuse((*path, "user"), f"has nowhere to log in: {file} has no [broker]", "take it out")


def _check_broker(document: Document, file: LabFile) -> None:
    broker = file.broker
    if file.requests is not None and broker is None and "broker" not in document.unread:
        document.refuse(
            ("requests",),
            "cannot come: there is no [broker]",
            'add [broker] with host = "broker.example", or take [requests] out',
        )
    if broker is None:
        return
    refuse_userless(document, "broker", broker.user, broker.password)
    tls = broker.tls
    whole = "broker" not in document.unread
    if whole and tls and tls.key is not None and tls.certificate is None:
        document.refuse(
            ("broker", "tls", "key"),
            "is the key of no certificate",
            'add certificate = "../secrets/rig.crt", or take the key out',
        )


def _check_mail(document: Document, file: LabFile) -> None:
    mail = file.mail
    if mail is None or "mail" in document.unread:
        return
    refuse_userless(document, "mail", mail.user, mail.password)
    if mail.user is not None and mail.password is None:
        document.refuse(
            ("mail", "user"),
            "cannot log in without a password",
            'add password = { file = "../secrets/mail" }',
        )
    if mail.ca is not None and mail.security == "none":
        document.refuse(
            ("mail", "ca"), 'means nothing with security = "none"', 'give "starttls" or "tls"'
        )


def _check_program(document: Document, file: LabFile) -> None:
    if file.program is not None and not file.program.arguments[0].strip():
        document.refuse(
            ("program", "arguments", 0),
            "names no program",
            'give its path first, as in ["/usr/local/bin/call-out"]',
        )


def _check_rule(document: Document, file: LabFile, path: Path, rule: AlertTable) -> None:
    _check_names(document, (*path, "kinds"), rule.kinds, KINDS)
    _check_names(document, (*path, "ways"), rule.ways, WAYS)
    for key, named in (("people", rule.people), ("escalate_to", rule.escalate_to or [])):
        _check_people(document, file, (*path, key), named, by_mail="mail" in rule.ways)
    _check_ways(document, file, path, rule)
    _check_escalation(document, path, rule)
    if rule.quiet and rule.quiet[0] == rule.quiet[1]:
        document.refuse(
            (*path, "quiet"),
            f"{document.written((*path, 'quiet'))} ends when it begins",
            'give two times such as ["22:00", "06:00"]',
        )


def _check_names(
    document: Document, path: Path, given: Sequence[str], known: Sequence[str] | dict[str, str]
) -> None:
    """Note which of some names are unknown, or there twice."""
    for index, name in enumerate(given):
        if name and name not in known:
            document.refuse((*path, index), f"{shown(name)} is not known here", meant(name, known))
        elif name in given[:index] and name:
            document.refuse((*path, index), f"{shown(name)} is there twice", "keep one of the two")


def _check_people(
    document: Document, file: LabFile, path: Path, given: Sequence[str], *, by_mail: bool
) -> None:
    people = {person.name: person.mail for person in file.person if person}
    if "person" in document.unread:
        return
    if not people and given:
        document.refuse(path, "names people, and there is no [[person]]", "add one for each")
        return
    _check_names(document, path, given, dict.fromkeys(people, ""))
    for index, name in enumerate(given):
        if by_mail and people.get(name, "") is None:
            document.refuse(
                (*path, index),
                f"{shown(name)} is to be told by mail, and has no address",
                'add mail = "a.name@lab.example" to that [[person]], or another way',
            )


def _check_ways(document: Document, file: LabFile, path: Path, rule: AlertTable) -> None:
    for index, way in enumerate(rule.ways):
        table, example = _SET_UP.get(way, ("", ""))
        if table and getattr(file, table) is None and table not in document.unread:
            document.refuse(
                (*path, "ways", index), f"{shown(way)} needs [{table}]", f"add {example}"
            )


def _check_escalation(document: Document, path: Path, rule: AlertTable) -> None:
    if spoilt(document, (*path, "escalate_to")):
        return
    if (rule.escalate_after is None) != (rule.escalate_to is None):
        there, lacking = ("escalate_to", 'escalate_after = "30 min"')
        if rule.escalate_to is None:
            there, lacking = ("escalate_after", 'escalate_to = ["A. Name"]')
        document.refuse((*path, there), "needs its other half", f"add {lacking}")
    told = set(rule.people)
    if rule.escalate_to is not None and told.issuperset(rule.escalate_to):
        document.refuse(
            (*path, "escalate_to"),
            "names only people who are told at once",
            "name somebody else",
        )


def _check_twice(document: Document, table: str, names: Sequence[str | None]) -> None:
    for index, name in enumerate(names):
        if name and name in names[:index]:
            document.refuse(
                (table, index, "name"),
                f"{shown(name)} is the name of another [[{table}]]",
                "give each its own",
            )
