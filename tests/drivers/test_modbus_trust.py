"""When a device's next words can only answer the next question: echoes asked for and given."""

from __future__ import annotations

import pytest

from drivers.trust import FORGOTTEN, Trust

REFUSED = b"\x88\x01"


def echo(number: int) -> bytes:
    # Function 8, sub-function 0, 16 bits of data: application protocol V1.1b3, section 6.8.
    return b"\x08\x00\x00" + (number % 65536).to_bytes(2, "big")


def asked(*numbers: int) -> Trust:
    device = Trust()
    for number in numbers:
        device.ask(number, 0.0)
    return device


def test_an_echo_is_known_by_its_number_and_settles_those_before_it() -> None:
    device = asked(5, 6, 7)
    assert device.settle(echo(6), 0.1) == 6
    assert device.settle(echo(5), 0.1) is None
    assert device.settle(echo(7), 0.1) == 7
    assert device.settle(echo(7), 0.1) is None


def test_an_echo_of_a_number_that_was_not_sent_is_none() -> None:
    assert asked(5).settle(echo(4), 0.1) is None


def test_numbers_go_on_beyond_16_bits() -> None:
    device = asked(65535, 65536, 65537)
    assert device.settle(echo(65536), 0.1) == 65536


def test_a_refusal_settles_the_oldest_echo_alone() -> None:
    device = asked(5, 6)
    assert [device.settle(REFUSED, 0.1) for _ in range(3)] == [5, 6, None]


def test_what_was_not_answered_for_long_will_not_be() -> None:
    device = asked(5)
    device.ask(6, FORGOTTEN)
    assert device.settle(REFUSED, FORGOTTEN + 0.1) == 6


@pytest.mark.parametrize("words", [b"", b"\x08", b"\x88", b"\x84\x01", b"\x03\x02\x00\x05"])
def test_nothing_else_is_an_echo(words: bytes) -> None:
    assert asked(5).settle(words, 0.1) is None


def test_an_echo_asked_for_before_the_doubt_does_not_end_it() -> None:
    device = asked(5)
    device.doubt(6)
    device.echoed(5, plugged=0)
    assert not device.trusted
    device.echoed(6, plugged=0)
    assert device.trusted
