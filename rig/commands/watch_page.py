"""`nightrig watch --page`: the run as a page for a phone, read only, until it is over for long."""

from __future__ import annotations

import asyncio
import functools
import os
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from rig.clock import Clock, SystemClock
from rig.commands.leaving import EVERY, Leaving
from rig.commands.saying import folded, say
from rig.commands.screen import follower
from rig.commands.usage import typed
from rig.errors import InputError
from rig.monitor.words import span

if TYPE_CHECKING:
    from rig.monitor.page.door import Address
    from rig.monitor.page.looking import Looking
    from rig.monitor.page.server import Server
    from rig.monitor.secrets import Hidden

AFTER_END: Final = 12 * 3600.0
"""How long [s] a page still tells of a test that has ended: whoever slept finds out."""
_TOLD_EVERY: Final = 60.0
"""Seconds between two lines on those who were turned away."""
_NICE: Final = 5
"""How much a test comes before the page that shows it."""
_SOMEWHERE: Final = ("192.0.2.1", 9)
"""An address for documentation (RFC 5737): a socket turned to it sends nothing."""


@dataclass(frozen=True, slots=True)
class PageAsked:
    """A page as it was asked for: whether at all, where, its token's file, its further names."""

    on: bool
    address: str | None
    token: str | None
    names: tuple[str, ...]


def page_options(command: Callable[..., int]) -> Callable[..., int]:
    """Add the options of the page; the command gets them as `page`, None without any."""

    @click.option("--page", is_flag=True, help="Serve the run as a page, to be read only.")
    @click.option(
        "--page-address",
        metavar="ADDRESS[:PORT]",
        help="Serve the page here, as 0.0.0.0; with a token, unless it is 127.0.0.1.",
    )
    @click.option("--page-token", metavar="FILE", help="Private file with the page's token.")
    @click.option(
        "--page-name",
        metavar="NAME",
        multiple=True,
        help="A name the page has elsewhere, as at a proxy; with a token.",
    )
    @functools.wraps(command)
    def collected(
        page: bool,
        page_address: str | None,
        page_token: str | None,
        page_name: tuple[str, ...],
        **others: Any,
    ) -> int:
        given = page or page_address or page_token or page_name
        asked = PageAsked(page, page_address, page_token, page_name) if given else None
        return command(page=asked, **others)

    return collected


def refuse_page(asked: PageAsked, **others: object) -> None:
    """Raise InputError where what was asked for does not go with a page."""
    if not asked.on:
        raise InputError("how a page is served is of use only with --page: add it, or leave it out")
    for name, given in others.items():
        if given:
            raise InputError(f"--page shows one run until you leave: leave out --{name}, or --page")


def show_page(out: Path, asked: PageAsked, *, as_json: bool) -> None:
    """Serve the page of a run until somebody leaves, or the test has been over for long.

    Raises InputError where it cannot be served, StorageError for a record that cannot be read.
    """
    # Imported late: only a page takes them.
    from rig.monitor.page.door import Door, address, checked_name
    from rig.monitor.page.looking import Looking, looks
    from rig.monitor.page.server import Server

    at = address(asked.address or "127.0.0.1")
    names = [checked_name(name) for name in asked.names]
    token, made = _token(asked, at)
    door = Door(at, token, names)
    os.nice(_NICE)
    with Leaving() as leaving, Looking(looks(lambda: follower(out).look)) as looking:
        server = Server(looking.newest, door, SystemClock())

        def tell(port: int) -> None:
            shown = f"#{token.reveal()}" if token is not None and made else ""
            say(folded(_told(out, asked, at, port, shown), _stream(as_json)), err=as_json)

        asyncio.run(_serve(server, at, looking, leaving, tell, as_json=as_json))


