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
from rig.errors import DeviceError

if TYPE_CHECKING:
    from rig.assembly.verifying import Verification


def keep_verification(rig_name: str | None, run_dir: Path, as_json: bool) -> int:
    """Print what a run on the dummy beam tells of the load in motion, and keep it; return the code.

    What is kept is what was found, also where cell and beam differ too much: then the code is 4.
    Raises InputError for a run that tells nothing of this rig, StorageError where it cannot be
    read or kept.
    """
    # Imported late: a mistake in the rig file is told sooner.
    from rig.assembly.rig_tables import keep_table
    from rig.assembly.verifying import verification_in

    rig = load_rig_alone(rig_name).rig
    path = find_rig(rig_name)
    made = verification_in(run_dir, rig.name)
    by = login_name() + (", on an emulated rig" if made.simulated else "")
    keep_table(Path(path), "dynamic_verification", _table(made, by))
    if as_json:
        say_json({"good": made.good, **asdict(made.found), "date": f"{made.date}", "by": by})
    else:
        say(folded(_in_words(made, rig.name, path), sys.stdout))
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
    verdict = (
        "cell and beam agree within 1 %"
        if made.good
        else "more than 1 %: loads in motion are not true; look for loose parts, the moving mass "
        "in the rig file, and the gauge, then verify again"
    )
    return "\n".join(
        (
            f"{rig}: load in motion against the dummy beam of {made.date}",
            f"  slow       {line.range / 1e3:.2f} kN, {abs(line.slope) / 1e9:.4g} kN for each "
            f"µm/m, {line.scatter * 100:.2f} % off a line at the most",
            f"  in motion  {found.frequency:.3g} Hz, {found.cycles:,} cycles",
            f"  cell       {found.cell / 1e3:.3f} kN",
            f"  beam       {found.beam / 1e3:.3f} kN",
            f"  difference {found.difference * 100:+.2f} % of the range, "
            f"±{found.uncertainty * 100:.2f} %; {verdict}",
            f"  kept       [dynamic_verification] in {path}",
        )
    )
