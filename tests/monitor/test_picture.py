"""The picture of the screen: plain SVG, the same each time."""

import re
import xml.etree.ElementTree as ET

import pytest

from rig.monitor.picture import main, picture
from rig.record import Recorder
from tests.monitor.night_12 import CYCLING
from tests.monitor.views import VIEWS
from tests.record.runs import header, likely_rows


@pytest.mark.parametrize("name", ["cycling", "warned", "failure"])
def test_a_picture_is_well_formed_and_shows_the_words_of_the_screen(name):
    root = ET.fromstring(picture(VIEWS[name]))
    words = "".join(root.itertext()).replace("\xa0", " ")
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "stiffness" in words
    assert "P-12" in words


@pytest.mark.parametrize(
    ("name", "said"),
    [("cycling", "ask it nightrig pause"), ("cycling", "Ctrl-C leaves"), ("rehearsal", "Ctrl-C")],
)
def test_a_picture_says_how_to_ask_and_to_leave_as_the_screen_does(name, said):
    words = " ".join(ET.fromstring(picture(VIEWS[name])).itertext()).split()
    assert said in " ".join(words)


def test_a_picture_asks_nothing_of_the_network():
    found = re.findall(r"https?://[^\s\"']+|@font-face|@import|href", picture(VIEWS["cycling"]))
    assert found == ["http://www.w3.org/2000/svg"]


def test_the_picture_of_a_view_is_the_same_each_time_and_whatever_the_environment(monkeypatch):
    before = picture(VIEWS["warned"])
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "dumb")
    monkeypatch.setenv("COLUMNS", "40")
    assert picture(VIEWS["warned"]) == before


def test_the_picture_of_a_run_is_written_to_a_file(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.status(CYCLING)
    recorder.cycles(likely_rows(1, 300))
    recorder.commit()
    recorder.abandon()
    out = tmp_path / "screen.svg"
    assert main([str(tmp_path / "run"), str(out)]) == 0
    assert ET.parse(out).getroot().tag.endswith("svg")


def test_a_folder_without_a_run_is_told_and_nothing_is_written(tmp_path, capsys):
    assert main([str(tmp_path), str(tmp_path / "out.svg")]) == 6
    assert "journal.db" in capsys.readouterr().err
    assert not (tmp_path / "out.svg").exists()
