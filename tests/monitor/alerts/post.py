"""A real mail server for tests, on loopback, that may misbehave in each step of its dialogue."""

import asyncio
import contextlib
import ssl
import subprocess
import warnings
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from rig.monitor.alerts.messages import AlertText
from rig.protocol.lab import MailServer

USER, PASSWORD = "rig", "a secret of the rig"
AT = datetime(2026, 11, 25, 2, 10, 12, tzinfo=UTC)


def alert(**changes: Any) -> AlertText:
    fields = {
        "seq": 3,
        "number": 7,
        "kind": "failure",
        "purpose": "first",
        "subject": "frame-1: FAILURE at cycle 87,212",
        "text": "What happened\n  stiffness is 40 % down; σ in 20 °C\n.\n..\nFrom here on\n",
        "at_utc": "2026-11-25T02:10:12.000Z",
        "people": ("Ada Example",),
        "addresses": ("ada@lab.example",),
        "plain": {"run": "night-12"},
    }
    return AlertText(**{**fields, **changes})


def certificate(folder: Path, name: str = "localhost", *, days: int = 30) -> tuple[Path, Path]:
    """Make certificate and key of a server, which is its own authority."""
    cert, key = folder / f"{name}.crt", folder / f"{name}.key"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-nodes", "-days", str(days)),
            *("-pkeyopt", "ec_paramgen_curve:prime256v1"),
            *("-subj", f"/CN={name}", "-addext", f"subjectAltName=DNS:{name}"),
            *("-keyout", str(key), "-out", str(cert)),
        ],
        check=True,
        capture_output=True,
    )
    return cert, key


@dataclass
class Post:
    """Takes messages; `answers` has what it answers in place of 250 at some steps."""

    answers: dict[str, str] = field(default_factory=dict)
    taken: list[tuple[list[str], bytes]] = field(default_factory=list)
    logins: list[bytes] = field(default_factory=list)
    drops_after: str = ""

    async def handle_RCPT(  # noqa: N802 - the library calls it so
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        del server, session, options
        if "RCPT" in self.answers:
            return self.answers["RCPT"]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802 - as handle_RCPT
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        del session
        content = envelope.original_content or b""
        if self.drops_after == "DATA":
            server.transport.close()
        if "DATA" not in self.answers:
            self.taken.append((list(envelope.rcpt_tos), content))
        return self.answers.get("DATA", "250 OK")

    def login(
        self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any
    ) -> AuthResult:
        del server, session, envelope, mechanism
        assert isinstance(data, LoginPassword)
        self.logins.append(data.login)
        good = (data.login, data.password) == (USER.encode(), PASSWORD.encode())
        return AuthResult(success=good, handled=False)


@contextlib.asynccontextmanager
async def serving(
    post: Post,
    *,
    security: str = "none",
    files: tuple[Path, Path] | None = None,
    auth: bool = False,
    without: tuple[str, ...] = (),
) -> AsyncIterator[MailServer]:
    """Serve on a free port of loopback, in this loop; yield what a lab file would say of it.

    `without` names ways of logging in that are not offered.
    """
    context = None
    if files is not None:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(*files)
    loop = asyncio.get_running_loop()

    def protocol() -> SMTP:
        with warnings.catch_warnings():
            # It cannot know that TLS is below it already.
            warnings.filterwarnings("ignore", "Requiring AUTH while not requiring TLS")
            return SMTP(
                post,
                hostname="localhost",
                tls_context=context if security == "starttls" else None,
                require_starttls=security == "starttls",
                authenticator=post.login if auth else None,
                auth_required=auth,
                auth_require_tls=security == "starttls",
                auth_exclude_mechanism=without,
                loop=loop,
            )

    tls = context if security == "tls" else None
    before = asyncio.all_tasks()
    server = await loop.create_server(protocol, "127.0.0.1", 0, ssl=tls)
    try:
        yield MailServer(
            host="localhost",
            port=server.sockets[0].getsockname()[1],
            sender="rig@lab.example",
            security=security,
            user=USER if auth else "",
            ca=str(files[0]) if files else "",
        )
    finally:
        server.close()
        for task in asyncio.all_tasks() - before - {asyncio.current_task()}:
            task.cancel()
        await server.wait_closed()
