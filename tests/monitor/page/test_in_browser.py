"""The page in a real browser, phone and desk, light and dark: read, heard, typed at, left alone."""

import json
import time
from dataclasses import replace
from http import HTTPStatus

import pytest

from rig.monitor.curve import Curve
from rig.monitor.page import document as page_document
from rig.monitor.page.http import Answer
from rig.monitor.page.server import Server
from tests.monitor.night_12 import with_status
from tests.monitor.page.browser import DESK, NARROW, PHONE, browsing, faults, fits, program
from tests.monitor.page.serve import served
from tests.monitor.page.test_shown import HOSTILE, hostile
from tests.monitor.views import VIEWS, cycling

pytestmark = [pytest.mark.system, pytest.mark.nights, pytest.mark.timeout(180)]

TOKEN = "invented-for-this-test-0123456789"
PATIENCE = 30.0
COLOURED = ("cycling", "warned", "gone", "failure")
"""States with the four colours of a verdict."""
SCREENS = (
    (PHONE, False, (*COLOURED, "static"), ("cycling", "failure")),
    (PHONE, True, ("cycling", "gone"), ("gone",)),
    (DESK, False, ("warned",), ("warned",)),
    (DESK, True, ("failure",), ()),
    (NARROW, False, ("warned",), ()),
)
"""Size, darkness, which states are shown there, and which of them are searched for faults.

That every pair of colours can be read is computed elsewhere; each search takes half a second.
"""


@pytest.fixture(scope="module")
def one_browser():
    """One browser for the whole file: to start it takes longer than most that is done with it."""
    with browsing(program) as browser:
        yield browser


@pytest.fixture
def browser(one_browser):
    one_browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    one_browser.open("about:blank")
    one_browser.asked()
    one_browser.complaints()
    return one_browser


def until(claim, what: str) -> None:
    """Wait until something is true."""
    late = time.monotonic() + PATIENCE
    while not claim():
        assert time.monotonic() < late, f"waited in vain for {what}"
        time.sleep(0.05)


def numbers_have_come(browser) -> None:
    """Wait until the page has shown what it was answered."""
    until(lambda: browser.run("return document.body.dataset.asked > 0"), "numbers")


def answered(body: bytes) -> Answer:
    return Answer(HTTPStatus.OK, body, "application/json")


def test_what_looks_for_faults_finds_them(browser):
    with served(lambda: cycling) as (port, _):
        browser.open(f"http://127.0.0.1:{port}/")
        browser.run(
            "document.querySelector('main').append(document.createElement('img'));"
            "document.getElementById('headline').style.color = '#2f7a50'"
        )
        found = [json.loads(fault)["id"] for fault in faults(browser)]
        assert found == ["color-contrast", "image-alt"]


def test_every_state_is_read_and_heard_on_every_screen(browser):
    shown = {"view": cycling}
    with served(lambda: shown["view"]) as (port, _):
        for size, dark, states, searched in SCREENS:
            browser.dressed(size, dark=dark)
            for name in states:
                shown["view"] = VIEWS[name]
                browser.open(f"http://127.0.0.1:{port}/")
                assert fits(browser, size), (name, size)
                # What the server rendered and what its script renders are the same.
                first = browser.run("return document.body.innerText")
                numbers_have_come(browser)
                assert browser.run("return document.body.innerText") == first
                assert name not in searched or faults(browser) == [], (name, size, dark)
        assert browser.run("return document.getAnimations().length") == 0
        assert browser.complaints() == []


def test_what_it_asks_for_is_its_own_and_nothing_else(browser):
    with served(lambda: cycling) as (port, _):
        here = f"http://127.0.0.1:{port}/"
        browser.asked()
        browser.open(here)
        asked: list[str] = []
        until(lambda: asked.extend(browser.asked()) or len(asked) > 2, "questions")
        own = {url for url in asked if not url.startswith(("chrome:", "data:"))}
        assert own == {here, f"{here}state.json"}
        assert browser.complaints() == []


def test_what_people_write_does_nothing_in_the_page(browser):
    for text in HOSTILE:
        with served(lambda text=text: hostile(text)) as (port, _):
            browser.open(f"http://127.0.0.1:{port}/")
            tags = browser.run("return document.querySelectorAll('script, img, base').length")
            numbers_have_come(browser)
            assert browser.run("return document.title") != "TAKEN"
            assert tags == 1
            assert browser.run("return document.querySelectorAll('script, img, base').length") == 1
            assert browser.complaints() == []


