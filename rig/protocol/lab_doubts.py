"""What a lab file may say, and what is doubtful all the same: secrets in the clear, deaf hours."""

from __future__ import annotations

import ipaddress
import re
from typing import Final

from rig.protocol.document import Document
from rig.protocol.lab import KINDS, MOVABLE, AlertRule, Lab, Messages
from rig.protocol.lab_tables import is_address
from rig.protocol.position import Path

_HOUR: Final = 3600.0
_LIKE_A_SECRET: Final = re.compile(r"pass(word|wd|phrase)|secret|token|api.?key", re.IGNORECASE)


def doubt_lab(document: Document, lab: Lab) -> None:
    """Warn of what is doubtful in a lab file without a problem."""
    _doubt_broker(document, lab)
    _doubt_mail(document, lab)
    _doubt_arguments(document, lab)
    _doubt_rules(document, lab)
    for index, person in enumerate(lab.people):
        if not any(person.name in (*r.people, *r.escalate_to) for r in lab.rules):
            document.warn(("person", index), "is told of nothing", "name them in an [[alert]]")
    for index, rule in enumerate(lab.rules):
        _doubt_rule(document, ("alert", index), rule)


def doubt_rig(rig: Document, messages: Messages, lab: Lab, file: str) -> None:
    """Warn in a rig file of its own login: in the clear, or without a password."""
    broker = lab.broker
    if broker is None:
        return
    certified = broker.tls is not None and broker.tls.certificate
    if messages.user and not messages.password and broker.password and not certified:
        rig.warn(
            ("messages", "user"),
            f"logs in without a password: the one in {file} is that of {broker.user}",
            'add password = { file = "../secrets/NAME" }',
        )
    if messages.password and broker.tls is None and not is_here(broker.host):
        rig.warn(
            ("messages", "password"),
            f"goes to {broker.host} in the clear: {file} has no [broker.tls]",
            "add [broker.tls] there",
        )


def is_here(host: str) -> bool:
    """Tell whether a host is this computer, whose messages leave no wire."""
    if is_address(host):
        return ipaddress.ip_address(host).is_loopback
    return host.lower() == "localhost" or host.lower().endswith(".localhost")


def _doubt_broker(document: Document, lab: Lab) -> None:
    broker = lab.broker
    if broker is None:
        return
    if broker.tls is None and broker.password and not is_here(broker.host):
        document.warn(
            ("broker", "password"),
            f"goes to {broker.host} in the clear, for anybody on the way to read",
            "add [broker.tls], with ca where its authority is your own",
        )
    usual, other = ("TLS", "no [broker.tls]") if broker.tls is None else ("no TLS", "[broker.tls]")
    if broker.port == (8883 if broker.tls is None else 1883):
        document.warn(
            ("broker", "port"),
            f"{broker.port} is usually that of {usual}, and there is {other}",
            "see which of the two is meant",
        )


def _doubt_mail(document: Document, lab: Lab) -> None:
    mail = lab.mail
    if mail is None:
        return
    if mail.security == "none" and mail.password and not is_here(mail.host):
        document.warn(
            ("mail", "password"),
            f"goes to {mail.host} in the clear, for anybody on the way to read",
            'give security = "starttls" or "tls"',
        )
    usual = {465: "tls", 587: "starttls"}.get(mail.port, mail.security)
    if mail.security != usual:
        document.warn(
            ("mail", "port"),
            f'{mail.port} is usually that of security = "{usual}"',
            "see which of the two is meant",
        )


def _doubt_arguments(document: Document, lab: Lab) -> None:
    arguments = lab.program.arguments if lab.program else ()
    for index, argument in enumerate(arguments[1:], 1):
        if _LIKE_A_SECRET.search(argument):
            document.warn(
                ("program", "arguments", index),
                "looks like a secret: arguments can be read by every user of this computer",
                "let the program read its secret from a private file of its own",
            )


def _doubt_rules(document: Document, lab: Lab) -> None:
    if not lab.rules:
        document.warn((), "nobody is told of trouble", "add [[person]] and [[alert]]")
        return
    told = {kind for rule in lab.rules for kind in rule.kinds}
    # Of a dead way those are told anyhow whom it should have told.
    told |= MOVABLE | {"message-way"}
    left = [kind for kind in KINDS if kind not in told]
    if left:
        document.warn(
            ("alert",),
            f"nobody is told of {', '.join(left)}",
            "add them to the kinds of an [[alert]] where somebody should be",
        )
    ways = {way for rule in lab.rules for way in rule.ways}
    if len(ways) == 1:
        document.warn(
            ("alert",),
            f'"{ways.pop()}" is the only way: where it is dead nobody hears of that either',
            "tell some of it another way too",
        )


def _doubt_rule(document: Document, path: Path, rule: AlertRule) -> None:
    if rule.quiet and not MOVABLE.intersection(rule.kinds):
        document.warn(
            (*path, "quiet"),
            "holds nothing back: none of its kinds may wait",
            f"take it out; those that may are {', '.join(k for k in KINDS if k in MOVABLE)}",
        )
    if rule.repeat and _HOUR / rule.repeat > rule.most:
        document.warn(
            (*path, "repeat"),
            f"is {_HOUR / rule.repeat:.0f} times an hour, and most lets {rule.most} through",
            "repeat less often, or let more through",
        )
