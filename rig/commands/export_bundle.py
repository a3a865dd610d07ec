"""`nightrig export --bundle`: a run as an RO-Crate for a data repository, and one checked."""

from __future__ import annotations

import sys
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rig.commands.folders import holds_run
from rig.commands.saying import folded, meanwhile, say, say_json, visible
from rig.commands.usage import typed
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.report.deposit.writing import Deposited


@dataclass(frozen=True, slots=True)
class Given:
    """The options of a bundle as they were typed."""

    authors: tuple[str, ...] = ()
    licence: str | None = None
    without_pictures: bool = False

    def refuse_alone(self) -> None:
        """Refuse them where no bundle is asked for. Raises InputError."""
        options = {
            "--author": self.authors,
            "--license": self.licence is not None,
            "--without-pictures": self.without_pictures,
        }
        if alone := [name for name, given in options.items() if given]:
            raise InputError(f"{alone[0]}: belongs to a bundle; give --bundle too, or leave it out")


def refuse_beside_check(given: Given, *, bundle: bool, others: bool) -> None:
    """Refuse what says how to write one beside --check. Raises InputError."""
    if bundle or others or given != Given():
        raise InputError("--check: reads a bundle and writes nothing; leave the other options out")


def write_bundle(
    run: Path,
    out: Path,
    what: Collection[str],
    units: Mapping[str, str],
    given: Given,
    *,
    as_json: bool,
) -> int:
    """Write the bundle of a run and tell what people are to see to."""
    from rig.report.deposit.crate import crate_class
    from rig.report.deposit.people import read_authors, read_licence
    from rig.report.deposit.writing import Asked, deposit

    crate_class()  # what is missing is told before anything that was typed wrong
    asked = Asked(
        authors=read_authors(given.authors),
        licence=read_licence(given.licence),
        what=what,
        units=units,
        pictures=not given.without_pictures,
    )
    with meanwhile(str(out), "writing the bundle and reading it back"):
        written = deposit(run, out, asked)
    if as_json:
        say_json({"run": str(run.absolute()), **_plain(written)})
    else:
        say(folded(visible("\n".join(_lines(out, written))), sys.stdout))
    return 0


def check_bundle(place: Path, *, as_json: bool) -> int:
    """Tell whether a bundle that somebody has is whole."""
    from rig.report.deposit.checking import check

    if not place.exists():
        raise InputError(f"{place}: there is no such bundle; name its folder or zip file")
    if holds_run(place):
        raise InputError(
            f"{place}: is a run and no bundle; make one of it with: "
            f"nightrig export {typed(place)} --bundle --out NEW.zip"
        )
    with meanwhile(str(place), "reading the bundle"):
        files = check(place)
    size = sum(file.size for file in files.values())
    if as_json:
        say_json({"bundle": str(place.absolute()), "files": len(files), "bytes": size})
    else:
        say(
            f"{visible(str(place))}: whole: {len(files)} files, {size / 1e6:,.1f} MB; checksums, "
            "metadata, citation, run.h5 and the rows of the CSV files agree"
        )
    return 0


def _plain(written: Deposited) -> dict[str, object]:
    return {
        "bundle": written.place,
        "files": {name: file.sha256 for name, file in written.files.items()},
        "bytes": sum(file.size for file in written.files.values()),
        "rows": {name: file.rows for name, file in written.files.items() if name.endswith(".csv")},
        "cautions": list(written.cautions),
        "people": list(written.people),
    }


def _lines(out: Path, written: Deposited) -> list[str]:
    size = sum(file.size for file in written.files.values())
    return [
        f"{out}: {len(written.files)} files, {size / 1e6:,.1f} MB, read back whole; "
        "README.txt tells what they are",
        *(f"  see to    {caution}" for caution in written.cautions),
        *(f"  named     {name}, in the crack log" for name in written.people),
    ]
