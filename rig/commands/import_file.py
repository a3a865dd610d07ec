"""`nightrig import`: what another program measured becomes a run like any other."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import json_option, out_option
from rig.commands.saying import folded, meanwhile, say, say_json, say_refusal
from rig.commands.usage import typed
from rig.errors import InputError, RigError
from rig.units import UnitError, parse

if TYPE_CHECKING:
    from rig.replay.importing import Imported, Wanted


@click.command(
    "import",
    epilog=(
        "\b\n"
        "Ends with\n"
        "  0  imported\n"
        "  2  the file cannot be read: one line says where and why; nothing was written\n"
        "  6  the disk refused; nothing is left there"
    ),
)
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@out_option
@click.option(
    "--protocol",
    metavar="PROTOCOL",
    help="Count and flag cycles as this protocol's rig would; without it every cycle counts.",
)
@click.option(
    "--column",
    "columns",
    metavar='"HEADING = SOURCE"',
    multiple=True,
    help='What a column is, such as "load [kN] = Force" or "time [s] = /daq/t"; a source is a '
    "heading of the file, a place from 1, or in HDF5 and NumPy files a path, path:2, path:field. "
    "May be given several times.",
)
@click.option(
    "--decimal", type=click.Choice(["point", "comma"]), default="point", help="The decimal sign."
)
@click.option(
    "--rate",
    metavar='"1 kHz"',
    help="Samples are evenly spaced at this rate; a column of times is not looked at.",
)
@click.option("--specimen-id", default="", metavar="ID", help="Name of the specimen.")
@json_option
def import_file(
    file: Path,
    out: Path,
    protocol: str | None,
    columns: tuple[str, ...],
    decimal: str,
    rate: str | None,
    specimen_id: str,
    as_json: bool,
) -> int:
    """Make the folder of a run out of FILE: .csv, .txt, .tsv, .h5, .hdf5, .npy or .npz.

    A text file has a heading with units, such as "time [s],load [kN],midspan [mm]" (samples) or
    "cycle,load_max [kN],load_min [kN],deflection_max [mm]" (one row a cycle), separated by
    commas, semicolons or tabs; lines that begin with # are comments, an empty field is a missing
    value. A column "time" without a unit holds date-times; without a zone they are UTC. DIR
    appears only once it is whole.

    Example: nightrig import night.csv --out night-0
    """
    try:
        wanted = _wanted(file, out, protocol, columns, decimal, rate, specimen_id)
        # Imported late: a mistake in the words is told sooner.
        from rig.control.lock import refuse_taken
        from rig.replay.importing import import_file as imported

        refuse_taken(out)
        with meanwhile(str(file), "is being imported ..."):
            found = _readable(lambda: imported(wanted), file)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise
    if as_json:
        say_json(told(found))
    else:
        say(folded(summary(found, wanted), sys.stdout))
    return 0


def _readable(work: Callable[[], Imported], file: Path) -> Imported:
    """Return what was imported; what the disk says of the file itself is told of it."""
    try:
        return work()
    except OSError as error:
        raise InputError(
            f"{file}: cannot be read: {(error.strerror or str(error)).lower()}; name another file"
        ) from error


def _wanted(
    file: Path,
    out: Path,
    protocol: str | None,
    columns: tuple[str, ...],
    decimal: str,
    rate: str | None,
    specimen_id: str,
) -> Wanted:
    from rig.clock import SystemClock
    from rig.commands.files import find_protocol, read_text
    from rig.replay.importing import Wanted

    return Wanted(
        file=file,
        out=out,
        columns=columns,
        decimal_comma=decimal == "comma",
        rate=None if rate is None else _rate(rate),
        specimen_id=specimen_id,
        protocol=None if protocol is None else find_protocol(protocol),
        read=read_text,
        now=SystemClock().utc(),
    )


def _rate(text: str) -> float:
    try:
        found = parse(text, "frequency")
    except UnitError as error:
        raise InputError(f"--rate: {error.problem}; {error.remedy}") from None
    if not found > 0:
        raise InputError(f"--rate: {text} is not above zero")
    return found


def told(found: Imported) -> dict[str, Any]:
    """Return what was found as plain values [SI]."""
    gaps = found.gaps
    return {
        "run": str(found.run),
        "cycles": found.cycles,
        "kind": found.kind,
        "rows": found.rows,
        "frames": found.frames,
        "rate": found.rate,
        "begins": found.begins,
        "lasts": found.lasts,
        "channels": [c.name for c in found.channels],
        "measured": {
            c.name: [low, high] if low <= high else None
            for c, (low, high) in zip(found.channels, found.measured, strict=True)
        },
        "built_up": found.built_up,
        "gaps": {
            "count": gaps.count,
            "missing": gaps.total,
            "longest": gaps.longest,
            "rows": gaps.first,
        },
        "repeated": {"count": found.repeated.count, "rows": found.repeated.first},
        "backward": {"count": found.backward.count, "rows": found.backward.first},
        "left_out": list(found.left_out),
        "notes": list(found.notes),
    }


def summary(found: Imported, wanted: Wanted) -> str:
    """Return what was found, where the run is and how to go on, in a few lines."""
    from rig.monitor.words import span
    from rig.replay.spacing import trouble_words

    channels = ", ".join(
        _range(c.name, *ends) for c, ends in zip(found.channels, found.measured, strict=True)
    )
    if found.kind == "samples":
        what = f"{found.rows:,} samples at {found.rate:.6g} Hz, {span(found.lasts)}"
    else:
        what = f"{found.rows:,} rows of cycles, {span(found.lasts)}"
    by = "" if wanted.protocol is not None else " --protocol PROTOCOL"
    cycles = f"{found.cycles:,} counted"
    if found.built_up:
        cycles += f", after {found.built_up:,} of build-up"
    lines = [
        f"{wanted.file.name} imported",
        f"  read      {what}",
        f"  channels  {channels}",
        *(
            f"  beware    {words}"
            for words in trouble_words(found.gaps, found.repeated, found.backward)
        ),
        *(f"  note      {note}" for note in found.notes),
        *([f"  not used  {', '.join(found.left_out)}"] if found.left_out else []),
        f"  cycles    {cycles}",
        f"  record    {found.run}",
        f"  go on     nightrig replay {typed(wanted.out)}{by}",
    ]
    return "\n".join(lines)


def _range(name: str, low: float, high: float) -> str:
    """Return a channel with its values: a wrong unit or decimal sign is seen by them."""
    from rig.channels import shown

    return f"{name} {shown(name, low, high)}" if low <= high else f"{name} without values"