def test_by_keyboard_the_axis_turns_and_the_numbers_unfold(browser):
    from selenium.webdriver.common.keys import Keys

    visible = (
        "return [...document.querySelectorAll('.plot')]"
        ".filter((p) => p.getClientRects().length).map((p) => p.getAttribute('class'))"
    )
    with served(lambda: VIEWS["failure"]) as (port, _):
        for size, name in ((PHONE, "phone"), (DESK, "desk")):
            browser.dressed(size, dark=False)
            browser.open(f"http://127.0.0.1:{port}/")
            assert browser.run(visible) == [f"plot {name} linear"]
            browser.keys(Keys.TAB)
            assert browser.run("return document.activeElement.id") == "axis-linear"
            browser.keys(Keys.ARROW_RIGHT)
            assert browser.run(visible) == [f"plot {name} log"]
            browser.keys(Keys.TAB, Keys.ENTER)
            assert browser.run("return document.getElementById('numbers').open")
            rows = browser.run("return document.getElementById('rows').innerText")
            assert rows.split()[0] == "1"
            # Nothing else can be reached: there is nothing to press.
            assert browser.run("return document.querySelectorAll('a, button, form').length") == 0


def test_the_token_behind_the_address_opens_the_page_and_goes_nowhere_else(browser):
    with served(lambda: cycling, TOKEN) as (port, server):
        here = f"http://127.0.0.1:{port}/"
        browser.open(here)
        until(lambda: browser.text("headline") == "THIS PAGE NEEDS ITS TOKEN", "the locked page")
        assert "P-12" not in browser.run("return document.body.innerText")
        browser.asked()
        browser.run("location.hash = arguments[0]", TOKEN)
        until(lambda: browser.text("headline") == "NOTHING TO DO", "the open page")
        assert browser.text("specimen") == "P-12"
        assert faults(browser) == []
        assert not any(TOKEN in url.partition("#")[0] for url in browser.asked())
        browser.run("location.hash = 'some-other-token-0123456789'")
        until(lambda: browser.text("headline") == "THIS PAGE NEEDS ITS TOKEN", "the locked page")
        seen = browser.run("return document.body.innerText")
        assert not [told for told in ("P-12", "Prism", "frame 2", "92.41") if told in seen]
        assert server.door.wrong > 0


def test_without_its_script_the_page_shows_the_numbers_and_asks_again(browser, monkeypatch):
    monkeypatch.setattr(page_document, "AGAIN", 1)
    shown = {"view": cycling}
    with served(lambda: shown["view"]) as (port, _):
        browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
        here = f"http://127.0.0.1:{port}/"
        browser.open(here)
        assert "92.41 kN" in browser.driver.page_source
        assert "asks anew every 1 s" in browser.driver.page_source
        shown["view"] = with_status(load_max=91.23e3)
        until(lambda: "91.23 kN" in browser.driver.page_source, "the page once more")
        assert not any("state.json" in url for url in browser.asked())


def test_a_silent_server_is_told_and_old_numbers_look_old(browser, monkeypatch):
    view = replace(cycling, curve=Curve())
    with served(lambda: view) as (port, _):
        browser.dressed(PHONE, dark=False)
        browser.open(f"http://127.0.0.1:{port}/")
        numbers_have_come(browser)
        assert not browser.run("return document.body.hasAttribute('data-old')")
        # What cannot be shown is silence too: here that of another version, then the server ends.
        monkeypatch.setattr(Server, "_numbers", lambda *_: answered(b'{"page": {"why": [1]}}'))
        browser.asked()
        until(lambda: any("state.json" in url for url in browser.asked()), "one more question")
        # Five seconds pass in no time: the phone has slept, or its clock was set.
        browser.run("const real = Date.now; Date.now = () => real() + 5000")
    until(lambda: browser.text("headline").startswith("NO ANSWER FOR "), "silence")
    said = browser.text("why")
    assert "what stands below is of today 03:10:11" in said
    assert "the last that was known: NOTHING TO DO" in said
    assert browser.text("told").startswith("NO ANSWER")
    assert browser.run("return document.title").startswith("NO ANSWER")
    assert browser.run("return document.body.hasAttribute('data-old')")
    old = browser.run("return [...document.querySelectorAll('.asof')].map((n) => n.textContent)")
    assert set(old) == {"last known, today 03:10:11"}
    assert faults(browser) == []
    # The verdict stays in sight however far down somebody reads, and is not read out each second.
    browser.run("window.scrollTo(0, 1e6)")
    told = browser.text("told")
    top = browser.run("return document.getElementById('verdict').getBoundingClientRect().top")
    assert top >= 0
    before = browser.text("headline")
    until(lambda: browser.text("headline") != before, "the next second")
    assert browser.text("told") == told
