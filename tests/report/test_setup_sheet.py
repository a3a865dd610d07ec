"""The set-up sheet: what stands on it, on one page, whatever the files hold."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.channels import Channel, channel_unit
from rig.commands.files import load
from rig.errors import StorageError
from rig.protocol.channel_tables import CHANNEL_NAMES
from rig.protocol.plan import Plan
from rig.protocol.trust import Calibration, Frame, ProofOfStopping, Supply, Trust
from rig.report.letters import wrap
from rig.report.setup_facts import sheet_of
from rig.report.setup_sheet import (
    MARGIN,
    OTHERWISE,
    SMALLEST,
    NoRoom,
    draw_sheet,
    write_sheet,
)

pytestmark = pytest.mark.xdist_group("pictures")  # one process loads what draws them

TODAY = date(2026, 11, 29)
FULL = "protocols/rigs/simulated-full.toml"


@pytest.fixture(scope="module")
def wet() -> Plan:
    return load("overnight-wet-prism", FULL)


@cache
def a_plan() -> Plan:
    return load("dry-short", None)


def words(figure) -> str:
    """Return all that stands on a sheet; a text may be wrapped."""
    return " ".join(text.get_text() for axes in figure.axes for text in axes.texts)


def trusted(plan: Plan, **trust) -> Plan:
    return replace(plan, rig=replace(plan.rig, trust=Trust(**trust)))


CALIBRATED = Calibration(
    date=date(2026, 3, 14),
    until=date(2027, 3, 14),
    certificate="C-0417",
    serial="LC-2093",
    uncertainty=400.0,
    used=(5e3, 250e3),
    shunt=83.4e3,
)


def test_loads_water_and_geometry_stand_on_it(wet):
    text = words(draw_sheet(sheet_of(wet, TODAY)))
    for wanted in (
        "132 kN",
        "92.4 kN (70 % of capacity)",
        "9.24 kN",
        "4 Hz",
        "11,000,000 cycles",
        "span 900 mm",
        "300 mm",
        "bottom ____, left side ____",
        "1.5 L/min ± 15 %",
        "2026-11-29",
    ):
        assert wanted in text, wanted


def test_every_channel_of_the_rig_has_its_row(wet):
    rows = sheet_of(wet, TODAY).channels
    assert [row.name for row in rows] == [c.name for c in wet.rig.channels]
    assert rows[0].range == "-25 to 260 kN"


def test_a_calibration_a_shunt_and_the_dead_load_are_told(wet):
    plan = trusted(
        wet,
        calibrations={"load": CALIBRATED},
        frame=Frame(moving_mass=120.0, dead_load=1200.0, zeroed="resting"),
        supply=Supply(5e-3, 21e6, 1e-3, others=3e-4),
        proven=ProofOfStopping(date(2026, 10, 1), "A. Name", 90, ()),
    )
    text = " ".join(words(draw_sheet(sheet_of(plan, TODAY))).split())
    assert "no. LC-2093, C-0417, to 2027-03-14, U 0.4 kN" in text
    assert "Shunt of load on: 83.4 kN ± 0.5 % more: ____. Off again." in text
    assert "with the spreader (1.2 kN) resting on the specimen" in text
    assert "120 kg, cell moving" in text
    assert "supply 210 bar" in text
    assert "Other stations on the pump have been told." in text
    assert "last on 2026-10-01 by A. Name" in text


def test_limits_are_those_of_protocol_and_rig_the_tighter_ones(wet):
    rows = {row.name: row for row in sheet_of(wet, TODAY).limits}
    assert (rows["load"].low, rows["load"].high) == ("-2 kN", "97 kN")
    assert rows["load"].where == "controller + program"
    assert (rows["deflection"].where, rows["deflection"].high) == ("program only", "8 mm")
    assert rows["load"].same is None


def test_a_limit_that_reads_back_otherwise_says_stop(wet):
    good = sheet_of(wet, TODAY, {"load": (-2e3, 97e3)})
    bad = sheet_of(wet, TODAY, {"load": (-2e3, 98e3)})
    assert "yes" in words(draw_sheet(good))
    assert OTHERWISE not in words(draw_sheet(good))
    text = words(draw_sheet(bad))
    assert "98 kN" in text
    assert OTHERWISE in text


@pytest.mark.nights
def test_a_limit_that_the_controller_was_never_given_is_no_blank_to_fill_in(wet):
    for back in ({}, {"stroke": (-0.06, 0.06)}):
        row = next(r for r in sheet_of(wet, TODAY, back).limits if r.name == "load")
        assert (row.back_low, row.back_high, row.same) == ("none", "none", False)
        assert "A LIMIT READS BACK OTHERWISE" in words(draw_sheet(sheet_of(wet, TODAY, back)))


def test_a_limit_of_the_controllers_own_that_nobody_planned_is_shown(wet):
    rows = sheet_of(wet, TODAY, {"load": (-2e3, 97e3), "stroke": (-0.06, 0.06)}).limits
    row = next(r for r in rows if r.name == "stroke")
    assert (row.where, row.low, row.high) == ("controller only", "none", "none")
    assert (row.back_low, row.back_high, row.same) == ("-60 mm", "60 mm", None)


def test_every_channel_there_is_has_a_use(wet):
    for name in CHANNEL_NAMES:
        channel = replace(wet.rig.channels[0], name=name, unit=channel_unit(name))
        alone = replace(wet, rig=replace(wet.rig, channels=(channel,)))
        assert sheet_of(alone, TODAY).channels[0].used_for, name
    rows = {row.name: row for row in sheet_of(wet, TODAY).channels}
    assert rows["load"].used_for == "control, stiffness, limit"
    assert rows["load_2"].used_for == "second measure"


def test_without_controller_limits_nothing_is_asked_back(wet):
    alone = replace(
        wet, rig=replace(wet.rig, actuator=replace(wet.rig.actuator, limits="software only"))
    )
    assert {row.where for row in sheet_of(alone, TODAY).limits} == {"program only"}


def test_a_dry_test_speaks_of_no_water():
    text = words(draw_sheet(sheet_of(load("dry-short", None), TODAY)))
    assert "Residual-current" not in text
    assert "catch can" not in text


def test_a_submerged_test_asks_for_the_level():
    text = words(draw_sheet(sheet_of(load("submerged-prism", None), TODAY)))
    assert "Water over the specimen" in text


def test_a_static_test_needs_no_loading():
    sheet = sheet_of(load("static-ultimate", None), TODAY)
    assert "Frequency" not in dict(sheet.facts)
    assert "Set-up: Prism P-31, dry, static to its ultimate load" in words(draw_sheet(sheet))


@pytest.mark.nights
def test_the_file_is_one_page_of_a4(wet, tmp_path):
    path = tmp_path / "sheet.pdf"
    write_sheet(wet, path, TODAY)
    data = path.read_bytes()
    assert data.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page\b", data)) == 1
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", data)
    assert box is not None
    # A4 is 210 by 297 mm (ISO 216), a point 1/72 inch.
    assert [round(float(side) * 25.4 / 72) for side in box.groups()] == [210, 297]


def test_a_folder_that_is_not_there_is_told_in_one_line(wet, tmp_path):
    with pytest.raises(StorageError, match="set-up sheet"):
        write_sheet(wet, tmp_path / "none" / "sheet.pdf", TODAY)


@pytest.mark.nights
def test_twelve_more_channels_and_long_names_still_fit_in_letters_that_can_be_read(wet):
    more = tuple(Channel(f"strain_{n}", "1", 1e-6, -1e-3, 5e-3) for n in range(12))
    many = replace(
        wet,
        title="A title that somebody has written without any thought of paper " * 2,
        rig=replace(wet.rig, channels=(*wet.rig.channels[:8], *more)),
    )
    figure = draw_sheet(sheet_of(many, TODAY))
    texts = figure.axes[0].texts
    assert min(text.get_fontsize() for text in texts) >= SMALLEST
    # Letters hang below where their line is set; a page ends at 0 mm, what printers print at 12.
    assert min(text.get_position()[1] for text in texts) >= MARGIN
    assert all(channel.name in words(figure) for channel in many.rig.channels)


def test_what_cannot_fit_is_refused_with_what_to_do(wet):
    many = tuple(Channel(f"strain_{n}", "1", 1e-6, -1e-3, 5e-3) for n in range(150))
    too_many = replace(wet, rig=replace(wet.rig, channels=many))
    with pytest.raises(NoRoom, match="does not fit on one page; shorten"):
        draw_sheet(sheet_of(too_many, TODAY))


@pytest.mark.endurance
@settings(deadline=None)
@given(st.text(max_size=200), st.text(max_size=60))
def test_no_title_or_name_leaves_the_page_or_is_taken_for_a_formula(title, name):
    sheet = sheet_of(replace(a_plan(), title=title, specimen_id=name), TODAY)
    figure = draw_sheet(sheet)
    figure.canvas.draw()
    for text in figure.axes[0].texts:
        box = text.get_window_extent()
        assert box.x0 >= -1
        assert box.x1 <= figure.bbox.x1 + 1
        assert box.y0 >= -1


@pytest.mark.nights
@given(st.text(max_size=300), st.floats(5.0, 180.0), st.floats(6.0, 12.0))
def test_wrapping_loses_no_letter(text, width, size):
    printable = [c for c in "".join(wrap(text, width, size)) if c != " "]
    assert len(printable) == len([c for c in text if c != " "])
