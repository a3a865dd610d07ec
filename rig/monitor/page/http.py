"""As much of HTTP/1.1 as a page that is only read needs (RFC 9110, RFC 9112), and no more."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from email.utils import format_datetime
from http import HTTPStatus
from typing import Final

MOST_HEAD: Final = 8192
"""Bytes of a request's head at most; a longer one is refused unread."""
METHODS: Final = ("GET", "HEAD")

_LINE: Final = re.compile(rb"([!#$%&'*+.^_`|~0-9A-Za-z-]{1,32}) ([\x21-\x7e]+) HTTP/(\d)\.(\d)")
_FIELD: Final = re.compile(rb"([!#$%&'*+.^_`|~0-9A-Za-z-]+):([\t\x20-\x7e\x80-\xff]*)")
"""A field with the blanks around its value: a pattern that left them out took minutes for many."""
_ONCE: Final = ("host", "authorization", "content-length")
"""Fields that a request has once at most: of two nobody knows which one counts."""
_ALWAYS: Final = {
    "Cache-Control": "no-store",
    "Connection": "close",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
_NOTHING: Final = "default-src 'none'; frame-ancestors 'none'"
"""Content security policy of an answer that is no page."""


class Refused(Exception):  # a dataclass may not be raised more than once
    """A request that is not served, and with which status."""

    def __init__(self, status: HTTPStatus) -> None:
        super().__init__(status.phrase)
        self.status = status


@dataclass(frozen=True, slots=True)
class Request:
    """A request as it was sent: its target as written, its fields by lower-case name."""

    method: str
    target: str
    fields: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Answer:
    """What is answered: a body of a media type; `fields` come beside those of every answer."""

    status: HTTPStatus
    body: bytes
    media: str = "text/plain; charset=utf-8"
    fields: Mapping[str, str] = field(default_factory=dict)


def refusal(status: HTTPStatus, **fields: str) -> Answer:
    """Return an answer that says only which status it is; `_` in names stands for `-`."""
    named = {name.replace("_", "-"): value for name, value in fields.items()}
    return Answer(status, f"{status.value} {status.phrase}\n".encode(), fields=named)


async def read_request(reader: asyncio.StreamReader) -> Request | None:
    """Return the request that comes, None where nobody asks anything.

    The reader's limit must be `MOST_HEAD`. Raises Refused for what is no request for a page.
    """
    try:
        head = await reader.readuntil(b"\r\n\r\n")
    except asyncio.LimitOverrunError as error:
        raise Refused(HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE) from error
    except asyncio.IncompleteReadError as error:
        if not error.partial:
            return None
        raise Refused(HTTPStatus.BAD_REQUEST) from error
    return parsed(head)


def parsed(head: bytes) -> Request:
    """Return the request whose head is given, with its empty line. Raises Refused."""
    first, *lines = head.removesuffix(b"\r\n\r\n").split(b"\r\n")
    line = _LINE.fullmatch(first)
    if line is None:
        raise Refused(HTTPStatus.BAD_REQUEST)
    if line[3] != b"1":
        raise Refused(HTTPStatus.HTTP_VERSION_NOT_SUPPORTED)
    fields: dict[str, str] = {}
    for told in lines:
        found = _FIELD.fullmatch(told)
        if found is None:
            raise Refused(HTTPStatus.BAD_REQUEST)
        name = found[1].decode("ascii").lower()
        if name in fields and name in _ONCE:
            raise Refused(HTTPStatus.BAD_REQUEST)
        fields[name] = found[2].strip(b" \t").decode("latin-1")
    if "host" not in fields:
        raise Refused(HTTPStatus.BAD_REQUEST)
    return Request(line[1].decode("ascii"), line[2].decode("ascii"), fields)


def written(answer: Answer, now: datetime, *, head_only: bool) -> bytes:
    """Return an answer as it is sent at a time (UTC), or its head only."""
    fields = {
        "Date": format_datetime(now, usegmt=True),
        "Content-Type": answer.media,
        "Content-Length": str(len(answer.body)),
        "Content-Security-Policy": _NOTHING,
        **_ALWAYS,
        **answer.fields,
    }
    lines = [f"HTTP/1.1 {answer.status.value} {answer.status.phrase}"]
    lines += [f"{name}: {value}" for name, value in fields.items()]
    head = "\r\n".join([*lines, "", ""]).encode("ascii")
    return head if head_only else head + answer.body
