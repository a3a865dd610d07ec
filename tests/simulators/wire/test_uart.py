"""Bits on a line: what a receiver that is set otherwise makes of them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.wire.uart import Framing, heard

SPEEDS = (1200, 9600, 19200, 57600, 115200, 921600)
FRAMINGS = st.builds(
    Framing,
    st.sampled_from(SPEEDS),
    st.sampled_from(("none", "even", "odd")),
    st.sampled_from((1, 2)),
)
PLAIN = Framing(9600)


@pytest.mark.parametrize(
    ("framing", "bits"),
    [
        (Framing(9600), 10),
        (
            Framing(9600, "even"),
            11,
        ),  # the eleven bits of Modbus RTU: serial line guide V1.02, 2.5.1
        (Framing(9600, "odd"), 11),
        (Framing(9600, "none", 2), 11),
        (Framing(9600, "even", 2), 12),
    ],
)
def test_a_byte_is_as_many_bits_as_its_setting_says(framing: Framing, bits: int) -> None:
    assert framing.bits == bits
    assert framing.byte_time == pytest.approx(bits / 9600)


@given(st.binary(max_size=50), FRAMINGS, st.sampled_from((1, 2)), st.booleans())
def test_a_receiver_set_alike_hears_what_was_sent(
    data: bytes, framing: Framing, stop_bits: int, strict: bool
) -> None:
    other = Framing(framing.baud, framing.parity, stop_bits)
    assert framing.fits(other)
    assert heard(data, framing, other, strict=strict) == data


@given(st.binary(max_size=50), FRAMINGS, FRAMINGS, st.booleans())
def test_no_bytes_and_no_settings_are_too_much(
    data: bytes, sent: Framing, by: Framing, strict: bool
) -> None:
    got = heard(data, sent, by, strict=strict)
    # No byte is shorter than its own start bit and data bits.
    assert len(got) <= len(data) * sent.bits / sent.baud * by.baud / 9 + len(data) + 1


def test_a_receiver_a_hundredth_off_still_hears_right() -> None:
    # A byte survives about half a bit in ten of drift; common practice, no source.
    assert heard(b"U\x00\xffA", Framing(9600), Framing(9690), strict=True) == b"U\x00\xffA"


@pytest.mark.parametrize(
    ("data", "by", "expected"),
    [
        # 0x55 is start bit, 10101010, stop bit: edges at every bit. Twice as slow a receiver
        # samples bits 3, 5, 7, 9 (all high or idle): worked by hand.
        (b"\x55", Framing(4800), b"\xff"),
        # 0x00 is nine low bits: at twice the speed eighteen, so one byte of zeros whose stop bit
        # is low; that counts as the next start bit, and only bit 7 behind it is idle already.
        (b"\x00", Framing(19200), b"\x00\x80"),
        # The parity bit of a byte with an odd number of ones is 1, as a stop bit is.
        (b"\x01", Framing(9600, "none"), b"\x01"),
    ],
)
def test_what_is_heard_wrongly_is_what_the_levels_of_the_line_say(
    data: bytes, by: Framing, expected: bytes
) -> None:
    sent = Framing(9600, "even") if by.baud == 9600 else PLAIN
    assert heard(data, sent, by, strict=False) == expected


def test_a_strict_receiver_throws_away_what_has_the_wrong_parity() -> None:
    odd, even = Framing(9600, "odd"), Framing(9600, "even")
    assert heard(b"measure", odd, even, strict=False) != b""
    assert heard(b"measure", odd, even, strict=True) == b""


def test_a_strict_receiver_throws_away_what_ends_in_no_stop_bit() -> None:
    # The zeros of the example above: the first byte ends low.
    assert heard(b"\x00", PLAIN, Framing(19200), strict=True) == b"\x80"
