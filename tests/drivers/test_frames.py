"""Frames from bytes: literal tables, every way a line cuts and damages them, the documentation."""

from __future__ import annotations

import re
import struct
import tracemalloc
import zlib
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from drivers import frames
from drivers.frames import FrameDecoder, Info
from tests.drivers.sample_device import framed, info, sample, sequences, stream, stuffed
from tests.wire.cobs_vectors import PUBLISHED

DOCUMENT = (Path(frames.__file__).parent / "FRAMES.md").read_text(encoding="utf-8")

# Made by hand from the layout in FRAMES.md; the CRC of each by long division, see `long_division`.
SAMPLE_1 = "03 01 01 01 01 03 e8 03 01 01 01 03 80 3f 01 07 20 c0 e5 65 7b 04 00"
SAMPLE_LAST = "0a 01 ff ff ff ff d8 fe ff ff 01 03 c0 7f 01 01 01 05 d9 33 6a 1e 00"
INFO_2 = "05 02 01 01 02 01 04 7a 44 02 01 01 0a 62 65 6e 63 68 bd 7e fe ee 00"
BENCH = Info(1, True, 2, 1000.0, 2, "bench")

GARBAGE = {
    "a zero": "00",
    "zeros": "00 00 00",
    "a byte": "41 00",
    "text": "4f 4b 0d 0a 00",
    "a code that points beyond the end": "ff 01 02 00",
    "another stuffing, unended": "05 11 22 33 44 00",
    "a frame of a type nobody knows": framed(b"\x63hello").hex(),
    "a CRC alone": stuffed(bytes(4)).hex() + "00",
}


def long_division(data: bytes) -> int:
    """CRC-32 by dividing bit by bit, after ITU-T V.42 (2002), 8.1.1.6.2, least bit first."""
    register = 0xFFFFFFFF
    for bit in ((byte >> n) & 1 for byte in data for n in range(8)):
        register = (register >> 1) ^ (0xEDB88320 if (register ^ bit) & 1 else 0)
    return register ^ 0xFFFFFFFF


@pytest.mark.parametrize(("body", "said"), PUBLISHED, ids=range(len(PUBLISHED)))
def test_stuffing_is_that_of_the_published_examples(body: bytes, said: bytes) -> None:
    assert cobs.encode(body) == said  # what a request is stuffed by
    assert cobs.decode(said) == body  # what frames are taken out by
    assert cobs.decode(stuffed(body)) == body  # the device of these tests


def test_the_check_is_the_published_crc_32() -> None:
    # Check value for "123456789": R. N. Williams, A painless guide to CRC error detection
    # algorithms, 1993, and the catalogues of CRC parameters since.
    assert zlib.crc32(b"123456789") == long_division(b"123456789") == 0xCBF43926


@pytest.mark.parametrize("line", [SAMPLE_1, SAMPLE_LAST, INFO_2])
def test_the_literal_frames_carry_the_crc_of_a_long_division(line: str) -> None:
    body = cobs.decode(bytes.fromhex(line)[:-1])
    assert body[-4:] == struct.pack("<I", long_division(body[:-4]))


def fed(data: bytes, cuts: int | None = None) -> tuple[FrameDecoder, list[bytes], list[Info]]:
    """Feed bytes whole, or so many at a time."""
    decoder, bodies, infos = FrameDecoder(), list[bytes](), list[Info]()
    for begin in range(0, len(data), cuts or len(data)):
        more, told = decoder.feed(data[begin : begin + (cuts or len(data))])
        bodies += more
        infos += told
    return decoder, bodies, infos


@pytest.mark.parametrize("cuts", [None, 1, 2, 7])
def test_literal_frames_are_read_however_they_are_cut(cuts: int | None) -> None:
    decoder, bodies, infos = fed(bytes.fromhex(INFO_2 + SAMPLE_1 + SAMPLE_LAST), cuts)
    assert infos == [BENCH]
    assert sequences(bodies) == [1, 2**32 - 1]
    assert [frames.HEAD.unpack_from(body)[2] for body in bodies] == [1000, 4294967000]
    values = frames.values(bodies)
    assert (values.dtype, values.shape) == (np.float32, (2, 2))
    np.testing.assert_array_equal(values, np.array([[1.0, -2.5], [np.nan, 0.0]], np.float32))
    assert (decoder.good, decoder.bad, decoder.strange) == (3, 0, 0)


@pytest.mark.parametrize("cuts", [None, 1])
@pytest.mark.parametrize("garbage", GARBAGE.values(), ids=GARBAGE)
def test_garbage_around_a_frame_costs_no_frame(garbage: str, cuts: int | None) -> None:
    line = garbage + SAMPLE_1 + garbage + INFO_2 + garbage + SAMPLE_LAST + garbage
    decoder, bodies, infos = fed(bytes.fromhex(line), cuts)
    assert sequences(bodies) == [1, 2**32 - 1]
    assert infos == [BENCH]
    # What is no frame counts as bad, but for what is left of a frame where one joins the stream.
    noise = garbage.strip("0 ") != ""
    strange = 4 * (garbage == GARBAGE["a frame of a type nobody knows"])
    assert (decoder.bad, decoder.strange) == (3 * noise if not strange else 0, strange)


