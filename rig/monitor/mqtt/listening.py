"""Hearing every rig of a lab: one subscriber, which goes on after the broker was away."""

from __future__ import annotations

import asyncio
import contextlib
import threading
import uuid
from concurrent.futures import Future, ThreadPoolExecutor, wait
from datetime import datetime, tzinfo
from typing import Any, Final

import aiomqtt

from rig.clock import SystemClock
from rig.errors import InputError
from rig.monitor.lab.rigs import Moment, Rigs
from rig.monitor.lab.view import LabView
from rig.monitor.mqtt.connecting import client, reason, subscribe
from rig.monitor.mqtt.told import KINDS
from rig.monitor.mqtt.topics import every_rig
from rig.monitor.secrets import Hidden
from rig.protocol.lab import Broker

WAITING: Final = 5_000
"""Messages at most that came and are not read yet; a thousand rigs send some 1,200 a second."""
_FIRST: Final = 0.5
_LONGEST: Final = 10.0
_GONE_WITHIN: Final = 0.5


class Listener:
    """Listens in a thread of its own from entering to leaving; `look` never waits for a broker.

    `zone` is the zone of clock times, None the computer's.
    """

    def __init__(
        self, lab: str, broker: Broker, password: Hidden | None, zone: tzinfo | None = None
    ) -> None:
        self._lab, self._broker, self._password, self._zone = lab, broker, password, zone
        self._rigs = Rigs(lab)
        self._clock = SystemClock()
        self._connected, self._why = False, ""
        self._since: datetime | None = None
        self._lock = threading.Lock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[None] | None = None
        self._ever = False
        self._thread = ThreadPoolExecutor(1, "listener")
        self._listening: Future[None] | None = None

    def __enter__(self) -> Listener:
        self._listening = self._thread.submit(lambda: asyncio.run(self._listen()))
        return self

    def __exit__(self, *_why: object) -> None:
        with contextlib.suppress(RuntimeError):  # its loop has ended
            if self._loop is not None and self._task is not None:
                self._loop.call_soon_threadsafe(self._task.cancel)
        # Who leaves is not held up by a broker that does not answer.
        self._thread.shutdown(wait=False)
        if self._listening is not None:
            wait((self._listening,), _GONE_WITHIN)

    @property
    def is_there(self) -> bool:
        """Tell whether the broker has been reached at all."""
        return self._ever

    def look(self) -> LabView:
        """Return what is known now. Raises InputError if the broker could never be reached."""
        if self._listening is not None and self._listening.done():
            self._listening.result()
        with self._lock:
            rigs = self._rigs
            return LabView(
                self._lab,
                address(self._broker),
                connected=self._connected,
                since=self._since,
                now=self._now(),
                why=self._why,
                rigs=rigs.told,
                news=rigs.news,
                not_understood=rigs.not_understood,
                newest=rigs.newest_of_them,
                beyond=rigs.beyond,
                zone=self._zone,
            )

    def _now(self) -> Moment:
        return Moment(self._clock.now(), self._clock.utc())

    async def _listen(self) -> None:
        self._loop, self._task = asyncio.get_running_loop(), asyncio.current_task()
        self._loop.set_exception_handler(_unheard)
        pause = _FIRST
        with contextlib.suppress(asyncio.CancelledError):
            while True:
                try:
                    await self._hear()
                except (aiomqtt.MqttError, InputError) as error:
                    pause = _FIRST if self._connected else min(pause * 2, _LONGEST)
                    self._away(error)
                await self._clock.sleep(pause)

    async def _hear(self) -> None:
        """Take messages until the connection breaks. Raises MqttError, InputError."""
        name = f"looks-{uuid.uuid4().hex[:16]}"
        async with client(self._broker, self._password, name, most_waiting=WAITING) as connected:
            for kind in KINDS:
                await subscribe(connected, every_rig(self._lab, kind), kind.qos)
            self._there()
            async for message in connected.messages:
                payload = message.payload
                with self._lock:
                    self._rigs.take(
                        str(message.topic),
                        payload if isinstance(payload, bytes) else b"?",
                        self._now(),
                        retained=message.retain,
                    )

    def _there(self) -> None:
        with self._lock:
            self._connected, self._since, self._why = True, self._clock.utc(), ""
            self._ever = True

    def _away(self, error: aiomqtt.MqttError | InputError) -> None:
        """Keep why it is away. Raises InputError where it has not been there before."""
        # Certificates are renewed while somebody looks: one that is not there is waited for.
        why = str(error) if isinstance(error, InputError) else reason(error)
        with self._lock:
            if not self._ever:
                if isinstance(error, InputError):
                    raise error
                raise InputError(unreachable(self._broker, why))
            if self._connected:
                self._connected, self._since = False, self._clock.utc()
            self._why = why


def _unheard(loop: asyncio.AbstractEventLoop, told: dict[str, Any]) -> None:
    """Leave out what is only a connection that broke: it has been told, and is made again."""
    if not isinstance(told.get("exception"), aiomqtt.MqttError | OSError):
        loop.default_exception_handler(told)


def address(broker: Broker) -> str:
    """Return where a broker is."""
    return f"{broker.host}:{broker.port}"


def unreachable(broker: Broker, why: str) -> str:
    """Return that a broker cannot be had, and what to look at."""
    user = f" (user {broker.user})" if broker.user else ""
    return f"broker {address(broker)}{user}: {why}; look at [broker] of the lab file"
