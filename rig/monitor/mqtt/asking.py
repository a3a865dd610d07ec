"""Asking a rig from afar: finds its live run, signs, sends, and waits for both answers.

Only what the secret signs is believed, so that nobody else can say that a rig stands still. While
no answer comes it is asked again, each time with a nonce of its own: a message may be lost in a
storm, and a pause or a stop that is asked for twice does no more than once.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import Any, Final

import aiomqtt

from rig.clock import Clock
from rig.errors import InputError
from rig.monitor.mqtt.afar import LENGTHS, LONGEST, REASONS, UNSIGNED
from rig.monitor.mqtt.connecting import Client, client, reason, subscribe
from rig.monitor.mqtt.signing import as_payload, make_request, verify
from rig.monitor.mqtt.topics import ANSWERS, PRESENCE, REQUESTS, every_rig, parts, topic
from rig.monitor.secrets import Hidden
from rig.protocol.lab import Broker
from rig.units import plain

FINDS_WITHIN: Final = 3.0  # [s] the broker has sent what it keeps
AGAIN_AFTER: Final = 5.0  # [s] without any answer
ANSWERS_WITHIN: Final = 45.0  # [s]: the run has 30 of them to act
RECORDS_WITHIN: Final = 25.0  # [s] to the second answer
WAITING: Final = 1000  # messages that came and were not read yet
MOST_RIGS: Final = 1000  # of a lab that are told apart
OTHERS: Final = (
    "an answer came whose signature does not hold: the two secrets differ, or somebody else "
    "answered"
)
GONE: Final = {
    "ended": "its last run has ended",
    "left": "its messages were ended by somebody; the test may go on",
    "lost": "its connection or its computer is lost; the test may go on",
}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked of a rig of a lab, by whom and why."""

    lab: str
    rig: str
    ask: str
    who: str
    text: str = ""

    def topic(self, kind: Any) -> str:
        """Return a topic of the rig."""
        return topic(self.lab, self.rig, kind)


@dataclass(frozen=True, slots=True)
class Said:
    """Both answers as one. `recorded` is None where nothing was to be recorded or nobody knows."""

    run: str
    answer: str
    text: str
    state: str = ""
    reason: str = ""
    recorded: bool | None = None
    trouble: str = ""


@dataclass(slots=True)
class _Post:
    """What has come: presences of the lab's rigs, and answers of the one that is asked."""

    wanted: Wanted
    key: bytes = field(repr=False)
    tell: Callable[[str], object]
    online: dict[str, dict[str, Any]] = field(default_factory=dict)
    answers: asyncio.Queue[dict[str, Any]] = field(default_factory=asyncio.Queue)
    nonces: set[str] = field(default_factory=set)
    why_none: str = ""
    broken: str = ""
    came: asyncio.Event = field(default_factory=asyncio.Event)

    async def take(self, connected: aiomqtt.Client) -> None:
        """Take what comes until the connection breaks."""
        try:
            async for message in connected.messages:
                found, told = parts(str(message.topic)), _read(message.payload)
                if found is None or told is None:
                    continue
                if found[2] == PRESENCE and len(self.online) < MOST_RIGS:
                    self.online[found[1]] = told
                elif told.get("nonce") in self.nonces:
                    self._answered(told)
                self.came.set()
        except aiomqtt.MqttError as error:
            self.broken = reason(error)
            self.came.set()

    def _answered(self, told: dict[str, Any]) -> None:
        if not verify(self.key, self.wanted.topic(ANSWERS), told):
            self.why_none = OTHERS
        elif told.get("reason") == "busy":
            # As a rule it is one of ours that is being carried out: its own answer is to come.
            self.why_none = REASONS["busy"]
        elif told.get("reason") not in UNSIGNED:
            # Ours are signed with the secret that signs this answer: one that says they are not is
            # for somebody who sent the nonce on, to make believe that nothing was done.
            self.answers.put_nowait(told)


def _read(payload: object) -> dict[str, Any] | None:
    if not isinstance(payload, bytes) or len(payload) > 2 * LONGEST:
        return None
    try:
        told = json.loads(payload.decode())
    except (ValueError, RecursionError):
        return None
    return told if isinstance(told, dict) else None


async def ask_afar(
    broker: Broker,
    password: Hidden | None,
    key: bytes,
    wanted: Wanted,
    clock: Clock,
    tell: Callable[[str], object],
) -> Said:
    """Ask a rig and return what it answered. Raises InputError where it cannot be asked.

    Whoever gives no answer may have done it all the same; the words say so. `tell` takes lines for
    who waits meanwhile.
    """
    wanted = replace(wanted, who=_cut("who", wanted.who), text=_cut("text", wanted.text))
    said = None
    try:
        async with _connected(broker, password, _Post(wanted, key, tell)) as (connected, post):
            run = await _live_run(post)
            said = await _answered(connected, post, run, clock)
    except aiomqtt.MqttError as error:
        if said is None:  # leaving a broker that does not answer takes nothing back
            where = f"broker {broker.host}:{broker.port}"
            raise InputError(f"{where}: {reason(error)}; nothing was asked") from error
    return said


