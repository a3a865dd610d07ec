"""What the lines to the devices tell stands in the record, and a bad driver does no harm by it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.control.line_watch import MOST_TOLD, LineWatch, line_words
from rig.ports import LineReport
from tests.control.fault_nights import Night, carry_out, plans

SERVO = LineReport(
    port="servo",
    path="/dev/invented",
    kind="text",
    who="invented controller, 1",
    good=12_345,
    bad=2,
    dropped=1,
    round_trip=(2.5e-3, 31e-3),
    skew=1.25e-3,
    drift=-12.34e-6,
)
SAMPLES = replace(SERVO, port="samples", kind="samples", who="", round_trip=None, skew=0.0004)


class Lines:
    """Lines that tell what a test puts into `texts`, once."""

    def __init__(self, *texts: str) -> None:
        self.texts: list[str] = list(texts)
        self.asked = 0

    def told(self):
        self.asked += 1
        texts, self.texts = tuple(self.texts), []
        return texts

    def report(self):
        return (SERVO, SAMPLES)


class Book:
    """A book that only remembers its events; `time` is test time [s]."""

    def __init__(self) -> None:
        self.time = 0.0
        self.events: list[tuple[float, str]] = []

    def event(self, kind: str, text: str) -> None:
        assert kind == "line"
        self.events.append((self.time, text))


def watched(lines, until, step=0.02):
    book = Book()
    watch = LineWatch(lines, book)
    ticks = round(until / step)
    for tick in range(1, ticks + 1):
        book.time = tick * step
        watch.look()
    return watch, book


def test_a_report_says_counts_round_trips_skew_and_drift():
    assert line_words(SERVO) == (
        "servo (text, /dev/invented): invented controller, 1; 12,345 good, 2 bad, 1 dropped; "
        "round trip 2.50 ms, longest 31.00 ms; skew 1.250 ms; drift -12.34 ppm"
    )
    trouble = replace(SAMPLES, skew=None, drift=None, trouble="nothing comes", remedy="look there")
    assert line_words(trouble) == (
        "samples (samples, /dev/invented): has not said what it is; 12,345 good, 2 bad, 1 dropped; "
        "trouble: nothing comes; look there"
    )


def test_lines_are_looked_at_once_a_second_and_reported_every_hour():
    lines = Lines("servo: unplugged", "servo: back")
    watch, book = watched(lines, 7_210, step=0.5)
    # At the beginning, after one hour, after two.
    reports = [time for time, text in book.events if text == line_words(SAMPLES)]
    assert reports == [0.5, 3_600.5, 7_200.5]
    assert book.events[:2] == [(0.5, "servo: unplugged"), (0.5, "servo: back")]
    assert lines.asked == 7_210
    watch.end()
    assert book.events[-2:] == [(7_210, line_words(SERVO)), (7_210, line_words(SAMPLES))]


def test_a_line_that_comes_and_goes_all_night_does_not_fill_the_record():
    book = Book()
    watch = LineWatch(lines := Lines(), book)
    for second in range(1, 3_700):
        book.time = float(second)
        lines.texts = [f"bus: silent at {second}"] * 2
        watch.look()
    told = [text for _, text in book.events if text.startswith("bus")]
    # Two before the first report, the most in the hour to the next, two a second after it.
    assert len(told) == 2 + MOST_TOLD + 2 * 98
    left_out = 2 * 3_600 - MOST_TOLD
    texts = [text for _, text in book.events]
    assert f"{left_out:,} more happenings were not written down" in texts


@pytest.mark.parametrize("fails", ["told", "report"])
def test_a_driver_that_cannot_tell_is_told_once(fails):
    class Broken(Lines):
        """Lines whose driver fails."""

    def broken(_self):
        raise KeyError("port")

    setattr(Broken, fails, broken)
    watch, book = watched(Broken(), 3.0)
    watch.end()
    assert [text for _, text in book.events] == [
        "no reports of the lines any more: KeyError: 'port'"
    ]


def test_a_whole_test_keeps_its_lines_in_the_record(tmp_path):
    plan = plans(tmp_path)["short"]
    lines = Lines("bus: 3 late answers thrown away")
    night = Night(paced=True, bad={"lines": lambda _none: lines}, script=((500, "stop"),))
    ended = carry_out(plan, night)
    told = [text for _, kind, text in ended.events if kind == "line"]
    assert told == [
        "bus: 3 late answers thrown away",
        *(line_words(line) for line in (SERVO, SAMPLES)),
        *(line_words(line) for line in (SERVO, SAMPLES)),
    ]
    assert ended.events[-1][1] == "state"
