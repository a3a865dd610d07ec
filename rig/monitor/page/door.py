"""Who may read the page: under which names it answers, and who knows its token."""

from __future__ import annotations

import base64
import binascii
import hmac
import ipaddress
import re
import secrets
import socket
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from rig.errors import InputError
from rig.monitor.secrets import Hidden

PORT: Final = 8712
"""Port of the page where none is given; assigned to nobody, as far as remembered."""
LEAST_TOKEN: Final = 20
"""Signs of a token at least: shorter ones are guessed, or are somebody's password elsewhere."""
_LOOPBACK: Final = "localhost"
_HOST: Final = re.compile(r"(\[[0-9A-Fa-f:.]{2,45}\]|[0-9A-Za-z._-]{1,253})(?::\d{1,5})?")
_ADDRESS: Final = re.compile(r"(\[[0-9A-Fa-f:.]{2,45}\]|[0-9A-Za-z._-]*)(?::(\d{1,5}))?")
_TOKEN: Final = re.compile(r"[0-9A-Za-z._~+/=-]+")
"""What a token is made of: the token68 of RFC 9110, 11.2."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where the page is served; port 0 is any that is free."""

    host: str
    port: int

    @property
    def is_loopback(self) -> bool:
        """Tell whether only this computer reaches it."""
        return _is_loopback(self.host)

    @property
    def is_any(self) -> bool:
        """Tell whether it stands for every address of this computer."""
        return _is_ip(self.host) and ipaddress.ip_address(self.host).is_unspecified

    def url(self, port: int, host: str = "") -> str:
        """Return the address as a browser takes it, under another host where one is given."""
        return f"http://{self.with_port(port, host)}/"

    def with_port(self, port: int, host: str = "") -> str:
        """Return host and port as they are typed, another host where one is given."""
        name = host or self.host
        return f"{f'[{name}]' if ':' in name else name}:{port}"


def address(text: str) -> Address:
    """Return the address that "0.0.0.0", "192.0.2.7:9000", "[::1]:9000" or ":9000" means.

    Raises InputError.
    """
    found = _ADDRESS.fullmatch(text)
    # A bare address of IPv6 has colons of its own.
    if _is_ip(text):
        return Address(text, PORT)
    if not text or found is None or int(found[2] or 0) > 65535:
        raise InputError(
            f"--page-address: {text!r} is no address of this computer; give one such as 0.0.0.0, "
            f"192.0.2.7:{PORT} or [::1]:{PORT}"
        )
    host = found[1].strip("[]") or "127.0.0.1"
    return Address(host, PORT if found[2] is None else int(found[2]))


def _is_ip(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _is_loopback(host: str) -> bool:
    return host == _LOOPBACK or (_is_ip(host) and ipaddress.ip_address(host).is_loopback)


def new_token() -> Hidden:
    """Return a token that nobody guesses: 192 random bits."""
    return Hidden(secrets.token_urlsafe(24))


def checked_token(token: Hidden, where: str) -> Hidden:
    """Return a token that may be used. Raises InputError, which does not show it."""
    text = token.reveal()
    if len(text) < LEAST_TOKEN or not _TOKEN.fullmatch(text):
        raise InputError(
            f"{where}: a token has at least {LEAST_TOKEN} signs, letters, digits and ._~+/=- only; "
            "make one with: openssl rand -hex 16"
        )
    return token


def checked_name(text: str) -> str:
    """Return a name that a request can ask for, without its port. Raises InputError."""
    found = _HOST.fullmatch(text)
    if found is None:
        raise InputError(
            f"--page-name: {text!r} is no name of a computer; give what stands between // and the "
            "next / of the page's address there, such as page.example"
        )
    return found[1].strip("[]")


class Door:
    """Tells who may read: by the name that was asked for, and by the token where there is one.

    On loopback a request must name this computer itself: a page of somebody else whose name was
    made to point here (DNS rebinding) does not. Elsewhere it must name an address, this computer,
    or one of `names`. `token` None asks for none.
    """

    def __init__(self, at: Address, token: Hidden | None, names: Iterable[str] = ()) -> None:
        self._token = token
        self._loopback = at.is_loopback
        self._names = {_plain(name) for name in names}
        if not at.is_loopback:
            own = socket.gethostname()
            self._names |= {_plain(n) for n in (own, f"{own.partition('.')[0]}.local", at.host)}
        self.wrong = 0

    @property
    def is_locked(self) -> bool:
        """Tell whether a token is asked for."""
        return self._token is not None

    def answers_to(self, host: str) -> bool:
        """Tell whether a Host field names what is served here."""
        found = _HOST.fullmatch(host)
        if found is None:
            return False
        name = _plain(found[1].strip("[]"))
        if name in self._names or _is_loopback(name):
            return True
        # Who made a name of theirs point here is asked for by that name, never by an address.
        return not self._loopback and _is_ip(name)

    def opens(self, authorization: str) -> bool:
        """Tell whether an Authorization field holds the token, and count a wrong one.

        As `Bearer` (RFC 6750) or as the password of `Basic` (RFC 7617), whoever the user is.
        """
        if self._token is None:
            return True
        given = _given(authorization)
        # Both in bytes: the time that it takes tells nothing of where they differ.
        if hmac.compare_digest(given, self._token.reveal().encode()):
            return True
        self.wrong += bool(given)
        return False


def _plain(name: str) -> str:
    return name.lower().removesuffix(".")


def _given(authorization: str) -> bytes:
    """Return the token of an Authorization field, nothing where there is none."""
    scheme, _, rest = authorization.partition(" ")
    if scheme.lower() == "bearer":
        return rest.strip().encode("latin-1", "replace")
    if scheme.lower() != "basic":
        return b""
    try:
        told = base64.b64decode(rest.strip(), validate=True)
    except (binascii.Error, ValueError):
        return b""
    return told.partition(b":")[2]
