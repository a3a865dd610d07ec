"""A report in a real browser: on a phone, a desk and paper, light and dark, read and heard."""

from dataclasses import replace

import pytest

from rig.report.document import Document, Drawn, Listed, Section
from rig.report.measure import Table
from rig.report.page import page_of
from tests.monitor.page.browser import DESK, NARROW, PHONE, browsing, faults, fits, program
from tests.report.page.documents import document
from tests.report.page.test_page import HOSTILE

pytestmark = [pytest.mark.system, pytest.mark.xdist_group("report page")]

A4 = 680
"""Width [CSS pixels] between the margins of a page of A4: 180 mm at 96 to the inch."""
SCREENS = ((DESK, False), (DESK, True), (PHONE, False), (NARROW, True))
"""Size, and whether its owner likes it dark."""


@pytest.fixture(scope="module")
def browser():
    with browsing(program) as one:
        yield one


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> str:
    """Return the address of a page with every kind of block."""
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(page_of(document("a note of somebody, with ünïcode ✓")), encoding="utf-8")
    return path.as_uri()


def unfold(browser) -> None:
    browser.run("for (const each of document.querySelectorAll('details')) each.open = true")


def without_figures(made: Document) -> Document:
    """Return a report without its figures: words in one are cleaned by who draws it."""
    sections = [
        replace(each, blocks=tuple(b for b in each.blocks if not isinstance(b, Drawn)))
        for each in made.sections
    ]
    return replace(made, sections=tuple(sections))


def on_paper(browser, *, paper: bool) -> None:
    media = {"media": "print" if paper else "", "features": []}
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", media)


@pytest.mark.parametrize(("size", "dark"), SCREENS)
def test_it_is_read_and_heard_on_every_screen(browser, place, size, dark):
    browser.dressed(size, dark=dark)
    browser.open(place)
    assert fits(browser, size)
    unfold(browser)
    assert fits(browser, size)
    assert faults(browser) == []


def test_it_asks_for_nothing_and_complains_of_nothing(browser, place):
    browser.open("about:blank")
    browser.asked()
    browser.complaints()
    browser.open(place)
    unfold(browser)
    asked = [url for url in browser.asked() if not url.startswith("data:")]
    assert asked == [place]
    assert browser.run("return performance.getEntriesByType('resource').length") == 0
    # A style that its policy forbids would be told on the console.
    assert browser.complaints() == []
    assert browser.run("return getComputedStyle(document.body).maxWidth") != "none"


def test_on_paper_all_that_is_folded_is_open_and_dark_is_light(browser, place):
    browser.dressed(DESK, dark=True)
    browser.open(place)
    seen = "return [...document.querySelectorAll('details table')].map((t) => t.checkVisibility())"
    assert not any(browser.run(seen))
    on_paper(browser, paper=True)
    try:
        assert all(browser.run(seen))
        ground = browser.run("return getComputedStyle(document.body).backgroundColor")
        assert ground == "rgb(255, 255, 255)"
        assert faults(browser) == []
    finally:
        on_paper(browser, paper=False)


def test_on_paper_tables_of_words_stay_within_its_width(browser, tmp_path):
    heads = tuple(f"head of column {letter}" for letter in "abcdefgh")
    row = ("brief", "some more words", "a sentence of more than forty letters, as people write")
    wide = Listed(("Wide",), Table(heads, ((*row, *row, "not told", "not in the record"),)))
    made = replace(document(), sections=(Section("wide", "Wide", (wide,)),))
    path = tmp_path / "report.html"
    path.write_text(page_of(made), encoding="utf-8")
    browser.dressed((A4, 1000), dark=False)
    browser.open(path.as_uri())
    assert table_width(browser) > A4
    on_paper(browser, paper=True)
    try:
        assert table_width(browser) <= A4
    finally:
        on_paper(browser, paper=False)


def table_width(browser) -> float:
    return browser.run("return document.querySelector('table').getBoundingClientRect().width")


def test_a_figure_is_white_in_the_dark_and_its_parts_are_drawn(browser, place):
    browser.dressed(DESK, dark=True)
    browser.open(place)
    assert (
        browser.run("return getComputedStyle(document.querySelector('.ground')).backgroundColor")
        == "rgb(255, 255, 255)"
    )
    # A mark that refers to nothing, as with an id that was changed in one place, has no size.
    marks = browser.run(
        "return [...document.querySelectorAll('use')].map((u) => u.getBBox())"
        ".map((box) => box.width + box.height)"
    )
    assert marks
    assert all(size > 0 for size in marks)


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_what_people_write_does_nothing(browser, tmp_path, text):
    path = tmp_path / "report.html"
    path.write_text(page_of(without_figures(document(text))), encoding="utf-8")
    browser.dressed(NARROW, dark=False)
    browser.open(path.as_uri())
    assert browser.run("return document.title").startswith("Specimen ")
    assert browser.run("return document.querySelectorAll('script, base, iframe').length") == 0
    assert browser.run("return document.querySelectorAll('img').length") == 1
    assert fits(browser, NARROW)
    assert browser.complaints() == []
