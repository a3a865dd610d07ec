"""The teller: the process that tells people and brokers of a run, whatever becomes of either.

Started by the runner as `python -m rig.assembly.teller FOLDER RUNNER TAKEN` in a session of its
own. It reads the run's record and never writes to it: a broker that hangs, mail that does not go
out or a disk that is full hold this process up and nothing else. What it is told to do is kept in
`messages.json` in the run's folder; secrets come from private files or from its environment. It
ends once the run is over and all is said, after three days at the most, on SIGTERM, or where
another runner has taken the run up and started a teller of its own. Where it hangs while the runner
lives it is ended by a signal of its own, so that the runner sees that and starts it again.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import signal
import sys
from collections import deque
from collections.abc import Awaitable, Callable
from contextlib import aclosing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from rig.assembly.afar_door import asks
from rig.assembly.teller_log import LOG, log_of
from rig.assembly.teller_place import Place, place_of
from rig.assembly.telling import kept_messages, told_lab
from rig.clock import Clock, SystemClock
from rig.control.lock import folder_holder, other_user
from rig.errors import InputError, RigError
from rig.monitor.alerts.keeping import keep_alerting
from rig.monitor.alerts.mail import mail_way
from rig.monitor.alerts.messages import Send
from rig.monitor.alerts.program import program_way
from rig.monitor.looks import Looks
from rig.monitor.mqtt import topics
from rig.monitor.mqtt.afar import Rules
from rig.monitor.mqtt.messages import run_of
from rig.monitor.mqtt.saying import Whose
from rig.monitor.mqtt.serving import AfarRequests
from rig.monitor.mqtt.signing import key_of
from rig.monitor.mqtt.telling import Telling, own_broker
from rig.monitor.secrets import Hidden, read_secret
from rig.protocol.lab import Afar, Lab, Messages, Secret, Way
from rig.record.entries import RunHeader

STAYS: Final = 3 * 86400.0
"""How long [s] a teller stays at the most once its run is over or its runner gone."""
LOOKS_EVERY: Final = 0.5
GOODBYE: Final = 10.0
"""How long [s] the last words to a broker may take."""
ENDS_WITHIN: Final = 30
"""How long [s] the rest may take: a thread may hang in a call to the disk."""
HANGS: Final = 120
"""Seconds after which a teller that does nothing any more counts as hanging."""
LAB_AGAIN: Final = 60.0
"""How often [s] a lab file that cannot be read is tried again."""
AGAIN: Final = 1.0
LONGEST_WAIT: Final = 60.0
"""How long [s] until a part that broke off is begun again, at first and at the most."""
_LINES: Final = 100


@dataclass(frozen=True, slots=True)
class Order:
    """What a teller is started with: the run's folder, its runner, and when that took the rig."""

    folder: Path
    runner: int
    taken: datetime


def main(arguments: list[str] | None = None) -> int:
    """Tell of one run; return the exit code."""
    parser = argparse.ArgumentParser(prog="rig.assembly.teller")
    parser.add_argument("folder", type=Path)
    parser.add_argument("runner", type=int)
    parser.add_argument("taken", type=datetime.fromisoformat)
    order = Order(**vars(parser.parse_args(arguments)))
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    with log_of(order.folder):
        try:
            asyncio.run(_told(order))
        except RigError as error:
            LOG.error("%s", error)
            return error.exit_code
        except BaseException:  # noqa: BLE001 - whatever it was, the log must tell it
            LOG.exception("nightrig has a bug")
            return 1
        finally:
            signal.alarm(ENDS_WITHIN)
    return 0


async def _told(order: Order) -> None:
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGTERM, ended.set)
    loop.set_exception_handler(_note)
    clock = SystemClock()
    async with place_of(order.folder, order.runner, clock, LOG.info) as place:
        messages = kept_messages(order.folder)
        lab = await _lab(messages, clock, place, ended)
        if lab is not None:
            await _Teller(order, clock, place, messages, lab).tell(ended)


