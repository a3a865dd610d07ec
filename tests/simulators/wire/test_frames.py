"""Stuffing, CRC-32 and frames of the emulated acquisition, held against published vectors."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from simulators.wire.frames import (
    DeviceInfo,
    Frames,
    body_of,
    framed,
    info_frame,
    request_of,
    sample_frames,
    stuffed,
    unstuffed,
)
from tests.wire.cobs_vectors import PUBLISHED

# The examples in the README of the public conformance vectors "cobs-conformance".
CONFORMANCE = [("", "01"), ("02", "02 02"), ("11 00 22", "02 11 02 22")]
VECTORS = [*PUBLISHED, *((bytes.fromhex(a), bytes.fromhex(b)) for a, b in CONFORMANCE)]


@pytest.mark.parametrize(("data", "frame"), VECTORS, ids=range(len(VECTORS)))
def test_stuffing_is_as_published(data, frame):
    assert stuffed(data) == frame
    assert unstuffed(frame) == data


RUNS = st.lists(
    st.one_of(st.binary(max_size=4), st.integers(250, 260).map(lambda n: b"\x07" * n)), max_size=6
)


@given(RUNS.map(b"".join))
def test_an_independent_codec_stuffs_and_unstuffs_the_same(data):
    assert stuffed(data) == cobs.encode(data)
    assert cobs.decode(stuffed(data)) == unstuffed(cobs.encode(data)) == data


@given(st.binary(max_size=600).filter(bool))
def test_an_independent_codec_refuses_the_same_frames(frame):
    try:
        wanted = cobs.decode(frame)
    except cobs.DecodeError:
        with pytest.raises(ValueError, match=r"zero inside|cut to"):
            unstuffed(frame)
    else:
        assert unstuffed(frame) == wanted


def test_the_check_value_of_the_crc_is_that_of_the_catalogue():
    # CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms, "123456789": CBF43926.
    assert framed(b"123456789") == b"\x0e123456789\x26\x39\xf4\xcb\0"
    assert body_of(b"\x0e123456789\x26\x39\xf4\xcb") == b"123456789"


def test_samples_are_laid_out_byte_by_byte():
    values = np.array([[1.0, np.nan], [-2.5, 0.0]], np.float32)
    one, two = sample_frames(0xFFFFFFFF, np.array([1_000_000, 2**32 + 1]), values)
    # IEEE 754: 1.0 is 3F800000, -2.5 is C0200000, the quiet not-a-number 7FC00000.
    body = bytes.fromhex("01 FFFFFFFF 40420F00 0000803F 000020C0")
    assert one == cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"
    body = bytes.fromhex("01 00000000 01000000 0000C07F 00000000")
    assert two == cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"


def test_a_device_says_what_it_is_byte_by_byte():
    body = bytes.fromhex("02 01 01 08 00007A44 2A000000") + b"rig"  # 1000.0 is 447A0000
    frame = info_frame(DeviceInfo("rig", 8, 1000.0), 42)
    assert frame == cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"
    assert body_of(info_frame(DeviceInfo("rig", 8, 1000.0, emulated=False), 42)[:-1])[2] == 0


def test_a_long_name_is_cut_between_letters():
    name = "é" * 15 + "xyé"  # the last letter would begin at byte 32
    assert body_of(info_frame(DeviceInfo(name, 1, 1.0), 0)[:-1])[12:].decode() == "é" * 15 + "xy"


def request(kind: int, what: int) -> bytes:
    """Return a frame that asks for something."""
    body = bytes((kind, what))
    return cobs.encode(body + struct.pack("<I", zlib.crc32(body)))


def test_a_request_is_read_and_anything_else_refused():
    assert [request_of(request(16, what)) for what in (1, 2, 3, 200)] == [1, 2, 3, 200]
    for frame in (request(1, 1), request(16, 1)[:-1] + b"\x55", b"\x05abcd", cobs.encode(b"abcd")):
        with pytest.raises(ValueError, match=r"request|CRC|cut"):
            request_of(frame)


@given(st.lists(st.binary(max_size=40)), st.data())
def test_frames_are_found_however_they_are_cut(bodies, data):
    sent = b"".join(framed(body) for body in bodies)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(sent)))))
    frames = Frames()
    got = []
    for begin, end in zip([0, *cuts], [*cuts, len(sent)], strict=True):
        got += frames.feed(sent[begin:end])
    assert [unstuffed(frame)[:-4] for frame in got] == bodies


@given(st.lists(st.binary(max_size=80), max_size=20), st.binary(max_size=30))
def test_the_first_frame_after_noise_and_an_end_is_whole(noise, body):
    frames = Frames(limit=60)
    for part in noise:
        for frame in frames.feed(part):
            assert 0 < len(frame) <= 60
    frames.feed(b"\0")
    assert frames.feed(framed(body)) == [framed(body)[:-1]]


@given(st.binary(max_size=60))
def test_any_bytes_are_a_body_or_refused(frame):
    try:
        body = body_of(frame)
    except ValueError:
        return
    assert framed(body) == stuffed(unstuffed(frame)) + b"\0"


def test_every_flipped_bit_is_noticed():
    frame = framed(bytes(range(40)))[:-1]
    for at in range(len(frame)):
        for bit in range(8):
            broken = bytearray(frame)
            broken[at] ^= 1 << bit
            with pytest.raises(ValueError, match=r"zero|CRC|cut"):
                body_of(bytes(broken))
