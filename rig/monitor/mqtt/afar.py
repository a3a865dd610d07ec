"""Whether a request from afar is taken: state and message in, state and verdict out.

Anybody with a login at the broker may send anything to the topic of requests. What does not carry
a right signature costs one look and is counted; it takes nothing from those who know the secret:
only what passes every other check counts towards `most` in a minute, pause and stop each by
itself, so that no storm of forgeries or of replays keeps a stop out.

A signed request is heard once, whatever becomes of it: what was refused is never taken later. Its
nonce is kept as long as it would still be fresh. Whatever is forgotten leaves `floor` behind:
nothing made at or before it is taken any more, whatever the clock says later. A start puts the
floor as far ahead as the clock of who asks may be, so that nothing that was taken before the start
is taken twice.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from rig.monitor.mqtt.signing import SIGN, VERSION, instant, verify
from rig.protocol.lab import FROM_AFAR

LONGEST: Final = 4096  # bytes of a request, looked at before anything else
MOST_SEEN: Final = 256  # nonces kept; where they are full everything is refused
MINUTE: Final = 60.0  # [s]
LENGTHS: Final = {"ask": 20, "run": 200, "who": 100, "text": 300, "at_utc": 27}
"""Characters that a field may have."""
_HEX: Final = {"nonce": re.compile(r"[0-9a-f]{32,64}"), SIGN: re.compile(r"[0-9a-f]{64}")}
_INSTANT: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?Z", re.ASCII)
_FIELDS: Final = frozenset({"v", *LENGTHS, *_HEX})

REASONS: Final[dict[str, str]] = {
    "too-long": f"longer than {LONGEST} bytes",
    "malformed": "no request as the schema describes it",
    "forged": "not signed with this rig's secret for this rig",
    "not-afar": "only pause and stop may be asked for from afar",
    "not-allowed": "the rig file does not allow it",
    "other-run": "meant for another run",
    "late": "made too long ago, or a clock is wrong",
    "early": "made in the future: a clock is wrong",
    "seen": "heard already: sent twice, or replayed",
    "starting": "made before requests are taken, as just after a start",
    "retained": "kept by the broker, not sent just now",
    "too-many": "too many within a minute",
    "busy": "one like it is being carried out",
}
"""Why a request is refused, in the order of the checks; `busy` comes after them."""
UNSIGNED: Final = frozenset({"too-long", "malformed", "forged"})
"""Reasons of what may come from anybody."""


@dataclass(frozen=True, slots=True)
class Rules:
    """What a rig takes: requests on `topic` for `run`, of the verbs `allowed`, signed with `key`.

    None older, or further ahead of the clock, than `within` [s]; `most` of each verb in a minute.
    """

    topic: str
    run: str
    allowed: tuple[str, ...]
    key: bytes = field(repr=False)
    within: float = 30.0
    most: int = 12


@dataclass(frozen=True, slots=True)
class AfarRequest:
    """A request as it was read; only a verdict says whether it is to be believed."""

    ask: str
    run: str
    who: str
    text: str
    at: datetime
    nonce: str


@dataclass(frozen=True, slots=True)
class Memory:
    """What is remembered between requests.

    `floor` is the instant of the newest request that is no longer among the `seen` (nonce to the
    instant it was made); `taken` holds the monotonic times [s] of each verb in the last minute.
    """

    floor: datetime
    seen: Mapping[str, datetime] = field(default_factory=dict)
    taken: Mapping[str, tuple[float, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Taken where `reason` is "", else refused for one of `REASONS`, with words for who asked."""

    reason: str
    text: str = ""
    request: AfarRequest | None = None


class Malformed(ValueError):
    """A message that is no request."""


def opened(rules: Rules, utc: datetime) -> Memory:
    """Return the memory of one who starts to listen now."""
    return Memory(floor=utc + timedelta(seconds=rules.within))


def judge(
    rules: Rules, memory: Memory, payload: bytes, *, retained: bool, utc: datetime, now: float
) -> tuple[Memory, Verdict]:
    """Return whether a message is taken, and what is remembered then.

    `utc` is the calendar time, `now` monotonic [s].
    """
    if len(payload) > LONGEST:
        return memory, _refused("too-long")
    try:
        fields = read_fields(payload)
        request = _request(fields)
    except Malformed as error:
        return memory, Verdict("malformed", f"{REASONS['malformed']}: {error}")
    if not verify(rules.key, rules.topic, fields):
        return memory, _refused("forged", request)
    memory = _forgotten(memory, rules, utc)
    verdict = _unfit(rules, request) or _untimely(rules, memory, request, utc)
    if verdict is not None:
        # Its time will come; what was refused once is never taken later.
        early = verdict.reason == "early"
        return _remembered(memory, request, timely=False) if early else memory, verdict
    if retained:
        return _remembered(memory, request), _refused("retained", request)
    return _counted(rules, memory, request, now)


def read_fields(payload: bytes) -> dict[str, Any]:
    """Return the fields of a request, of the right types and lengths. Raises Malformed."""
    try:
        found = json.loads(
            payload.decode(),
            object_pairs_hook=_unique,
            parse_int=_version,
            parse_float=_no_number,
            parse_constant=_no_number,
        )
    except (ValueError, RecursionError) as error:
        raise Malformed("no JSON object of texts in UTF-8, each key once") from error
    if not isinstance(found, dict) or found.keys() != _FIELDS:
        raise Malformed(f"the fields must be {', '.join(sorted(_FIELDS))}")
    if type(found["v"]) is not int:
        raise Malformed(f'"v" must be {VERSION}')
    for name, most in LENGTHS.items():
        value = found[name]
        if not isinstance(value, str) or len(value) > most or not value.isprintable():
            raise Malformed(f'"{name}" must be text on one line, at most {most} characters')
    for name, pattern in _HEX.items():
        if not isinstance(found[name], str) or not pattern.fullmatch(found[name]):
            raise Malformed(f'"{name}" must be hexadecimal digits in small letters')
    return found


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key twice")
    return found


