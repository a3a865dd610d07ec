"""From the text of a lab file to what it says."""

from __future__ import annotations

from typing import Final, cast

from rig.errors import InputError
from rig.protocol.document import Document, Read, open_document
from rig.protocol.lab import (
    Afar,
    AlertRule,
    Broker,
    Lab,
    MailServer,
    Messages,
    Person,
    Program,
    Tls,
    Way,
)
from rig.protocol.lab_checks import check_lab, check_rig
from rig.protocol.lab_doubts import doubt_lab, doubt_rig
from rig.protocol.lab_tables import (
    AlertTable,
    BrokerTable,
    LabFile,
    MailTable,
    ProgramTable,
    RequestsTable,
    TlsTable,
)
from rig.protocol.message_tables import build_secret
from rig.protocol.validation import validate

CLEAR_PORT: Final = 1883
TLS_PORT: Final = 8883
"""Ports of MQTT without and with TLS (IANA: mqtt, secure-mqtt)."""

MAIL_PORTS: Final = {"starttls": 587, "tls": 465, "none": 25}
"""Ports of mail servers (RFC 6409, RFC 8314, RFC 5321)."""


def load_lab(path: str, read: Read) -> Lab:
    """Return what a lab file says. Raises `InputError` with every problem found."""
    document = open_document(path, read)
    lab = build_lab(document)
    if document.problems or lab is None:
        raise InputError(document.problems)
    return lab


def read_for_rig(rig: Document, messages: Messages, read: Read) -> list[Document]:
    """Read the lab file that a rig file names, and hold the two against each other.

    What is wrong or doubtful is noted in them; returned is what was opened.
    """
    if not messages.lab:
        return []
    document = open_document(messages.lab, read, (rig, ("messages", "lab")))
    lab = build_lab(document)
    if lab is not None and not document.problems:
        check_rig(rig, messages, lab, document.file)
        doubt_rig(rig, messages, lab, document.file)
    return [document]


def build_lab(document: Document) -> Lab | None:
    """Return the lab of a document, its problems and warnings noted there.

    None only where the file could not be read at all; with a problem noted, what is returned is
    not to be used.
    """
    file = validate(document, LabFile)
    if file is None:
        return None
    check_lab(document, file)
    lab = Lab(
        name=file.name,
        broker=_broker(document, file.broker),
        afar=_afar(document, file.requests),
        mail=_mail(document, file.mail),
        program=_program(document, file.program),
        people=tuple(Person(p.name, p.mail or "") for p in file.person if p),
        rules=tuple(_rule(a) for a in file.alert if a),
        zone=file.zone,
    )
    if not document.problems:
        doubt_lab(document, lab)
    return lab


def _broker(document: Document, table: BrokerTable | None) -> Broker | None:
    if table is None:
        return None
    return Broker(
        host=table.host,
        port=table.port or (CLEAR_PORT if table.tls is None else TLS_PORT),
        user=table.user or "",
        password=build_secret(document, ("broker", "password"), table.password),
        tls=_tls(document, table.tls),
        keep_alive=table.keep_alive,
    )


def _tls(document: Document, table: TlsTable | None) -> Tls | None:
    if table is None:
        return None
    return Tls(
        ca=_file(document, table.ca),
        certificate=_file(document, table.certificate),
        key=_file(document, table.key),
    )


def _afar(document: Document, table: RequestsTable | None) -> Afar | None:
    if table is None:
        return None
    secret = build_secret(document, ("requests", "secret"), table.secret)
    return None if secret is None else Afar(secret, table.within, table.most)


def _mail(document: Document, table: MailTable | None) -> MailServer | None:
    if table is None:
        return None
    return MailServer(
        host=table.host,
        port=table.port or MAIL_PORTS[table.security],
        sender=table.sender,
        security=table.security,
        user=table.user or "",
        password=build_secret(document, ("mail", "password"), table.password),
        ca=_file(document, table.ca),
    )


def _program(document: Document, table: ProgramTable | None) -> Program | None:
    if table is None:
        return None
    program, *rest = table.arguments
    # One without a folder is looked for where the system keeps programs. One that lies in the
    # folder this program was called in must not come to look like that.
    place = document.beside(program) if "/" in program else program
    if "/" in program and "/" not in place:
        place = f"./{place}"
    return Program((place, *rest), table.within)


def _rule(table: AlertTable) -> AlertRule:
    return AlertRule(
        name=table.name,
        kinds=tuple(table.kinds),
        people=tuple(table.people),
        ways=cast("tuple[Way, ...]", tuple(table.ways)),
        quiet=table.quiet,
        repeat=table.repeat or 0.0,
        escalate_after=table.escalate_after or 0.0,
        escalate_to=tuple(table.escalate_to or ()),
        stays=table.stays,
        most=table.most,
    )


def _file(document: Document, path: str | None) -> str:
    return document.beside(path) if path else ""
