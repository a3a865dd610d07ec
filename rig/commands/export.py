"""`nightrig export`: a recording as CSV files with a data dictionary, or as a bundle."""

from __future__ import annotations

import os
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.export_bundle import Given, check_bundle, refuse_beside_check, write_bundle
from rig.commands.options import json_option
from rig.commands.saying import folded, meanwhile, say, say_json, say_refusal, visible
from rig.commands.usage import did_you_mean
from rig.errors import InputError, RigError

if TYPE_CHECKING:
    from rig.replay.exporting import Exported


@click.command()
@click.argument("run", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--out",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="New folder; with --bundle it may end in .zip.",
)
@click.option(
    "--what",
    metavar="NAMES",
    help="Only these, such as cycles,full-rate,slow,events; without it everything.",
)
@click.option(
    "--units",
    default="SI",
    metavar="UNITS",
    help="Units in place of SI ones, such as kN,mm,degC.",
)
@click.option("--bundle", is_flag=True, help="Write an RO-Crate for a data repository.")
@click.option(
    "--author",
    "authors",
    multiple=True,
    metavar="NAME",
    help='Who is to be cited, "Family, Given" or "Family, Given; ORCID"; once for each.',
)
@click.option("--license", "licence", metavar="ID", help="SPDX id, such as CC-BY-4.0.")
@click.option("--without-pictures", is_flag=True, help="Leave pictures out of the bundle.")
@click.option("--check", is_flag=True, help="DIR is a bundle, or its zip file: is it whole?")
@json_option
def export(
    run: Path,
    out: Path | None,
    what: str | None,
    units: str,
    bundle: bool,
    authors: tuple[str, ...],
    licence: str | None,
    without_pictures: bool,
    check: bool,
    as_json: bool,
) -> int:
    """Write the run in DIR (or its run.h5) as CSV files, with units in their heads.

    dictionary.csv says what each column is, in which type it is recorded and where in run.h5. In
    SI every number reads back as the same bits; where another unit loses the last one,
    dictionary.csv and this command say so. An empty cell is a missing value. A text that a
    spreadsheet would run as a formula begins with '. A file of samples or of cycles can be
    imported again.

    With --bundle an ended run is written with all that a repository asks for: run.h5, these CSV
    files, the files as written, pictures, checksums, CITATION.cff and metadata (RO-Crate 1.2), and
    read back. --check reads a bundle that somebody has, and ends with 6 where it is not whole:
    nightrig export night-1.zip --check

    Example: nightrig export night-1 --out night-1-csv --units kN,mm
    """
    given = Given(authors, licence, without_pictures)
    try:
        if check:
            refuse_beside_check(given, bundle=bundle, others=out is not None or what is not None)
            return check_bundle(run, as_json=as_json)
        if out is None:
            raise InputError("--out: is missing; name a new folder")
        if not bundle:
            given.refuse_alone()
        return _exported(run, out, what, units, given if bundle else None, as_json=as_json)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise


def _exported(
    run: Path, out: Path, what: str | None, units: str, bundle: Given | None, *, as_json: bool
) -> int:
    from rig.commands.recorded import refuse_no_recording
    from rig.control.lock import refuse_taken
    from rig.replay.chosen_units import chosen_units
    from rig.replay.exporting import WHAT, export
    from rig.replay.recording import open_recording

    if bundle is not None and out.suffix.lower() == ".zip" and os.path.lexists(out):
        raise InputError(f"{out}: already exists, nothing was written; name a new zip file")
    refuse_taken(out)
    chosen = chosen_units(units)
    names = WHAT if what is None else _chosen(what, WHAT)
    refuse_no_recording(run)
    if bundle is not None:
        return write_bundle(run, out, names, chosen, bundle, as_json=as_json)
    with open_recording(run) as recording, meanwhile(str(out), "writing CSV files"):
        written = export(recording, out, names, chosen)
    if as_json:
        say_json({"run": str(run.absolute()), **asdict(written)})
    else:
        say(folded(visible("\n".join(_lines(out, written))), sys.stdout))
    return 0


def _chosen(words: str, known: tuple[str, ...]) -> list[str]:
    """Return the names somebody typed. Raises InputError for one that means nothing."""
    names = [word.strip().lower().replace("_", "-") for word in words.split(",") if word.strip()]
    for name in names:
        if name not in known:
            near = did_you_mean(name, known)
            raise InputError(f"--what: there is no {name!r}{near}; there are {', '.join(known)}")
    if not names:
        raise InputError(
            f"--what: names nothing; leave it out for everything, or name of {', '.join(known)}"
        )
    return names


def _lines(out: Path, written: Exported) -> list[str]:
    rows = (
        f"{count:,} in {place}"
        for place, count in written.rows.items()
        if count and place not in ("run.csv", "dictionary.csv")
    )
    lines = [
        f"{out}: {len(written.files)} files; dictionary.csv says what each column is",
        f"  rows      {', '.join(rows)}",
    ]
    for place, count in written.inexact.items():
        lines.append(f"  not exact {place}: the last bit of {count:,}; in SI all are exact")
    return lines
