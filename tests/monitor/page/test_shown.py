"""What the page shows: texts of people as texts, the curve without a lost extreme, its age."""

import json
import math
import shutil
import threading
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.monitor.call import call
from rig.monitor.curve import Curve
from rig.monitor.page.document import as_json, document, numbers
from rig.monitor.page.drawn import drawing, thinned
from rig.monitor.page.looking import LATE, Looking, looks
from rig.monitor.page.shown import EVENTS, shown
from rig.monitor.view import Follower
from rig.record import Recorder
from rig.record.entries import Event
from tests.monitor.night_12 import and_events, with_status
from tests.monitor.views import VIEWS, cycling, gone, old
from tests.record.runs import header, likely_rows

HOSTILE = (
    '<script>document.title = "TAKEN"</script><img src=x onerror="document.title=1">',
    '"><svg onload=alert(1)>',
    "{{ 7 * 7 }}{% raw %}</textarea><!--",
    "javascript:alert(1)\u202e\x1b[31m\x00",
    "</style></script></title><base href=//evil.example>",
)


class Tags(HTMLParser):
    """The tags and attributes of a page, and its texts."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.tags: list[tuple[str, tuple[str, ...]]] = []
        self.texts: list[str] = []
        self.feed(page.decode())

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, tuple(name for name, _ in attrs)))

    def handle_data(self, data):
        self.texts.append(data)


def hostile(text: str):
    view = with_status(
        rig=text,
        means=text,
        why=text,
        troubles=(text,),
        asks=text,
        on_call=text,
        stage=text,
        inputs=(text,),
    )
    header = replace(view.header, title=text, specimen_id=text, run_id=text)
    return and_events(replace(view, header=header), Event(1.0, 1, "note", f"A. Name: {text}"))


@pytest.mark.parametrize("text", HOSTILE)
def test_what_people_write_is_text_and_never_markup(text):
    harmless, told = hostile("harmless"), hostile(text)
    page = document(shown(told))
    # The same tags with the same attributes as those of a harmless text.
    assert Tags(page).tags == Tags(document(shown(harmless))).tags
    assert b"\x1b" not in page
    assert "\u202e".encode() not in page
    # The script gets it as a text too, and as one that says the same.
    sent = json.loads(as_json(numbers(told)))["page"]
    seen = " ".join(Tags(page).texts)
    assert sent["title"] in seen
    assert "\x1b" not in json.dumps(sent, ensure_ascii=False)


def test_half_a_letter_stops_neither_page_nor_numbers():
    view = hostile("crack \ud800 at the support")
    assert b"crack" in document(shown(view))
    assert json.loads(as_json(numbers(view)))["page"]["title"].startswith("crack")


@pytest.mark.parametrize("name", sorted(VIEWS))
def test_every_state_has_a_page_that_begins_with_its_verdict(name):
    view = VIEWS[name]
    verdict, texts = call(view), Tags(document(shown(view))).texts
    assert verdict.headline in texts
    for why in verdict.why:
        assert why in texts
    assert len(shown(view).events) <= EVENTS


def test_a_load_stands_beside_its_target_with_its_unit():
    facts = {fact.name: fact for fact in shown(cycling).load}
    assert facts["upper load"].value == "92.41 kN"
    assert facts["upper load"].more == ("target 92.40 kN", "0.0 % of range")
    assert facts["lower load"].more[0] == "target 9.24 kN"
    assert facts["stiffness"].value == "24.91 kN/mm"


def test_a_stiffness_that_nobody_knows_is_no_number_of_the_curve():
    curve = Curve((1.0, 2.0, 3.0), (25e6, math.nan, math.inf))
    told = json.loads(as_json(numbers(replace(cycling, curve=curve))))
    assert told["curve"] == {"cycles": [1.0], "stiffness_N_per_m": [25e6]}


def test_a_test_without_cycles_has_no_curve_to_wait_for():
    begins = replace(cycling, curve=Curve())
    assert drawing(begins).told.startswith("no curve yet")
    assert drawing(with_status(begins, run_out=0, cycles=0)).told.startswith("no cycles in this")
    ended = replace(VIEWS["failure"], curve=Curve())
    assert drawing(ended).told == "no curve"


@pytest.mark.parametrize("cycles", [(0.0, 0.0), (-3.0, 0.0, 1.0), (0.0, 0.4, 0.8), (7.0, 7.0)])
def test_whatever_cycles_are_counted_it_is_drawn_or_left_out(cycles):
    # An import may count its cycles from 0 on.
    drawn = drawing(replace(cycling, curve=Curve(cycles, (25e6,) * len(cycles))))
    assert len(drawn.plots) == (4 if sum(c > 0 for c in cycles) > 1 else 0)
    assert "nan" not in repr(drawn)


@pytest.mark.parametrize(("view", "is_old"), [(cycling, False), (old, True), (gone, True)])
def test_old_numbers_say_of_when_they_are(view, is_old):
    told = shown(view)
    assert told.old is is_old
    # 02:10:12 UTC less the 0.4 s that its status is old, in CET.
    assert told.as_of == "today 03:10:11"
    assert (f"last known, {told.as_of}".encode() in document(told)) is is_old


def test_without_anybody_let_in_nothing_of_the_run_is_in_the_page():
    for text in Tags(document(None)).texts:
        assert "P-12" not in text
    assert [tag for tag, _ in Tags(document(None)).tags].count("script") == 1


POINTS = st.lists(
    st.tuples(st.integers(1, 10**7), st.floats(1e6, 1e8)),
    min_size=2,
    max_size=200,
    unique_by=lambda p: p[0],
)


@given(POINTS, st.integers(1, 50))
def test_no_extreme_is_lost_however_narrow_the_drawing(points, columns):
    across, up = np.array(sorted(points), float).T
    kept = thinned(np.stack((across, up)), columns)
    whole = set(zip(across, up, strict=True))
    left = set(zip(*kept, strict=True))
    assert left <= whole
    assert (np.diff(kept[0]) > 0).all()
    assert kept.shape[1] <= 4 * columns
    # Column by column, as slowly as it can be done.
    edges = (across - across[0]) / (across[-1] - across[0]) * columns
    for column in range(columns):
        inside = (edges >= column) & ((edges < column + 1) | (column == columns - 1))
        values = up[inside]
        if len(values):
            shown_here = [y for x, y in left if x in across[inside]]
            assert (min(shown_here), max(shown_here)) == (values.min(), values.max())


@given(POINTS)
def test_every_point_lies_in_the_drawing_between_ticks_of_one_two_or_five(points):
    cycles, stiffness = zip(*sorted(points), strict=True)
    view = replace(cycling, curve=Curve(tuple(map(float, cycles)), stiffness))
    for plot in drawing(view).plots:
        places = [tuple(map(float, p.split())) for p in plot.path[1:].split("L")]
        assert all(plot.left - 0.1 <= x <= plot.right + 0.1 for x, _ in places)
        assert all(plot.top - 0.1 <= y <= plot.bottom + 0.1 for _, y in places)
        assert all(plot.top <= level.at <= plot.bottom for level in plot.levels)
        gaps = np.diff([tick.at for tick in plot.up])
        assert len(plot.up) >= 2
        assert np.allclose(gaps, gaps[0], atol=0.2)


def test_a_curve_of_nothing_or_of_one_point_is_told_in_words():
    for curve in (Curve(), Curve((1.0,), (2e7,)), Curve((1.0, 2.0), (math.nan, math.inf))):
        told = drawing(replace(cycling, curve=curve))
        assert told.plots == ()
        assert "no curve yet" in told.told


def test_a_run_that_takes_the_folder_of_another_has_a_curve_of_its_own(tmp_path):
    folder = tmp_path / "night-1"
    one_run(folder, 300, "09:00")
    look = looks(lambda: Follower(folder).look)
    assert look().curve.cycles[-1] > 290
    shutil.rmtree(folder)
    one_run(folder, 40, "10:00")
    assert look().curve.cycles[-1] < 40


def one_run(folder, cycles: int, begun: str) -> None:
    """Record a run of so many cycles that began at an hour."""
    told = replace(header(), started_utc=f"2026-11-24T{begun}:00+00:00")
    recorder = Recorder.create(folder, told)
    recorder.cycles(likely_rows(1, cycles))
    recorder.commit()
    recorder.abandon()


class Disk:
    """A look at a run that can hang, and a time that is moved by hand."""

    def __init__(self):
        self.view, self.time = cycling, 100.0

    def look(self):
        return self.view

    def seconds(self):
        return self.time


@pytest.mark.parametrize("first", [cycling, gone])
def test_a_program_that_is_gone_is_told_once_two_looks_have_found_so(first):
    # At an end it lets go of its folder before a look finds that it has ended.
    views, asked = iter([first, gone, gone]), threading.Semaphore(0)

    def look():
        asked.release()
        return next(views, gone)

    with Looking(look, every=0.01) as looking:
        told = [looking.newest().alive]
        for _ in range(4):
            assert asked.acquire(timeout=10.0)
            told.append(looking.newest().alive)
    assert told[0] is first.alive
    # Once told it stays so, and of a run that was found gone nothing else is told.
    assert told == sorted(told, reverse=True)
    assert first.alive or not any(told)


def test_a_look_that_stays_away_ages_what_it_saw_and_says_so():
    disk = Disk()
    looking = Looking(disk.look, seconds=disk.seconds)  # never started: as one that hangs
    assert looking.newest() is disk.view
    disk.time += 2.5
    aged = looking.newest()
    assert aged.now == cycling.now + timedelta(seconds=2)
    assert not aged.unreadable
    assert looking.newest() is aged  # once a second is enough
    disk.time += LATE + 30.0
    late = looking.newest()
    assert "its folder has not answered for 37 s" in late.unreadable
    assert shown(late).old
    assert shown(late).level == "look"
    disk.time += 300.0
    assert shown(looking.newest()).headline == "COME: NO NEW DATA"
