"""`nightrig replay`: a recording through today's extraction, limits and criteria."""

from __future__ import annotations

import json
import sys
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from rig.commands.files import find_protocol, read_text
from rig.commands.options import ascii_option, json_option
from rig.commands.saying import (
    folded,
    meanwhile,
    residual_json,
    say,
    say_json,
    say_refusal,
)
from rig.commands.screen import Shown
from rig.commands.usage import typed
from rig.errors import InputError, RigError, StorageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rig.protocol.plan import Plan
    from rig.replay.found import Found, Replayed
    from rig.replay.recording import Recording
    from rig.replay.varied import Varied

MOST: Final = 20
"""Findings that are printed at most."""
FIGURES: Final = (".svg", ".png")


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed beside the recording; `protocol` is a path."""

    protocol: str | None
    vary: str | None
    plot: Path | None
    ascii_only: bool
    as_json: bool


@click.command()
@click.argument("run", metavar="[DIR]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--all",
    "every",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="In place of DIR: all runs in FOLDER and below, on all cores, a line each.",
)
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="With --all: on the Dask cluster there, whose workers must read the same file system.",
)
@click.option(
    "--protocol",
    metavar="PROTOCOL",
    help="Judge by this protocol; without it by the recorded one.",
)
@click.option(
    "--vary",
    metavar="KEY=RANGE",
    help='Try values of one key, such as failure.stiffness_loss="10 % .. 50 %".',
)
@click.option(
    "--plot",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Draw what --vary found into an SVG or PNG file.",
)
@click.option(
    "--speed",
    metavar="N",
    help="Show it first on the screen as it went, N times as fast, or as fast as it goes: max.",
)
@ascii_option
@json_option
def replay(
    run: Path | None,
    every: Path | None,
    cluster: str | None,
    protocol: str | None,
    vary: str | None,
    plot: Path | None,
    speed: str | None,
    ascii_only: bool,
    as_json: bool,
) -> int:
    """Judge the recording in DIR (or its run.h5) again, as recorded or by another protocol.

    Rows of cycles and kept samples go through today's extraction, limits and criteria. It says
    how the test ended and would end, and where and why the two differ. The limits are those of
    the protocol, not the rig file's. The code is 0 whatever the outcome; 2 for bad input, 6 where
    the record cannot be read.

    --vary takes "10 % .. 50 %" (9 values), "10 % .. 50 % in 5", or a list "10 %, 20 %, 40 %". A
    table such as failure.stiffness_loss stands for the value in it that ends the test, its stop.

    --speed shows on the screen of a run what was recorded, until it ends or you leave; keys pause
    it and go to the next event. It is judged once it has been shown to its end.

    --all goes on where a run cannot be judged, and names it; the code is then 6 where a record
    cannot be read, 2 where it keeps no protocol.

    Example: nightrig replay night-1 --vary failure.stiffness_loss="10 % .. 50 %"
    """
    try:
        path = find_protocol(protocol) if protocol is not None else None
        if every is not None:
            if any(given is not None for given in (run, vary, plot, speed)):
                raise InputError(
                    "--all takes all runs in a folder: leave DIR, --vary, --plot, --speed out"
                )
            # Imported late: only this takes many recordings.
            from rig.commands.replay_many import replay_many

            return replay_many(every, path, cluster, as_json=as_json)
        if run is None or cluster is not None:
            missing = "--all FOLDER" if run is not None else "DIR, or --all FOLDER,"
            raise InputError(f"replay: {missing} is missing; name what is to be judged again")
        asked = Asked(path, vary, _figure(plot, vary), ascii_only, as_json)
        if speed is not None and not _shown(run, speed, asked):
            return 0
        with _opened(run) as recording, meanwhile(str(run), "judging it again"):
            text = _varied(recording, asked) if vary is not None else _again(recording, asked)
        say(text if as_json else folded(text, sys.stdout))
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise
    return 0


def _shown(run: Path, speed: str, asked: Asked) -> bool:
    """Show a recording as it went; return whether it was shown to its end."""
    # Imported late: only this draws a screen.
    from rig.commands.replay_screen import play_recording, speed_of

    times = speed_of(speed)
    stream = sys.stderr if asked.as_json else sys.stdout
    with _opened(run) as recording:
        ended = play_recording(recording, times, Shown(asked.ascii_only, stream))
    if not ended:
        say(f"left before its end; to judge it: nightrig replay {typed(run)}", err=asked.as_json)
        if asked.as_json:
            say_json({"recorded": None, "replayed": None})
    return ended


def _figure(plot: Path | None, vary: str | None) -> Path | None:
    """Return where a figure is to be drawn. Raises InputError for one that cannot be."""
    if plot is None:
        return None
    if vary is None:
        raise InputError("--plot draws what --vary found; name a key and a range with --vary")
    if plot.suffix not in FIGURES:
        raise InputError(f"--plot {plot}: draws SVG or PNG; name a file such as {plot.stem}.svg")
    if plot.exists():
        raise InputError(f"--plot {plot}: already exists, nothing was drawn; name a new file")
    if not plot.parent.is_dir():
        raise InputError(f"--plot {plot}: there is no folder {plot.parent}; make it first")
    return plot


@contextmanager
def _opened(run: Path) -> Iterator[Recording]:
    """Open a recording; of a damaged journal everything that is damaged is told."""
    from rig.commands.damaged import refuse_damaged
    from rig.commands.folders import holds_run
    from rig.commands.recorded import refuse_no_recording
    from rig.replay.recording import open_recording

    refuse_no_recording(run)
    try:
        with open_recording(run) as recording:
            yield recording
    except StorageError:
        if run.is_dir() and holds_run(run):
            refuse_damaged(run)
        raise


def _again(recording: Recording, asked: Asked) -> str:
    """Return what a replay found, for people or as one object."""
    from rig.replay.judged import agreement, differences, recorded
    from rig.replay.judged import replay as judged

    plan = _plan(recording, asked.protocol)
    then, now = recorded(recording), judged(recording, plan)
    differ = differences(recording, plan, then, now)
    if asked.as_json:
        return json.dumps(
            {**_told(then, now), "differences": list(differ), "notes": list(now.notes)}
        )
    lines = [
        recording.header.title or str(recording.path),
        f"  recorded  {_end(then)}",
        f"  replayed  {_end(now)}",
        *(["  evidence  " + seen] if (seen := _evidence(now)) else []),
        *_found(now.findings),
        *(f"  note      {note}" for note in now.notes),
    ]
    agrees = agreement(recording, now)
    return "\n".join(lines + ([f"  differs   {d}" for d in differ] or [f"  agrees    {agrees}"]))


def _plan(recording: Recording, protocol: str | None) -> Plan:
    return recording.plan() if protocol is None else recording.plan_with(protocol, read_text)


def _told(then: Replayed, now: Replayed) -> dict[str, Any]:
    return {
        "recorded": {
            "outcome": then.outcome,
            "cycles": then.cycles,
            "residual": residual_json(then.residual),
        },
        "replayed": {
            "outcome": now.outcome,
            "cycles": now.cycles,
            "why": now.why,
            "first_seen": now.first_seen,
            "confirmed": now.confirmed,
            "residual": residual_json(now.residual),
            "findings": [{"kind": f.kind, "cycle": f.cycle, "text": f.text} for f in now.findings],
        },
    }


def _end(it: Replayed) -> str:
    after = f"; {it.residual.words}" if it.residual is not None else ""
    return f"{it.outcome or 'no end'} at cycle {it.cycles:,}: {it.why}{after}"


def _evidence(now: Replayed) -> str:
    seen = []
    if now.first_seen is not None and now.confirmed is not None:
        seen.append(f"first seen at cycle {now.first_seen:,}, confirmed at {now.confirmed:,}")
    if now.found_again:
        seen.append(f"{now.found_again:,} cycles found again in the samples kept")
    return "; ".join(seen)


def _found(findings: tuple[Found, ...]) -> list[str]:
    lines = [f"  finding   cycle {f.cycle:,}: {f.kind}: {f.text}" for f in findings[-MOST:]]
    left = len(findings) - len(lines)
    return [f"  findings  {left:,} more before these", *lines] if left else lines


def _varied(recording: Recording, asked: Asked) -> str:
    """Return what varying a key found, for people or as one object; draw it where asked for."""
    from rig.commands.what_if import table
    from rig.replay.varied import vary

    found = vary(recording, asked.vary or "", asked.protocol, read_text)
    if asked.plot is not None:
        from rig.report.varied import draw_varied

        ends = tuple((r.outcome or "", r.cycles) for r in found.replayed)
        title = recording.header.title or str(recording.path)
        draw_varied(found.key, found.values, ends, title, asked.plot)
    if asked.as_json:
        return json.dumps({"key": found.key, "values": _rows_of(found), "notes": list(found.notes)})
    lines = [recording.header.title or str(recording.path), f"  {found.key}"]
    lines += table(found, ascii_only=asked.ascii_only)
    lines += [f"  note      {note}" for note in found.notes]
    return "\n".join([*lines, *([f"  drawn in {asked.plot}"] if asked.plot else [])])


def _rows_of(found: Varied) -> list[dict[str, Any]]:
    names = ("outcome", "cycles", "why", "first_seen", "confirmed")
    return [
        {"value": value, **{name: getattr(r, name) for name in names}}
        for value, r in zip(found.values, found.replayed, strict=True)
    ]
