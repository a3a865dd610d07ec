"""The shape of a lab file: broker, mail server, program, people, and who is told of what."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from rig.protocol.fields import UNREAD, Name, Table, Text, Word, quantity, refuse, whole
from rig.protocol.lab import KINDS
from rig.protocol.message_tables import Kept, TopicName
from rig.protocol.people_tables import FromTo, Zone
from rig.units import shown

ALL: Final = "all"
"""Stands for every kind of alert."""

_MOST: Final = 200
"""Entries of a list at most."""

# RFC 1123, 2.1 (names of hosts) and RFC 5321, 2.3.11 and 4.5.3.1 (addresses of mail), of which
# the forms that all servers take.
_LABEL: Final = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
_HOST: Final = re.compile(rf"(?=.{{1,253}}$){_LABEL}(?:\.{_LABEL})*", re.ASCII)
_ATOM: Final = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_LOCAL: Final = re.compile(rf"(?=.{{1,64}}$){_ATOM}(?:\.{_ATOM})*", re.ASCII)


def is_address(host: str) -> bool:
    """Tell whether a host is written as an IP address."""
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _is_name(text: str) -> bool:
    # One whose last part is a number is a mistaken address.
    return bool(_HOST.fullmatch(text)) and not text.rpartition(".")[2].isdigit()


def _host(value: object) -> object:
    if value is UNREAD:
        return ""
    alone = 'give the host alone, as in "broker.example"'
    if isinstance(value, str) and "@" in value:
        # Before it may stand a password.
        raise refuse("is more than a host", f"{alone}; user and password have keys of their own")
    if isinstance(value, str) and (_is_name(value) or is_address(value)):
        return value
    raise refuse(f"{shown(value)} is no name of a host", f"{alone}; its port has a key of its own")


def _mail_address(value: object) -> object:
    if value is UNREAD:
        return ""
    if isinstance(value, str) and len(value) <= 254:
        local, _, host = value.rpartition("@")
        if _LOCAL.fullmatch(local) and _is_name(host):
            return value
    raise refuse(
        f"{shown(value)} is no address of mail",
        'give the address alone, as in "a.name@lab.example"',
    )


def _path(value: str) -> str:
    if value.startswith("~"):
        raise refuse(f"{shown(value)} begins with ~, which means nothing here", "write it in full")
    return value


def _argument(value: object) -> object:
    if value is UNREAD:
        return "-"
    if not isinstance(value, str):
        raise refuse(f"{shown(value)} is not text", f'write it in quotes: "{shown(value)}"')
    if not value.isprintable() or len(value) > 4096:
        raise refuse("is no text in one line", "give plain text, at most 4096 characters")
    return value


def _kinds(value: object) -> object:
    return list(KINDS) if value == ALL else value


Host = Annotated[str, BeforeValidator(_host)]
MailAddress = Annotated[str, BeforeValidator(_mail_address)]
File = Annotated[Text, AfterValidator(_path)]
Argument = Annotated[str, BeforeValidator(_argument)]
Port = Annotated[int, whole(1, 65535)]
Most = Annotated[int, whole(1, 1000)]
Names = Annotated[list[Word], Field(min_length=1, max_length=_MOST)]


def _time(low: float, high: float) -> Any:
    return quantity("time", low, high, "s")


_HOUR: Final = 3600.0
_DAY: Final = 24 * _HOUR
_Again = Annotated[float, _time(60.0, 7 * _DAY)]


class TlsTable(Table):
    """`[broker.tls]`."""

    ca: File | None = None
    certificate: File | None = None
    key: File | None = None


class BrokerTable(Table):
    """`[broker]`."""

    host: Host
    port: Port | None = None
    user: Text | None = None
    password: Kept | None = None
    keep_alive: Annotated[float, _time(5.0, 600.0)] = 15.0
    tls: TlsTable | None = None


class RequestsTable(Table):
    """`[requests]`."""

    secret: Kept
    within: Annotated[float, _time(5.0, 600.0)] = 30.0
    most: Most = 12


class MailTable(Table):
    """`[mail]`."""

    host: Host
    port: Port | None = None
    sender: MailAddress
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: Text | None = None
    password: Kept | None = None
    ca: File | None = None


class ProgramTable(Table):
    """`[program]`."""

    arguments: Annotated[list[Argument], Field(min_length=1, max_length=_MOST)]
    within: Annotated[float, _time(1.0, 600.0)] = 30.0


class PersonTable(Table):
    """`[[person]]`."""

    name: Name
    mail: MailAddress | None = None


class AlertTable(Table):
    """`[[alert]]`."""

    name: Name
    kinds: Annotated[Names, BeforeValidator(_kinds)]
    people: Names
    ways: Names
    quiet: FromTo | None = None
    repeat: _Again | None = None
    escalate_after: _Again | None = None
    escalate_to: Names | None = None
    stays: bool = False
    most: Most = 12


class LabFile(Table):
    """A whole lab file."""

    what = "lab file"
    required = ("name",)

    name: TopicName = ""
    zone: Zone = ""
    broker: BrokerTable | None = None
    requests: RequestsTable | None = None
    mail: MailTable | None = None
    program: ProgramTable | None = None
    person: list[PersonTable | None] = Field(default_factory=list, max_length=_MOST)
    alert: list[AlertTable | None] = Field(default_factory=list, max_length=_MOST)
