"""The kinds of tests in the storm, each made from its seed alone."""

from __future__ import annotations

import functools
import importlib
import os
import shutil
import traceback
from collections.abc import Callable
from pathlib import Path

from tests.endurance import plans
from tests.endurance.case import Case
from tests.endurance.frames import Frame
from tests.endurance.realtime import KilledRun
from tests.endurance.rehearsals import KilledRehearsal, Undisturbed, undisturbed
from tests.endurance.squalls import Squall
from tests.endurance.weather import Weather

MOST_KILLS = 6
NEEDED = ("resume", "rehearse", "going_on", "beside", "damaged", "past", "ending")


@functools.cache
def ready() -> None:
    """Import what the commands import late, so that a fork has it."""
    for name in NEEDED:
        importlib.import_module(f"rig.commands.{name}")
    for name in ("rehearsal", "looking_back", "as_it_stands"):
        importlib.import_module(f"rig.assembly.{name}")


@functools.cache
def _whole(folder: Path, variant: str, seed: int) -> Undisturbed:
    """Return the undisturbed test of a variant, carried out once in each process."""
    place = folder / f"undisturbed-{os.getpid()}"
    place.mkdir(exist_ok=True)
    return undisturbed(place, variant, seed)


def _killed(case: Case, place: Path) -> None:
    random = case.random()
    variant = random.choice(("sprayed to failure", "sprayed to failure", "dry to run-out"))
    whole = _whole(place.parent, variant, random.choice((1, 2)))
    KilledRehearsal(case, place, whole, random.randint(2, MOST_KILLS)).run()


def _killed_small(case: Case, place: Path) -> None:
    variant = case.random().choice(("tiny", "tiny, then broken"))
    whole = _whole(place.parent, variant, 1)
    KilledRehearsal(case, place, whole, 6, copies=1.0, ends=0.0).run()


def _killed_live(case: Case, place: Path) -> None:
    with Frame(place) as frame:
        KilledRun(case, frame, 3).run()


def _weather(case: Case, place: Path) -> None:
    Weather(case, place, plans.virtual(place / "files", "small")).run()


def _squall(case: Case, place: Path) -> None:
    with Frame(place) as frame:
        Squall(case, frame).run()


KINDS: dict[str, Callable[[Case, Path], None]] = {
    "rehearsals-killed": _killed,
    "small-killed": _killed_small,
    "real-time-killed": _killed_live,
    "rehearsals-in-a-storm": _weather,
    "real-time-in-a-storm": _squall,
}


def carried_out(name: str, seed: int, folder: Path) -> Case:
    """Carry one test out in a folder of its own; it stays where something is wrong."""
    ready()
    case = Case(name, seed)
    place = folder / f"{name}-{seed}"
    place.mkdir()
    try:
        KINDS[name](case, place)
    except Exception:
        case.wrong.append(traceback.format_exc())
    if case.wrong:
        case.wrong.append(f"its folder is {place}")
    else:
        shutil.rmtree(place, ignore_errors=True)
    return case
