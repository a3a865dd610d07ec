"""The demonstration: two rehearsals, one that fails and one that runs out."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import Final

from rig.commands.files import load
from rig.commands.rehearse import rehearse_with_progress, summary
from rig.errors import EXIT_CODES, InputError, RigError

FOLDER: Final = Path("demo-out")
SEED: Final = 1
PROTOCOLS: Final = ("overnight-wet-prism", "dry-short")


def make_room(folder: Path) -> None:
    """Take an earlier demo's records away; InputError where the folder holds anything else."""
    strange = [
        p
        for p in folder.rglob("*")
        if p.relative_to(folder).parts[0] not in PROTOCOLS
        or (p.is_file() and not p.name.startswith(("journal.db", "run.h5", "0")))
    ]
    if strange:
        raise InputError(f"{folder}: holds {strange[0].name}, which no demo made; move it away")
    for name in PROTOCOLS:
        shutil.rmtree(folder / name, ignore_errors=True)


def main() -> int:
    """Rehearse both protocols into `demo-out` and say what came out."""
    if sys.argv[1:]:
        print("the demo takes no arguments: python3 bootstrap.py demo", file=sys.stderr)
        return 2
    print(
        "nightrig demo: two tests on a simulated rig, in virtual time. Specimens, loads and\n"
        "lives are invented for the demonstration. Software is no safety system.\n"
    )
    try:
        make_room(FOLDER)
        for name in PROTOCOLS:
            plan = load(name, None)
            result = rehearse_with_progress(plan, FOLDER / name, SEED)
            print(summary(plan, result), flush=True)
            print()
            if EXIT_CODES[result.outcome]:
                return EXIT_CODES[result.outcome]
    except BrokenPipeError:
        # Nobody reads any more; the records are made or can be made again.
        sys.stdout = None
        return 0
    except RigError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    print(
        f"Records: {FOLDER.resolve()}. Each run.h5 opens in any HDF5 program.\n"
        "Next: .venv/bin/nightrig check overnight-wet-prism"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
