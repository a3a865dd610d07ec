"""Requests from afar as tests make them: genuine ones, and what hostile clients send."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from rig.monitor.mqtt.afar import LONGEST, Rules
from rig.monitor.mqtt.signing import as_payload, make_request, signed

KEY = b"invented for these tests: 0123456789abcdef"
TOPIC = "nightrig/v1/lab-1/frame-1/requests"
ANSWERS = "nightrig/v1/lab-1/frame-1/answers"
RUN = "night-1"
AT = datetime(2026, 1, 31, 2, 3, 4, tzinfo=UTC)
RULES = Rules(TOPIC, RUN, ("pause", "stop"), KEY, within=30.0, most=12)


def fields(at: datetime = AT, **changes: object) -> dict[str, object]:
    """Return the fields of a request that would be taken, with changes, signed anew."""
    topic, key = changes.pop("topic", TOPIC), changes.pop("key", KEY)
    made = make_request(bytes(key), str(topic), ask="stop", run=RUN, who="A. Name", text="", at=at)
    made.pop("sign")
    return signed(bytes(key), str(topic), {**made, **changes})


def genuine(at: datetime = AT, **changes: object) -> bytes:
    """Return a request that would be taken, with changes, as it is sent."""
    return as_payload(fields(at, **changes))


def hostile(seed: int, number: int, clock, overheard: list[bytes]) -> Iterator[tuple[bytes, bool]]:
    """Give so many payloads none of which may act, and whether each is sent to be retained.

    `clock` returns the present UTC; `overheard` holds genuine requests that were taken before.
    """
    chance = random.Random(seed)
    kinds = list(_KINDS)
    for _ in range(number):
        kind = chance.choice(kinds)
        yield _KINDS[kind](chance, clock(), overheard), kind == "retained"


def _forged(chance, at, _):
    made = fields(at, ask=chance.choice(["pause", "stop"]))
    return as_payload({**made, "sign": f"{chance.getrandbits(256):064x}"})


def _wrong_key(chance, at, _):
    return genuine(at, key=chance.randbytes(32))


def _changed(chance, at, _):
    name = chance.choice(["ask", "who", "text", "nonce", "at_utc"])
    other = {"ask": "pause", "nonce": f"{chance.getrandbits(128):032x}"}.get(name, "changed")
    if name == "at_utc":
        other = fields(at + timedelta(seconds=1))["at_utc"]
    return as_payload({**fields(at), name: other})


def _replayed(chance, at, overheard):
    return chance.choice(overheard) if overheard else _forged(chance, at, overheard)


def _late(chance, at, _):
    return genuine(at - timedelta(seconds=chance.choice([31, 60, 3600, 10**7])))


def _future(chance, at, _):
    return genuine(at + timedelta(seconds=chance.choice([45, 3600, 10**9])))


def _other_run(_, at, __):
    return genuine(at, run="night-0")


def _other_rig(_, at, __):
    return genuine(at, topic="nightrig/v1/lab-1/frame-2/requests")


def _not_afar(chance, at, _):
    return genuine(at, ask=chance.choice(["continue", "unload", "confirm", "note", "look", ""]))


def _wrong_types(chance, at, _):
    made = fields(at)
    name = chance.choice(list(made))
    made[name] = chance.choice([None, True, 1.5, [], {}, ["stop"], {"ask": "stop"}, 2, -1])
    return json.dumps(made).encode()


def _missing(chance, at, _):
    made = fields(at)
    made.pop(chance.choice(list(made)))
    return as_payload(made)


def _more(_, at, __):
    return genuine(at, extra="1")


def _twice(_, at, __):
    return genuine(at)[:-1] + b', "ask": "pause"}'


def _nested(chance, _, __):
    return chance.choice([b"[", b'{"a":', b"[{"]) * chance.choice([10, 1000, 1300])


def _huge_number(chance, at, _):
    digits = b"9" * chance.choice([20, 400, 3000])
    number = chance.choice([digits, b"1e" + digits, b"-" + digits, b"NaN", b"Infinity"])
    return genuine(at).replace(b'"v": 1', b'"v": ' + number)


def _oversized(chance, at, _):
    return genuine(at, text="x" * chance.choice([LONGEST, 10 * LONGEST, 15 * LONGEST]))


def _no_utf_8(chance, at, _):
    bad = chance.choice([b"\xff\xfe", b"\xc3\x28", b"\xed\xa0\x80", b"\x00"])
    return genuine(at).replace(b"A. Name", b"A. " + bad)


def _utf_16(_, at, __):
    return genuine(at).decode().encode("utf-16")


def _control_letters(chance, at, _):
    return genuine(at, who="A\r\nBcc: b@lab.example", text=chance.choice(["\x1b[2J", "\u202e", ""]))


def _noise(chance, _, __):
    return chance.randbytes(chance.randrange(0, 300))


def _retained(chance, at, overheard):
    return _replayed(chance, at, overheard)


_KINDS = {
    "forged": _forged,
    "wrong key": _wrong_key,
    "changed": _changed,
    "replayed": _replayed,
    "late": _late,
    "future": _future,
    "other run": _other_run,
    "other rig": _other_rig,
    "not from afar": _not_afar,
    "wrong types": _wrong_types,
    "missing": _missing,
    "more": _more,
    "twice": _twice,
    "nested": _nested,
    "huge number": _huge_number,
    "oversized": _oversized,
    "no UTF-8": _no_utf_8,
    "UTF-16": _utf_16,
    "control letters": _control_letters,
    "noise": _noise,
    "retained": _retained,
}
