"""`nightrig compare SERIES --service FILE`: years as a table, as an object, and what is refused."""

import json
from functools import partial

import pytest

from rig.commands.files import find_series, find_service, read_text
from rig.commands.service_told import (
    service_lines,
    service_object,
    service_table,
    service_words,
)
from rig.lives.service import service_life
from rig.protocol.load import load_series
from rig.protocol.service_file import load_service
from tests.commands.cut_off import said_by

BY_MODEL = """period = "365 d"
wet_time = "50 %"
of = "concrete"
model = "DNV-ST-C502 mean"
strength = "60 MPa"
[[block]]
upper = "60 %"
lower = "6 %"
cycles = "10000 cycles"
"""


SERIES = load_series(find_series("wet-cracks"), read_text)


def compare(*words):
    said = said_by("compare", "wet-cracks", "--service", *words)
    return said.code, said.out, said.err


def told_of(path):
    return service_life(SERIES, load_service(path, partial(read_text, service=True)), draws=500)


@pytest.fixture(scope="module")
def deck():
    return told_of(find_service("tidal-deck"))


@pytest.mark.nights
@pytest.mark.timeout(600)
def test_compare_tells_the_years_of_a_packaged_place():
    code, out, err = compare("tidal-deck")
    assert code == 0
    assert "Traceback" not in err
    assert "Service: Deck of a tidal harbour" in out
    assert "what years of water do to steel and concrete is not in these lives" in out
    assert "of the damage lies below the levels tested" in out


def test_a_row_for_each_place(deck):
    title, heads, rows = service_table(deck)
    assert title == "Service: Deck of a tidal harbour"
    assert {len(row) for row in rows} == {1 + len(heads)}
    dry, wet, mixed = rows
    assert (dry[0], dry[2], dry[-1]) == ("dry", "-", "lower bound")
    assert (wet[1], mixed[1]) == ("100", "35")
    assert float(wet[3]) < float(wet[2]) < float(wet[4])


def test_what_the_years_stand_on_is_said(deck):
    lines = "\n".join(service_lines(deck))
    assert "lives for each place: dry: dry; wet: spray" in lines
    assert "1 of 20: has failed by then" in lines
    assert "slope: EN 1992-2" in lines
    assert "from and to: 95 %" in lines
    assert "mixed: the dry lives only ran out: its damage is in the low end alone" in lines
    assert "beware: 100 % of the damage lies below the levels tested" in lines


def test_a_sentence_tells_the_years_and_what_nobody_tested(deck):
    (words,) = service_words(deck)
    _, _, rows = service_table(deck)
    (_, _, _, low, *_), wet, mixed = rows
    assert f": dry at least {low}; wet {wet[2]}, {wet[3]} to {wet[4]}; mixed {mixed[2]}" in words
    assert "(95 %)" in words
    assert words.endswith("% of the damage lies at levels that nobody tested.")
    assert service_words(None) == []


def test_the_object_has_each_place(deck):
    dry, wet, mixed = json.loads(json.dumps(service_object(deck)))["places"]
    assert (dry["kind"], dry["years"]) == ("lower bound", None)
    assert wet["low"] < wet["years"] < wet["high"]
    assert mixed["years"] == pytest.approx(wet["years"] / 0.35)


def test_a_model_stands_in_for_the_lives(tmp_path):
    path = tmp_path / "place.toml"
    path.write_text(BY_MODEL, encoding="utf-8")
    told = service_object(told_of(str(path)))
    assert [place["kind"] for place in told["places"]] == ["models"] * 3
    assert told["lives_from"].startswith("DNV-ST-C502 mean")
    assert told["slope"] is None


def test_a_group_that_is_none_is_refused_in_one_line(tmp_path):
    path = tmp_path / "place.toml"
    text = BY_MODEL.replace(
        'of = "concrete"\nmodel = "DNV-ST-C502 mean"\nstrength = "60 MPa"\n', ""
    )
    path.write_text('wet = "sprayed"\n' + text, encoding="utf-8")
    code, out, err = compare(str(path))
    assert (code, out) == (2, "")
    assert err == (
        f"--service {path}: sprayed is no group of this series; known are dry, spray, submerged\n"
    )


def test_a_file_that_is_not_there_is_told_with_what_is():
    code, out, err = compare("tidal-dek")
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert 'did you mean "services/tidal-deck"' in err or 'did you mean "tidal-deck"' in err
