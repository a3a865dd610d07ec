"""`[messages]` of a rig file, and what rig files and lab files both hold: names, kept secrets."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any, Final

from pydantic import BeforeValidator, Field

from rig.protocol.document import Document, spell
from rig.protocol.fields import UNREAD, Table, Text, Word, refuse
from rig.protocol.position import Path
from rig.units import shown

if TYPE_CHECKING:
    # Few rigs tell anybody: reading the file of another rig starts without.
    from rig.protocol.lab import Messages, Secret

KEPT: Final = '{ file = "../secrets/NAME" }'
"""How a secret is named in a file, to paste."""

_TOPIC_NAME: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,31}", re.ASCII)
_VARIABLE: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,99}", re.ASCII)


def _topic_name(value: object) -> object:
    if value is UNREAD:
        return ""
    if isinstance(value, str) and _TOPIC_NAME.fullmatch(value):
        return value
    raise refuse(
        f"{shown(value)} can be no part of a topic",
        'give at most 32 small letters, digits and "-", as in "frame-1"',
    )


def _variable(value: object) -> object:
    if value is UNREAD or (isinstance(value, str) and _VARIABLE.fullmatch(value)):
        return "" if value is UNREAD else value
    # It may be the secret itself.
    raise refuse(
        "is no name of a variable", 'give letters, digits and "_", as in "NIGHTRIG_BROKER"'
    )


def _kept(value: object) -> object:
    if value is UNREAD:
        return {}
    if not isinstance(value, dict):
        # What stands here may be the secret: it is never shown.
        raise refuse(
            "a secret does not belong in this file",
            f'write where it is kept: {KEPT} or {{ variable = "NAME" }}; change the secret if '
            "anybody else has read this file",
        )
    return value


TopicName = Annotated[str, BeforeValidator(_topic_name)]


class SecretTable(Table):
    """Where a secret is kept."""

    file: Text | None = None
    variable: Annotated[str | None, BeforeValidator(_variable)] = None


Kept = Annotated[SecretTable, BeforeValidator(_kept)]


class MessagesTable(Table):
    """`[messages]`."""

    lab: Text
    name: TopicName
    requests: list[Word] = Field(default_factory=list)
    user: Text | None = None
    password: Kept | None = None


def build_messages(document: Document, table: MessagesTable | None) -> Messages | None:
    """Return who hears of a rig's runs, None where nobody does."""
    if table is None:
        return None
    from rig.protocol.lab import FROM_AFAR, Messages

    refuse_userless(document, "messages", table.user, table.password)
    for index, asked in enumerate(table.requests):
        if asked and asked not in FROM_AFAR:
            document.refuse(
                ("messages", "requests", index),
                f"{shown(asked)} cannot be asked from elsewhere",
                f"give {' or '.join(map(shown, FROM_AFAR))}; all else is asked beside the rig",
            )
    return Messages(
        lab=document.beside(table.lab) if table.lab else "",
        name=table.name,
        requests=tuple(ask for ask in FROM_AFAR if ask in table.requests),
        user=table.user or "",
        password=build_secret(document, ("messages", "password"), table.password),
    )


def build_secret(document: Document, path: Path, table: SecretTable | None) -> Secret | None:
    """Return where a secret is kept, its file as it is opened."""
    if table is None:
        return None
    from rig.protocol.lab import Secret

    if (table.file is None) == (table.variable is None) and not spoilt(document, path):
        document.refuse(
            path, "needs file or variable, one of them", f'write {KEPT} or {{ variable = "NAME" }}'
        )
    return Secret(document.beside(table.file) if table.file else "", table.variable or "")


def refuse_userless(document: Document, table: str, user: Any, password: Any) -> None:
    """Note that a table has a password without a user."""
    if password is not None and user is None and table not in document.unread:
        document.refuse((table, "password"), "belongs to no user", 'add user = "..."')


def spoilt(document: Document, path: Path) -> bool:
    """Tell whether something at a path, or in it, is wrong already."""
    field = spell(path)
    return any(
        p.field == field or p.field.startswith((f"{field}.", f"{field}["))
        for p in document.problems
    )
