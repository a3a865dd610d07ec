"""What is doubtful about a real rig is refused, accepted by name, or warned of."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from rig.assembly.trusting import trusted
from rig.commands.files import load
from rig.control.checklist import checklist, missing
from rig.control.desk import Request
from rig.errors import InputError
from rig.protocol.in_the_air import in_the_air
from tests.assembly.calibrated import CERTIFICATE, calibrated
from tests.assembly.nights import ROOT

NOON = datetime(2026, 11, 29, 12, tzinfo=UTC)


@pytest.fixture
def plan_on(tmp_path):
    """Return a function: how the text of a real rig's file is changed, to the first night on it."""

    def build(change):
        shipped = (ROOT / "protocols" / "rigs" / "simulated.toml").read_text(encoding="utf-8")
        text = shipped.replace('driver = "simulated"', 'driver = "tryout"\nlocal_input = "button"')
        assert text != shipped
        path = tmp_path / "rig.toml"
        path.write_text(change(text), encoding="utf-8")
        return load("first-night", str(path))

    return build


def test_a_real_rig_without_calibrations_is_refused_in_one_line(plan_on):
    plan = plan_on(lambda text: text)
    with pytest.raises(InputError) as refused:
        trusted(plan, NOON, "")
    said = str(refused.value)
    assert "\n" not in said
    for words in ('no calibration of "load", "midspan"', "nothing was started", "--accept NAME"):
        assert words in said
    assert refused.value.exit_code == 2


def test_the_refusal_names_channel_certificate_and_day(plan_on):
    plan = plan_on(lambda text: calibrated(text, until="2026-11-28"))
    with pytest.raises(InputError) as refused:
        trusted(plan, NOON, "")
    assert f'calibration {CERTIFICATE} of "load"' in str(refused.value)
    assert "expired on 2026-11-28" in str(refused.value)


def test_a_calibration_holds_to_the_end_of_its_last_day(plan_on):
    plan = plan_on(lambda text: calibrated(text, until="2026-11-29"))
    assert trusted(plan, datetime(2026, 11, 29, 23, 59).astimezone(), "")[0].accepted == ()
    with pytest.raises(InputError):
        trusted(plan, datetime(2026, 11, 30, 0, 1).astimezone(), "")


def test_whoever_accepts_it_stands_in_the_record_and_on_the_checklist(plan_on):
    plan = plan_on(lambda text: calibrated(text, until="2026-11-28"))
    accepted, _ = trusted(plan, NOON, " A.  Name ")
    assert len(accepted.accepted) == len(plan.rig.channels)
    assert all(text.endswith("(by A. Name)") for text in accepted.accepted)
    assert all("\n" not in text and ";" not in text for text in accepted.accepted)
    items = checklist(accepted)
    assert [f"accepted: {text}" for text in accepted.accepted] == [
        item for item in items if CERTIFICATE in item
    ]
    confirmed = Request("confirm", who="B. Name", items=checklist(plan), on_call="C. Name, 12")
    assert CERTIFICATE in missing(accepted, confirmed)


def test_a_name_of_blanks_accepts_nothing(plan_on):
    plan = plan_on(lambda text: calibrated(text, until="2026-11-28"))
    with pytest.raises(InputError):
        trusted(plan, NOON, "  ")


def test_stops_and_motion_that_were_never_proven_only_warn(plan_on):
    plan = plan_on(calibrated)
    same, warned = trusted(plan, NOON, "A. Name")
    assert same.accepted == ()
    assert any("stops of this rig were never proven" in text for text in warned)
    assert any("never verified in motion" in text for text in warned)


def test_an_air_run_measures_nothing_and_is_only_warned(plan_on):
    plan = in_the_air(plan_on(lambda text: text))
    same, warned = trusted(plan, NOON, "")
    assert same.accepted == ()
    assert any("no calibration" in text for text in warned)
    assert not any("in motion" in text for text in warned)