async def _lab(messages: Messages, clock: Clock, place: Place, ended: asyncio.Event) -> Lab | None:
    """Return the lab, once its file can be read: it may just be edited; None where it is to end."""
    told, until = "", clock.now() + STAYS
    while not (ended.is_set() or place.wanted or clock.now() > until):
        try:
            return await asyncio.to_thread(told_lab, messages)
        except InputError as error:
            if str(error) != told:
                told = str(error)
                LOG.info("nobody is told yet: %s; it is read again each minute", told)
        again = clock.now() + LAB_AGAIN
        while clock.now() < again and not (ended.is_set() or place.wanted):
            await clock.sleep(LOOKS_EVERY)
    LOG.info("ends: its lab file could not be read")
    return None


def _note(_loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
    """Note what a library left behind, unless it is a lost connection, which is told already."""
    error = context.get("exception")
    if not isinstance(error, OSError) and not type(error).__module__.startswith("aiomqtt"):
        LOG.info("%s: %s", context.get("message"), type(error).__name__ if error else "")


class _Teller:
    """What one teller holds together."""

    def __init__(
        self, order: Order, clock: Clock, place: Place, messages: Messages, lab: Lab
    ) -> None:
        self._order, self._clock, self._place = order, clock, place
        self._messages, self._lab = messages, lab
        self._looks = Looks(order.folder, clock, self._lives, LOOKS_EVERY)
        self._lines: deque[str] = deque(maxlen=_LINES)
        self._telling: Telling | None = None
        self._afar: AfarRequests | None = None
        self._alerted = False
        self._ended = False
        self._wanted = False
        self._folder_gone = False
        self._rig = ""
        self._other = ""
        self._over_at: float | None = None

    async def tell(self, ended: asyncio.Event) -> None:
        """Tell until there is nothing left to tell, or somebody asks for the end."""
        async with asyncio.TaskGroup() as group:
            working = group.create_task(self._work())
            why = await self._over(ended)
            if self._telling is not None and not self._wanted:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(GOODBYE):
                        await self._telling.leave()
            signal.alarm(ENDS_WITHIN)
            working.cancel()
        LOG.info("ends: %s", why)

    def _lives(self) -> bool:
        """Tell whether somebody carries the run out. In a thread: its disk may hang."""
        self._wanted = self._place.wanted
        self._folder_gone = _is_gone(self._order.folder)
        if folder_holder(self._order.folder) is not None:
            self._over_at, self._other = None, ""
        elif self._over_at is None:
            self._over_at = self._clock.now()
        if self._over_at is not None and self._rig:
            self._other = other_user(self._rig, self._order.folder)
        return self._over_at is None

    def _set_up(self, header: RunHeader) -> None:
        lab, rig = self._lab, self._messages
        whose = Whose(lab.name, rig.name, header, self._order.taken)
        if lab.broker is not None:
            self._telling = Telling(
                whose,
                own_broker(lab.broker, rig),
                self._looks,
                self._order.folder,
                self._clock,
                tell=LOG.info,
                asked=self._asked if lab.afar is not None and rig.requests else None,
            )
            # Where nothing is allowed nobody looks at what comes.
            if lab.afar is not None and rig.requests:
                try:
                    self._afar = self._requests(self._telling, whose, lab.afar)
                except InputError as error:  # a secret that has gone is no reason to be dumb
                    self._from_afar(f"nothing is taken from afar: {error}")

    def _requests(self, telling: Telling, whose: Whose, afar: Afar) -> AfarRequests:
        rules = Rules(
            topic=topics.topic(whose.lab, whose.rig, topics.REQUESTS),
            run=whose.run,
            allowed=self._messages.requests,
            key=key_of(afar.secret),
            within=afar.within,
            most=afar.most,
        )
        return AfarRequests(
            rules,
            topics.topic(whose.lab, whose.rig, topics.ANSWERS),
            self._clock,
            pass_on=asks(self._order.folder),
            publish=telling.answer,
            tell=self._from_afar,
        )

    def _asked(self, payload: bytes, retained: bool) -> None:
        if self._afar is not None:
            self._afar.hear(payload, retained=retained)

    def _from_afar(self, line: str) -> None:
        LOG.info("%s", line)
        self._lines.append(line)

    async def _work(self) -> None:
        """Tell, by whatever ways there are, for ever: none has to wait for another one."""
        async with aclosing(self._looks.follow()) as following:
            view = (await anext(following)).view
        header, self._rig = view.header, view.status.rig
        LOG.info("tells of run %r, of runner %d", run_of(header), self._order.runner)
        self._set_up(header)
        async with asyncio.TaskGroup() as group:
            group.create_task(self._kept_up("looks", self._watching))
            group.create_task(self._kept_up("alerts", self._alerting))
            if self._telling is not None:
                group.create_task(self._kept_up("messages to the broker", self._telling.keep))
            if self._afar is not None:
                group.create_task(self._kept_up("requests from afar", self._afar.serve))

    async def _kept_up(self, what: str, work: Callable[[], Awaitable[None]]) -> None:
        """Keep a part going, and begin it again where it broke off: the rest goes on meanwhile."""
        wait = AGAIN
        while True:
            began = self._clock.now()
            try:
                await work()
            except Exception as error:  # noqa: BLE001 - a defect of one way is none of the others
                LOG.info("%s broke off: %s", what, _words(error), exc_info=_unforeseen(error))
            else:
                return
            if self._clock.now() - began > LONGEST_WAIT:
                wait = AGAIN
            await self._clock.sleep(wait)
            wait = min(2 * wait, LONGEST_WAIT)

    async def _alerting(self) -> None:
        async with aclosing(self._looks.follow()) as looks:
            await keep_alerting(
                looks,
                self._lab,
                self._messages,
                self._order.folder,
                self._ways(),
                self._clock,
                self._new_lines,
                another=self._other_run,
                away=lambda: "" if self._telling is None else self._telling.away,
            )
        self._alerted = True

    def _other_run(self) -> str:
        """Return the run that has the rig by now, as its lock or the broker says, "" for none."""
        return self._other or ("" if self._telling is None else self._telling.newer)

    def _new_lines(self) -> tuple[str, ...]:
        found = tuple(self._lines)
        self._lines.clear()
        return found

    def _ways(self) -> dict[Way, Send]:
        lab, ways = self._lab, dict[Way, Send]()
        if self._telling is not None:
            ways["mqtt"] = self._telling.alert
        if lab.mail is not None:
            ways["mail"] = mail_way(lab.mail, _reader(lab.mail.password))
        if lab.program is not None:
            ways["program"] = program_way(lab.program)
        return ways

    async def _watching(self) -> None:
        """See whether the run has an end; whatever else is done by then, looks go on."""
        async with aclosing(self._looks.follow()) as following:
            async for look in following:
                self._ended = look.view.ending is not None

    async def _over(self, ended: asyncio.Event) -> str:
        """Wait for the end; return why it has come."""
        trouble = ""
        while True:
            # One that hangs is started again by the runner; who is alone waits for the disk.
            signal.alarm(HANGS if self._over_at is None else 0)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOKS_EVERY):
                    await ended.wait()
                    return "asked to"
            if (found := self._looks.trouble) != trouble:
                trouble = found
                LOG.info("%s", trouble or "the record can be read")
            if why := self._why_over():
                return why

    def _why_over(self) -> str:
        """Return why nothing is left to do, "" where something is."""
        if self._wanted:
            return "another runner carries the run out now, with a teller of its own"
        if self._over_at is None:
            return ""
        if self._alerted and (self._telling is None or self._telling.done):
            return "all is said"
        if self._ended and self._folder_gone:
            return "the run's folder is gone"
        if self._clock.now() - self._over_at > STAYS:
            return "three days after the end it is not said, and is not tried any more"
        return ""


def _is_gone(folder: Path) -> bool:
    """Tell whether there is no such folder; a disk that does not answer tells nothing."""
    try:
        os.stat(folder)
    except FileNotFoundError:
        return True
    except OSError:
        return False
    return False


def _words(error: BaseException) -> str:
    """Return an error in words; of several that came together, of each."""
    if isinstance(error, BaseExceptionGroup):
        return "; ".join(map(_words, error.exceptions))
    return str(error) or type(error).__name__


def _unforeseen(error: BaseException) -> BaseException | None:
    """Return a defect of ours; None for what is foreseen, of which a line tells enough."""
    if isinstance(error, BaseExceptionGroup):
        return next(filter(None, map(_unforeseen, error.exceptions)), None)
    return None if isinstance(error, RigError | OSError) else error


def _reader(secret: Secret | None) -> Callable[[], Hidden] | None:
    return None if secret is None else lambda: read_secret(secret)


if __name__ == "__main__":
    sys.exit(main())
