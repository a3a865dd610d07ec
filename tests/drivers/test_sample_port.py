"""A port of samples without its line: damaged streams, what a device says of itself, reports."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.sample_port import SamplePort
from rig.protocol.wire import Scaling, Source
from tests.drivers.hand_clock import StandingClock
from tests.drivers.sample_device import (
    NAMES,
    RATE,
    info,
    port_plan,
    sample,
    sources,
    stream,
    values_of,
)

PORT = 'port "samples" (/dev/none)'


class Fed:
    """A port that is fed by hand, and all that came of it: values by number."""

    def __init__(self, of: tuple[Source, ...] = sources(), rate: float = RATE) -> None:
        self.clock = StandingClock()
        self.port = SamplePort(port_plan("/dev/none"), of, rate, self.clock)
        self.port.on_batch = self._take
        self.port.on_anew = self._anew
        self.blocks: list[tuple[int, np.ndarray]] = []
        self.anew: list[str] = []
        self.end: int | None = None

    def feed(self, data: bytes) -> None:
        self.port.receive(data, self.clock.now())

    def run(self, numbers: range, *, every: float = 0.02) -> None:
        """Feed samples as they come, a batch every so often."""
        count = max(round(every * RATE), 1)
        for begin in range(numbers.start, numbers.stop, count):
            self.clock.jump(every)
            self.feed(b"".join(stream(range(begin, min(begin + count, numbers.stop)))))

    def values(self) -> dict[int, list[float]]:
        """Return the values that were taken by number; missing ones are left out."""
        found = {}
        for first, values in self.blocks:
            for at, column in enumerate(values.T.tolist()):
                if not math.isnan(column[0]):
                    assert first + at not in found
                    found[first + at] = column
        return found

    def _take(self, _port: SamplePort, batch: tuple[int, np.ndarray, list[float]]) -> None:
        first, values, times = batch
        assert values.dtype == np.float32
        assert values.shape == (len(self.port.names), len(times))
        assert self.end in (None, first)  # contiguous
        self.end = first + len(times)
        self.blocks.append((first, values))

    def _anew(self, _port: SamplePort, why: str) -> None:
        self.anew.append(why)
        self.end = None


def test_values_come_in_si_in_the_order_of_the_sources() -> None:
    """Factor and zero by hand: 12.5 kN are 12,500 N, 20 degC are 293.15 K."""
    of = (
        Source("temperature_air", "samples", 3, Scaling(1.0, 273.15)),
        Source("load", "samples", 1, Scaling(1000.0)),
    )
    fed = Fed(of)
    fed.feed(info(3) + sample(4, [12.5, 99.0, 20.0]) + sample(5, [-1.0, 99.0, -273.15]))
    ((first, values),) = fed.blocks
    assert first == 4
    np.testing.assert_allclose(values, [[293.15, 0.0], [12500.0, -1000.0]], rtol=1e-6, atol=1e-4)


def test_what_the_device_knows_to_be_invalid_is_missing_in_its_channel_only() -> None:
    fed = Fed()
    fed.feed(info(8) + sample(0, [1.0, math.nan, *[3.0] * 6]) + sample(1, [1.0] * 8))
    ((_, values),) = fed.blocks
    assert np.isnan(values).tolist() == [[n == "midspan", False] for n in NAMES]


def shown(number: int) -> list[float]:
    """Return what a frame of the damaged streams holds: float32 tells these numbers apart."""
    return values_of(number % 4096, 2)


@st.composite
def damaged_streams(draw: st.DrawFn) -> tuple[dict[bytes, int], bytes]:
    """Draw frames by number, and a line: neighbours swapped, repeated, dropped, bytes changed."""
    first = draw(st.sampled_from([0, 1, 977, 2**32 - 20]))
    order = list(range(first, first + draw(st.integers(1, 40))))
    sent = {sample(n, shown(n), 1000 * n): n for n in order}
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, len(order) - 1))
        match draw(st.sampled_from(["swap", "repeat", "drop"])):
            case "swap":
                order[at - 1 : at + 1] = order[at - 1 : at + 1][::-1]
            case "repeat":
                order[at:at] = order[max(at - 3, 0) : at]
            case _ if len(order) > 1:
                del order[at]
    line = [sample(n, shown(n), 1000 * n) for n in order]
    for at in sorted(draw(st.sets(st.integers(0, len(order)), max_size=3)), reverse=True):
        # What a device says of itself between samples, its sequence that of the next.
        line.insert(at, info(2, max(order[:at], default=first - 1) + 1))
    data = bytearray(b"".join(line))
    for _ in range(draw(st.integers(0, 5))):
        at = draw(st.integers(0, len(data)))
        match draw(st.sampled_from(["flip", "cut", "noise"])):
            case "flip" if at < len(data):
                data[at] ^= draw(st.integers(1, 255))
            case "cut":
                del data[at : at + draw(st.integers(1, 30))]
            case _:
                data[at:at] = draw(st.binary(min_size=1, max_size=20))
    return sent, bytes(data)


@given(damaged_streams(), st.data())
def test_no_damage_gives_a_wrong_sample_under_a_number(
    drawn: tuple[dict[bytes, int], bytes], data: st.DataObject
) -> None:
    """What is undamaged and in order is taken, nothing else; what is missing is a hole."""
    sent, line = drawn
    fed = Fed(sources(NAMES[:2]))
    at = 0
    while at < len(line):
        cut = data.draw(st.integers(1, 400))
        fed.feed(line[at : at + cut])
        at += cut
    # By the bytes alone: the frames that lie whole between zeros, none of them behind another.
    whole = [sent[p + b"\0"] for p in line.split(b"\0")[:-1] if p + b"\0" in sent]
    in_order = [n for i, n in enumerate(whole) if n > max(whole[:i], default=-1)]
    assert not fed.anew
    assert fed.values() == {n: shown(n) for n in in_order}
    report = fed.port.report(None)
    assert report.dropped == (in_order[-1] - in_order[0] + 1 - len(in_order) if in_order else 0)
    assert report.bad >= len(whole) - len(in_order)


def test_a_device_that_is_fit_for_use_says_nothing_is_wrong() -> None:
    fed = Fed()
    fed.feed(info(8, 7, name=b"bench"))
    fed.run(range(7, 207))
    assert fed.port.settled
    assert fed.port.problem() == ""
    report = fed.port.report(0.0)
    assert (report.who, report.kind, report.good, report.bad) == ("bench", "samples", 201, 0)
    assert (report.trouble, report.remedy, report.drift) == ("", "", None)
    assert fed.port.told() == []


def test_what_keeps_a_port_from_use_is_one_line_with_what_to_try() -> None:
    assert Fed().port.problem() == (
        f"{PORT}: nothing comes; is it switched on, are receive and transmit crossed?"
    )


UNFIT = {
    "noise": (
        b"\x80\xf8\x00\x7e" * 500,
        "bytes come but no frame fits; 921600 baud in the rig file; is that the device's speed?",
    ),
    "silent about itself": (
        b"".join(stream(range(200))),
        "samples come, but the device does not say what it is; "
        "it must send an info frame when asked and once a second",
    ),
    "another version": (
        info(8, version=2) + b"".join(stream(range(200))),
        "the device speaks version 2 of the frames; this driver knows version 1",
    ),
    "few channels": (
        info(4) + b"".join(stream(range(200), 4)),
        "the device sends 4 channels, the rig file takes number 6; "
        "correct the numbers in the rig file, or have the device send more",
    ),
    "another rate": (
        info(8, rate=500.0) + b"".join(stream(range(200))),
        "the device samples at 500 Hz, the rig file says 1000 Hz; set one to the other",
    ),
    "no number for a rate": (
        info(8, rate=math.nan) + b"".join(stream(range(200))),
        "the device samples at nan Hz, the rig file says 1000 Hz; set one to the other",
    ),
    "no samples": (
        info(8),
        "the device says what it is, but sends no samples; have it start by itself",
    ),
    "samples of another length": (
        info(8) + b"".join(stream(range(200), 6)),
        "frames come that have not 8 channels, as the device says of itself; "
        "look at the device's program",
    ),
    "half the pace": (
        info(8) + b"".join(sample(n, values_of(n), 2000 * n) for n in range(200)),
        "by the device's own time its frames come at 500 Hz, not at 1000 Hz; "
        "its time must count microseconds, its rate be kept",
    ),
    "no time": (
        info(8) + b"".join(sample(n, values_of(n), 0) for n in range(200)),
        "by the device's own time its frames come at inf Hz, not at 1000 Hz; "
        "its time must count microseconds, its rate be kept",
    ),
}


@pytest.mark.parametrize(("line", "said"), UNFIT.values(), ids=UNFIT)
def test_a_device_that_does_not_fit_the_rig_file_is_named(line: bytes, said: str) -> None:
    fed = Fed()
    fed.feed(line)
    assert fed.port.problem() == f"{PORT}: {said}"
    report = fed.port.report(None)
    assert f"{report.trouble}; {report.remedy}" == said


def test_silence_and_noise_are_told_when_they_come_later() -> None:
    fed = Fed()
    fed.feed(info(8))
    fed.run(range(500))
    assert fed.port.problem() == ""
    for _ in range(30):
        fed.clock.jump(0.1)
        fed.feed(b"\x55\x55\x55\x00")
    assert fed.port.report(None).trouble == "bytes come but no frame fits"
    fed.clock.jump(3)
    assert fed.port.report(None).trouble == "nothing comes"


def test_losses_are_told_and_counted_but_a_noisy_line_not_every_second() -> None:
    fed = Fed()
    fed.feed(info(8))
    fed.run(range(100))
    fed.run(range(103, 110))
    fed.feed(stream([109])[0] + b"\x01\x02\x00" + info(8, 110))
    (text,) = fed.port.told()
    assert text == f"{PORT}: 1 frames did not fit, 3 are missing, 1 came twice or late"
    for second in range(59):
        fed.clock.jump(1)
        fed.feed(b"\x01\x02\x00")
        assert fed.port.told() == [], second
    fed.clock.jump(2)
    (text,) = fed.port.told()
    assert text == f"{PORT}: 59 frames did not fit, 0 are missing, 0 came twice or late"
    report = fed.port.report(None)
    assert (report.bad, report.dropped) == (61, 3)


def test_a_restart_is_seen_by_the_numbers_and_begins_anew() -> None:
    fed = Fed()
    fed.feed(info(8, 5000))
    fed.run(range(5000, 5100))
    fed.run(range(10))
    (why,) = fed.anew
    assert why == (
        f"{PORT}: the device has begun anew, or was away for over 10 s: "
        "its frames do not go on where they were; look at its supply and plug"
    )
    assert fed.port.told() == [why]
    assert sorted(fed.values()) == [*range(10), *range(5000, 5100)]


def test_a_restart_within_the_first_frames_is_seen_by_what_the_device_says() -> None:
    """The frames alone would pass for late ones where none had come under their numbers."""
    fed = Fed()
    fed.feed(info(8, 40))
    fed.run(range(40, 60), every=0.001)
    fed.feed(info(8, 0))
    assert "its next frame is number 0" in fed.anew[0]
    before = len(fed.blocks)
    fed.run(range(100), every=0.001)
    del fed.blocks[:before]
    assert fed.values() == {n: values_of(n)[: len(NAMES)] for n in range(100)}


@pytest.mark.parametrize(
    "other",
    [info(7, 100), info(8, 100, rate=999.0), info(8, 100, emulated=False)],
    ids=["channels", "rate", "real"],
)
def test_another_device_at_the_port_is_told(other: bytes) -> None:
    fed = Fed()
    fed.feed(info(8, 0))
    fed.run(range(100))
    fed.feed(other)
    assert "another device answers" in fed.anew[0]


def test_infos_between_samples_disturb_nothing() -> None:
    fed = Fed()
    fed.feed(info(8, 0))
    for part in range(3):
        fed.run(range(100 * part, 100 * (part + 1)))
        said = info(8, 100 * (part + 1))
        fed.feed(said + said)  # a copy of it is nothing new
    backlog = b"".join(stream(range(300, 350))) + info(8, 350) + b"".join(stream(range(350, 360)))
    fed.feed(backlog)
    assert not fed.anew
    assert sorted(fed.values()) == list(range(360))


@pytest.mark.parametrize(
    ("away", "then", "anew"),
    [(2.0, 2500, False), (2.0, 520, True), (2.0, 9000, True), (0.3, 810, False)],
)
def test_after_a_lost_line_the_computer_s_clock_tells_a_device_that_went_on(
    away: float, then: int, anew: bool
) -> None:
    """A device fed by the plug that was pulled begins anew, perhaps ahead of where it was."""
    fed = Fed()
    fed.feed(info(8, 0))
    fed.run(range(500))
    fed.port.changed(there=False)
    fed.clock.jump(away)
    fed.port.changed(there=True)
    fed.feed(stream([then - 1])[0][7:] + b"".join(stream(range(then, then + 5))))
    assert bool(fed.anew) is anew
    told = fed.port.told()
    assert any("is back" in text for text in told)


def test_drift_and_line_time_are_measured() -> None:
    """A device whose second is 50 us longer than the computer's; one frame of a hundred comes."""
    fed = Fed()
    fed.feed(info(8, 0))
    begun, second = fed.clock.now(), 1 + 5e-5
    for n in range(0, 20_000, 100):
        fed.clock.jump(begun + (n + 1) * 1e-3 * second - fed.clock.now())
        fed.feed(b"".join(stream([n])))
    assert fed.port.report(0.0).drift == pytest.approx(1 / second - 1, abs=1e-8)
    # It was taken before its 47 bytes of 10 bits went over the line.
    assert fed.port.fit.host(19.0) == pytest.approx(
        begun + 19.001 * second - 470 / 921600, abs=1e-6
    )


def test_samples_that_a_converter_holds_back_are_told_once_and_end_the_reading() -> None:
    fed, lost = Fed(), []
    fed.port.on_lost = lambda _port, why: lost.append(why)
    fed.feed(info(8))
    fed.run(range(5000))
    assert not lost
    # 20 ms of samples in 21 ms: half a second behind after ten.
    for begin in range(5000, 25_000, 20):
        fed.clock.jump(0.021)
        fed.feed(b"".join(stream(range(begin, begin + 20))))
    (why,) = lost
    assert why.startswith(f"{PORT}: samples come 0.")
    assert "the device or a converter holds them back" in why
    assert fed.port.report(None).trouble in why
    assert [text for text in fed.port.told() if "held" in text or "holds" in text] == [why]
