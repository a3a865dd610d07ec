"""Verification in motion: what a run on the dummy beam tells, printed and kept in the rig file."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from rig.commands.asking import login_name
from rig.commands.files import find_rig
from rig.commands.rig_alone import load_rig_alone
from rig.commands.saying import folded, say, say_json
from rig.errors import DeviceError, InputError

if TYPE_CHECKING:
    from rig.assembly.verifying import Verification


def keep_verification(rig_name: str | None, run_dir: Path, as_json: bool) -> int:
    """Print what a run on the dummy beam tells of the load in motion, and keep it; return the code.

    Raises InputError for a run that tells nothing of this rig and where no rig file is named to
    keep it in, StorageError where it cannot be read or kept.
    """
    if rig_name is None:
        raise InputError("--verification: name the rig file that keeps what was found: --rig RIG")
    if find_rig(rig_name) != rig_name:
        raise InputError(
            f"--verification: {rig_name} is a rig of this program, in which nothing is kept; name "
            "a rig file of your own"
        )
    # Imported late: a mistake in the rig file is told sooner.
    from rig.assembly.verifying import verification_in
    from rig.commands.folders import holds_run, place

    if not holds_run(run_dir):
        raise InputError(f"--verification: {place(run_dir).text}")
    rig = load_rig_alone(rig_name).rig.name
    return keep(verification_in(run_dir, rig), rig, find_rig(rig_name), as_json=as_json)


def keep(made: Verification, rig: str, path: str, *, as_json: bool) -> int:
    """Print what was found on a rig and keep it in its file; return the code.

    It is kept also where cell and beam differ too much: then the code is 4. It is 4 too where gauge
    and cycles tell no difference of 1 %, and nothing is kept. Raises StorageError where it cannot
    be.
    """
    from rig.assembly.rig_tables import keep_table

    by = login_name() + (", on an emulated rig" if made.simulated else "")
    if made.sure:
        keep_table(Path(path), "dynamic_verification", _table(made, by))
    if as_json:
        kept = {"good": made.good, "kept": made.sure}
        say_json({**kept, **asdict(made.found), "date": f"{made.date}", "by": by})
    else:
        say(folded(_in_words(made, rig, path), sys.stdout))
    return 0 if made.good else DeviceError.exit_code


def _table(made: Verification, by: str) -> str:
    """Return the lines of `[dynamic_verification]`."""
    found = made.found
    name = by.replace("\\", "").replace('"', "'")
    return (
        f'date = "{made.date}"\n'
        f'by = "{name}"\n'
        f'frequency = "{found.frequency:.3g} Hz"\n'
        f'difference = "{min(abs(found.difference), 0.5) * 100:.2f} %"\n'
    )


def _in_words(made: Verification, rig: str, path: str) -> str:
    line, found = made.line, made.found
    where = f"[dynamic_verification] in {path}" if made.sure else "nothing"
    return "\n".join(
        (
            f"{rig}: load in motion against the dummy beam of {made.date}",
            f"  slow       {line.range / 1e3:.2f} kN, {abs(line.slope) / 1e9:.4g} kN for each "
            f"µm/m, {line.scatter * 100:.2f} % off a line at the most, {line.bend * 100:.2f} % "
            "without the noise",
            f"  in motion  {found.frequency:.3g} Hz, {found.cycles:,} cycles",
            f"  cell       {found.cell / 1e3:.3f} kN",
            f"  beam       {found.beam / 1e3:.3f} kN",
            f"  difference {found.difference * 100:+.2f} % of the range, "
            f"±{found.uncertainty * 100:.2f} %; {_verdict(made)}",
            f"  kept       {where}",
        )
    )


def _verdict(made: Verification) -> str:
    if not made.sure:
        return (
            "the gauge tells no difference of 1 %: look for one that slips, a beam that cracks, "
            "noise, and too few cycles, then verify again"
        )
    if made.good:
        return "cell and beam agree within 1 %"
    return (
        "more than 1 %: loads in motion are not true; look for loose parts, the moving mass in the "
        "rig file, and the gauge, then verify again"
    )
