"""A run on the dummy beam: what it tells of the load in motion, kept in the rig file."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from rig.assembly import rehearse
from rig.assembly.verifying import verification_in
from rig.commands.files import load
from rig.commands.verification import keep, keep_verification
from rig.errors import InputError
from rig.protocol.in_the_air import in_the_air
from tests.assembly.nights import ROOT

GAUGE = """[[channel]]
name = "strain_1"
resolution = "0.1 um/m"
noise = "0.3 um/m"
range = ["-2000 um/m", "2000 um/m"]

"""
STROKE = """[[channel]]
name = "stroke"
resolution = "0.5 um"
noise = "1 um"
range = ["-60 mm", "60 mm"]

"""
SHORTER = {
    '"600 cycles"': '"200 cycles"',
    'settle = "10 s"': 'settle = "1 s"',
    'speed = "3 kN/s"': 'speed = "15 kN/s"',
    'hold = "5 s"': 'hold = "1 s"',
}


@dataclass(frozen=True)
class Files:
    """A protocol and a rig file in a folder."""

    folder: Path

    @property
    def rig(self) -> str:
        return str(self.folder / "rig.toml")

    def plan(self):
        return load(str(self.folder / "protocol.toml"), self.rig)

    def run(self, moving_mass: float | None = None) -> Path:
        """Carry it out; the truth may be another mass [kg] than the rig file says."""
        plan = self.plan()
        if moving_mass is not None:
            truth = {**plan.rig.simulation, "moving_mass": moving_mass}
            plan = replace(plan, rig=replace(plan.rig, simulation=truth))
        rehearse(plan, self.folder / "run", 1)
        return self.folder / "run"


@pytest.fixture(scope="module")
def files_of(tmp_path_factory):
    """Return a function: what is put into the rig file, to the files of a short verification."""

    def build(*more: str, end: str = "") -> Files:
        folder = tmp_path_factory.mktemp("files")
        shipped = ROOT / "protocols"
        text = (shipped / "dynamic-verification.toml").read_text(encoding="utf-8")
        for was, now in SHORTER.items():
            assert was in text
            text = text.replace(was, now)
        text = text.replace('"specimens/', f'"{shipped.as_posix()}/specimens/')
        rig = (shipped / "rigs" / "simulated.toml").read_text(encoding="utf-8")
        rig = rig.replace("[pump]", f"{''.join(more)}[pump]", 1) + end
        (folder / "protocol.toml").write_text(text, encoding="utf-8")
        (folder / "rig.toml").write_text(rig, encoding="utf-8")
        return Files(folder)

    return build


@pytest.fixture(scope="module")
def true(files_of):
    """Return the files of a rig whose load is true, with a run."""
    files = files_of(GAUGE)
    files.run()
    return files


@pytest.mark.xdist_group("verification")
def test_a_true_rig_is_verified_and_the_result_kept(true, capsys):
    before = Path(true.rig).read_text(encoding="utf-8")
    assert keep_verification(true.rig, true.folder / "run", as_json=False) == 0
    said = capsys.readouterr().out
    assert "cell and beam agree within 1 %" in said
    after = Path(true.rig).read_text(encoding="utf-8")
    assert after.startswith(before.rstrip())
    made = true.plan().rig.trust.verified
    assert made.frequency == 5.0
    assert made.difference < 0.002
    assert made.by.endswith(", on an emulated rig")
    assert f"{made.date}" == tomllib.loads(after)["dynamic_verification"]["date"]


@pytest.mark.xdist_group("verification")
def test_json_tells_what_was_found(true, capsys):
    assert keep_verification(true.rig, true.folder / "run", as_json=True) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["good"] is True
    assert told["cycles"] >= 190
    assert abs(told["difference"]) < told["uncertainty"] + 0.001
    assert told["beam"] == pytest.approx(
        81e3, rel=0.01
    )  # as counting begins the range is not whole yet


@pytest.mark.nights
def test_a_mass_that_the_rig_file_does_not_know_is_found(files_of, capsys):
    # At 5 Hz and some 0.2 mm it takes tonnes to be seen: a light beam would not show it.
    files = files_of(GAUGE)
    assert keep_verification(files.rig, files.run(moving_mass=10_000.0), as_json=False) == 4
    assert "loads in motion are not true" in capsys.readouterr().out
    assert files.plan().rig.trust.verified.difference > 0.01


@pytest.mark.nights
def test_the_same_mass_in_the_rig_file_is_no_difference(files_of):
    files = files_of(GAUGE, STROKE, end='\n[frame]\nmoving_mass = "10000 kg"\ncell = "moving"\n')
    assert keep_verification(files.rig, files.run(), as_json=False) == 0
    assert files.plan().rig.trust.verified.difference < 0.005


@pytest.mark.xdist_group("verification")
@pytest.mark.parametrize(("part", "value"), [("line", "bend"), ("found", "uncertainty")])
def test_a_gauge_that_tells_no_difference_of_one_percent_verifies_nothing(
    true, files_of, capsys, part, value
):
    made = verification_in(true.folder / "run", "simulated frame")
    doubted = replace(made, **{part: replace(getattr(made, part), **{value: 0.011})})
    files = files_of(GAUGE)
    assert keep(made, "simulated frame", files_of(GAUGE).rig, as_json=False) == 0
    assert keep(doubted, "simulated frame", files.rig, as_json=True) == 4
    told = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert (told["good"], told["kept"]) == (False, False)
    assert keep(doubted, "simulated frame", files.rig, as_json=False) == 4
    said = capsys.readouterr().out
    assert "the gauge tells no difference of 1 %" in said
    assert "kept       nothing" in said
    assert "dynamic_verification" not in Path(files.rig).read_text(encoding="utf-8")


@pytest.mark.xdist_group("verification")
def test_a_folder_that_is_no_run_verifies_nothing(true):
    for folder, why in ((true.folder / "none", "no such folder"), (true.folder, "holds some")):
        with pytest.raises(InputError, match=f"--verification: .*{why}"):
            keep_verification(true.rig, folder, as_json=False)


@pytest.mark.xdist_group("verification")
def test_without_a_rig_file_there_is_nowhere_to_keep_it(true):
    with pytest.raises(InputError, match="name the rig file that keeps what was found: --rig RIG"):
        keep_verification(None, true.folder / "run", as_json=False)


@pytest.mark.xdist_group("verification")
def test_nothing_is_kept_in_a_rig_file_of_the_program(true):
    with pytest.raises(InputError, match="simulated is a rig of this program, in which nothing"):
        keep_verification("simulated", true.folder / "run", as_json=False)


@pytest.mark.nights
def test_a_run_without_gauge_verifies_nothing(files_of):
    files = files_of()
    run = files.run()
    with pytest.raises(InputError, match="has no channel strain_1"):
        keep_verification(files.rig, run, as_json=False)
    assert "dynamic_verification" not in Path(files.rig).read_text(encoding="utf-8")


@pytest.mark.xdist_group("verification")
def test_a_run_of_another_rig_verifies_nothing(true, files_of):
    other = files_of(GAUGE)
    text = Path(other.rig).read_text(encoding="utf-8").replace("simulated frame", "other frame")
    Path(other.rig).write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="'simulated frame', and the rig file is that of 'other"):
        keep_verification(other.rig, true.folder / "run", as_json=False)


@pytest.mark.nights
def test_an_air_run_verifies_nothing(files_of):
    files = files_of(GAUGE)
    rehearse(in_the_air(files.plan()), files.folder / "air", 1)
    with pytest.raises(InputError, match="was an air run"):
        keep_verification(files.rig, files.folder / "air", as_json=False)