@pytest.mark.parametrize("cuts", [None, 1])
def test_a_frame_without_its_end_spoils_the_next_one_only(cuts: int | None) -> None:
    whole = bytes.fromhex(SAMPLE_1)
    decoder, bodies, _ = fed(whole + whole[:-1] + whole + whole, cuts)
    assert sequences(bodies) == [1, 1]
    assert decoder.bad == 1


@pytest.mark.parametrize(
    "bit",
    [
        pytest.param(bit, marks=pytest.mark.nights) if bit % 11 else bit
        for bit in range(8 * (len(bytes.fromhex(SAMPLE_1)) - 1))
    ],
)
def test_no_single_bit_passes(bit: int) -> None:
    damaged = bytearray(bytes.fromhex(SAMPLE_1))
    damaged[bit // 8] ^= 1 << bit % 8
    decoder, bodies, infos = fed(b"\0" + bytes(damaged) + bytes.fromhex(SAMPLE_LAST))
    assert sequences(bodies) == [2**32 - 1]
    assert not infos
    assert decoder.bad >= 1


def test_joining_in_the_middle_of_a_frame_counts_nothing_bad() -> None:
    whole = bytes.fromhex(SAMPLE_1)
    decoder, bodies, _ = fed(whole[5:] + whole)
    assert (sequences(bodies), decoder.bad) == ([1], 0)
    decoder.feed(whole[:9])
    decoder.restart()  # the line was lost and is back
    more, _ = decoder.feed(whole[3:] + whole)
    assert (sequences(more), decoder.bad) == ([1], 0)


def test_noise_without_an_end_is_let_go() -> None:
    decoder = FrameDecoder()
    decoder.feed(b"\0")
    tracemalloc.start()
    try:
        for _ in range(200):
            decoder.feed(b"\xa5" * 1000)
        assert tracemalloc.get_traced_memory()[0] < 20_000
    finally:
        tracemalloc.stop()
    bodies, _ = decoder.feed(b"\xa5\0" + bytes.fromhex(SAMPLE_1))
    assert sequences(bodies) == [1]
    assert decoder.bad > 1


def test_frames_with_other_channels_than_the_device_says_are_counted_apart() -> None:
    decoder, bodies, _ = fed(sample(0, [1.0] * 3) + info(2) + sample(1, [1.0] * 3) + SAMPLES_2)
    assert sequences(bodies) == [2, 3]
    assert (decoder.good, decoder.bad, decoder.strange) == (3, 0, 2)


SAMPLES_2 = sample(2, [1.0, 2.0]) + sample(3, [1.0, 2.0])


@pytest.mark.parametrize("channels", [1, 2, 8, 60, 61, 62, 64, 255])
def test_any_number_of_channels_is_read(channels: int) -> None:
    values = [float(i) for i in range(1, channels + 1)]
    line = sample(7, values)
    _, bodies, _ = fed(info(channels) + line)
    assert frames.values(bodies).tolist() == [values]
    assert len(line) <= frames.line_time(channels, 10, 10) * 1.0 + 1e-9


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        (b"", ""),
        ("Verstärker 2".encode(), "Verstärker 2"),
        (b"a" * 32, "a" * 32),
        (b"\x1b[31mred", "\N{REPLACEMENT CHARACTER}[31mred"),
        (b"\xff", "\N{REPLACEMENT CHARACTER}"),
    ],
)
def test_a_name_is_text_that_can_be_shown(name: bytes, shown: str) -> None:
    _, _, infos = fed(info(8, 5, name=name, emulated=False))
    assert infos == [Info(1, False, 8, 1000.0, 5, shown)]


@pytest.mark.parametrize("body", [b"\x02\x01\x00\x02", b"\x02" * 12 + b"x" * 33, b"\x10\x01", b""])
def test_a_frame_of_another_length_or_type_is_passed_over(body: bytes) -> None:
    decoder, bodies, infos = fed(framed(body) + bytes.fromhex(SAMPLE_1))
    assert (sequences(bodies), infos) == ([1], [])
    assert decoder.strange == (len(body) > 0)


def test_requests_go_out_as_documented() -> None:
    asked = {what: frames.request(what) for what in (frames.ASK_INFO, frames.START, frames.STOP)}
    for what, line in asked.items():
        body = bytes((16, what))
        assert line == b"\0" + stuffed(body + struct.pack("<I", long_division(body))) + b"\0"


def pieces(line: bytes) -> list[bytes]:
    return line.split(b"\0")[:-1]


