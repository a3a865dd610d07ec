"""The report of a series: its numbers are those of `compare --json`, and nothing makes it fail."""

from __future__ import annotations

import csv
import re
import subprocess
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from rig.assembly.series_runs import read_series
from rig.commands.files import find_series, find_service, read_text
from rig.lives.comparison import compared
from rig.lives.service import service_life
from rig.protocol.series import Hypothesis, Observation
from rig.protocol.service_file import load_service
from rig.replay.cells import cell_text
from rig.report.document import Drawn
from rig.report.drawn_figures import drawn
from rig.report.measure import Measure, Words, plain
from rig.report.series_figures import MOST_ROWS, levels_figure
from rig.report.series_files import DICTIONARY, write_series_files
from rig.report.series_numbers import Numbers
from rig.report.series_report import series_document
from rig.report.series_told import lives_drawn, survival_drawn
from tests.assembly.test_series_runs import Recorded, record
from tests.commands.comparing import series as series_file
from tests.commands.comparing import told as told_by_command
from tests.lives.series import life, load, series
from tests.report.series_parts import as_json, at, differing, parts

DATA = Path(__file__).parents[1] / "data" / "series"
STANDARDS = re.compile(r"SHA-256|run\.h5")
LOAD_KINDS = ("ultimate load", "residual load")
SPAN_MOST = 7.1  # [in]: 180 mm
HYPOTHESES = (
    Hypothesis("Water shortens the life", "life", ("wet",), ("dry",)),
    Hypothesis("Beyond the loss of capacity", "life at equal load level", ("wet",), ("dry",)),
    Hypothesis("Wet ones carry less", "ultimate", ("wet",), ("dry",)),
    Hypothesis("Wet ones rust", "observation", ("dry",), ("wet",), "rust"),
)
LOADS = [load("dry", 1.30e5), load("dry", 1.34e5), load("wet", 1.25e5), load("wet", 1.29e5)]


@pytest.fixture(scope="module")
def few():
    """Two dry lives and a wet one with all that a series can tell, void entries among it."""
    made = series(
        [
            life("dry", 1.0e7, age=8e6, interruptions=2e5, unloaded=1e5, overloaded=True),
            life("dry", 4.0e6, tendon_range=1e8, concrete_max=0.4, mode="tendon fracture"),
            life("wet", 1.5e5, wet=5e3, tendon_range=9e7, age=9e6, batch="B", level=0.72),
            life("wet", 9e5, valid=False, void_reason="the pump stood"),
        ],
        [*LOADS, load("dry", 1.31e5, residual=True), load("wet", 9e4, valid=False)],
        hypotheses=HYPOTHESES,
        observations=[Observation("L-2", "rust", False), Observation("L-3", "rust", True)],
    )
    service = load_service(find_service("tidal-deck"), partial(read_text, service=True))
    # The file names its wet group "spray".
    years = service_life(made, replace(service, wet="wet"), draws=50)
    return made, compared(made), years


@pytest.fixture(scope="module")
def report(few):
    return series_document(*few)


@pytest.fixture(scope="module")
def figures(report):
    return drawn(report)


def test_every_number_and_word_is_that_of_compare_json(few, report):
    found = as_json(*few[1:])
    assert differing(report, found) == []
    keys = {part.key for part in parts(report) if isinstance(part, Measure)}
    for name in ("life_tests", "life_ratios", "left_of_water", "ultimate_tests", "service"):
        assert any(key.startswith(f"compare.{name}.") for key in keys), name


def test_the_object_is_what_the_command_prints(tmp_path):
    path = series_file(tmp_path / "s.toml", {"dry": ["1e7+"], "wet": ["1e5"]})
    made = read_series(str(path), partial(read_text, series=True))
    printed = told_by_command(path)
    told = compared(made)
    assert printed == as_json(told)
    assert differing(series_document(made, told, None), printed) == []


def test_a_number_that_is_not_that_of_the_comparison_is_found(few, report):
    """The test above can fail."""
    found = as_json(*few[1:])
    found["life_tests"][0]["p_exact_two_sided"] += 1e-12
    keys = {part.key for part in differing(report, found)}
    assert keys == {"compare.life_tests.0.p_exact_two_sided"}


def test_what_is_void_stands_still_or_is_unlike_is_said(report):
    text = "\n".join(plain((part,)) for part in parts(report))
    for words in (
        "void: the pump stood",
        "stood still for \n2.31 d",
        "overloaded, and counted all the same: L-1",
        "\n life\n only. Against another group of as few",
        "Nobody told cast, bed, frame",
        "Nothing is proven",
        "The series names no run",
    ):
        assert words in text, words


