"""`nightrig alerts`: shows the open alerts of a run; acknowledges, silences, resets, tries them."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from datetime import datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from rig.commands.asking import by_option, login_name, only_run, why_option
from rig.commands.saying import folded, say, say_json
from rig.commands.usage import did_you_mean
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.monitor.alerts.book import Read
    from rig.monitor.alerts.desk import Alert

CODES: Final = (
    "\b\n"
    "Ends with\n"
    "  0  done\n"
    "  2  no such run, alert or kind: nothing was done\n"
    "  4  of a test alert, one way or more failed\n"
    "  6  it could not be recorded"
)
_ALL: Final = "all"
_MOST_DIGITS: Final = 100
GRAVE: Final = frozenset({"failure", "gone", "silent", "limit", "fault", "record"})
"""Kinds whose silence may leave a rig that needs people alone."""


@click.command(epilog=CODES)
@click.argument("folder", metavar="[DIR]", required=False)
@click.option("--acknowledge", metavar="N", help='Say that alert N, or "all", is seen to.')
@click.option("--silence", metavar="KIND", help="Tell nobody of a kind, with --until and --why.")
@click.option(
    "--until",
    metavar="WHEN",
    help='With --silence: such as "06:00", "2 h", "3 d", 7 days at most; "now" ends it.',
)
@click.option("--reset", type=click.IntRange(1), metavar="N", help="Close N, whose cause is gone.")
@click.option("--test", "test", is_flag=True, help="Send a test alert on every way to everybody.")
@click.option("--lab", metavar="LAB", help="With --test: a lab file, in place of the run's.")
@why_option
@by_option
def alerts(
    folder: str | None,
    acknowledge: str | None,
    silence: str | None,
    until: str | None,
    reset: int | None,
    test: bool,
    lab: str | None,
    why: str,
    by: str | None,
    as_json: bool,
) -> int:
    """Show the open alerts of the run in DIR, the most important first; without DIR the live one.

    Who acknowledges an alert ends its repeats: say it once you see to it. A silence is shown with
    its end, who made it, and why. An alert is no safety system: networks and mail fail silently,
    and somebody has to look after the rig as the protocol's attendance says.

    Example: nightrig alerts night-1 --acknowledge 3 --by "A. Name"
    """
    _refuse_mixed(acknowledge, silence, reset, until, lab, test=test)
    try:
        if test:
            from rig.commands.alerts_tried import try_ways

            return try_ways(_run(folder) if lab is None else None, lab, as_json=as_json)
        book = _Book(_run(folder))
        who, why = _line("--by", by or login_name()), _line("--why", why)
        if acknowledge is not None:
            done = book.acknowledge(acknowledge, who)
        elif silence is not None:
            done = book.silence(silence, until or "", who, why)
        elif reset is not None:
            done = book.reset(reset, who)
        else:
            book.show(as_json=as_json)
            return 0
    except InputError as error:
        if as_json:
            say_json({"done": None, "text": str(error)})
        raise
    if as_json:
        say_json({"done": True, "text": "\n".join(done)})
    else:
        say("\n".join(folded(line, sys.stdout) for line in done))
    return 0


def _refuse_mixed(
    acknowledge: str | None,
    silence: str | None,
    reset: int | None,
    until: str | None,
    lab: str | None,
    *,
    test: bool,
) -> None:
    asked = {
        "--acknowledge": acknowledge is not None,
        "--silence": silence is not None,
        "--reset": reset is not None,
        "--test": test,
    }
    given = [name for name, there in asked.items() if there]
    if len(given) > 1:
        raise click.UsageError(f"{' and '.join(given)}: give one after the other")
    if until is not None and silence is None:
        raise click.UsageError("--until belongs to --silence; give both")
    if lab is not None and not test:
        raise click.UsageError("--lab belongs to --test; give both")


def _line(option: str, text: str) -> str:
    """Return what is written down of an option, on one line. Raises InputError for too much."""
    from rig.control.request_line import WORDS, clean

    line, most = clean(text), WORDS["who"] if option == "--by" else WORDS["text"]
    if len(line) > most or (text and not line):
        raise InputError(f"{option}: give text of 1 to {most} characters")
    return line


def _run(folder: str | None) -> Path:
    """Return the folder of the run that is meant. Raises InputError where there is none."""
    from rig.commands.folders import holds_run, place

    if folder is None:
        return Path(only_run("alerts", "name the folder of a run").folder)
    if not holds_run(Path(folder)):
        raise InputError(place(Path(folder)).text)
    return Path(folder)


class _Book:
    """A run's book of alerts, and what is written into it by hand."""

    def __init__(self, folder: Path) -> None:
        from rig.clock import SystemClock
        from rig.monitor.alerts.book import Read, read_on

        self._folder = folder
        self._now = SystemClock().utc()
        self._zone = lab_zone(folder)
        self._read: Read = read_on(folder, Read())
        for told in self._read.damaged:
            say(told, err=True)

    def acknowledge(self, which: str, who: str) -> list[str]:
        """Acknowledge an alert, or all. Raises InputError for one that is not open."""
        waiting = [a for a in self._read.desk.open_alerts() if not a.acknowledged]
        if which == _ALL:
            self._write(waiting, "acknowledged", who)
            return [f"acknowledged {_named(a)}" for a in waiting] or ["nothing waits for anybody"]
        alert = self._open(_number(which))
        if alert.acknowledged:
            return [f"{_named(alert)}: acknowledged by {alert.acknowledged} already"]
        self._write([alert], "acknowledged", who)
        more = "" if alert.lasting else "; it happened, and is closed with that"
        return [f"acknowledged {_named(alert)}{more}"]

    def reset(self, number: int, who: str) -> list[str]:
        """Close an alert whose cause is gone. Raises InputError where it still holds."""
        alert = self._open(number)
        if alert.lasting and alert.over is None:
            raise InputError(
                f"alert {_named(alert)}: its cause holds, as far as is known; acknowledge it, and "
                "reset it once that is gone"
            )
        self._write([alert], "reset", who)
        return [f"reset {_named(alert)}"]

    def silence(self, kind: str, until: str, who: str, why: str) -> list[str]:
        """Silence a kind. Raises InputError for what is no kind or no time."""
        from rig.commands.alerts_until import ends
        from rig.monitor.alerts.desk import line
        from rig.protocol.lab import KINDS

        if kind not in KINDS:
            near = did_you_mean(kind, KINDS) or f"; there are {', '.join(KINDS)}"
            raise InputError(f"--silence {kind!r}: no such kind of alert{near}")
        if not until or not why.strip():
            raise InputError(
                '--silence needs --until and --why, such as --until "06:00" --why "known, cable '
                'is on order"'
            )
        end = ends(until, self._now, self._zone)
        told = line("silenced", self._now, kind=kind, until_utc=end.isoformat(), by=who, why=why)
        self._write_lines([told])
        if end <= self._now:
            return [f"{kind} is told again, by {who}: {why}"]
        done = [f"silenced {kind} until {self._clock(end)} by {who}: {why}"]
        if kind in GRAVE:
            done.append(
                f'CAUTION: where "{KINDS[kind]}" nobody hears of it until then; somebody has to '
                "look after the rig meanwhile"
            )
        return done

    def show(self, *, as_json: bool) -> None:
        """Print what is open, silenced and failing."""
        from rig.monitor.alerts.listed import plain

        if as_json:
            damaged = list(self._read.damaged)
            told = plain(self._read.desk, self._now)
            say_json({"folder": str(self._folder.resolve()), **told, "damaged": damaged})
            return
        say("\n".join(folded(line, sys.stdout) for line in self._lines()))

    def _lines(self) -> Iterable[str]:
        from rig.assembly.teller_place import has_teller
        from rig.monitor.alerts.listed import alert_lines, failing_lines, ranked, silence_words
        from rig.monitor.call import may_move

        desk, shown = self._read.desk, ranked(self._read.desk)
        tries = has_teller(self._folder)
        closed = len(desk.alerts) - len(shown)
        yield f"{len(shown) or 'no'} open alert{'s' * (len(shown) != 1)} of {self._folder}"
        if another := self._another():
            yield f"CAUTION: {may_move(another)}; of gauge and load nothing below is true any more"
        for alert in shown:
            yield ""
            yield from alert_lines(desk, alert, self._now, self._zone, tries=tries)
        quiet = [s for s in desk.silences.values() if s.holds(self._now)]
        failing = list(failing_lines(desk, self._now, self._zone, tries=tries))
        if quiet or failing or closed or not self._told:
            yield ""
        yield from (f"silenced: {silence_words(s, self._clock(s.until))}" for s in quiet)
        yield from failing
        if closed:
            yield f"{closed} closed: {self._folder / 'alerts.jsonl'}"
        if not self._told:
            yield "nobody is told of this run: its rig file has no [messages]"

    def _another(self) -> str:
        """Return the other run that has the rig of this one by now, "" for none."""
        from rig.control.lock import other_user

        rigs = {str(a.where.get("frame") or "") for a in self._read.desk.alerts.values()} - {""}
        return next(filter(None, (other_user(rig, self._folder) for rig in sorted(rigs))), "")

    @property
    def _told(self) -> bool:
        from rig.assembly.telling import KEPT

        return (self._folder / KEPT).exists() or bool(self._read.count)

    def _open(self, number: int) -> Alert:
        alert = self._read.desk.alerts.get(number)
        if alert is None or not alert.open:
            there = ", ".join(str(a.number) for a in self._read.desk.open_alerts())
            why = f"closed: {alert.closed_why}" if alert is not None else "there is none"
            raise InputError(
                f"alert {number} of {self._folder} is not open ({why}); open are "
                f"{there or 'none'}; nothing was done"
            )
        return alert

    def _write(self, found: Iterable[Alert], what: str, who: str) -> None:
        from rig.monitor.alerts.desk import line

        self._write_lines([line(what, self._now, n=alert.number, by=who) for alert in found])

    def _write_lines(self, lines: list[dict[str, Any]]) -> None:
        from rig.monitor.alerts.book import write

        if lines:
            write(self._folder, lines)

    def _clock(self, when: datetime) -> str:
        from rig.monitor.words import moment

        return moment(when.astimezone(self._zone), self._now.astimezone(self._zone))


def _named(alert: Alert) -> str:
    return f"{alert.number} ({alert.headline})"


def _number(text: str) -> int:
    if not text.isdecimal() or len(text) > _MOST_DIGITS:
        raise InputError(f'--acknowledge {text!r}: give the number of an alert, or "all"')
    return int(text)


def lab_zone(folder: Path) -> tzinfo | None:
    """Return the zone of a run's lab, None for the computer's, also where it cannot be read."""
    from rig.assembly.telling import kept_messages, told_lab
    from rig.monitor.alerts.quiet import zone_of

    try:
        return zone_of(told_lab(kept_messages(folder)).zone)
    except (InputError, OSError):
        return None