@st.composite
def damages(draw: st.DrawFn) -> tuple[list[bytes], bytes]:
    """Draw frames with some bytes flipped, dropped, doubled, inserted, frames repeated, swapped."""
    numbers = draw(st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=12))
    sent = stream(numbers, 3)
    line = list(sent)
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(line) - 1))
        line.insert(draw(st.integers(0, len(line))), line[at])
    for _ in range(draw(st.integers(0, 3))):
        a, b = draw(st.integers(0, len(line) - 1)), draw(st.integers(0, len(line) - 1))
        line[a], line[b] = line[b], line[a]
    data = bytearray(b"".join(line))
    for _ in range(draw(st.integers(0, 8))):
        if not data:
            break
        at = draw(st.integers(0, len(data) - 1))
        match draw(st.sampled_from(["flip", "drop", "double", "insert"])):
            case "flip":
                data[at] ^= draw(st.integers(1, 255))
            case "drop":
                del data[at : at + draw(st.integers(1, 30))]
            case "double":
                data[at:at] = data[at : at + draw(st.integers(1, 60))]
            case _:
                data[at:at] = draw(st.binary(min_size=1, max_size=20))
    return sent, bytes(data)


@given(damages(), st.data())
def test_whatever_happens_to_the_bytes_frames_are_taken_as_sent_or_not_at_all(
    damaged: tuple[list[bytes], bytes], data: st.DataObject
) -> None:
    sent, line = damaged
    plain = {bytes(cobs.decode(frame[:-1])) for frame in sent}
    # What lies undamaged between two zeros, by a look at the bytes alone.
    undamaged = [p for p in pieces(line) if p + b"\0" in sent]
    decoder, taken, at = FrameDecoder(), list[bytes](), 0
    while at < len(line):
        end = at + data.draw(st.integers(1, 200))
        bodies, infos = decoder.feed(line[at:end])
        taken += bodies
        assert not infos
        at = end
    assert taken == [bytes(cobs.decode(p)) for p in undamaged]
    assert set(taken) <= plain
    not_empty = sum(1 for p in pieces(line) if p)
    assert not_empty - len(taken) - 1 <= decoder.bad <= not_empty - len(taken)


EXAMPLE = re.compile(r"^([A-Z][^\n]*):\n\n    body  ([0-9a-f ]+)\n    line  ([0-9a-f ]+)\n", re.M)


def numbers_in(title: str) -> list[float]:
    return [float(text) for text in re.findall(r"(?<![\w.])-?\d+(?:\.\d+)?", title)]


def test_the_worked_examples_of_the_document_are_right() -> None:
    examples = EXAMPLE.findall(DOCUMENT)
    assert len(examples) == 6
    for title, body_text, line_text in examples:
        body, line = bytes.fromhex(body_text), bytes.fromhex(line_text)
        assert body[-4:] == struct.pack("<I", long_division(body[:-4]))
        assert line == stuffed(body) + b"\0"
        _, bodies, infos = fed(line)
        if title.startswith("Sample"):
            sequence, micros, *_ = numbers_in(title)
            _, said, when = frames.HEAD.unpack_from(bodies[0])
            assert (said, when) == (sequence, micros)
            (values,) = frames.values(bodies).tolist()
            shown = " and ".join("NaN" if value != value else f"{value:.1f}" for value in values)
            assert title.endswith(f"two channels, {shown}")
        elif title.startswith("Info"):
            (told,) = infos
            flag = "emulated" if told.emulated else "real"
            assert title == (
                f"Info, version {told.version}, {flag}, {told.channels} channels, "
                f'{told.rate:g} Hz, next sequence {told.sequence}, "{told.name}"'
            )
        else:
            what = {"info": 1, "send samples": 2, "send no samples": 3}[title.partition(", ")[2]]
            assert b"\0" + line == frames.request(what)


def test_the_sums_of_the_document_are_right() -> None:
    rows = re.findall(r"^\| (\d+) \| (\d+) \| (\d+) \| (\d+) \| (\d+) \|$", DOCUMENT, re.M)
    usual = (
        115200,
        230400,
        460800,
        921600,
        2000000,
        3000000,
        4000000,
    )  # common practice, no source
    assert len(rows) == 7
    for channels, size, bits, second, baud in (tuple(map(int, row)) for row in rows):
        # The largest frame of so many channels has no zero that stuffing could save.
        assert size == len(framed(b"\x01" * (9 + 4 * channels)))
        assert frames.line_time(channels, 10, baud) == pytest.approx(size * 10 / baud)
        assert (bits, second) == (size * 10, size * 10 * 1000)
        assert baud == next(speed for speed in usual if second <= 0.9 * speed)


def test_the_check_value_and_polynomial_of_the_document_are_those_used() -> None:
    assert "0xCBF43926" in DOCUMENT
    assert "0xEDB88320" in DOCUMENT
    assert int(f"{0x04C11DB7:032b}"[::-1], 2) == 0xEDB88320
