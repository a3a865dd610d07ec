"""The report of a rehearsed run and that of a series in a real browser, as people get them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.commands.comparing import series
from tests.commands.cut_off import said_by, stop_one_by_fault
from tests.monitor.page.browser import DESK, NARROW, browsing, faults, fits, program

pytestmark = [pytest.mark.system, pytest.mark.nights, pytest.mark.xdist_group("report page")]


def run_page(folder: Path) -> Path:
    run = stop_one_by_fault(folder)
    assert said_by("report", str(run)).code == 0
    return run / "report.html"


def series_page(folder: Path) -> Path:
    lives = {"dry": ["11e6+", "11e6+"], "wet": ["162000", "231000", "148000"]}
    loads = {"dry": ["134 kN", "131 kN"], "wet": ["129 kN", "125 kN"]}
    file = series(folder / "s.toml", lives, loads)
    assert said_by("report", str(file), "--out", str(folder / "out")).code == 0
    return folder / "out" / "report.html"


@pytest.mark.parametrize("make", [run_page, series_page])
def test_it_is_read_and_heard_and_asks_for_nothing(make, tmp_path):
    page = make(tmp_path)
    with browsing(program) as browser:
        for size, dark in ((DESK, False), (NARROW, True)):
            browser.dressed(size, dark=dark)
            browser.asked()
            browser.open(page.as_uri())
            browser.run("for (const d of document.querySelectorAll('details')) d.open = true")
            assert fits(browser, size)
            asked = [url for url in browser.asked() if not url.startswith(("data:", "chrome"))]
            assert asked == [page.as_uri()]
        assert browser.complaints() == []
        # On the last screen alone: to search such a page takes seconds.
        assert faults(browser) == []
