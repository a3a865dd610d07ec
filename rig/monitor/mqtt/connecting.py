"""A connection to the broker of a lab file: user, password, TLS; and why there is none."""

from __future__ import annotations

import ssl
from typing import Any, Final

import aiomqtt
from aiomqtt.exceptions import MqttConnectError

from rig.errors import InputError
from rig.monitor.secrets import Hidden
from rig.protocol.lab import Broker, Tls

TIMEOUT: Final = 5.0
"""Seconds within which a broker has to answer."""


def client(
    broker: Broker,
    password: Hidden | None,
    identifier: str,
    *,
    will: aiomqtt.Will | None = None,
    most_waiting: int = 0,
) -> aiomqtt.Client:
    """Return a client of a broker; it connects when it is entered.

    At most `most_waiting` messages that came wait to be taken, any number where that is 0; further
    ones are dropped. Raises InputError where files of the TLS cannot be used.
    """
    return aiomqtt.Client(
        broker.host,
        broker.port,
        username=broker.user or None,
        password=password.reveal() if password is not None else None,
        identifier=identifier,
        will=will,
        timeout=TIMEOUT,
        keepalive=max(round(broker.keep_alive), 1),
        tls_context=None if broker.tls is None else tls_context(broker.tls),
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


def refuses(error: aiomqtt.MqttError) -> bool:
    """Tell whether a broker answered and refuses this client: to try again helps little."""
    return isinstance(error, MqttConnectError)


def reason(error: aiomqtt.MqttError) -> str:
    """Return in a few words why there is no connection."""
    if isinstance(error, MqttConnectError):
        return f"it refuses this client: {_code(error.rc)}"
    if isinstance(error, aiomqtt.MqttCodeError) and error.__cause__ is None:
        return f"the connection broke: {_code(error.rc)}"
    cause: BaseException = error.__cause__ or error
    text = str(cause) or type(cause).__name__
    if "CERTIFICATE_VERIFY_FAILED" in text:
        detail = text.partition("certificate verify failed: ")[2].partition(" (_ssl")[0]
        return f"its certificate is not trusted: {detail or text}"
    return text.partition("] ")[2] or text


def _code(code: Any) -> str:
    return str(code).lower()
