"""The link to a broker: up whenever that can be, and honest about what was said.

The quality of service alone does not tell whether a message got through: a broker drops without a
word what its access list forbids. So the link hears its own branch, and a message is said once it
has come back from the broker.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import aiomqtt
from aiomqtt.exceptions import MqttConnectError

from rig.clock import Clock
from rig.errors import InputError
from rig.monitor.mqtt.connecting import TIMEOUT, NotAllowed, client, reason, subscribe
from rig.monitor.mqtt.topics import OUT, PRESENCE, REQUESTS, TOPICS, Topic
from rig.monitor.secrets import read_secret
from rig.protocol.lab import Broker

COMES_BACK: Final = 10.0
"""How long [s] a message that the broker has acknowledged may take to come back."""
FIRST_WAIT: Final = 1.0
LONGEST_WAIT: Final = 30.0
"""How long [s] until a broker that is away is tried again, at first and at the most."""
REFUSED_WAIT: Final = 120.0
"""The same [s] where it refuses the login: trying on would only lock it or fill its log."""
STABLE: Final = 5.0
"""A connection [s] after which waiting begins at the shortest again."""
LARGEST: Final = 60_000
"""Bytes of a message at most; what is larger would not come back."""
INCOMING: Final = 500
"""Messages that wait to be looked at; further ones are dropped, ours come again."""
_LEAVES: Final = 0.05
_LOGINS: Final = frozenset({4, 5, 134, 135, 138, 140})
"""Codes that refuse a login: MQTT 3.1.1, 3.2.2.3, and 5.0, 3.2.2.2."""
_KINDS: Final = {kind.name: kind for kind in TOPICS}

Hear = Callable[[Topic, bytes, bool], None]
"""Takes what came: its kind, its payload, and whether the broker had kept it. Returns at once."""


class Unsaid(Exception):
    """A message that may not have got through; why, in one line."""


@dataclass(frozen=True, slots=True)
class Login:
    """How the broker is reached, under the name `identifier`.

    `branch` is what the topics begin with. The password is read at each connection: it may be
    missing for a while, or be changed.
    """

    broker: Broker
    identifier: str
    branch: str


class Link:
    """One login at one broker. Run `keep` beside whatever says something.

    `will` returns what the broker says in our name if we are lost, None for nothing; `hear` takes
    what comes of `kinds`, by default of our own messages; `tell` takes one line when trouble begins
    and when it is over; of a broker that is away not without `tells_loss`: another link tells it.
    """

    def __init__(
        self,
        login: Login,
        clock: Clock,
        *,
        will: Callable[[], bytes | None],
        hear: Hear,
        tell: Callable[[str], None],
        kinds: tuple[Topic, ...] = OUT,
        tells_loss: bool = True,
    ) -> None:
        self._login, self._clock, self._heard = login, clock, kinds
        self._will, self._hear, self._tell = will, hear, tell
        self._client: aiomqtt.Client | None = None
        self._life: asyncio.Timeout | None = None
        self._up = asyncio.Event()
        self._awaited: dict[tuple[str, bytes], asyncio.Future[bool]] = {}
        self._tells_loss, self._quiet = tells_loss, False
        self._dropped = ""
        self._leaving = False
        self._troubles: dict[str, str] = {}
        self.connections = 0
        """How often the broker has taken us: whoever keeps something there says it anew."""

    @property
    def up(self) -> bool:
        """Whether there is a connection, as far as anybody knows."""
        return self._client is not None

    @property
    def away(self) -> str:
        """Why there is no connection, "" where there is one."""
        return "" if self.up else self._troubles.get("broker", "it has not answered yet")

    async def is_up(self) -> None:
        """Wait for a connection."""
        await self._up.wait()

    async def keep(self) -> None:
        """Connect, and again whenever the connection is lost, for ever."""
        wait = FIRST_WAIT
        while True:
            began, before = self._clock.now(), self.connections
            refused = await self._once()
            _heed_the_end()
            if self.connections > before and self._clock.now() - began > STABLE:
                wait = FIRST_WAIT
            # Many rigs that lost one broker do not all come back in the same instant.
            spread = 0.8 + 0.4 * random.random()  # noqa: S311
            await self._clock.sleep((REFUSED_WAIT if refused else wait) * spread)
            wait = min(2 * wait, LONGEST_WAIT)

    async def _once(self) -> bool:
        """Be connected once; tell whether the login was refused."""
        self._dropped = ""
        try:
            await self._meet()
        except MqttConnectError as error:
            code = error.rc if isinstance(error.rc, int) else getattr(error.rc, "value", 0)
            if code in _LOGINS:
                self._trouble("broker", f"{self._where} refuses the login: {reason(error)}")
                return True
            self._trouble("broker", f"{self._where} is not to be had: {reason(error)}")
        except TimeoutError:
            if self._dropped:
                self._lost(self._dropped)
        except InputError as error:
            self._trouble("broker", str(error))
        except NotAllowed as error:
            self._trouble("broker", f"{self._where}: {error}")
        except (aiomqtt.MqttError, OSError, ValueError) as error:
            told = f"{self._where} cannot be reached: {_why(error)}"
            if isinstance(error.__cause__, ssl.SSLError):  # it is there
                self._trouble("broker", told)
            else:
                self._lost(told)
        return False

    def drop(self, why: str = "") -> None:
        """Give the connection up and make a new one, with the will as it is then."""
        if self._life is not None:
            self._dropped = why
            self._life.reschedule(asyncio.get_running_loop().time())

    async def say(self, kind: Topic, payload: bytes) -> None:
        """Say something and wait until it has come back; at quality 0, until it is on its way.

        Raises Unsaid; it may have been said all the same. Behind the last word nothing is said any
        more: it waits until the connection is given up.
        """
        while self._leaving and self.up:
            await self._clock.sleep(_LEAVES)
        await self._said(kind, payload)

    async def say_last(self, kind: Topic, payload: bytes) -> None:
        """Say something as the last word, once all else that is on its way has come back.

        What then still came here would cost the farewell behind it: a socket that is closed on
        messages which nobody took resets the connection (RFC 1122, 4.2.2.13), the broker loses
        what it has not read yet, and says the last will in our name. Raises Unsaid.
        """
        self._leaving = True
        on_its_way = list(self._awaited.values())
        if on_its_way:
            await asyncio.wait(on_its_way)
        await self._said(kind, payload)

    async def _said(self, kind: Topic, payload: bytes) -> None:
        connected, topic = self._client, f"{self._login.branch}/{kind.name}"
        if connected is None:
            raise Unsaid(self._troubles.get("broker", "no connection to the broker"))
        if len(payload) > LARGEST:
            why = f"{kind.name!r} is not sent: {len(payload)} bytes are more than {LARGEST}"
            self._trouble(kind.name, why)
            raise Unsaid(why)
        back: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        self._awaited[topic, payload] = back
        try:
            await self._handed_over(connected, kind, topic, payload)
            if kind.qos:
                await self._came_back(connected, kind, back)
        finally:
            self._awaited.pop((topic, payload), None)
            if not back.done():
                back.set_result(False)

    async def _handed_over(
        self, connected: aiomqtt.Client, kind: Topic, topic: str, payload: bytes
    ) -> None:
        try:
            await connected.publish(topic, payload, kind.qos, kind.retained, timeout=TIMEOUT)
        except (aiomqtt.MqttError, ValueError, RuntimeError) as error:
            raise self._hangs(connected, error) from None
        finally:
            _heed_the_end()

    async def _came_back(
        self, connected: aiomqtt.Client, kind: Topic, back: asyncio.Future[bool]
    ) -> None:
        try:
            async with asyncio.timeout(COMES_BACK):
                came = await asyncio.shield(back)
        except TimeoutError:
            # A broker that hangs forbids nothing.
            await self._answering(connected)
            came = back.done() and back.result()
            if not came and connected is self._client:
                why = self._forbidden(kind)
                self._trouble(kind.name, why)
                raise Unsaid(why) from None
        if not came:
            raise Unsaid("the connection was lost")
        self._well(kind.name)

    def _forbidden(self, kind: Topic) -> str:
        login = self._login
        return (
            f"{kind.name!r} does not get through: {self._where} takes it and passes nothing on; "
            f"its access list must let user {login.broker.user!r} write and read "
            f"{login.branch}/{kind.name}"
        )

    async def _answering(self, connected: aiomqtt.Client) -> None:
        """Ask the broker for an answer of any kind. Raises Unsaid."""
        try:
            await connected.unsubscribe(f"{self._login.branch}/none/none", timeout=TIMEOUT)
        except aiomqtt.MqttError as error:
            raise self._hangs(connected, error) from None
        finally:
            _heed_the_end()

    def _hangs(self, connected: aiomqtt.Client, error: Exception) -> Unsaid:
        slow = "timed out" in str(error)
        why = f"{self._where} does not answer" if slow else f"{self._where}: {_why(error)}"
        if connected is self._client:
            self.drop(why)
        return Unsaid(why)

    async def _meet(self) -> None:
        """Connect once, and hear until the connection is lost. Raises what is wrong."""
        last = self._will()
        will = aiomqtt.Will(self._presence, last, PRESENCE.qos, PRESENCE.retained)
        secret = self._login.broker.password
        # Made anew each time: certificates are renewed while a test goes on.
        connection = client(
            self._login.broker,
            None if secret is None else read_secret(secret),
            self._login.identifier,
            will=None if last is None else will,
            most_waiting=INCOMING,
            at_once=self._took_request,
        )
        async with connection:
            await self._hearing(connection)

    @property
    def _presence(self) -> str:
        return f"{self._login.branch}/{PRESENCE.name}"

    async def _hearing(self, connected: aiomqtt.Client) -> None:
        try:
            async with asyncio.timeout(None) as self._life:
                await self._listened(connected)
                _heed_the_end()
                messages = connected.messages
                # What the broker has kept is heard before anything is said.
                while len(messages):
                    self._take(await anext(messages))
                self._client = connected
                self.connections += 1
                self._up.set()
                self._well("broker")
                async for message in messages:
                    self._take(message)
        finally:
            self._client, self._life = None, None
            self._up.clear()
            for back in self._awaited.values():
                if not back.done():
                    back.set_result(False)
            last = self._will()
            # The broker takes what follows for a farewell in order and forgets our will.
            if last is not None:
                with contextlib.suppress(Exception):
                    await connected.publish(
                        self._presence, last, PRESENCE.qos, retain=True, timeout=1
                    )

    async def _listened(self, connected: aiomqtt.Client) -> None:
        branch = self._login.branch
        await subscribe(connected, [f"{branch}/{kind.name}" for kind in self._heard], qos=1)
        # Its answer comes behind all that the broker had kept for us.
        await connected.unsubscribe(f"{branch}/none/none")

    def _took_request(self, message: aiomqtt.Message) -> bool:
        """Take a request as it comes: no queue of a storm stands before a stop."""
        if message.topic.value != f"{self._login.branch}/{REQUESTS.name}":
            return False
        self._take(message)
        return True

    def _take(self, message: aiomqtt.Message) -> None:
        topic, payload = message.topic.value, message.payload
        kind = _KINDS.get(topic.removeprefix(f"{self._login.branch}/"))
        if kind is None or not isinstance(payload, bytes):
            return
        back = self._awaited.get((topic, payload))
        if back is not None and not back.done():
            back.set_result(True)
        self._hear(kind, payload, message.retain)

    @property
    def _where(self) -> str:
        return f"broker {self._login.broker.host}:{self._login.broker.port}"

    def _trouble(self, what: str, text: str) -> None:
        """Tell trouble once, until it is over or becomes another one."""
        if self._troubles.get(what) != text:
            self._troubles[what] = text
            self._quiet = False
            self._tell(text)

    def _lost(self, text: str) -> None:
        """Tell the loss of the broker once, whatever keeps it away then."""
        if "broker" not in self._troubles:
            self._quiet = not self._tells_loss
            if self._tells_loss:
                self._tell(text)
        self._troubles["broker"] = text

    def _well(self, what: str) -> None:
        if self._troubles.pop(what, None) is not None and not (what == "broker" and self._quiet):
            name = self._where if what == "broker" else f"{what!r} at {self._where}"
            self._tell(f"{name}: well again")


def _heed_the_end() -> None:
    """Raise CancelledError where this task was cancelled and a library has kept that to itself.

    `asyncio.wait_for`, on which every call of aiomqtt stands, does so up to Python 3.11 where the
    answer comes in the same moment.
    """
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


def _why(error: Exception) -> str:
    """Return what went wrong in one line, without anything that was sent."""
    text = reason(error) if isinstance(error, aiomqtt.MqttError) else str(error)
    return " ".join(text.split())[:300] or type(error).__name__