class Stay:
    """How long a page stays: one whose test has ended under it for a while, any other for ever."""

    def __init__(self, *, over: bool) -> None:
        self._was_over = over
        self._ended: float | None = None

    def is_over(self, *, over: bool, now: float) -> bool:
        """Tell whether a page has told of an end for long enough at a time [s]."""
        # A test that had ended before is read as long as somebody likes.
        self._was_over = self._was_over and over
        if not over or self._was_over:
            self._ended = None
            return False
        self._ended = now if self._ended is None else self._ended
        return now - self._ended > AFTER_END


async def _serve(
    server: Server,
    at: Address,
    looking: Looking,
    leaving: Leaving,
    tell: Callable[[int], None],
    *,
    as_json: bool,
) -> None:
    from rig.monitor.page.server import serving

    clock: Clock = SystemClock()
    async with serving(server, at) as port:
        tell(port)
        stay = Stay(over=looking.newest().ending is not None)
        told, turned = clock.now() - _TOLD_EVERY, ""
        while not leaving.is_asked():
            now = clock.now()
            if stay.is_over(over=looking.newest().ending is not None, now=now):
                return
            if (news := _turned_away(server)) != turned and now - told >= _TOLD_EVERY:
                turned, told = news, now
                say(folded(news, _stream(as_json)), err=as_json)
            await clock.sleep(EVERY)


def _token(asked: PageAsked, at: Address) -> tuple[Hidden | None, bool]:
    """Return the token that the page asks for, and whether it was made here. Raises InputError."""
    from rig.monitor.page.door import checked_token, new_token
    from rig.monitor.secrets import read_secret
    from rig.protocol.lab import Secret

    if asked.token is not None:
        return checked_token(read_secret(Secret(file=asked.token)), asked.token), False
    if at.is_loopback and not asked.names:
        return None, False
    if not sys.stderr or not sys.stderr.isatty() or not sys.stdout or not sys.stdout.isatty():
        raise InputError(
            "a page that others can reach needs a token, and one that is made here is shown once "
            "on a terminal, which this is not; give one in a private file with --page-token FILE"
        )
    return new_token(), True


def _told(out: Path, asked: PageAsked, at: Address, port: int, token: str) -> str:
    """Return where the page is, who can read along, and how to leave."""
    url = at.url(port, _own_address() if at.is_any else "")
    lines = [f"the page of {typed(out)}: {url}{token}"]
    if asked.token is not None:
        lines.append(
            f"  token     the one in {typed(asked.token)}: type # and it behind the address"
        )
    elif token:
        lines.append("  token     what follows the #; it is shown this once, and another next time")
    if at.is_loopback:
        # The far end of the tunnel is reached by the very address that is served.
        there = f"ssh -L {port}:{at.with_port(port)} THIS-COMPUTER"
        lines.append(f"  elsewhere {there}, then http://127.0.0.1:{port}/ there")
    else:
        lines.append(
            "  CAUTION   this is plain HTTP: whoever can listen in this network reads along, the "
            "token too. Only where that is nobody's harm; else leave out --page-address, and come "
            "through ssh -L, or through a proxy that speaks TLS and is named by --page-name"
        )
    lines.append(
        "  leave     Ctrl-C ends the page, the test goes on; a page whose test ends stays for "
        f"{span(AFTER_END)} more"
    )
    lines.append("  caution   it only shows, late or not at all: it is no safety system")
    return "\n".join(lines)


def _turned_away(server: Server) -> str:
    told = []
    if server.door.wrong:
        told.append(f"{server.door.wrong:,} requests with a wrong token were turned away so far")
    if server.dropped:
        told.append(f"{server.dropped:,} connections had to make room for others so far")
    return "\n".join(told)


def _own_address() -> str:
    """Return the address by which this computer is likely reached, its name where it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as to:
        try:
            to.connect(_SOMEWHERE)
            return str(to.getsockname()[0])
        except OSError:
            return socket.gethostname()


def _stream(as_json: bool) -> Any:
    return sys.stderr if as_json else sys.stdout
