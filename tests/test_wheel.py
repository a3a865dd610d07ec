"""The wheel holds the four packages, and works where no checkout is."""

import json
import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("rig", "drivers", "simulators", "protocols")

# Build and installation are shared by the tests of this file.
pytestmark = pytest.mark.xdist_group("wheel")


@dataclass(frozen=True, slots=True)
class Installed:
    """A fresh environment with the wheel in it."""

    program: Path

    def nightrig(self, *arguments: str, cwd: str | Path = "/") -> subprocess.CompletedProcess[str]:
        """Run the installed program from a folder that is not the checkout."""
        return subprocess.run(
            [str(self.program), *arguments],
            cwd=cwd,
            env={"PATH": os.defpath, "HOME": str(self.program.parent)},
            capture_output=True,
            text=True,
            check=False,
        )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    """Build the wheel with the locked build back end, without network."""
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-P", "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory) -> Installed:
    """Install the wheel into an environment that borrows the locked packages of this one."""
    env = tmp_path_factory.mktemp("installed") / "env"
    venv.EnvBuilder(with_pip=False).create(env)
    python = env / "bin" / "python"
    pip = [sys.executable, "-P", "-m", "pip", "--python", str(python), "--isolated", "-q"]
    subprocess.run(
        [*pip, "install", "--no-deps", "--no-index", "--no-compile", str(wheel)],
        check=True,
        capture_output=True,
    )
    (site,) = env.glob("lib/python*/site-packages")
    # A .pth file of a folder that was itself added by one is not read: the checkout stays out.
    (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return Installed(env / "bin" / "nightrig")


def sources() -> set[str]:
    """Return every file of the four packages in the checkout."""
    return {
        file.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for file in (ROOT / package).rglob("*")
        if file.is_file() and file.suffix != ".pyc"
    }


def test_the_wheel_holds_exactly_the_four_packages(wheel):
    names = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    assert {name.split("/")[0] for name in names} == set(PACKAGES)
    assert names == sources()


def test_the_wheel_holds_every_packaged_protocol(wheel):
    names = set(zipfile.ZipFile(wheel).namelist())
    packaged = {name for name in sources() if name.endswith(".toml")}
    assert "protocols/rigs/simulated.toml" in packaged
    assert packaged <= names
    assert {f"{package}/py.typed" for package in ("rig", "drivers", "simulators")} <= names


def test_the_wheel_carries_its_licence(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    assert any(name.endswith(".dist-info/licenses/LICENSE") for name in names)


@pytest.mark.nights
def test_the_program_explains_itself_from_the_root_folder(installed):
    done = installed.nightrig("--help", cwd="/")
    assert (done.returncode, done.stderr) == (0, "")
    assert "rehearse" in done.stdout


@pytest.mark.nights
def test_a_folder_named_drivers_where_the_user_stands_is_not_imported(installed, tmp_path):
    for package in PACKAGES:
        (tmp_path / package).mkdir()
        trap = f"raise SystemExit('{package} of the current folder was imported')"
        (tmp_path / package / "__init__.py").write_text(trap, encoding="utf-8")
    (site,) = installed.program.parents[1].glob("lib/python*/site-packages")
    protocol = site / "protocols" / "overnight-wet-prism.toml"
    done = installed.nightrig("check", str(protocol), "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["ok"] is True
