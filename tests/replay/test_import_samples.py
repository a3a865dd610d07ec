"""Samples out of text: every way to write them gives the same run; gaps and bad times are told."""

from __future__ import annotations

import numpy as np
import pytest

from rig.channels import CHANNEL_UNITS, SHOWN
from rig.errors import InputError
from rig.record import read_journal, read_run, trouble_in_run_file
from rig.replay.headings import Refused, column_of
from rig.samples import Flag
from tests.replay.tables import (
    HEADING,
    RATE,
    columns_in,
    imported,
    read_si,
    same_columns,
    samples_in,
    series,
    text_of,
    write,
)

TABLE = series()
PLAIN = text_of(TABLE)
DAY = "2001-01-31T18:00:"


def dated(separator: str = ",", zone: str = "") -> str:
    rows = (
        separator.join((f"{DAY}{row[0]:08.5f}{zone}", *(f"{v:.5f}" for v in row[1:])))
        for row in TABLE
    )
    heading = HEADING.replace("time [s]", "time").replace(",", separator)
    return "\n".join((heading, *rows))


def in_units() -> str:
    # Pounds and inches have exact definitions: NIST SP 811 (2008), Appendix B.
    table = TABLE / (60.0, 4.4482216152605e-3, 25.4, 1e-3)
    rows = (",".join(map(repr, row.tolist())) for row in table)
    return "\n".join(("time [min],load [lbf],midspan [in],support_left [um]", *rows))


WAYS = {
    "windows line ends": PLAIN.replace("\n", "\r\n"),
    "old line ends": PLAIN.replace("\n", "\r"),
    "byte order mark": "\ufeff" + PLAIN,
    "no last line end": PLAIN.rstrip("\n"),
    "comments and blank lines": "# x\n\n" + PLAIN.replace("\n0.10", "\n # y;\n\n0.10"),
    "a blank line first": "  \t\n" + PLAIN,
    "blank rows": PLAIN + ",,,\n , , ,\n",
    "semicolons": PLAIN.replace(",", ";"),
    "tabs": PLAIN.replace(",", "\t"),
    "quotes": '"' + PLAIN.replace(",", '","').replace("\n", '"\n"')[:-1],
    "spaces": PLAIN.replace(",", " , "),
    "another order": text_of(
        TABLE[:, [2, 0, 3, 1]], "midspan [mm],time [s],support_left [mm],load [kN]"
    ),
    "other units": in_units(),
    "a column of words": PLAIN.replace("\n", ",what it was\n").replace("what it was", "by", 1),
    "date-times": dated(),
    "date-times in UTC": dated(";", "Z"),
    "date-times in another zone": dated("\t", "+05:30"),
}


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plain")
    imported(write(folder, PLAIN))
    return folder / "run"


def same_run(folder, plain):
    values, first, rate = samples_in(folder)
    expected, first_expected, rate_expected = samples_in(plain)
    np.testing.assert_array_equal(values, expected)
    assert (first, rate) == (first_expected, rate_expected)
    rows, rows_expected = columns_in(folder), columns_in(plain)
    for name, column in rows_expected.items():
        np.testing.assert_array_equal(rows[name], column, err_msg=name)


@pytest.mark.parametrize("way", WAYS)
def test_every_way_to_write_a_table_is_read_alike(way, tmp_path):
    expected = read_si(write(tmp_path, PLAIN))
    same_columns(read_si(write(tmp_path, WAYS[way])), expected)


@pytest.mark.parametrize(
    "way", [w if w == "date-times" else pytest.param(w, marks=pytest.mark.nights) for w in WAYS]
)
def test_every_way_to_write_a_table_gives_the_same_run(way, plain, tmp_path):
    imported(write(tmp_path, WAYS[way]))
    same_run(tmp_path / "run", plain)


@pytest.mark.nights
def test_whoever_dates_rows_is_told_which_zone_was_taken(tmp_path):
    found = imported(write(tmp_path, dated()))
    told = "begins 2001-01-31 18:00:00 UTC; date-times without a zone are taken as UTC"
    assert told in found.notes
    with read_journal(tmp_path / "run") as journal:
        assert journal.header.started_utc == "2001-01-31T18:00:00+00:00"


@pytest.mark.parametrize("first", ["sep=;", '"SEP=;"', "sep=;\r"])
def test_a_line_that_tells_a_spreadsheet_the_separator_is_passed_over(first, tmp_path):
    expected = read_si(write(tmp_path, PLAIN))
    text = f"{first}\n{PLAIN.replace(',', ';')}"
    same_columns(read_si(write(tmp_path, text)), expected)


def test_decimal_commas_are_read_alike(tmp_path):
    expected = read_si(write(tmp_path, PLAIN))
    text = PLAIN.replace(",", ";").replace(".", ",")
    same_columns(read_si(write(tmp_path, text), decimal_comma=True), expected)


def test_renamed_columns_are_read_alike(tmp_path):
    expected = read_si(write(tmp_path, PLAIN))
    text = PLAIN.replace("load [kN]", "Force").replace("midspan [mm]", "d 1")
    columns = ("load [kN] = Force", "midspan [mm] = 3")
    same_columns(read_si(write(tmp_path, text), columns), expected)


