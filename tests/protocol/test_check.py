"""The command `check`, called as a person or a script calls it."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner, Result

from rig.clock import SystemClock
from rig.commands.check import check
from tests.protocol.texts import BY_SERIES, PRISM, RIG, SERIES, WET, shipped
from tests.protocol.trust_texts import FRAME_TABLE, SUPPLY, TRUSTED, all_calibrated

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
    "capability",
}
CYCLING = {
    "travel_m",
    "travel_soft_m",
    "speed_m_s",
    "speed_soft_m_s",
    "acceleration_m_s2",
    "inertia_N",
    "flow_mean_m3_s",
    "flow_peak_m3_s",
    "valve_rated_m3_s",
    "first_frequency_Hz",
    "first_frequency_uncracked_Hz",
    "frequency_ratio",
    "samples_a_cycle",
    "load_error",
    "deflection_error",
}


def call(*arguments: str, catch: bool = True) -> Result:
    return CliRunner().invoke(check, list(arguments), catch_exceptions=catch)


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
    assert (told["ok"], told["capability"]) == (False, None)
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
    assert ", less if the specimen fails." in said


def test_a_test_that_alerts_alone_is_not_said_to_end_when_the_specimen_fails(tmp_path):
    alone = '[failure]\nalert_only = ["stiffness_loss", "load_short"]'
    said = " ".join(call(put(tmp_path, shipped(WET).replace("[failure]", alone))).output.split())
    assert ", less if a limit ends it." in said
    assert "if the specimen fails." not in said


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


# Capability.


def frame(folder, text: str) -> str:
    """Write a rig file and return its path."""
    (folder / "frame.toml").write_text(text, encoding="utf-8")
    return str(folder / "frame.toml")


def line(text: str, words: str) -> int:
    """Return the line on which some words stand first."""
    return text[: text.index(words)].count("\n") + 1


SIM = shipped(RIG)
OILED = SIM + SUPPLY.replace('"50 cm2"', '"125 cm2"') + FRAME_TABLE


def test_scripts_are_told_what_the_test_asks_of_the_rig(tmp_path):
    told = json.loads(call(WET, "--rig", frame(tmp_path, OILED), "--json").stdout)["capability"]
    cycling = told.pop("cycling")
    assert set(cycling) == CYCLING
    assert told["force_of"] == "upper load"
    assert told["share_of_cell"] == pytest.approx(92.4 / 260)
    assert cycling["samples_a_cycle"] == 250
    assert cycling["travel_soft_m"] == pytest.approx(cycling["travel_m"] / 0.6)
    assert cycling["inertia_N"] == pytest.approx(120 * cycling["acceleration_m_s2"])
    assert 0 < cycling["flow_mean_m3_s"] < cycling["flow_peak_m3_s"]


def test_a_static_test_has_no_cycling_and_no_rig_need_have_oil():
    told = json.loads(call("static-ultimate", "--json").stdout)["capability"]
    assert told["cycling"] is None
    assert told["force_of"] == "expected ultimate load"
    dry = json.loads(call("dry-short", "--json").stdout)["capability"]
    assert dry["cycling"]["flow_mean_m3_s"] is None
    assert dry["tank_lasts_s"] is None


def test_a_load_that_the_oil_cannot_hold_is_a_number_that_is_none(tmp_path):
    weak = OILED.replace('"125 cm2"', '"30 cm2"')
    told = json.loads(call(WET, "--rig", frame(tmp_path, weak), "--json").stdout)
    assert told["capability"]["cycling"]["valve_rated_m3_s"] is None
    assert any("of what the oil can push" in warning for warning in told["warnings"])


def test_people_read_the_figures_of_the_rig_they_name(tmp_path):
    rig = frame(tmp_path, OILED)
    said = call(WET, "--rig", rig).output
    cycling = json.loads(call(WET, "--rig", rig, "--json").stdout)["capability"]["cycling"]

    def figures(text: str) -> list[float]:
        found = re.search(text.replace("#", r"([\d.]+)"), said)
        assert found is not None, text
        return [float(number.rstrip(".")) for number in found.groups()]

    def told(*values: float) -> object:
        return pytest.approx(values, rel=0.06)

    moves = "moves the rod # mm, # mm with 40 % less stiffness, at up to # mm/s"
    travels = (cycling["travel_m"] * 1e3, cycling["travel_soft_m"] * 1e3)
    assert figures(moves) == told(*travels, cycling["speed_soft_m_s"] * 1e3)
    assert figures("can do 100 mm/s. and # m/s²") == told(cycling["acceleration_m_s2"])
    inertia = figures("The 120 kg between cell and specimen take up to # N to move")
    assert inertia == told(cycling["inertia_N"])
    flows = [cycling[f"flow_{which}_m3_s"] * 60e3 for which in ("mean", "peak")]
    oil = "Oil: # L/min, # at the fastest; the pump gives 63 L/min, of which others"
    assert figures(oil) == told(*flows)
    assert "the upper load of 92.4 kN is 36 % of the load cell's range" in said
    assert "the specimen carries 1.2 kN more than the load that is shown" in said
    assert "rod" not in call(WET).output


def test_a_warning_has_its_file_and_line_and_hinders_nothing(tmp_path):
    rig = frame(tmp_path, SIM.replace('"100 mm/s"', '"40 mm/s"').replace("40 N", "2 kN"))
    result = call(WET, "--rig", rig)
    assert result.exit_code == 0
    lines = [x for x in result.output.splitlines() if x.startswith("warning: ")]
    noise = f"{rig}:{line(SIM, '40 N')}: channel[1].noise: the load range of one cycle"
    speed = f"{WET}:{line(shipped(WET), '4 Hz')}: loading.frequency: 4 Hz moves the rod"
    assert [[words in x for x in lines].count(True) for words in (noise, speed)] == [1, 1]


def test_a_rig_of_software_limits_is_as_fast_as_it_is_driven(tmp_path):
    rig = frame(tmp_path, SIM.replace('limits = "controller"', 'limits = "software only"'))
    said = call(WET, "--rig", rig).output
    assert "faster than the actuator's 10 mm/s" in said
    assert "leaves all limits to this program" in said


def test_water_that_flows_into_the_tank_is_counted(tmp_path):
    some = SIM.replace('tank = "1000 L"', 'tank = "1000 L"\nmake_up = "0.1 L/min"')
    said = call(WET, "--rig", frame(tmp_path, some)).output
    assert (
        "(1,000 L) is empty after about 167 h although 0.1 L/min flow in; fill it in time or "
        "connect a supply of 0.2 L/min" in said
    )
    enough = some.replace("0.1 L/min", "0.2 L/min")
    assert "tank (1,000 L)" not in call(WET, "--rig", frame(tmp_path, enough)).output


@pytest.fixture
def on_a_monday(monkeypatch):
    monday = datetime(2026, 3, 23, 9, 0, tzinfo=UTC)
    monkeypatch.setattr(SystemClock, "utc", lambda self: monday)


@pytest.mark.usefixtures("on_a_monday")
def test_a_real_rig_is_told_of_the_weekend_and_of_what_is_due(tmp_path):
    hours = '\n[hours]\nzone = "UTC"\n'
    path = put(tmp_path, shipped(WET) + hours)
    rig = frame(tmp_path, TRUSTED)
    told = json.loads(call(path, "--rig", rig, "--json").stdout)["warnings"]
    # 32 days from a Monday morning end on a Friday; two more end on a Sunday.
    assert not [x for x in told if "would end on" in x]
    assert [x for x in told if x.startswith(f"{rig}: there is no calibration of")]
    assert len([x for x in told if "starts a real rig only with --accept NAME" in x]) == 1
    longer = put(tmp_path, shipped(WET).replace("11e6 cycles", "117e5 cycles") + hours)
    told = json.loads(call(longer, "--rig", rig, "--json").stdout)["warnings"]
    assert [x for x in told if "would end on Sunday 26 April at " in x]


@pytest.mark.usefixtures("on_a_monday")
@pytest.mark.parametrize(
    ("old", "new", "days"),
    [
        ("cast = 2025-03-04", "cast = 2026-03-23", []),
        ("soaked_since = 2025-04-08", "soaked_since = 2026-03-24", ["soaked_since 2026-03-24"]),
        ("cast = 2025-03-04", "cast = 2026-03-24", ["cast 2026-03-24"]),
        ('"2 days after casting"', "2027-01-01", ["release 2027-01-01"]),
    ],
)
def test_a_specimen_that_is_yet_to_be_made_is_told_where_it_would_be_tested(
    tmp_path, old, new, days
):
    path, rig = put(tmp_path, shipped(WET)), frame(tmp_path, TRUSTED)
    text = shipped(PRISM).replace("soaked_since = 2025-04-08\n", "") if "soaked" not in old else ""
    (tmp_path / PRISM).write_text((text or shipped(PRISM)).replace(old, new), encoding="utf-8")
    told = json.loads(call(path, "--rig", rig, "--json").stdout)["warnings"]
    ahead = [x for x in told if "after today" in x]
    assert [x.partition("specimen: ")[2].partition(" lies")[0] for x in ahead] == days
    assert all(x.startswith(f"{path}:{line(shipped(WET), 'specimen = ')}: ") for x in ahead)
    # One may rehearse before it is cast.
    assert "after today" not in call(path).output


@pytest.mark.parametrize(
    ("zone", "over"),
    [pytest.param("UTC", False, marks=pytest.mark.nights), ("Pacific/Kiritimati", True)],
)
def test_the_day_is_that_of_the_protocols_zone_as_for_a_run(tmp_path, monkeypatch, zone, over):
    noon = datetime(2026, 3, 23, 12, 0, tzinfo=UTC)  # 2 in the morning of the next day there
    monkeypatch.setattr(SystemClock, "utc", lambda self: noon)
    path = put(tmp_path, f'{shipped(WET)}\n[hours]\nzone = "{zone}"\n')
    rig = frame(tmp_path, TRUSTED.replace('until = "2027-03-14"', 'until = "2026-03-23"'))
    sheet = tmp_path / "set-up.pdf"
    arguments = (path, "--rig", rig, "--sheet", str(sheet), "--json")
    told = json.loads(call(*arguments).stdout)["warnings"]
    assert any("expired on 2026-03-23" in warning for warning in told) == over
    made = b"D:20260324" if over else b"D:20260323"
    assert made in sheet.read_bytes()


@pytest.mark.usefixtures("on_a_monday")
def test_a_rig_that_is_calibrated_is_not_told_of_a_refusal(tmp_path):
    rig = frame(tmp_path, all_calibrated())
    told = json.loads(call(put(tmp_path, shipped(WET)), "--rig", rig, "--json").stdout)
    assert told["ok"]
    assert not [x for x in told["warnings"] if "--accept" in x]


def test_a_rehearsal_knows_no_calendar(tmp_path, monkeypatch):
    def no_day(_clock):
        raise AssertionError("asked for the day")

    monkeypatch.setattr(SystemClock, "utc", no_day)
    assert call(put(tmp_path, BY_SERIES)).exit_code == 0
