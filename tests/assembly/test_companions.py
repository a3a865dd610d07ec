"""Runs of companions that a series names teach the forecast of the next one."""

import pytest

from rig.assembly import rehearse
from rig.errors import InputError
from rig.judging.foretelling import SIMULATED, forecast_setup
from tests.control.conftest import ROOT, plan_in
from tests.control.test_foretold import SCALED
from tests.control.test_rehearsal import BRISK, SHORT


def protocol(folder, runs, specimen=None):
    """Return the plan of a submerged prism whose series names runs of companions.

    They are those of one `specimen`, where one is given.
    """
    text = (ROOT / "series" / "wet-cracks.toml").read_text(encoding="utf-8")
    text = text.replace("../specimens/", f"{ROOT.as_posix()}/specimens/")
    for run in runs:
        of = specimen or f"P-7{len(text)}"
        text += f'\n[[life]]\nspecimen = "{of}"\ngroup = "submerged"\nrun = "{run}"\n'
    (folder / "series.toml").write_text(text, encoding="utf-8")
    source = {
        r"^capacity_from = .*$": 'capacity_from = "../series.toml: submerged"',
        # The shipped one has a life in the series already.
        r"^specimen_id = .*$": 'specimen_id = "P-99"',
    }
    files = folder / "files"
    files.mkdir(exist_ok=True)
    return plan_in(files, "submerged-prism", {**SHORT, **BRISK, **source}, SCALED)


def test_a_run_that_is_not_there_is_told_with_its_series(tmp_path):
    with pytest.raises(InputError, match=r"series\.toml: life\.run: .*nowhere.* correct the path"):
        protocol(tmp_path, ["nowhere"])


def test_the_run_of_a_specimen_itself_teaches_it_nothing(tmp_path):
    own = protocol(tmp_path, []).specimen_id
    # It may be the one that is about to begin: there is nothing to be read of it.
    assert protocol(tmp_path, ["nowhere"], own).softening == ()


def test_a_series_without_runs_teaches_nothing(tmp_path):
    plan = protocol(tmp_path, [])
    assert plan.softening == ()
    assert forecast_setup(plan).relation == SIMULATED


@pytest.mark.endurance
@pytest.mark.timeout(300)
def test_runs_of_companions_teach_what_such_specimens_do(tmp_path):
    plan = protocol(tmp_path, [])
    ends = {n: rehearse(plan, tmp_path / f"run-{n}", n).cycles for n in (1, 2, 3)}
    taught = protocol(tmp_path, [f"run-{n}" for n in ends])
    relation = forecast_setup(taught).relation
    assert len(taught.softening) == 3
    assert relation.freedom == 2
    assert relation.soft == pytest.approx(SIMULATED.soft, abs=0.05)
    assert relation.scatter < 0.05
