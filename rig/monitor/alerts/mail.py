"""Alerts by e-mail: one message to each person, by the lab's own server.

The dialogue blocks, so it runs in a thread of its own, which no disk or name server that hangs
can take away; it ends by itself, or its connection is cut.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import re
import smtplib
import socket
import ssl
from base64 import b64encode
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import Final

from rig.errors import InputError
from rig.monitor.alerts.messages import AlertText, Send, WayDead
from rig.monitor.secrets import Hidden
from rig.protocol.lab import MailServer

STEP: Final = 20.0
"""Seconds that one step of the dialogue may take."""
WHOLE: Final = 60.0
"""Seconds that the whole of it may take."""

_NUL: Final = b"\0"
_GO_ON: Final = 334
_LOGGED_IN: Final = 235
"""Answers of a server: to go on, and that the login is taken (RFC 4954, section 4)."""
_ODD: Final = re.compile(r"[^A-Za-z0-9.-]+")


def mail_way(server: MailServer, password: Callable[[], Hidden] | None = None) -> Send:
    """Return the way of telling people by mail. `password` is asked at each login, and not kept."""

    async def send(alert: AlertText) -> None:
        line: list[socket.socket] = []
        thread = ThreadPoolExecutor(1, thread_name_prefix="mail")
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(WHOLE):
                await loop.run_in_executor(thread, _deliver, server, password, alert, line)
        except TimeoutError:
            raise WayDead(f"{_named(server)} takes longer than {WHOLE:.0f} s") from None
        finally:
            _cut(line)
            thread.shutdown(wait=False)

    return send


def mail_message(server: MailServer, alert: AlertText) -> EmailMessage:
    """Return an alert as a message by RFC 5322.

    A second try of one message has the same Message-ID, so that who has it already may know it.
    """
    mail = EmailMessage(policy=SMTP)
    mail["From"] = Address("nightrig", addr_spec=server.sender)
    mail["To"] = [
        Address(_plain_name(name), addr_spec=address)
        for name, address in zip(alert.people, alert.addresses, strict=True)
    ]
    mail["Subject"] = _one_line(alert.subject)
    mail["Date"] = format_datetime(datetime.fromisoformat(alert.at_utc))
    mail["Message-ID"] = _message_id(server, alert)
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody answers it by a machine
    mail.set_content(alert.text, cte="quoted-printable")
    return mail


def _one_line(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _plain_name(name: str) -> str:
    return _one_line(name).strip()


def _message_id(server: MailServer, alert: AlertText) -> str:
    told = str(alert.plain.get("run", ""))
    who = hashlib.sha256("\n".join((told, *alert.addresses)).encode()).hexdigest()[:16]
    run = _ODD.sub("-", told).strip("-.")[:60] or "run"
    host = server.sender.rpartition("@")[2]
    parts = f"{run}.{alert.number}.{alert.purpose}.{alert.seq}.{who}"
    return f"<{parts}@{host}>"


def _deliver(
    server: MailServer,
    password: Callable[[], Hidden] | None,
    alert: AlertText,
    line: list[socket.socket],
) -> None:
    """Hold the whole dialogue; the connection is put into `line` for whoever has to cut it."""
    # Not send_message: it would put ">" before a line that begins with "From ".
    data = mail_message(server, alert).as_bytes()
    try:
        with contextlib.closing(_connected(server, line)) as smtp:
            if server.user and password is not None:
                _login(smtp, server.user, password().reveal())
            refused = smtp.sendmail(server.sender, list(alert.addresses), data)
            with contextlib.suppress(smtplib.SMTPException, OSError):
                smtp.quit()
    except InputError as error:
        raise WayDead(f"{_named(server)}: its password cannot be had: {error}") from None
    except (smtplib.SMTPException, OSError, ValueError) as error:
        raise WayDead(_without_addresses(f"{_named(server)}: {reason(error)}", alert)) from None
    if refused:
        raise WayDead(f"{_named(server)} refuses {', '.join(alert.people)}")


def _login(smtp: smtplib.SMTP, user: str, password: str) -> None:
    """Log in. Raises SMTPException.

    smtplib writes user and password in ASCII alone; RFC 4616 has them in UTF-8.
    """
    if (user + password).isascii():
        smtp.login(user, password)
        return
    smtp.ehlo_or_helo_if_needed()
    offered = smtp.esmtp_features.get("auth", "").upper().split()
    name, secret = user.encode(), password.encode()
    if "PLAIN" in offered:
        code, said = smtp.docmd("AUTH", f"PLAIN {_in_base64(_NUL + name + _NUL + secret)}")
    elif "LOGIN" in offered:
        code, said = smtp.docmd("AUTH", "LOGIN")
        for each in (name, secret):
            if code == _GO_ON:
                code, said = smtp.docmd(_in_base64(each))
    else:
        raise smtplib.SMTPNotSupportedError(
            "offers no login that takes letters outside ASCII; change the password"
        )
    if code != _LOGGED_IN:
        raise smtplib.SMTPAuthenticationError(code, said)


def _in_base64(data: bytes) -> str:
    return b64encode(data).decode()


def _without_addresses(text: str, alert: AlertText) -> str:
    """Return what goes into the book of a run, which holds nobody's address."""
    for name, address in zip(alert.people, alert.addresses, strict=True):
        text = re.sub(re.escape(address), _one_line(name), text, flags=re.IGNORECASE)
    return text