def test_samples_are_float32_of_si_and_rows_what_the_waves_are(plain):
    values, first, rate = samples_in(plain)
    expected = (TABLE[:, 1:] * (1e3, 1e-3, 1e-3)).astype(np.float32)
    np.testing.assert_array_equal(values.T, expected)
    assert (first, rate) == (0, RATE)
    rows = columns_in(plain)
    assert rows["number"].tolist() == list(range(1, 80))
    np.testing.assert_allclose(rows["load_max"], 92.5e3, atol=1)
    np.testing.assert_allclose(rows["load_min"], 7.5e3, atol=1)
    np.testing.assert_allclose(rows["deflection_max"], 1.65e-3, atol=1e-7)
    np.testing.assert_allclose(rows["stiffness"], 42.5e3 / 0.75e-3, rtol=1e-4)
    np.testing.assert_allclose(rows["frequency"], 4.0, rtol=1e-4)
    # A cycle begins where the load rises through its middle, a quarter of a cycle after its low.
    np.testing.assert_allclose(rows["time"], 0.0625 + np.arange(79) / 4, atol=1 / RATE / 8)


def test_a_run_that_was_imported_says_so_and_is_whole(plain):
    assert trouble_in_run_file(plain) == ""
    with read_run(plain) as run, read_journal(plain) as journal:
        assert run.attributes["imported"] == "imported from table.csv"
        assert (run.outcome, run.cycles) == ("", 79)
        assert journal.header.imported == "imported from table.csv"
        assert [head["label"] for head in journal.sample_heads("full_rate")] == ["imported"]


@pytest.mark.nights
def test_times_go_on_where_the_file_has_them(tmp_path):
    table = series(seconds=5.0)
    table[:, 0] += 12_345.0
    assert imported(write(tmp_path, text_of(table))).begins == 12_345.0
    assert columns_in(tmp_path / "run")["time"][0] == pytest.approx(12_345.0625, abs=1e-3)


def test_gaps_become_missing_samples_and_are_told_by_row(tmp_path):
    kept = np.ones(len(TABLE), bool)
    kept[1000:1002] = kept[2000:2050] = False
    found = imported(write(tmp_path, text_of(TABLE[kept])))
    values, _, _ = samples_in(tmp_path / "run")
    np.testing.assert_array_equal(np.isnan(values[0]), ~kept)
    assert (found.gaps.count, found.gaps.total, found.gaps.longest) == (2, 52, 50)
    # Row 1 is the heading.
    assert found.gaps.first == [1002, 2000]
    rows = columns_in(tmp_path / "run")
    flags = rows["flags"].astype(int)
    assert len(flags) == 79
    assert (np.flatnonzero(flags & Flag.GAP) + 1).tolist() == [20]
    # It ends a quarter of a cycle before cycle 41 does, and disarms the search for its end.
    assert (np.flatnonzero(flags & Flag.LONG_GAP) + 1).tolist() == [40, 41]


@pytest.mark.nights
def test_missing_values_are_nan_and_leave_the_other_channels(tmp_path):
    lines = PLAIN.splitlines()
    lines[101] = "0.50000,,1.8,0.15"
    lines[102] = "0.50500,NaN,,0.15"
    imported(write(tmp_path, "\n".join(lines)))
    values, _, _ = samples_in(tmp_path / "run")
    assert np.argwhere(np.isnan(values)).tolist() == [[0, 100], [0, 101], [1, 101]]


def test_repeated_and_backward_times_are_left_out_and_told_by_row(plain, tmp_path):
    lines = PLAIN.splitlines()
    lines.insert(501, lines[500])
    lines.insert(1000, lines[10])
    found = imported(write(tmp_path, "\n".join(lines)))
    assert (found.repeated.count, found.repeated.first) == (1, [502])
    assert (found.backward.count, found.backward.first) == (1, [1001])
    same_run(tmp_path / "run", plain)
    with read_run(tmp_path / "run") as run:
        assert [e.text for e in run.events() if e.kind == "import"] == [
            "1 row left out, repeated, first row 502",
            "1 row left out, backward, first row 1001",
        ]


@pytest.mark.parametrize(
    ("rate", "digits"),
    [
        (4096.0, 4),
        pytest.param(25_600.0, 6, marks=pytest.mark.nights),
        pytest.param(1 / 3, 2, marks=pytest.mark.nights),
        pytest.param(1e-7, 0, marks=pytest.mark.nights),
    ],
)
def test_rates_of_any_size_are_found_although_times_are_rounded(rate, digits, tmp_path):
    count = 4000
    time = np.arange(count) / rate
    wave = np.cos(np.arange(count) * 2 * np.pi / 50)
    rows = (f"{t:.{digits}f},{50 - 40 * w:.4f}" for t, w in zip(time, wave, strict=True))
    found = imported(write(tmp_path, "\n".join(("time [s],load [kN]", *rows))))
    assert found.rate == pytest.approx(rate, rel=2e-4)
    assert (found.frames, found.gaps.count, found.cycles) == (count, 0, 79)


