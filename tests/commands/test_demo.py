"""The demo clears its own place, and nothing of anybody else's."""

from __future__ import annotations

from functools import partial

import pytest

from rig.assembly.series_runs import with_runs
from rig.commands.demo import FIGURE, PROTOCOLS, make_room
from rig.commands.demo_reports import REPORT, SERIES, series_text, write_reports
from rig.commands.files import find_series, load, read_text
from rig.errors import InputError
from rig.protocol.load import load_series
from tests.assembly.test_series_runs import Recorded, record


def demo_files(folder) -> None:
    for name in PROTOCOLS:
        (folder / name / "segments").mkdir(parents=True)
        # As a demo leaves them, whole or broken off.
        for file in (
            *("journal.db", "journal.db-wal", "run.h5", "lock", "segments/0001.h5"),
            *("report.html", ".report.pdf.new"),
        ):
            (folder / name / file).touch()
    (folder / FIGURE).touch()
    (folder / SERIES).touch()
    (folder / REPORT / ".series.0a1b2c3d").mkdir(parents=True)
    for file in ("report.html", "report.pdf", "series-lives.svg", ".series.0a1b2c3d/half.csv"):
        (folder / REPORT / file).touch()


def test_what_an_earlier_demo_left_makes_room(tmp_path):
    demo_files(tmp_path)
    make_room(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_first_demo_makes_its_folder(tmp_path):
    make_room(tmp_path / "demo-out")
    assert (tmp_path / "demo-out").is_dir()


@pytest.mark.parametrize(
    "strange",
    ["notes.txt", f"{PROTOCOLS[0]}/notes.txt", "night-1/run.h5", f"{REPORT}/notes.txt"],
)
def test_anything_else_is_left_alone_and_refused_by_name(tmp_path, strange):
    demo_files(tmp_path)
    file = tmp_path / strange
    file.parent.mkdir(exist_ok=True)
    file.write_text("keep me")
    with pytest.raises(InputError, match=r"which no demo made"):
        make_room(tmp_path)
    assert file.read_text() == "keep me"
    assert (tmp_path / PROTOCOLS[0] / "run.h5").exists()


def test_the_series_of_the_demo_names_its_runs_and_the_loads_their_levels_rest_on(tmp_path):
    plans = {name: load(name, None) for name in PROTOCOLS}
    read = partial(read_text, series=True)
    text = series_text(plans, load_series(find_series("wet-cracks"), read))
    (tmp_path / SERIES).write_text(text, encoding="utf-8")
    series = load_series(str(tmp_path / SERIES), read)
    assert {life.run: life.group for life in series.lives} == {
        "overnight-wet-prism": "spray",
        "dry-short": "dry",
    }
    for name, plan in plans.items():
        loads = series.ultimate_loads(plan.exposure)
        assert plan.loading.capacity == pytest.approx(sum(loads) / len(loads)), name
    _, problems = with_runs(series, tmp_path, SERIES, text)
    assert all("there is no such run file" in str(problem) for problem in problems)
    assert "invented" in series.title


@pytest.mark.endurance
def test_the_demo_ends_with_the_reports_of_its_runs_and_of_their_series(tmp_path):
    """The runs are short records here: the demo itself rehearses them for half a minute."""
    plans = {name: load(name, None) for name in PROTOCOLS}
    for name, plan in plans.items():
        outcome = "failure" if plan.exposure == "spray" else "run-out"
        told = Recorded(outcome, specimen=plan.specimen_id, exposure=plan.exposure)
        record(tmp_path / name, told)
    told = write_reports(tmp_path, plans)
    (pair,) = told.pairs
    assert (pair.a.specimens, pair.b.specimens) == (("P-04",), ("P-12",))
    assert pair.test.smallest_p_one_sided == 0.5  # one of two arrangements
    for folder in (*PROTOCOLS, REPORT):
        page = (tmp_path / folder / "report.html").read_text(encoding="utf-8")
        assert page.startswith("<!DOCTYPE html>")
        assert (tmp_path / folder / "report.pdf").read_bytes().startswith(b"%PDF-")
    assert 'data-key="runs.1.sha256"' in page
    assert (tmp_path / REPORT / "series-lives.svg").is_file()
    make_room(tmp_path)
    assert list(tmp_path.iterdir()) == []
