"""The command `check`, called as a person or a script calls it."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner, Result

from rig.commands.check import check
from tests.protocol.texts import BY_SERIES, PRISM, SERIES, WET, shipped

KEYS = {
    "ok",
    "problems",
    "warnings",
    "upper_N",
    "lower_N",
    "frequency_Hz",
    "expected_duration_s",
    "water_L",
    "storage_bytes",
}


def call(*arguments: str) -> Result:
    return CliRunner().invoke(check, list(arguments))


def put(folder, text: str) -> str:
    """Write a protocol with the files it names and return its path."""
    for name in (PRISM, SERIES):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(shipped(name), encoding="utf-8")
    (folder / WET).write_text(text, encoding="utf-8")
    return str(folder / WET)


@pytest.mark.parametrize("name", ["overnight-wet-prism", "protocols/overnight-wet-prism.toml", WET])
def test_a_packaged_protocol_is_found_by_its_name(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = call(name, "--json")
    told = json.loads(result.stdout)
    assert result.exit_code == 0
    assert set(told) == KEYS
    assert told["ok"] is True
    assert told["upper_N"] == pytest.approx(92.4e3)
    assert told["lower_N"] == pytest.approx(9.24e3)
    assert told["frequency_Hz"] == 4.0
    assert told["water_L"] > 0


def test_a_static_test_has_no_cyclic_load():
    told = json.loads(call("static-ultimate", "--json").stdout)
    assert told["ok"] is True
    assert (told["upper_N"], told["lower_N"], told["frequency_Hz"]) == (None, None, None)


def test_problems_are_listed_for_scripts_and_end_with_2(tmp_path):
    path = put(tmp_path, BY_SERIES.replace('"70 %"', '"70 kNm"'))
    result = call(path, "--json")
    told = json.loads(result.stdout)
    assert result.exit_code == 2
    assert set(told) == KEYS
    assert told["ok"] is False
    assert told["problems"] == [
        {
            "file": path,
            "line": 9,
            "field": "loading.upper",
            "problem": '"70 kNm" is a moment',
            "remedy": 'give a force such as "92 kN" or a percentage of capacity such as "70 %"',
        }
    ]


def test_problems_are_one_line_each_for_people(tmp_path):
    path = put(tmp_path, BY_SERIES.replace('"70 %"', '"70 kNm"'))
    result = call(path)
    assert result.exit_code == 2
    assert result.output.splitlines() == [
        f'{path}:9: loading.upper: "70 kNm" is a moment; give a force such as "92 kN" '
        'or a percentage of capacity such as "70 %"',
        "1 problem; nothing can start from these files.",
    ]


def test_a_file_with_a_byte_order_mark_is_read(tmp_path):
    assert call(put(tmp_path, "\ufeff" + BY_SERIES)).exit_code == 0


@pytest.mark.parametrize("name", ["nowhere.toml", "a\0b", "../x", "/", "", "."])
def test_a_protocol_that_cannot_be_read_is_one_problem(name):
    result = call(name, "--json")
    told = json.loads(result.stdout)
    assert result.exit_code == 2
    assert len(told["problems"]) == 1
    assert "cannot read" in told["problems"][0]["problem"]


def test_a_rig_that_cannot_be_read_is_a_problem():
    result = call("dry-short", "--rig", "nowhere.toml")
    assert result.exit_code == 2
    assert result.output.startswith('nowhere.toml: cannot read "nowhere.toml": no such file')


def test_a_test_too_big_for_any_disk_ends_with_6(tmp_path):
    text = (
        shipped(WET)
        .replace('"11e6 cycles"', '"1e9 cycles"')
        .replace("per_decade = 30", "per_decade = 1000")
    )
    text = text.replace("cycles = 5\n", "cycles = 1000\n")
    path = put(tmp_path, text)
    result = call(path, "--json", "--out", str(tmp_path / "run"))
    told = json.loads(result.stdout)
    assert (result.exit_code, told["ok"]) == (6, False)
    assert told["problems"] == []


def test_people_read_what_the_test_takes_and_the_caution():
    said = call("overnight-wet-prism").output
    assert "9.2 and 92.4 kN at 4 Hz" in said
    assert "11,000,000 cycles" in said
    assert "no safety system" in said


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (["overnight-wet-prisms"], "overnight-wet-prism"),
        (["protocols/first-nigt.toml"], "first-night"),
        (["dry-short", "--rig", "simulatd"], "simulated"),
        (["dry-short", "--rig", "rigs/simulated-ful.toml"], "simulated-full"),
    ],
)
def test_a_name_that_is_nearly_a_packaged_one_is_answered_with_it(words, meant):
    told = json.loads(call(*words, "--json").stdout)["problems"]
    assert [p["remedy"] for p in told] == [f'did you mean "{meant}"?']


def test_a_name_like_none_is_answered_with_all_packaged_ones(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    said = call("zzz").output
    assert "first-night" in said
    assert "static-ultimate" in said
    rigs = call("dry-short", "--rig", "zzz").output
    assert "packaged rigs are simulated, simulated-full" in rigs
    assert "static-ultimate" not in rigs


def test_a_named_file_that_is_not_there_is_answered_with_its_neighbour(tmp_path):
    path = put(tmp_path, BY_SERIES.replace("prism-small", "prism-smal"))
    (told,) = json.loads(call(path, "--json").stdout)["problems"]
    assert (told["line"], told["field"]) == (2, "specimen")
    assert told["remedy"] == f'did you mean "{tmp_path / PRISM}"?'


def test_a_packaged_rig_is_found_by_its_bare_name():
    assert "on rig simulated frame, full" in call("dry-short", "--rig", "simulated-full").output


def test_a_driver_that_is_not_installed_is_a_problem_of_the_rig_file(tmp_path):
    rig = tmp_path / "frame.toml"
    rig.write_text(
        shipped("rigs/simulated.toml").replace('"simulated"', '"frame_7"'), encoding="utf-8"
    )
    path = put(tmp_path, BY_SERIES.replace('lower = "7 %"', 'lower = "75 %"'))
    result = call(path, "--rig", str(rig), "--json")
    told = json.loads(result.stdout)["problems"]
    assert result.exit_code == 2
    assert [(p["file"], p["field"]) for p in told] == [
        (str(rig), "driver"),
        (path, "loading.lower"),
    ]
    assert '"frame_7" is not installed' in told[0]["problem"]
    assert "simulated" in told[0]["remedy"]


def test_a_folder_that_is_there_already_is_a_problem_beside_the_others(tmp_path):
    path = put(tmp_path, BY_SERIES.replace('"70 %"', '"70 kNm"'))
    result = call(path, "--out", str(tmp_path), "--json")
    told = json.loads(result.stdout)
    assert (result.exit_code, told["ok"]) == (2, False)
    assert {p["field"] for p in told["problems"]} == {"--out", "loading.upper"}
    alone = json.loads(call("dry-short", "--out", str(tmp_path), "--json").stdout)
    assert (alone["ok"], len(alone["problems"])) == (False, 1)
    assert "already exists" in alone["problems"][0]["problem"]
    assert call("dry-short", "--out", str(tmp_path / "new")).exit_code == 0
