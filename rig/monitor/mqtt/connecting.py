"""A connection to the broker of a lab file: user, password, TLS; and why there is none."""

from __future__ import annotations

import asyncio
import logging
import ssl
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, Final, cast

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from rig.errors import InputError
from rig.monitor.secrets import Hidden
from rig.protocol.lab import Broker, Tls

TIMEOUT: Final = 5.0
"""Seconds within which a broker has to answer."""
LARGEST: Final = 66_000
"""Bytes of a packet at most: a broker does not even send larger ones (MQTT 5.0, 3.1.2.11.4)."""
_REFUSED: Final = 128
"""Reason codes from which subscription or message is refused (MQTT 5.0, 3.9.3 and 3.4.2.1)."""
_LOGINS: Final = frozenset({4, 5, 134, 135})
"""Codes that refuse user or password: MQTT 3.1.1, 3.2.2.3, and 5.0, 3.2.2.2."""


class NotAllowed(aiomqtt.MqttError):
    """What the broker does not let this user read, in one line."""


class Client(aiomqtt.Client):
    """A client that keeps why the broker refused a message (MQTT 5.0, 3.4.2.1), "" for none."""

    refused = ""

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, reason_code: Any, properties: Any
    ) -> None:
        if reason_code.value >= _REFUSED:
            self.refused = _code(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)


class _Incoming(asyncio.Queue[aiomqtt.Message]):
    """Messages that came and were not read yet; `at_once` takes some before they would wait."""

    def __init__(self, maxsize: int, at_once: Callable[[aiomqtt.Message], bool]) -> None:
        super().__init__(maxsize)
        self._at_once = at_once

    def put_nowait(self, item: aiomqtt.Message) -> None:
        if not self._at_once(item):
            super().put_nowait(item)


def client(
    broker: Broker,
    password: Hidden | None,
    identifier: str,
    *,
    will: aiomqtt.Will | None = None,
    most_waiting: int = 0,
    at_once: Callable[[aiomqtt.Message], bool] | None = None,
) -> Client:
    """Return a client of a broker; it connects when it is entered.

    At most `most_waiting` messages that came wait to be taken, any number where that is 0; further
    ones are dropped. `at_once` is shown each as it comes and tells whether it took it: a storm of
    these fills no queue, and is read no faster than it is dealt with. Raises InputError where
    files of the TLS cannot be used.
    """
    incoming = None if at_once is None else partial(_Incoming, at_once=at_once)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = LARGEST
    # What it has to say is raised too; a line of its own would stand across a screen.
    quiet = logging.getLogger("nightrig.mqtt")
    quiet.setLevel(logging.CRITICAL)
    return Client(
        broker.host,
        broker.port,
        username=broker.user or None,
        password=password.reveal() if password is not None else None,
        identifier=identifier,
        protocol=aiomqtt.ProtocolVersion.V5,
        clean_start=True,
        properties=properties,
        logger=quiet,
        will=will,
        timeout=TIMEOUT,
        keepalive=max(round(broker.keep_alive), 1),
        tls_context=None if broker.tls is None else tls_context(broker.tls),
        queue_type=cast("type[asyncio.Queue[aiomqtt.Message]] | None", incoming),
        max_queued_incoming_messages=most_waiting,
    )


def tls_context(tls: Tls) -> ssl.SSLContext:
    """Return how a broker is trusted, and how it may trust this client. Raises InputError."""
    try:
        context = ssl.create_default_context(cafile=tls.ca or None)
    except (OSError, ssl.SSLError) as error:
        raise _unusable(tls.ca, "certificate of the authority", error) from error
    if tls.certificate:
        try:
            # Without a password a key that is locked by one would be asked for at the terminal.
            context.load_cert_chain(tls.certificate, tls.key or None, password=_no_password)
        except (OSError, ssl.SSLError, ValueError) as error:
            files = f"{tls.certificate} and {tls.key}" if tls.key else tls.certificate
            raise _unusable(files, "certificate and key of this client", error) from error
    return context


def _no_password() -> str:
    raise ValueError("the key is locked by a password; keep it in a private file without one")


def _unusable(file: str, what: str, error: Exception) -> InputError:
    reason = getattr(error, "strerror", None) or getattr(error, "reason", None) or str(error)
    return InputError(
        f"{file}: {what} cannot be used: {reason}; give PEM files that belong together"
    )


async def subscribe(connected: aiomqtt.Client, topic: str | Sequence[str], qos: int) -> None:
    """Subscribe to a topic, or to several at once.

    Raises MqttError, NotAllowed where the broker does not let one be read.
    """
    topics = [topic] if isinstance(topic, str) else list(topic)
    options = SubscribeOptions(qos=qos)
    codes: Sequence[Any] = await connected.subscribe([(each, options) for each in topics])
    for each, code in zip(topics, codes, strict=True):
        if (code if isinstance(code, int) else code.value) >= _REFUSED:
            raise NotAllowed(f"it does not let this user read {each}: look at its access list")


def reason(error: aiomqtt.MqttError) -> str:
    """Return in a few words why there is no connection."""
    if isinstance(error, MqttConnectError):
        code = error.rc if isinstance(error.rc, int) else getattr(error.rc, "value", 0)
        login = "wrong user or password: " if code in _LOGINS else ""
        return f"it refuses this client, {login}{_code(error.rc)}"
    cause = error.__cause__ or error
    if isinstance(cause, aiomqtt.MqttCodeError):
        code = _code(cause.rc)
        return "the connection broke" + ("" if code.startswith("unspecified") else f": {code}")
    text = str(error.__cause__ or error) or type(error).__name__
    if "CERTIFICATE_VERIFY_FAILED" in text:
        detail = text.partition("certificate verify failed: ")[2].partition(" (_ssl")[0]
        return f"its certificate is not trusted: {detail or text}"
    if "timed out" in text:
        return "it does not answer; does it want TLS, or a certificate of this client?"
    return (text.partition("] ")[2] or text).lower()


def _code(code: Any) -> str:
    return str(code).lower()
