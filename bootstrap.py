"""From a fresh checkout to a running nightrig, with the standard library and pip only.

    python3 bootstrap.py demo         rehearse two tests on a live screen, and draw their stiffness
    python3 bootstrap.py test         the quick tests, under three minutes
    python3 bootstrap.py nights       whole nights in real time, every row of the long tables
    python3 bootstrap.py check        style, formatting, types, and the wheel in a fresh environment
    python3 bootstrap.py benchmark    the benchmarks, in real time on a quiet machine
    python3 bootstrap.py endurance    the full-length tests
    python3 bootstrap.py oracles      mechanics and lives against libraries of others, minutes

Further arguments go to the command. Everything is installed into .venv beside this file, the
libraries of others into .venv-oracles, from lock files with hashes; a second start uses what is
there. One of those libraries is compiled: `oracles` needs a C compiler.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

HERE = Path(__file__).resolve().parent
RUN_LOCK = "requirements.lock"
TEST_LOCK = "requirements-test.lock"
ORACLES_LOCK = "requirements-oracles.lock"
ORACLES_BUILD_LOCK = "requirements-oracles-build.lock"


class SetupFailed(Exception):
    """The environment could not be made; the message is one line for the person who asked."""


def scripts(env: Path) -> Path:
    """Return the folder of an environment's programs."""
    return env / ("Scripts" if os.name == "nt" else "bin")


def python_of(env: Path) -> Path:
    """Return the interpreter of an environment."""
    return scripts(env) / ("python.exe" if os.name == "nt" else "python")


def fingerprint(root: Path, lock: str) -> str:
    """Return what an environment must have been made from: lock files, place and interpreter."""
    digest = hashlib.sha256()
    ours = ("pyproject.toml", RUN_LOCK, TEST_LOCK)
    for name in (ORACLES_BUILD_LOCK, ORACLES_LOCK) if lock == ORACLES_LOCK else ours:
        content = (root / name).read_bytes()
        digest.update(f"{name} {len(content)}\n".encode() + content)
    digest.update(f"{root}\n{sys.version}\n".encode())
    return f"{digest.hexdigest()} {lock}"


def is_current(root: Path, env: Path, lock: str) -> bool:
    """Return whether the environment holds all that a lock file asks for."""
    try:
        stamp = (env / ".stamp").read_text(encoding="utf-8")
    except OSError:
        return False
    # What the tests need includes what a run needs.
    return python_of(env).exists() and stamp in {
        fingerprint(root, lock),
        fingerprint(root, TEST_LOCK),
    }


def pip(env: Path, *arguments: str) -> None:
    """Run this interpreter's pip on an environment, which needs none of its own."""
    command = [sys.executable, "-m", "pip", "--python", str(python_of(env)), *arguments]
    quiet = os.environ | {"PIP_DISABLE_PIP_VERSION_CHECK": "1"}
    if subprocess.run(command, cwd=HERE, env=quiet, check=False).returncode:
        raise SetupFailed(f"pip {arguments[0]} failed (its message is above; 22.3 is the oldest)")


def create(env: Path) -> None:
    """Make an empty environment, without pip inside: Debian's Python has no ensurepip."""
    if importlib.util.find_spec("pip") is None:
        raise SetupFailed(f"{sys.executable} has no pip; install it (Debian: python3-pip)")
    venv.EnvBuilder(clear=True, with_pip=False, symlinks=os.name != "nt").create(env)


def ensure(root: Path, env: Path, lock: str) -> None:
    """Make the environment for a lock file unless it is there."""
    if is_current(root, env, lock):
        return
    print(f"Making {env} from {lock} (once, a minute or less) ...", file=sys.stderr, flush=True)
    if is_current(root, env, RUN_LOCK):
        # The test tools join what a demo has installed; unstamped until they are complete.
        (env / ".stamp").unlink()
    else:
        create(env)
    pip(env, "install", "-qq", "--no-compile", "--require-hashes", "-r", str(root / lock))
    # The build back end is in the lock file, so that this step fetches nothing.
    pip(env, "install", "-qq", "--no-deps", "--no-index", "--no-build-isolation", "-e", str(root))
    (env / ".stamp").write_text(fingerprint(root, lock), encoding="utf-8")


def ensure_oracles(root: Path, env: Path) -> None:
    """Make the environment of other people's libraries unless it is there.

    This project is not in it: what is compared needs none of its packages.
    """
    if is_current(root, env, ORACLES_LOCK):
        return
    print(f"Making {env} (once, a minute or two) ...", file=sys.stderr, flush=True)
    create(env)
    install = ("install", "-qq", "--no-compile", "--require-hashes")
    # One package comes as source; isolated, pip would build it with whatever it finds today.
    pip(env, *install, "-r", str(root / ORACLES_BUILD_LOCK))
    pip(env, *install, "--no-build-isolation", "-r", str(root / ORACLES_LOCK))
    (env / ".stamp").write_text(fingerprint(root, ORACLES_LOCK), encoding="utf-8")