class _Cuttable(smtplib.SMTP):
    """A dialogue whose connection others can end: it is put into `line` at each answer."""

    def __init__(self, line: list[socket.socket], server: MailServer) -> None:
        self._line = line
        super().__init__(server.host, server.port, timeout=STEP)

    def getreply(self) -> tuple[int, bytes]:
        if self.sock is not None:
            self._line[:] = [self.sock]
        return super().getreply()


class _CuttableTls(_Cuttable, smtplib.SMTP_SSL):
    """The same over TLS from the first byte on."""

    def __init__(
        self, line: list[socket.socket], server: MailServer, context: ssl.SSLContext
    ) -> None:
        self._line = line
        smtplib.SMTP_SSL.__init__(self, server.host, server.port, timeout=STEP, context=context)


def _connected(server: MailServer, line: list[socket.socket]) -> smtplib.SMTP:
    context = _trusting(server)
    if server.security == "tls":
        return _CuttableTls(line, server, context)
    smtp = _Cuttable(line, server)
    if server.security == "starttls":
        try:
            smtp.starttls(context=context)
        except BaseException:
            smtp.close()
            raise
    return smtp


def _trusting(server: MailServer) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=server.ca or None)
    except OSError as error:
        told = "no certificate in PEM"
        if error.strerror and not isinstance(error, ssl.SSLError):
            told = error.strerror.lower()
        raise WayDead(f"{server.ca}: the authority of the mail server: {told}") from None


def _cut(line: list[socket.socket]) -> None:
    """End a dialogue that is under way still: its thread wakes up at once."""
    for connection in line:
        with contextlib.suppress(OSError):
            connection.shutdown(socket.SHUT_RDWR)


def _named(server: MailServer) -> str:
    return f"the mail server {server.host}:{server.port}"


def reason(error: Exception) -> str:
    """Return why a dialogue failed in one line; what a server said in it is cut short."""
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return f"does not take user and password ({error.smtp_code})"
    if isinstance(error, smtplib.SMTPResponseException):
        said = error.smtp_error
        text = said.decode(errors="replace") if isinstance(said, bytes) else str(said)
        return f"says {error.smtp_code} {_cut_short(text)}"
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        codes = [f"{to} ({code})" for to, (code, _) in error.recipients.items()]
        return f"refuses {', '.join(codes)}"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"has a certificate that is not trusted: {error.verify_message}"
    if isinstance(error, TimeoutError):
        return f"does not answer within {STEP:.0f} s"
    if isinstance(error, UnicodeError):  # its own text shows what could not be written
        return "does not take letters outside ASCII"
    if isinstance(error, smtplib.SMTPServerDisconnected):
        return "closed the connection before it took the message"
    told = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return _cut_short(str(told))


def _cut_short(text: str) -> str:
    return _one_line(text)[:200].strip()
