"""The demonstration: two rehearsals, one that fails and one that runs out, and their reports."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.commands.beside import rehearse_beside_screen
from rig.commands.demo_reports import PAGES, REPORT, clear_reports, of_reports, write_reports
from rig.commands.files import load
from rig.commands.saying import print_anything, say, say_result, summary
from rig.commands.screen import STOPS, Shown, follower, show_last, text_of
from rig.errors import EXIT_CODES, InputError, RigError
from rig.record.trouble import storage
from rig.report.document import PAGE

if TYPE_CHECKING:
    from rig.lives.comparison import Comparison
    from rig.protocol.plan import Plan

FOLDER: Final = Path("demo-out")
FIGURE: Final = "stiffness.png"
SEED: Final = 1
PROTOCOLS: Final = ("overnight-wet-prism", "dry-short")
OF_A_RUN: Final = ("journal.db", "run.h5", "lock", "0", *PAGES)
"""How the names of files begin that a rehearsal and its report leave, whole or broken off."""

HELLO: Final = """\
nightrig demo: two tests on a simulated rig, in virtual time. Specimens, loads and
lives are invented for the demonstration. Software is no safety system.
"""


def make_room(folder: Path) -> None:
    """Take an earlier demo's files away; InputError where the folder holds anything else."""
    strange = [p for p in folder.rglob("*") if not _of_demo(p.relative_to(folder), p.is_file())]
    if strange:
        raise InputError(f"{folder}: holds {strange[0].name}, which no demo made; move it away")
    for name in PROTOCOLS:
        shutil.rmtree(folder / name, ignore_errors=True)
    clear_reports(folder)
    with storage(folder, "make the demo's folder"):
        (folder / FIGURE).unlink(missing_ok=True)
        folder.mkdir(exist_ok=True)


def _of_demo(path: Path, is_file: bool) -> bool:
    if path == Path(FIGURE):
        return is_file
    if of_reports(path, is_file):
        return True
    return path.parts[0] in PROTOCOLS and (not is_file or path.name.startswith(OF_A_RUN))


def main() -> int:
    """Rehearse both protocols into `demo-out` and say what came out."""
    print_anything()
    if sys.argv[1:]:
        say("the demo takes no arguments: python3 bootstrap.py demo", err=True)
        return 2
    say(HELLO)
    try:
        make_room(FOLDER)
        plans = {name: load(name, None) for name in PROTOCOLS}
        for name, plan in plans.items():
            code = _one(plan, FOLDER / name)
            if code:
                return code
        _figure(plans)
        told = write_reports(FOLDER, plans)
    except RigError as error:
        say(str(error), err=True)
        return error.exit_code
    say(
        f"Reports: {(FOLDER / REPORT / PAGE).resolve()} of the series of both, and {PAGE} beside\n"
        f"each run.h5; each as PDF too. {_caution(told)}\n"
        f"Figure: {(FOLDER / FIGURE).resolve()}: the stiffness of both over their cycles.\n"
        f"Records: {FOLDER.resolve()}. Each run.h5 opens in any HDF5 program.\n"
        "Next: .venv/bin/nightrig check overnight-wet-prism"
    )
    return 0


def _one(plan: Plan, out: Path) -> int:
    """Rehearse one plan, show its last screen and its result; return the code."""
    from rig.assembly import rehearse

    shown = Shown(hint=STOPS)
    result = rehearse_beside_screen(lambda: rehearse(plan, out, SEED), out, shown)
    if not show_last(out, shown, f"{summary(plan.title, result, out)}\n"):
        say(text_of(follower(out).look(), shown))
    say("")
    say_result(plan.title, result, out, as_json=False)
    say("")
    return EXIT_CODES[result.outcome]


def _caution(told: Comparison) -> str:
    """Say what two specimens can show at all."""
    least = min(pair.test.smallest_p_one_sided for pair in told.pairs)
    return f"Two specimens prove nothing: no outcome has a p under {least:.2g}."


def _figure(plans: dict[str, Plan]) -> None:
    from rig.report.figures import draw_stiffness, stiffness_curve

    curves = [stiffness_curve(FOLDER / name, plan) for name, plan in plans.items()]
    title = "Stiffness of two prisms over their load cycles (invented data)"
    draw_stiffness(curves, title, FOLDER / FIGURE)


if __name__ == "__main__":
    sys.exit(main())
