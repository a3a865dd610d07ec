"""A request as one line, one JSON object: written by who asks, read by the run that is asked.

A run reads lines of strangers between two samples: what is too long is cut off before anything
else is done with it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any, Final

from rig.control.crack_log import NUMBERS, CrackGiven
from rig.control.crack_log import WORDS as CRACK_WORDS
from rig.control.desk import VERBS, Request
from rig.protocol.lab import FROM_AFAR

LONGEST_LINE: Final = 8192  # bytes
WORDS: Final = {"who": 100, "text": 1500, "face": 100, "moved": 100, "on_call": 100}
"""Fields of text, and how many characters are kept: all of them fill no line at four bytes."""
MOST_ITEMS: Final = 40
LONGEST_ITEM: Final = 200  # characters


def write_request(message: Mapping[str, object]) -> bytes:
    """Return the line of a message, its words cut so that a run takes it."""
    cut = {key: _cut(key, value) for key, value in message.items()}
    return json.dumps(cut, ensure_ascii=False).encode(errors="replace") + b"\n"


def _cut(key: str, value: object) -> object:
    if key not in WORDS or not isinstance(value, str):
        return value
    text = clean(value)
    # What is cut must not read as if it were all.
    return text if len(text) <= WORDS[key] else f"{text[: WORDS[key] - 1]}…"


class NotUnderstood(ValueError):
    """A line that asks for nothing this run can do, in words for who sent it."""


def read_request(line: bytes) -> Request | None:
    """Return the request of a line, None for a look. Raises NotUnderstood."""
    asked = _object(line)
    verb = asked.pop("ask", None)
    if verb == "look" and not asked:
        return None
    if verb not in VERBS:
        raise NotUnderstood(f'"ask" must be one of {", ".join(VERBS)}, look')
    fields: dict[str, Any] = {key: _text(asked, key) for key in WORDS}
    fields["afar"] = _from_afar(asked, str(verb))
    fields["catch_can"] = _flow(asked)
    fields["items"] = _items(asked)
    fields["crack"] = _crack(asked)
    if asked:
        raise NotUnderstood(f"unknown key {clean(next(iter(asked)))[:40]!r}")
    if not fields["who"]:
        raise NotUnderstood('"who" is missing: say who asks')
    return Request(str(verb), **fields)


def _object(line: bytes) -> dict[str, Any]:
    try:
        asked = json.loads(line, parse_constant=_no_number)
    except (ValueError, RecursionError):
        asked = None
    if not isinstance(asked, dict):
        raise NotUnderstood('a line must be one JSON object such as {"ask": "look"}')
    return asked


def _no_number(name: str) -> float:
    raise ValueError(name)


def _text(asked: dict[str, Any], key: str) -> str:
    value = asked.pop(key, "")
    if not isinstance(value, str):
        raise NotUnderstood(f'"{key}" must be text')
    return clean(value[: WORDS[key]])


def _from_afar(asked: dict[str, Any], verb: str) -> bool:
    """Tell whether a request says that it comes from elsewhere; most must not."""
    value = asked.pop("from", None)
    if value is None:
        return False
    if value != "afar":
        raise NotUnderstood('"from" must be "afar" or not there')
    if verb not in FROM_AFAR:
        raise NotUnderstood(f"from afar only {' and '.join(FROM_AFAR)} may be asked for")
    return True


def _flow(asked: dict[str, Any]) -> float | None:
    value = asked.pop("catch_can", None)
    if value is None:
        return None
    flow = _number(value, '"catch_can" must be a number [m3/s]')
    if not 0 <= flow < 1:
        raise NotUnderstood('"catch_can" must be a flow [m3/s] from 0 to 1')
    return flow


def _number(value: object, wanted: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise NotUnderstood(wanted)
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _crack(asked: dict[str, Any]) -> CrackGiven | None:
    """Return what is given of a crack: null is what was looked for and not read."""
    given = asked.pop("crack", None)
    if given is None:
        return None
    if not isinstance(given, dict):
        raise NotUnderstood('"crack" must be an object')
    corrects = given.pop("corrects", 0)
    withdrawn = given.pop("withdrawn", False)
    if isinstance(corrects, bool) or not isinstance(corrects, int) or corrects < 0:
        raise NotUnderstood('"corrects" must be the number of an entry')
    if not isinstance(withdrawn, bool):
        raise NotUnderstood('"withdrawn" must be true or false')
    read_at = given.pop("read_at", None)
    if read_at is not None and (isinstance(read_at, bool) or not isinstance(read_at, int)):
        raise NotUnderstood('"read_at" must be a count of cycles')
    values = {key: _of_crack(key, value) for key, value in given.items()}
    return CrackGiven(values, corrects, withdrawn, read_at)


def _of_crack(key: str, value: object) -> str | float:
    if key in NUMBERS:
        number = math.nan if value is None else _number(value, f'"{key}" must be a number [m]')
        if math.isinf(number):
            raise NotUnderstood(f'"{key}" must be a number [m]')
        return number
    if key not in CRACK_WORDS:
        raise NotUnderstood(f"unknown key {clean(key)[:40]!r} of a crack")
    if not isinstance(value, str):
        raise NotUnderstood(f'"{key}" must be text')
    return clean(value[: CRACK_WORDS[key]])


def _items(asked: dict[str, Any]) -> tuple[str, ...]:
    value = asked.pop("items", [])
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise NotUnderstood('"items" must be a list of texts')
    return tuple(clean(item[:LONGEST_ITEM]) for item in value[:MOST_ITEMS])


def clean(text: str) -> str:
    """Return a text on one line, without control characters or anything a terminal obeys."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
