"""The report of a rehearsed run and that of a series in a real browser, as people get them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.commands.cut_off import said_by, stop_one_by_fault
from tests.monitor.page.browser import DESK, NARROW, browsing, faults, fits, program

pytestmark = [pytest.mark.system, pytest.mark.nights, pytest.mark.xdist_group("report page")]


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> dict[str, Path]:
    """Return the pages of a run and of a series."""
    folder = tmp_path_factory.mktemp("reports")
    run = stop_one_by_fault(folder)
    for words in ((str(run),), ("wet-cracks", "--out", str(folder / "series"))):
        said = said_by("report", *words)
        assert said.code == 0, said.err
    return {"run": run / "report.html", "series": folder / "series" / "report.html"}


@pytest.mark.parametrize("name", ["run", "series"])
def test_it_is_read_and_heard_and_asks_for_nothing(pages, name):
    with browsing(program) as browser:
        for size, dark in ((DESK, False), (NARROW, True)):
            browser.dressed(size, dark=dark)
            browser.asked()
            browser.open(pages[name].as_uri())
            browser.run("for (const d of document.querySelectorAll('details')) d.open = true")
            assert fits(browser, size)
            assert faults(browser) == []
            asked = [url for url in browser.asked() if not url.startswith(("data:", "chrome"))]
            assert asked == [pages[name].as_uri()]
        assert browser.complaints() == []
