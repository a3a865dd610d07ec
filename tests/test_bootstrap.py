"""bootstrap.py needs nothing but Python, remakes what is stale, and answers in one line."""

import ast
import importlib.util
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[1]
FILES = ("pyproject.toml", "requirements.lock", "requirements-test.lock")
ORACLES = ("requirements-oracles-build.lock", "requirements-oracles.lock")


@pytest.fixture(scope="module")
def bootstrap() -> ModuleType:
    spec = importlib.util.spec_from_file_location("bootstrap", ROOT / "bootstrap.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def checkout(tmp_path, bootstrap) -> Path:
    """Return a folder with the files an environment is made from, and a made environment."""
    for name in (*FILES, *ORACLES):
        shutil.copy(ROOT / name, tmp_path)
    python = bootstrap.python_of(tmp_path / ".venv")
    python.parent.mkdir(parents=True)
    python.touch()
    return tmp_path


def stamp(checkout: Path, bootstrap: ModuleType, lock: str) -> Path:
    env = checkout / ".venv"
    (env / ".stamp").write_text(bootstrap.fingerprint(checkout, lock), encoding="utf-8")
    return env


def start(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-I", str(ROOT / "bootstrap.py"), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_it_imports_the_standard_library_only():
    tree = ast.parse((ROOT / "bootstrap.py").read_text(encoding="utf-8"))
    imported = {
        name.split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in (
            [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else [alias.name for alias in node.names]
        )
    }
    assert "subprocess" in imported
    assert imported <= sys.stdlib_module_names


def test_an_old_python_can_read_as_far_as_the_line_that_refuses_it():
    # 3.7 is the oldest Python that knows the file's __future__ import.
    ast.parse((ROOT / "bootstrap.py").read_text(encoding="utf-8"), feature_version=(3, 7))


@pytest.mark.parametrize("arguments", [("tset",), ("",), ("--version",), ("demos", "--seed", "1")])
def test_an_unknown_command_ends_with_2_and_one_line(arguments):
    done = start(*arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert repr(arguments[0]) in done.stderr
    assert "demo, test, nights, check, benchmark, endurance, oracles" in done.stderr


def test_no_command_at_all_ends_with_2():
    assert start().returncode == 2


def test_help_names_every_command(bootstrap):
    done = start("--help")
    assert done.returncode == 0
    assert all(f"bootstrap.py {name} " in done.stdout for name in bootstrap.COMMANDS)


def test_an_environment_of_these_files_is_current(checkout, bootstrap):
    env = stamp(checkout, bootstrap, bootstrap.RUN_LOCK)
    assert bootstrap.is_current(checkout, env, bootstrap.RUN_LOCK)


def test_an_environment_without_stamp_is_stale(checkout, bootstrap):
    assert not bootstrap.is_current(checkout, checkout / ".venv", bootstrap.RUN_LOCK)


def test_what_the_tests_need_serves_a_run_but_not_the_other_way_round(checkout, bootstrap):
    env = stamp(checkout, bootstrap, bootstrap.TEST_LOCK)
    assert bootstrap.is_current(checkout, env, bootstrap.RUN_LOCK)
    env = stamp(checkout, bootstrap, bootstrap.RUN_LOCK)
    assert not bootstrap.is_current(checkout, env, bootstrap.TEST_LOCK)


@pytest.mark.parametrize("name", FILES)
def test_a_changed_file_makes_the_environment_stale(checkout, bootstrap, name):
    env = stamp(checkout, bootstrap, bootstrap.TEST_LOCK)
    with (checkout / name).open("a", encoding="utf-8") as file:
        file.write("# changed\n")
    assert not bootstrap.is_current(checkout, env, bootstrap.RUN_LOCK)


def test_an_environment_whose_interpreter_is_gone_is_stale(checkout, bootstrap):
    env = stamp(checkout, bootstrap, bootstrap.RUN_LOCK)
    bootstrap.python_of(env).unlink()
    assert not bootstrap.is_current(checkout, env, bootstrap.RUN_LOCK)


def test_a_moved_checkout_makes_its_environment_anew(checkout, bootstrap):
    stamp(checkout, bootstrap, bootstrap.RUN_LOCK)
    moved = checkout.rename(checkout.with_name(checkout.name + "-moved"))
    assert not bootstrap.is_current(moved, moved / ".venv", bootstrap.RUN_LOCK)


def test_a_current_environment_is_left_alone(checkout, bootstrap, capfd):
    env = stamp(checkout, bootstrap, bootstrap.RUN_LOCK)
    bootstrap.ensure(checkout, env, bootstrap.RUN_LOCK)
    assert bootstrap.python_of(env).read_bytes() == b""  # the planted one
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("name", ORACLES)
def test_the_oracles_are_remade_for_their_own_files_only(checkout, bootstrap, name):
    env = stamp(checkout, bootstrap, bootstrap.ORACLES_LOCK)
    (checkout / "pyproject.toml").write_text("changed", encoding="utf-8")
    assert bootstrap.is_current(checkout, env, bootstrap.ORACLES_LOCK)
    with (checkout / name).open("a", encoding="utf-8") as file:
        file.write("# changed\n")
    assert not bootstrap.is_current(checkout, env, bootstrap.ORACLES_LOCK)


def test_what_builds_an_oracle_is_what_the_oracles_run_with():
    def pins(lock: str) -> set[str]:
        lines = (ROOT / lock).read_text(encoding="utf-8").splitlines()
        return {line for line in lines if line.startswith("numpy==")}

    assert pins(ORACLES[0]) == pins(ORACLES[1]) != set()


@pytest.mark.parametrize(
    ("lock", "least"), [(FILES[1], 21), (FILES[2], 21), (ORACLES[0], 4), (ORACLES[1], 21)]
)
def test_every_locked_package_has_a_version_and_a_hash_and_no_host(lock, least):
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert "://" not in text
    assert not [line for line in text.splitlines() if line.startswith("-")]
    code = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    entries = code.replace("\\\n", " ").splitlines()
    assert len(entries) >= least
    assert [entry for entry in entries if "==" not in entry or "--hash=sha256:" not in entry] == []


def test_the_run_time_lock_agrees_with_the_test_lock():
    def pins(lock: str) -> set[str]:
        lines = (ROOT / lock).read_text(encoding="utf-8").splitlines()
        return {line for line in lines if "==" in line and not line.startswith("#")}

    assert pins("requirements.lock") < pins("requirements-test.lock")
