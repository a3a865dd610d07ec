"""All that a run says and hears by MQTT, put together: one link, and who uses it."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path

from rig.clock import Clock
from rig.monitor.alerts.messages import AlertText, WayDead
from rig.monitor.looks import Looks
from rig.monitor.mqtt import messages, topics
from rig.monitor.mqtt.link import Link, Login, Unsaid
from rig.monitor.mqtt.outbox import Outbox, Told
from rig.monitor.mqtt.saying import Saying, Whose
from rig.monitor.mqtt.signing import VERSION
from rig.monitor.mqtt.topics import ALERTS, ANSWERS, PRESENCE, REQUESTS, Topic
from rig.protocol.lab import Broker, Messages

Tell = Callable[[str], None]


def own_broker(broker: Broker, rig: Messages) -> Broker:
    """Return a lab's broker as a rig logs in there: by a login of its own where it has one."""
    if not rig.user:
        return broker
    return replace(broker, user=rig.user, password=rig.password)


class Telling:
    """What one run says by MQTT; `keep` carries it on for ever.

    `asked` takes a request that came, and whether the broker had kept it; it returns at once.
    Requests come by a connection of their own: behind a storm of them nothing that is said has to
    wait, answers least of all.
    """

    def __init__(
        self,
        whose: Whose,
        broker: Broker,
        looks: Looks,
        folder: Path,
        clock: Clock,
        *,
        tell: Tell,
        asked: Callable[[bytes, bool], None] | None = None,
    ) -> None:
        self._run = whose.run
        self._asked = asked
        self._saying = Saying(whose, looks, clock, tell)
        login = Login(
            broker,
            topics.identifier(whose.rig, whose.run),
            topics.branch(whose.lab, whose.rig),
        )
        self._link = Link(login, clock, will=self._saying.will, hear=self._hear, tell=tell)
        self._saying.link = self._link
        self._requests = Link(
            replace(login, identifier=topics.identifier(whose.rig, f"requests {whose.run}")),
            clock,
            will=lambda: None,
            hear=self._hear,
            tell=lambda line: tell(f"requests: {line}"),
            kinds=(REQUESTS,),
            tells_loss=False,
        )
        self._outbox = Outbox(looks, self._link, Told(folder, whose.run, tell), clock)

    @property
    def done(self) -> bool:
        """Whether the run is over and all of it has got through."""
        return self._saying.done and self._outbox.done

    @property
    def newer(self) -> str:
        """The run that took the rig after this one had ended, "" while there is none."""
        return self._saying.newer

    @property
    def away(self) -> str:
        """Why there is no connection to the broker, "" where there is one, or none is wanted."""
        return "" if self._saying.left else self._link.away

    async def keep(self) -> None:
        """Say and hear, for ever."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._link.keep())
            group.create_task(self._saying.say())
            group.create_task(self._outbox.empty())
            if self._asked is not None:
                group.create_task(self._requests.keep())

    async def leave(self) -> None:
        """Say that no more messages come."""
        await self._saying.leave()

    def _hear(self, kind: Topic, payload: bytes, retained: bool) -> None:
        if kind == PRESENCE:
            self._saying.heard(payload)
        elif kind == REQUESTS and self._asked is not None and not self._saying.newer:
            self._asked(payload, retained)

    async def answer(self, payload: bytes) -> bool:
        """Say an answer to a request; tell whether it got through."""
        try:
            await self._link.say(ANSWERS, payload)
        except Unsaid:
            return False
        return True

    @property
    def alert(self) -> Callable[[AlertText], Awaitable[None]]:
        """The way of alerts to the broker. Raises WayDead."""

        async def send(alert: AlertText) -> None:
            try:
                await self._link.say(ALERTS, alert_payload(alert, self._run))
            except Unsaid as unsaid:
                raise WayDead(str(unsaid)) from None

        return send


def alert_payload(alert: AlertText, run: str) -> bytes:
    """Return an alert of a run as it goes to the broker."""
    return messages.as_payload(alert.plain | {"v": VERSION, "run": run})
