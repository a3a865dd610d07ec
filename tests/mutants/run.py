"""Run mutants: `python -m tests.mutants.run [NAME...]`, all of them without a name.

Each is put into a copy of the project, of which there are two; then the tests it names run there.
Ends with 1 where a mutant does not fit, survives without a reason in `SURVIVORS`, or is named
there and killed.
"""

from __future__ import annotations

import os
import queue
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.mutants.mutant import Mutant
from tests.mutants.mutants import MUTANTS, SURVIVORS
from tests.mutants.unshrunk import PROFILE

ROOT: Final = Path(__file__).resolve().parents[2]
COPIED: Final = ("rig", "simulators", "drivers", "protocols", "tests")
FILES: Final = ("pyproject.toml", "README.md", "DEVELOPERS.md")
AT_ONCE: Final = 2
SLOW: Final = 200  # s a test, so that a busy machine kills nothing
HUNG: Final = 900.0  # s: tests that take longer have noticed as well

KILLED, SURVIVED, UNFIT = "killed", "survived", "did not apply"


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of a mutant; `said` is the test that noticed, or why the mutant did not fit."""

    name: str
    what: str
    said: str


def copy_project(folder: Path) -> Path:
    """Copy what tests need into a folder and return the folder."""
    for name in COPIED:
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in FILES:
        shutil.copy2(ROOT / name, folder / name)
    return folder


def run_tests(copy: Path, paths: Iterable[str]) -> tuple[int, str]:
    """Run tests in a copy until the first fails; return pytest's exit code and last words."""
    # Compiled files are told apart by second and size, and a slip may change neither.
    own = {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1", "NIGHTRIG_EXAMPLES": PROFILE}
    outer = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    words = ["-x", "-q", "--tb=no", f"--timeout={SLOW}", "-m", "not endurance"]
    words += ["-p", "no:cacheprovider", "-p", "tests.mutants.unshrunk"]
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-m", "pytest", *words, *paths],
            cwd=copy,
            env=outer | own,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
            timeout=HUNG,
        )
    except subprocess.TimeoutExpired:
        return 1, f"no end within {HUNG:g} s"
    lines = (done.stdout + done.stderr).strip().splitlines()
    told = [line for line in lines if line.startswith(("FAILED", "ERROR"))] or lines[-1:]
    return done.returncode, told[0].removeprefix("FAILED ") if told else ""


def fate_of(mutant: Mutant, copy: Path) -> Fate:
    """Put a mutant into a copy, run its tests, and put the copy right again."""
    place = copy / mutant.file
    healthy = place.read_text(encoding="utf-8")
    try:
        place.write_text(mutant.applied(healthy), encoding="utf-8")
        code, said = run_tests(copy, mutant.tests)
    except ValueError as error:
        return Fate(mutant.name, UNFIT, str(error))
    finally:
        place.write_text(healthy, encoding="utf-8")
    if code == 0:
        return Fate(mutant.name, SURVIVED, SURVIVORS.get(mutant.name, "no test noticed"))
    # Any other code than 1 says that tests were not found or could not even be read.
    return Fate(mutant.name, KILLED if code == 1 else UNFIT, said)


def fates(mutants: Sequence[Mutant]) -> Iterator[Fate]:
    """Give the fate of each mutant in turn. Raises RuntimeError where tests fail without one."""
    paths = sorted({path for mutant in mutants for path in mutant.tests})
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        copies: queue.Queue[Path] = queue.Queue()
        for number in range(AT_ONCE):
            copies.put(copy_project(Path(folder, str(number))))

        def look(mutant: Mutant) -> Fate:
            copy = copies.get()
            try:
                return fate_of(mutant, copy)
            finally:
                copies.put(copy)

        with ThreadPoolExecutor(AT_ONCE) as pool:
            code, said = pool.submit(run_tests, Path(folder, "0"), paths).result()
            if code != 0:
                raise RuntimeError(f"tests fail without any mutant: {said}")
            yield from pool.map(look, mutants)


def unexpected(found: Iterable[Fate]) -> list[Fate]:
    """Return what is not as `SURVIVORS` says."""
    return [f for f in found if f.what != (SURVIVED if f.name in SURVIVORS else KILLED)]


def main(names: Sequence[str]) -> int:
    """Run mutants, say what became of each, list the survivors; return the exit code."""
    known = {mutant.name: mutant for mutant in MUTANTS}
    if unknown := [name for name in names if name not in known]:
        print(f"no mutant is named {', '.join(unknown)}; known are {', '.join(known)}")
        return 2
    found = []
    for fate in fates([known[name] for name in names] or MUTANTS):
        found.append(fate)
        print(f"{fate.what:13}  {fate.name}: {fate.said}", flush=True)
    killed = sum(fate.what == KILLED for fate in found)
    print(f"{killed} of {len(found)} killed")
    for fate in found:
        if fate.what == SURVIVED:
            print(f"survivor: {fate.name}: {fate.said}")
    return 1 if unexpected(found) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