def run(env: Path, *arguments: str) -> int:
    """Run the environment's interpreter where this file lies and return its exit code."""
    # -P: a folder that happens to be named like a package is not imported.
    command = [str(python_of(env)), "-P", *arguments]
    # Else each of hundreds of child processes would compile all its libraries once more.
    keeps = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return subprocess.run(command, cwd=HERE, env=keeps, check=False).returncode


def check_wheel(env: Path) -> int:
    """Install the built wheel with all it needs into a fresh environment and start it there."""
    with tempfile.TemporaryDirectory(prefix="nightrig-wheel-") as folder:
        code = run(env, "-m", "hatchling", "build", "-t", "wheel", "-d", folder)
        if code:
            return code
        (wheel,) = Path(folder).glob("*.whl")
        fresh = Path(folder) / "env"
        create(fresh)
        pip(fresh, "install", "-qq", "--no-compile", "--require-hashes", "-r", str(HERE / RUN_LOCK))
        pip(fresh, "install", "-qq", "--no-deps", "--no-index", str(wheel))
        pip(fresh, "check")
        help_page = [str(scripts(fresh) / "nightrig"), "--help"]
        return subprocess.run(
            help_page, cwd=folder, stdout=subprocess.DEVNULL, check=False
        ).returncode


def demo(env: Path, further: list[str]) -> int:
    """Rehearse two packaged protocols and draw a figure of them."""
    return run(env, "-m", "rig.commands.demo", *further)


def test(env: Path, further: list[str]) -> int:
    """Run the quick tests on two cores; tests of one serial group share a process.

    Three processes, because the serial group waits half of its time for tests in real time.
    """
    return run(env, "-m", "pytest", "-n", "3", "--dist", "loadgroup", *further)


def nights(env: Path, further: list[str]) -> int:
    """Run what is too long for `test`: three processes, for much of it waits in real time."""
    chosen = "nights and not endurance"
    return run(env, "-m", "pytest", "-n", "3", "--dist", "loadgroup", "-m", chosen, *further)


def check(env: Path, further: list[str]) -> int:
    """Run every check that is not a test, to the end, and fail if one failed."""
    steps = (
        ("-m", "ruff", "check", *further),
        ("-m", "ruff", "format", "--check", *further),
        ("-m", "mypy"),
    )
    codes = [run(env, *step) for step in steps]
    codes.append(check_wheel(env))
    return max(codes, key=abs)


def benchmark(env: Path, further: list[str]) -> int:
    """Run the benchmarks, one after the other; some have peers among the libraries of others."""
    try:
        ensure_oracles(HERE, HERE / ".venv-oracles")
    except SetupFailed as problem:
        print(f"bootstrap.py: {problem}: what needs them is skipped", file=sys.stderr)
    return run(env, "-m", "pytest", "--benchmark-enable", "--timeout=0", "benchmarks/", *further)


def endurance(env: Path, further: list[str]) -> int:
    """Run the full-length tests, the nights, and those of any input with ten times the examples."""
    os.environ["NIGHTRIG_EXAMPLES"] = "endurance"
    chosen = "endurance or nights or hypothesis"
    return run(env, "-m", "pytest", "-m", chosen, "--timeout=0", *further)


def oracles(env: Path, further: list[str]) -> int:
    """Hold mechanics and lives against libraries of others, and those against a table of theirs."""
    os.environ["PYTHONPATH"] = str(HERE)
    rooms = ("mechanics", "lives")
    codes = [run(env, "-m", f"tests.{room}.oracles", *further) for room in rooms]
    return max(codes, key=abs)


COMMANDS = {
    "demo": (demo, RUN_LOCK),
    "test": (test, TEST_LOCK),
    "nights": (nights, TEST_LOCK),
    "check": (check, TEST_LOCK),
    "benchmark": (benchmark, TEST_LOCK),
    "endurance": (endurance, TEST_LOCK),
    "oracles": (oracles, ORACLES_LOCK),
}


def main(arguments: list[str]) -> int:
    """Run one command and return its exit code."""
    name, *further = arguments or [""]
    if name in {"-h", "--help"}:
        print(__doc__)
        return 0
    if name not in COMMANDS:
        print(f"bootstrap.py: {name!r} is none of {', '.join(COMMANDS)}", file=sys.stderr)
        return 2
    command, lock = COMMANDS[name]
    try:
        if lock == ORACLES_LOCK:
            env = HERE / ".venv-oracles"
            ensure_oracles(HERE, env)
        else:
            env = HERE / ".venv"
            ensure(HERE, env, lock)
        return command(env, further)
    except (SetupFailed, OSError) as problem:
        print(f"bootstrap.py: {problem}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    if sys.version_info < (3, 11):  # noqa: UP036  # whoever starts this may have an older one
        sys.exit(f"bootstrap.py: Python 3.11 or newer is needed, this is {sys.version.split()[0]}")
    sys.exit(main(sys.argv[1:]))
