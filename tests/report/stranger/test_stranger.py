"""Every number, word and moment of a run's report is found again in run.h5 by a stranger's script.

The script has its own units, its own section analysis, its own reading of texts and samples; it
imports nothing of the program. What it is held against here are real reports.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.report.page import page_of
from rig.report.run_keys import DERIVED
from rig.report.run_report import run_document
from tests.report import run_records as records

pytestmark = pytest.mark.xdist_group("pictures")  # one process loads what draws them

FOLDER = Path(__file__).parent
MODULES = [path for path in FOLDER.glob("*.py") if not path.stem.startswith(("__init__", "test_"))]


@pytest.fixture(scope="module")
def check() -> Iterator[object]:
    """The script's own module, found as it finds those beside it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(FOLDER)
        import check_report

        yield check_report


def reported(folder: Path) -> Path:
    """Write the page of a run beside its record; return the folder."""
    page = page_of(run_document(folder), of=folder.name)
    (folder / "report.html").write_text(page, encoding="utf-8")
    return folder


def wrong_in(check, folder: Path, page: str | None = None) -> list[str]:
    """Return what the script finds wrong, of another page where one is given."""
    report = folder / "report.html"
    if page is not None:
        report = folder / "changed.html"
        report.write_text(page, encoding="utf-8")
    return check.checked(report, folder / "run.h5")[0]


@pytest.fixture(scope="module")
def broken(tmp_path_factory) -> Path:
    return reported(records.static(tmp_path_factory.mktemp("broken") / "night-31"))


@pytest.fixture(scope="module")
def failed(sprayed_failure) -> Path:
    return reported(sprayed_failure)


def test_the_script_needs_no_more_than_the_library_h5py_and_numpy():
    """Whoever has Python, h5py and numpy can run it."""
    beside = {path.stem for path in MODULES}
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or "", "" if node.level == 0 else "."]
            for name in filter(None, names):
                known = sys.stdlib_module_names | beside | {"h5py", "numpy"}
                assert name.split(".")[0] in known, f"{path.name} imports {name}"


@pytest.mark.parametrize("kind", ["failed", "broken"])
def test_a_report_is_found_again_in_its_record(check, request, capsys, kind):
    folder = request.getfixturevalue(kind)
    assert check.main([str(folder / "report.html"), str(folder / "run.h5")]) == 0
    *_, last = capsys.readouterr().out.splitlines()
    numbers = int(
        re.match(r"(\d+) numbers, \d+ words, \d+ moments, \d+ panels: all equal", last)[1]
    )
    assert numbers > (500 if kind == "failed" else 60)


def test_without_a_run_file_the_script_says_so_in_a_line(check, broken, tmp_path, capsys):
    for words in ([str(broken / "report.html"), str(tmp_path / "run.h5")], []):
        assert check.main(words) == 2
        said = capsys.readouterr()
        assert (said.out, said.err.count("\n")) == ("", 1)


def test_the_script_has_an_answer_to_each_key_that_is_derived(check):
    """A key that comes up in rare runs alone is not found missing there."""
    from derived import Derived

    for key in DERIVED:
        head, *rest = key.split(".")
        family = rest[0].endswith("_range") or rest[0].startswith("end_slip_")
        if head != "derived" or family or rest[0] in {"utc", "doubts", "debonded_length"}:
            continue
        assert hasattr(Derived, f"_{rest[0]}"), key


def last_digit(text: str) -> str:
    """Return a text with its last digit changed."""
    at = max(place for place, sign in enumerate(text) if sign.isdigit())
    return f"{text[:at]}{(int(text[at]) + 1) % 10}{text[at + 1 :]}"


HIGH = 'data-key="calibration.0.high"'
LOW = 'data-key="calibration.0.low"'


@pytest.mark.parametrize(
    ("what", "found", "put"),
    [
        ("a value by its last digit", r'(?<=<data value=")[\d.]+(?=" data-key="cal)', last_digit),
        ("what is shown by a digit", r'(?<=high" data-unit="N">)[\d.]+', last_digit),
        ("a count", r'(?<=<data value=")\d+(?=" data-key="events.count)', last_digit),
        ("a moment by a second", r'(?<=<time datetime=")[^+]+', last_digit),
        ("a moment shown by a second", r"[\d:]+(?= UTC</time>)", last_digit),
        ("a unit", r'(?<=high" data-unit=")N', lambda _: "m"),
        ("a word", r'(?<=data-key="attr.specimen_id">)P', lambda _: "Q"),
        ("a key that nobody knows", r"calibration\.0\.high", lambda _: "calibration.0.hight"),
        ("a bare digit", r"(?<=<p>)", lambda _: "7 "),
        ("a bare digit in a head", r'(?<=<th scope="col">)', lambda _: "7 "),
        ("an element inside a number", r'(?<=high" data-unit="N">)', lambda _: "<b>9</b>"),
    ],
)
def test_one_change_of_a_page_is_found(check, broken, what, found, put):
    page = (broken / "report.html").read_text(encoding="utf-8")
    changed = re.sub(found, lambda match: put(match[0]), page, count=1)
    assert changed != page, what
    assert wrong_in(check, broken, changed), what


def test_two_keys_that_are_swapped_are_found(check, broken):
    page = (broken / "report.html").read_text(encoding="utf-8")
    assert HIGH in page
    assert LOW in page
    swapped = page.replace(HIGH, "@").replace(LOW, HIGH).replace("@", LOW)
    wrong = wrong_in(check, broken, swapped)
    assert [line.split(":")[0] for line in wrong] == ["calibration.0.high", "calibration.0.low"]


def test_a_curve_that_is_moved_along_its_axis_is_found(check, failed):
    page = (failed / "report.html").read_text(encoding="utf-8")
    begin = page.index('id="figure_stiffness"')
    tick = re.compile(r'(text-anchor="end">)(\d+)')
    last = list(tick.finditer(page, begin, page.index("</svg>", begin)))[-1]
    moved = page[: last.start(2)] + last_digit(last[2]) + page[last.end(2) :]
    wrong = wrong_in(check, failed, moved)
    assert wrong
    assert all(line.startswith("figure_stiffness") for line in wrong)