def _cut(name: str, text: str) -> str:
    """Return a text of one line as long as a request may hold."""
    line = " ".join(plain(text).split())
    most = LENGTHS[name]
    return line if len(line) <= most else f"{line[: most - 1]}…"


@asynccontextmanager
async def _connected(
    broker: Broker, password: Hidden | None, post: _Post
) -> AsyncIterator[tuple[Client, _Post]]:
    name = f"asks-{secrets.token_hex(8)}"
    async with client(broker, password, name, most_waiting=WAITING) as connected:
        wanted = post.wanted
        await subscribe(connected, [wanted.topic(ANSWERS), every_rig(wanted.lab, PRESENCE)], qos=1)
        taking = asyncio.ensure_future(post.take(connected))
        try:
            yield connected, post
        finally:
            taking.cancel()
            await asyncio.gather(taking, return_exceptions=True)


async def _live_run(post: _Post) -> str:
    """Return the run that a rig tells of. Raises InputError where it tells of none."""
    rig = post.wanted.rig
    try:
        async with asyncio.timeout(FINDS_WITHIN):
            while rig not in post.online and not post.broken:
                post.came.clear()
                await post.came.wait()
    except TimeoutError:
        there = ", ".join(sorted(n for n, p in post.online.items() if p.get("online") is True))
        known = f"live now: {there}" if there else "no rig of it is live"
        raise InputError(
            f"lab {post.wanted.lab}: nothing is known of a rig {rig!r}; {known}; nothing was asked"
        ) from None
    told = post.online.get(rig, {})
    run = told.get("run")
    if told.get("online") is not True or not isinstance(run, str):
        why = GONE.get(str(told.get("cause")), "it is not there")
        raise InputError(f"{rig}: {why}; nothing was asked")
    return run


async def _answered(connected: Client, post: _Post, run: str, clock: Clock) -> Said:
    until = clock.now() + ANSWERS_WITHIN
    told: dict[str, Any] | None = None
    while told is None and clock.now() < until and not post.broken:
        try:
            await _send(connected, post, run, clock)
        except aiomqtt.MqttError as error:
            post.broken = reason(error)
        told = await _next(post, min(AGAIN_AFTER, until - clock.now()))
        if (left := until - clock.now()) <= AGAIN_AFTER:
            continue
        if told is not None and told.get("reason") == "starting":
            post.tell(f"{_shown(told, 'text')}; it is asked again for {left:.0f} s")
            await clock.sleep(AGAIN_AFTER)
            told = None
        elif told is None and not post.broken:
            post.tell(f"{post.why_none or 'no answer yet'}; it is asked again for {left:.0f} s")
    if told is None:
        return Said(run, "no answer", _nothing(post))
    answer, text, state, why = (_shown(told, n) for n in ("answer", "text", "state", "reason"))
    first = Said(run, answer, text, state, why)
    return await _recorded(post, first, told) if first.answer == "acted" else first


async def _send(connected: Client, post: _Post, run: str, clock: Clock) -> None:
    wanted = post.wanted
    words = {"ask": wanted.ask, "run": run, "who": wanted.who, "text": wanted.text}
    request = make_request(post.key, wanted.topic(REQUESTS), at=clock.utc(), **words)
    post.nonces.add(str(request["nonce"]))
    await connected.publish(wanted.topic(REQUESTS), as_payload(request), qos=REQUESTS.qos)
    if connected.refused:
        raise InputError(
            f"the broker does not let this login ask ({connected.refused}): look at its access "
            f"list, which must let it write {wanted.topic(REQUESTS)}; nothing was asked"
        )


async def _next(post: _Post, within: float) -> dict[str, Any] | None:
    try:
        async with asyncio.timeout(within):
            return await post.answers.get()
    except TimeoutError:
        return None


async def _recorded(post: _Post, first: Said, acted: dict[str, Any]) -> Said:
    """Return the first answer with what the second says; those of other tries are left alone."""
    while (told := await _next(post, RECORDS_WITHIN)) is not None:
        if told.get("nonce") == acted.get("nonce"):
            done = told.get("answer") == "recorded"
            return replace(first, recorded=done, trouble=_shown(told, "text"))
    return replace(first, recorded=False, trouble="nothing was said of the record; look at it")


def _nothing(post: _Post) -> str:
    if post.broken:
        why = f"the connection broke: {post.broken}"
    else:
        why = post.why_none or (
            f"none within {ANSWERS_WITHIN:g} s; see that its rig file allows requests, and that "
            "this user of the broker may write them"
        )
    return f"{why}; it may still have been done: look at the rig with nightrig watch --lab"


def _shown(told: dict[str, Any], name: str) -> str:
    return plain(str(told.get(name, "")))[:1000]
