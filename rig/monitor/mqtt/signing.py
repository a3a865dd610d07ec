"""Signed messages: HMAC-SHA256 (RFC 2104) over a topic and the canonical JSON of the fields.

A signature holds for one topic, so for one lab and rig, and for the run that is named among the
fields: what was signed for one rig is nothing to another. Answers are signed like requests, so
that nobody can say in a rig's name that it stands still.
"""

from __future__ import annotations

import hmac
import json
import secrets
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Final

from rig.errors import InputError
from rig.monitor.secrets import read_secret
from rig.protocol.lab import Secret

VERSION: Final = 1
SIGN: Final = "sign"
SHORTEST_SECRET: Final = 32
"""Bytes: RFC 2104, section 3, discourages keys shorter than the digest, 32 for SHA-256."""


def key_of(secret: Secret) -> bytes:
    """Return the key that a secret is, read where it is kept.

    Raises InputError where it cannot be had, or is too short.
    """
    key = read_secret(secret).reveal().encode()
    where = secret.file or f"the variable {secret.variable}"
    if len(key) < SHORTEST_SECRET:
        raise InputError(
            f"{where}: this secret has {len(key)} bytes; to sign requests it needs "
            f"{SHORTEST_SECRET} or more; make one with: openssl rand -hex 32"
        )
    return key


def canonical(fields: Mapping[str, object]) -> bytes:
    """Return an object of texts and whole numbers as RFC 8785 writes it: one form, in UTF-8.

    Raises ValueError for what would need more of that RFC, and for half a surrogate pair.
    """
    if not all(map(_is_plain, fields, fields.values())):
        raise ValueError("only texts and whole numbers under plain names are signed")
    return json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def _is_plain(name: str, value: object) -> bool:
    if isinstance(value, int) and not isinstance(value, bool):
        return name.isascii() and abs(value) < 2**53
    return name.isascii() and isinstance(value, str)


def digest(key: bytes, text: bytes) -> str:
    """Return the HMAC-SHA256 of a text in hexadecimal digits."""
    return hmac.digest(key, text, "sha256").hex()


def signature(key: bytes, topic: str, fields: Mapping[str, object]) -> str:
    """Return the signature of fields, `sign` left out, for one topic. Raises ValueError."""
    rest = {name: value for name, value in fields.items() if name != SIGN}
    return digest(key, topic.encode() + b"\n" + canonical(rest))


def signed(key: bytes, topic: str, fields: Mapping[str, object]) -> dict[str, object]:
    """Return the fields with their signature. Raises ValueError."""
    return {**fields, SIGN: signature(key, topic, fields)}


def verify(key: bytes, topic: str, fields: Mapping[str, object]) -> bool:
    """Tell whether fields carry their signature; takes as long for a wrong one as for a right one.

    What cannot be signed is not.
    """
    given = fields.get(SIGN)
    try:
        right = signature(key, topic, fields)
        return isinstance(given, str) and hmac.compare_digest(given.encode(), right.encode())
    except ValueError:
        return False


def make_request(
    key: bytes, topic: str, *, ask: str, run: str, who: str, text: str, at: datetime
) -> dict[str, object]:
    """Return a signed request of its own nonce, made at a time (UTC)."""
    fields = {
        "v": VERSION,
        "ask": ask,
        "run": run,
        "who": who,
        "text": text,
        "at_utc": instant(at),
        "nonce": secrets.token_hex(16),
    }
    return signed(key, topic, fields)


def instant(at: datetime) -> str:
    """Return an instant as requests write it: UTC, to the millisecond (RFC 3339)."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def as_payload(message: Mapping[str, object]) -> bytes:
    """Return a message as it goes to the broker."""
    return json.dumps(message, ensure_ascii=False).encode()