def _version(digits: str) -> int:
    # The only number of a request; what is longer is not even read.
    if digits != str(VERSION):
        raise ValueError(digits)
    return VERSION


def _no_number(text: str) -> float:
    raise ValueError(text)


def _request(fields: Mapping[str, Any]) -> AfarRequest:
    if not fields["who"].strip():
        raise Malformed('"who" is missing: say who asks')
    at = _instant(fields["at_utc"])
    words = {name: fields[name] for name in ("ask", "run", "who", "text", "nonce")}
    return AfarRequest(at=at, **words)


def _instant(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text) if _INSTANT.fullmatch(text) else None
    except ValueError:  # a thirteenth month
        at = None
    if at is None:
        raise Malformed('"at_utc" must be an instant such as 2026-01-31T02:03:04.567Z')
    return at.astimezone(UTC)


def _refused(reason: str, request: AfarRequest | None = None, more: str = "") -> Verdict:
    return Verdict(reason, f"{REASONS[reason]}{more}", request)


def _unfit(rules: Rules, request: AfarRequest) -> Verdict | None:
    if request.ask not in FROM_AFAR:
        return _refused("not-afar", request)
    if request.ask not in rules.allowed:
        return _refused("not-allowed", request, f": [messages] requests has no {request.ask!r}")
    if request.run != rules.run:
        return _refused("other-run", request)
    return None


def _untimely(rules: Rules, memory: Memory, request: AfarRequest, utc: datetime) -> Verdict | None:
    age = (utc - request.at).total_seconds()
    clocks = (
        f": made at {instant(request.at)} and come at {instant(utc)} by the rig's clock, "
        f"{abs(age):.0f} s apart, {rules.within:g} s are allowed; if it was sent just now, set the "
        "clock that is wrong"
    )
    if age > rules.within:
        return _refused("late", request, clocks)
    if age < -rules.within:
        return _refused("early", request, clocks)
    if request.nonce in memory.seen:
        return _refused("seen", request)
    if request.at <= memory.floor:
        floor = f": only what is made after {instant(memory.floor)} is taken"
        return _refused("starting", request, floor)
    return None


def _counted(
    rules: Rules, memory: Memory, request: AfarRequest, now: float
) -> tuple[Memory, Verdict]:
    """Remember a request that passed all else, and take it unless there were too many."""
    lately = tuple(t for t in memory.taken.get(request.ask, ()) if now - t < MINUTE)
    full = len(memory.seen) >= MOST_SEEN
    memory = _remembered(memory, request)
    if full or len(lately) >= rules.most:
        most = f": {rules.most} of each kind are taken; ask again later"
        return memory, _refused("too-many", request, most)
    taken = {**memory.taken, request.ask: (*lately, now)}
    return replace(memory, taken=taken), Verdict("", request=request)


def _remembered(memory: Memory, request: AfarRequest, *, timely: bool = True) -> Memory:
    """Return the memory with a request that must not be taken from now on."""
    if len(memory.seen) < MOST_SEEN:
        return replace(memory, seen={**memory.seen, request.nonce: request.at})
    # No room: nothing as old as this is taken any more. One that was made for another year would
    # keep everybody out; as long as there is no room it is not taken either.
    return replace(memory, floor=max(memory.floor, request.at)) if timely else memory


def _forgotten(memory: Memory, rules: Rules, utc: datetime) -> Memory:
    """Return the memory without nonces whose requests are late by now."""
    old = [n for n, at in memory.seen.items() if (utc - at).total_seconds() > rules.within]
    if not old:
        return memory
    floor = max(memory.floor, *(memory.seen[nonce] for nonce in old))
    return replace(
        memory, floor=floor, seen={n: memory.seen[n] for n in memory.seen if n not in old}
    )


class Refusals:
    """Counts refusals by reason; of each reason at most one line in a minute is told."""

    def __init__(self) -> None:
        self.counts: dict[str, int] = dict.fromkeys(REASONS, 0)
        self._told: dict[str, int] = dict.fromkeys(REASONS, 0)
        self._told_at: dict[str, float] = {}
        self._by: dict[str, str] = {}

    def count(self, reason: str, by: str = "") -> None:
        """Count one refusal; `by` is who asked, where the signature says that it is true."""
        self.counts[reason] += 1
        self._by[reason] = by

    def due(self, now: float) -> tuple[str, ...]:
        """Return the lines to be told now; `now` is monotonic [s]."""
        lines = []
        for reason, count in self.counts.items():
            fresh = count - self._told[reason]
            if not fresh or now - self._told_at.get(reason, -MINUTE) < MINUTE:
                continue
            self._told[reason], self._told_at[reason] = count, now
            what = "1 request" if fresh == 1 else f"{fresh} requests"
            total = f" ({count} so far)" if count > fresh else ""
            by = f", the last one signed by {self._by[reason]}" if self._by[reason] else ""
            lines.append(f"{what} from afar refused: {REASONS[reason]}{total}{by}")
        return tuple(lines)