def test_the_reports_own_words_hold_no_digit(report):
    own = [part for part in parts(report) if isinstance(part, str)]
    assert [words for words in own if re.search(r"\d", STANDARDS.sub("", words))] == []


def test_each_figure_is_narrow_enough_and_drawn_once_under_its_name(report, figures):
    blocks = [b for section in report.sections for b in section.blocks if isinstance(b, Drawn)]
    assert list(figures) == [block.name for block in blocks]
    assert {"series-lives", "series-levels", "series-survival", "series-ultimate"} <= {*figures}
    assert all(figure.get_size_inches()[0] <= SPAN_MOST for figure in figures.values())


def test_figures_leave_out_groups_that_have_no_room_and_say_so():
    names = [f"g{i}" for i in range(MOST_ROWS + 1)]
    found = compared(
        series(
            [life(name, 1e6 + i, ran_out=True) for i, name in enumerate(names)],
            groups={name: {"exposure": "spray"} for name in names},
        )
    )
    numbers = Numbers(as_json(found))
    for block in (lives_drawn(found, numbers), survival_drawn(found, numbers)):
        assert "Not all have room here" in block.told.text, block.name
    # Each group that is drawn has its sign, and there is one for run-outs.
    (legend,) = levels_figure(found).legends
    assert len(legend.get_texts()) == MOST_ROWS + 1


HOSTILE = "=cmd|' /C calc'!A0 <script>alert(1)</script> $\\frac{ \x1b[31m ‮ &amp; \U0001f4a7"
CASES = {
    "empty": lambda: series(),
    "one life": lambda: series([life("dry", 1e5)]),
    "a single group": lambda: series([life("dry", 1e5), life("dry", 2e5), life("dry", 4e5)]),
    "all ran out": lambda: series([life(g, 1e7, ran_out=True) for g in ("dry", "wet")] * 2),
    "void alone": lambda: series([life("dry", 1e5, valid=False)], [load("wet", 1e5, valid=False)]),
    "no level": lambda: series([life("dry", 1e7, ran_out=True, level=None), life("wet", 1e5)]),
    "loads alone": lambda: series([], LOADS, hypotheses=HYPOTHESES),
    "hostile": lambda: hostile(),
}


def hostile():
    """Words that a terminal, a page, a figure or a table would obey."""
    groups = {"+1.dry": {"exposure": "dry"}, HOSTILE: {"exposure": "spray", "batch": HOSTILE}}
    made = series(
        [life("+1.dry", 1e7, HOSTILE, ran_out=True), life(HOSTILE, 1e5, "@SUM(A1)", mode=HOSTILE)],
        [load("+1.dry", 1e5, "-1+1"), load(HOSTILE, 1e5, valid=False, void_reason=HOSTILE)],
        groups=groups,
        hypotheses=[Hypothesis(HOSTILE, "life", (HOSTILE,), ("+1.dry",))],
        observations=[Observation("@SUM(A1)", HOSTILE, True)],
    )
    return replace(made, title=HOSTILE)


@pytest.mark.parametrize("name", CASES)
def test_whatever_a_series_holds_it_is_reported_with_the_numbers_of_the_comparison(name):
    made = CASES[name]()
    told = compared(made)
    document = series_document(made, told, None)
    assert differing(document, as_json(told)) == []
    if name == "hostile":
        assert all(figure is not None for figure in drawn(document).values())


def test_a_point_in_a_name_leaves_a_path_that_leads_to_one_value():
    found = {"a": {"b": 1}, "a.b": 2, "c": [None, {"d.e": 3}]}
    assert at(found, "c.1.d.e") == [3]
    assert at(found, "a.b") == [1, 2]


def test_the_runs_of_a_series_are_told_with_the_hash_that_sha256sum_prints(
    tmp_path, system_program
):
    record(tmp_path / "one", Recorded())
    file = tmp_path / "s.toml"
    file.write_text(
        'title = "s"\n[groups.wet]\nexposure = "spray"\n'
        '[[life]]\nspecimen = "P-1"\ngroup = "wet"\nrun = "one"\n'
        '[[life]]\nspecimen = "P-2"\ngroup = "wet"\nrun = "gone"\nvalid = false\n'
        'void_reason = "lost"\n',
        encoding="utf-8",
    )
    made = read_series(str(file), partial(read_text, series=True))
    document = series_document(made, compared(made), None, file)
    told = {part.key: part for part in parts(document) if isinstance(part, Measure | Words)}
    for key, path in (("runs.0.sha256", tmp_path / "one" / "run.h5"), ("series.sha256", file)):
        done = subprocess.run(
            [system_program("sha256sum"), str(path)], capture_output=True, text=True, check=True
        )
        assert told[key].text == done.stdout.split()[0]
    assert told["runs.0.cycles"].value == 8
    assert "gone" in told["runs.1.trouble"].text