def test_a_rate_that_is_given_stands_before_date_times_too(tmp_path):
    found = imported(write(tmp_path, dated()), rate=50.0)
    assert found.rate == 50.0
    assert not any(note.startswith("begins ") for note in found.notes)
    with read_journal(tmp_path / "run") as journal:
        assert not journal.header.started_utc.startswith("1970")


@pytest.mark.nights
def test_a_rate_that_is_given_stands_before_times(tmp_path):
    table = series()
    table[:, 0] = np.round(table[:, 0], 1)
    found = imported(write(tmp_path, text_of(table)), rate=RATE)
    assert (found.rate, found.frames, found.cycles) == (RATE, len(table), 79)


@pytest.mark.nights
def test_a_rig_that_stands_still_at_first_and_rests_makes_no_cycles_of_noise(tmp_path):
    rng = np.random.default_rng(5)
    rest = 0.05 * rng.standard_normal((2, 3000))
    cycles = 50 + 42 * np.sin(2 * np.pi * 4 * np.arange(4000) / RATE)
    load = np.concatenate((rest[0], np.linspace(0, 50, 400), cycles, 50 + rest[1], cycles))
    rows = (f"{i / RATE:.3f},{v:.3f}" for i, v in enumerate(load))
    found = imported(write(tmp_path, "\n".join(("time [s],load [kN]", *rows))))
    # At either end of a stretch a cycle may not be whole.
    assert 156 <= found.cycles <= 164
    ranges = np.diff([columns_in(tmp_path / "run")[f"load_{e}"] for e in ("min", "max")], axis=0)
    assert (ranges < 80e3).sum() <= 3
    assert ranges.min() > 4e3


@pytest.mark.nights
def test_net_deflection_stands_for_midspan_without_supports(plain, tmp_path):
    net = np.column_stack((TABLE[:, :2], TABLE[:, 2] - TABLE[:, 3]))
    imported(write(tmp_path, text_of(net, "time [s],load [kN],deflection [mm]")))
    rows, expected = columns_in(tmp_path / "run"), columns_in(plain)
    for name in ("deflection_max", "stiffness"):
        np.testing.assert_allclose(rows[name], expected[name], rtol=1e-4)


def test_net_deflection_beside_midspan_is_computed_again(plain, tmp_path):
    both = np.column_stack((TABLE, TABLE[:, 2] - TABLE[:, 3]))
    found = imported(write(tmp_path, text_of(both, f"{HEADING},deflection [mm]")))
    assert found.left_out == ("deflection [mm]",)
    assert any(note.startswith("deflection is computed") for note in found.notes)
    same_run(tmp_path / "run", plain)


def test_a_step_that_changes_a_little_is_refused(tmp_path):
    table = series()
    half = len(table) // 2
    table[half:, 0] = table[half, 0] + np.arange(len(table) - half) * 1.2 / RATE
    with pytest.raises(InputError, match=r"table\.csv:\d+: .*off an even rate.*a run of its own"):
        imported(write(tmp_path, text_of(table)))


def test_a_clock_that_drifts_is_told(tmp_path):
    table = series()
    time = table[:, 0].copy()
    table[:, 0] += 0.002 * (time * (20 - time))
    found = imported(write(tmp_path, text_of(table)))
    assert any("off an even rate" in note for note in found.notes)
    assert (found.cycles, found.gaps.count) == (79, 0)


@pytest.mark.nights
def test_times_before_zero_are_told(tmp_path):
    table = series()
    table[:, 0] -= 5.0
    found = imported(write(tmp_path, text_of(table)))
    assert (found.begins, found.cycles) == (0.0, 79)
    assert "times begin at -5 s: test time begins there with 0" in found.notes


def test_a_long_gap_takes_little_at_once(monkeypatch, tmp_path):
    monkeypatch.setattr("rig.replay.spacing.TOGETHER", 1000)
    table = series()
    table[2000:, 0] += 60.0
    found = imported(write(tmp_path, text_of(table)))
    values, _, _ = samples_in(tmp_path / "run")
    assert (found.gaps.total, values.shape[1]) == (12_000, 16_000)
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(values[0])), np.arange(2000, 14_000))


def test_too_few_samples_a_cycle_are_told(tmp_path):
    time = np.arange(1000) / 10
    load = 50 - 40 * np.cos(2 * np.pi * 4.7 * time)
    table = np.column_stack((time, load, load / 30))
    found = imported(write(tmp_path, text_of(table, "time [s],load [kN],midspan [mm]")))
    assert any("too few to count" in note for note in found.notes)


@pytest.mark.parametrize("family", CHANNEL_UNITS)
def test_every_channel_is_read_in_the_unit_that_people_are_shown(family):
    name = f"{family}3" if family.endswith("_") else family
    word, factor, added = SHOWN[CHANNEL_UNITS[family]]
    column = column_of(0, f"{name} [{word}]")
    assert column is not None
    assert column.factor == pytest.approx(1 / factor)
    assert column.zero == -added
    with pytest.raises(Refused) as caught:
        column_of(0, name)
    assert caught.value.problem == "has no unit"
    assert caught.value.remedy.startswith(f'write "{name} [')
