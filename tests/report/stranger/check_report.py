"""Check a report against the record it was made from: python check_report.py report.html run.h5.

Written as by somebody who has these two files and the README's table of keys: Python's standard
library, h5py and numpy, and nothing of the program that made them. Every number, word and moment
that carries a key is worked out of run.h5 again and held against the page; what is shown must agree
to the digits shown; and no digit may stand on the page without a key, but in figures and in names
of standards and formats. Ends with 0 where all agree, with 1 and a line for what does not, with 2
where there is no such file.
"""

from __future__ import annotations

import math
import re
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from figure_read import check_figures
from keys import Keys
from page_read import Found, Page, one_line, shown
from quantities import told_wrong
from run_file import RunFile

NAMES = ("ISO/IEC 17025", "SHA-256", "run.h5")
"""Names with digits that the report may use in words of its own."""
CLOSE = 1e-9
"""Share by which what is worked out may differ; what is read as it stands may not differ at all."""
AS_IT_STANDS = re.compile(
    r"(attr|events|inspections|interruptions|zeros|spray|calibration|full_rate|static|constant)\."
    r"|(cycles|build_up)\.\w+\.(at|min|max|first|last|median)"
)
LENGTH = re.compile(r"derived\.debonded_length\.at\.\d+")
"""Lengths estimated by a model of the program: they must lie within the span."""
APART = re.compile(r"derived\.doubts\.\d+|file\.(run\.h5|texts)\.trouble")
"""What the program says of a rig file or of a broken record: counted apart, as lengths are."""
UNKNOWN = (
    LookupError,
    ValueError,
    TypeError,
    AssertionError,
    StopIteration,
    AttributeError,
    ArithmeticError,
)
"""What a key that cannot be worked out raises: told as wrong, so that the others are held too."""


def troubles(page: Page, run: RunFile) -> Iterator[str]:
    """Give a line for whatever does not agree."""
    keys = Keys(run, {found.key for found in page.found})
    checks = {"number": number_wrong, "words": words_wrong, "moment": moment_wrong}
    for found in page.found:
        try:
            wrong = checks[found.kind](found, keys)
        except UNKNOWN as error:
            wrong = f"cannot be worked out ({type(error).__name__}: {error})"
        if wrong:
            yield f"{found.key}: {found.text[:60]!r} {wrong}"
    yield from page.trouble
    yield from bare_digits(page)


def number_wrong(found: Found, keys: Keys) -> str:
    """Return what is wrong with a number, "" where nothing is."""
    if LENGTH.fullmatch(found.key):
        return model_wrong(found, keys)
    value, unit = keys.value(found.key, found.unit)
    told = float(found.value)
    if unit != found.unit:
        return f"has the unit {found.unit}, not {unit}"
    value = float(value)
    if unit == "1" and not math.isnan(value) and found.value != str(int(value)):
        return f"is the count {found.value}, not {value}"
    if AS_IT_STANDS.match(found.key):
        same = told == value or (math.isnan(told) and math.isnan(value))
    else:
        same = math.isclose(told, value, rel_tol=CLOSE) or (math.isnan(told) and math.isnan(value))
    if not same:
        return f"is {found.value}, worked out {value!r}"
    return told_wrong(told, unit, found.text, keys.step(found.key))


def model_wrong(found: Found, keys: Keys) -> str:
    """Return what is wrong with an estimated length: it lies within the span, or is none."""
    told = float(found.value)
    if found.unit != "m" or told > keys.derived.asked.size("span") or told < 0:
        return "is no length within the span"
    return told_wrong(told, "m", found.text)


def words_wrong(found: Found, keys: Keys) -> str:
    """Return what is wrong with words, "" where nothing is."""
    if APART.fullmatch(found.key):
        return ""
    value, _ = keys.value(found.key, "")
    given = found.text if found.raw is None else found.raw
    if not isinstance(value, str) or given != value:
        return f"is in the record {str(value)[:80]!r}"
    return "" if found.text == shown(value) else "is not shown as it is"


def moment_wrong(found: Found, keys: Keys) -> str:
    """Return what is wrong with a moment, "" where nothing is."""
    value = keys.moment(found.key)
    if datetime.fromisoformat(found.value) != value:
        return f"is {found.value}, worked out {value.isoformat()}"
    return "" if found.text == f"{value:%Y-%m-%d %H:%M:%S} UTC" else "shows another moment"


def bare_digits(page: Page) -> Iterator[str]:
    """Give a line for each digit that stands without a key."""
    texts = list(page.bare)
    if one_line(page.title) != one_line(page.heading):
        yield f"the page's title is not its heading: {page.title!r}"
    for alternative, caption in page.pictures:
        if one_line(alternative) != one_line(f"Picture: {caption}"):
            yield f"a picture is told otherwise than its caption: {alternative!r}"
    for text in texts:
        left = text
        for name in NAMES:
            left = left.replace(name, "")
        if re.search(r"\d", left):
            yield f"a digit without a key: {one_line(text)[:90]!r}"


def checked(report: Path, record: Path) -> tuple[list[str], list[str]]:
    """Return a line for all that is wrong with a report, and lines that count what was checked."""
    page = Page(report.read_text(encoding="utf-8"))
    with RunFile(record) as run:
        wrong = list(troubles(page, run))
        drawn_wrong, panels = check_figures(page, run)
    wrong += drawn_wrong
    groups: Counter[str] = Counter()
    for found in page.found:
        head, *rest = found.key.split(".")
        groups[f"{head}.{rest[0]}" if head == "derived" else head] += 1
    told = [f"  {count:5} {name}" for name, count in sorted(groups.items())]
    apart = sum(bool(LENGTH.fullmatch(f.key) or APART.fullmatch(f.key)) for f in page.found)
    if apart:
        told.append(f"  {apart:5} of them the program's own estimate or word: not worked out again")
    kinds = Counter(found.kind for found in page.found)
    told.append(
        f"{kinds['number']} numbers, {kinds['words']} words, {kinds['moment']} moments, "
        f"{panels} panels: {f'{len(wrong)} wrong' if wrong else 'all equal'}"
    )
    if not page.found:
        wrong.append("no number was found on the page")
    return wrong, told


def main(words: list[str]) -> int:
    """Check one report; return the exit code."""
    if len(words) != 2:
        print("give the page and the record: check_report.py report.html run.h5", file=sys.stderr)
        return 2
    report, record = (Path(word) for word in words)
    for path in (report, record):
        if not path.is_file():
            print(f"{path}: no such file; run.h5 is made when a run ends", file=sys.stderr)
            return 2
    wrong, told = checked(report, record)
    print("\n".join([*wrong, *told]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