# Files.


@pytest.fixture(scope="module")
def written(few, figures, tmp_path_factory):
    folder = tmp_path_factory.mktemp("series") / "out"
    # Two are as good as all: each takes some tenths of a second.
    return write_series_files(*few[1:], folder, dict(list(figures.items())[:2]))


def table(path):
    with path.open(encoding="utf-8", newline="") as file:
        head, *rows = csv.reader(file)
    return head, rows


def test_each_figure_is_there_as_svg_and_pdf_and_each_table_is_described(written):
    names = [path.name for path in written]
    assert all(path.is_file() and path.stat().st_size for path in written)
    figures = [name for name in names if name.endswith(".svg")]
    assert "series-lives.svg" in figures
    assert {name.replace(".svg", ".pdf") for name in figures} <= {*names}
    assert {path.parent for path in written} == {written[0].parent}
    assert sorted(names) == sorted(path.name for path in written[0].parent.iterdir())
    _, about = table(written[0].parent / DICTIONARY)
    described = {(file, column) for file, column, *_ in about}
    tables = [path for path in written if path.suffix == ".csv"]
    assert described == {(path.name, head) for path in tables for head in table(path)[0]}


def test_every_number_of_a_table_reads_back_as_compare_json_has_it(few, written):
    found = as_json(*few[1:])
    _, about = table(written[0].parent / DICTIONARY)
    checked = 0
    for file, head, _, kind, key, _ in about:
        if kind != "float64" or not key.startswith("compare.") or key.count("*") != 1:
            continue
        heads, rows = table(written[0].parent / file)
        before, after = key.removeprefix("compare.").split(".*.")
        chosen = entries(found, before, file)
        assert len(chosen) == len(rows)
        for entry, row in zip(chosen, rows, strict=True):
            value = entry
            for step in after.split("."):
                value = None if value is None else value[step]
            cell = row[heads.index(head)]
            assert (float(cell) if cell else None) == value, (file, head)
            checked += 1
    assert checked > 60


def entries(found, before, file):
    """Return what the rows of a file stand for."""
    chosen = found
    for step in before.split("."):
        chosen = chosen[step]
    if isinstance(chosen, dict):
        return list(chosen.values())
    kinds = {"series-lives.csv": ("life",), "series-ultimate-loads.csv": LOAD_KINDS}
    if file == "series-left-of-water.csv":
        return [entry for entry in chosen if entry["why_not"] is None]
    return [entry for entry in chosen if file not in kinds or entry["kind"] in kinds[file]]


def test_words_of_others_run_in_no_spreadsheet_and_read_back(tmp_path):
    found = hostile()
    write_series_files(compared(found), None, tmp_path, {})
    texts = set()
    for path in tmp_path.glob("series-*.csv"):
        for row in table(path)[1]:
            for cell in row:
                assert "\x1b" not in cell
                assert "\u202e" not in cell
                number = cell.lstrip("-+").replace(".", "").replace("e", "").isdigit()
                assert number or not cell.lstrip().startswith(("=", "+", "-", "@")), cell
                texts.add(cell_text(cell))
    assert {HOSTILE, "+1.dry", "@SUM(A1)", "-1+1"} <= texts


def test_an_earlier_reports_files_are_replaced_and_no_others(few, tmp_path):
    for name in ("series-lives.csv", "series-other-modes.csv", "series-mine.csv", "notes.txt"):
        (tmp_path / name).write_text("old", encoding="utf-8")
    names = {path.name for path in write_series_files(*few[1:], tmp_path, {})}
    assert (tmp_path / "series-lives.csv").read_text(encoding="utf-8").startswith("specimen,")
    # Nothing is compared for one mode here: the table of an earlier report would mislead.
    kept = {"series-mine.csv", "notes.txt"}
    assert {path.name for path in tmp_path.iterdir()} == names | kept


@pytest.mark.endurance
@pytest.mark.parametrize("name", ["wet-cracks", *map(str, sorted(DATA.glob("*.toml")))])
def test_every_series_there_is_has_its_report(name):
    path = find_series(name)
    made = read_series(path, partial(read_text, series=True))
    told = compared(made)
    document = series_document(made, told, None, Path(path))
    assert differing(document, as_json(told)) == []
    assert drawn(document)
