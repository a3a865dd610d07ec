"""Pictures of the crack log in a report: small, upright, and nothing in them but the picture."""

from __future__ import annotations

import hashlib
import io
import random
import struct
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from rig.record.cracks import CrackEntry
from rig.record.pictures import PICTURES
from rig.report.document import Paragraph, Photo
from rig.report.measure import Words, plain
from rig.report.photos import BUDGET, FIRST, NEWEST, photo_blocks, small_jpeg


@pytest.fixture
def folder(tmp_path) -> Path:
    (tmp_path / PICTURES).mkdir()
    return tmp_path


def kept(folder: Path, data: bytes, suffix: str = ".jpg") -> str:
    """Keep a picture in a run's folder as the log does; return its SHA-256."""
    sha256 = hashlib.sha256(data).hexdigest()
    (folder / PICTURES / f"{sha256}{suffix}").write_bytes(data)
    return sha256


def entry(number: int, sha256: str, **told) -> CrackEntry:
    return CrackEntry(number, 1.0 * number, 100 * number, "picture", picture=sha256, **told)


def saved(image: Image.Image, kind: str = "JPEG", **options) -> bytes:
    file = io.BytesIO()
    image.save(file, kind, **options)
    return file.getvalue()


def halves() -> Image.Image:
    """A lying picture, its left half black."""
    image = Image.new("RGB", (120, 60), "white")
    image.paste("black", (0, 0, 60, 60))
    return image


def noise(seed: int, width: int = 1200, height: int = 200) -> Image.Image:
    """What JPEG can make least of."""
    levels = np.random.default_rng(seed).integers(0, 256, (height, width, 3), dtype=np.uint8)
    return Image.fromarray(levels)


def opened(photo: Photo) -> Image.Image:
    return Image.open(io.BytesIO(photo.jpeg))


def words(block: Photo | Paragraph) -> str:
    return plain(block.told if isinstance(block, Photo) else block.parts)


def exif(orientation: int) -> Image.Exif:
    """What a camera writes: how it was held (tag 274 of CIPA DC-008), who made it, and where."""
    written = Image.Exif()
    written[274] = orientation
    written[271] = "A maker"
    written.get_ifd(0x8825)[1] = "N"
    return written


# CIPA DC-008 (Exif), orientation: where the top and the left of what was seen are; from memory.
@pytest.mark.parametrize(
    ("orientation", "dark"),
    [(1, "left"), (2, "right"), (3, "right"), (5, "top"), (6, "top"), (8, "bottom")],
)
def test_a_picture_stands_as_its_camera_was_held(folder, orientation, dark):
    sha256 = kept(folder, saved(halves(), exif=exif(orientation)))
    (photo,) = photo_blocks(folder, [entry(1, sha256)])
    image = opened(photo).convert("L")
    places = {"left": (0.2, 0.5), "right": (0.8, 0.5), "top": (0.5, 0.2), "bottom": (0.5, 0.8)}
    levels = {
        side: image.getpixel((int(x * image.width), int(y * image.height)))
        for side, (x, y) in places.items()
    }
    assert levels[dark] < 50
    assert photo.size == image.size == ((120, 60) if dark in ("left", "right") else (60, 120))


def test_neither_place_nor_camera_nor_comment_is_left_in_it(folder):
    data = saved(halves(), exif=exif(1), comment=b"at home", icc_profile=b"a profile")
    assert b"Exif" in data
    (photo,) = photo_blocks(folder, [entry(1, kept(folder, data))])
    for word in (b"Exif", b"A maker", b"at home", b"ICC_PROFILE", b"http"):
        assert word not in photo.jpeg
    # ITU-T T.81, B.2.4: markers E1 to EF hold what applications add, FE a comment.
    assert not any(bytes([0xFF, marker]) in photo.jpeg[:200] for marker in (0xE1, 0xE2, 0xFE))
    assert not opened(photo).getexif()


def test_many_pictures_keep_the_budget_and_the_first_and_newest_are_shown(folder):
    data = [saved(noise(seed, 160, 120)) for seed in range(3)]
    entries = [
        entry(number, kept(folder, data[number % 3] + bytes([number])))
        for number in range(1, FIRST + NEWEST + 6)
    ]
    blocks = photo_blocks(folder, entries, budget=100_000)
    photos = [block for block in blocks if isinstance(block, Photo)]
    shown = [*range(1, FIRST + 1), *range(6 + FIRST, FIRST + NEWEST + 6)]
    assert [photo.name for photo in photos] == [f"picture-{number}" for number in shown]
    assert sum(len(photo.jpeg) for photo in photos) <= 100_000
    assert f"{FIRST + NEWEST} pictures in all; 5 more are not shown here" in words(blocks[-1])
    assert photo_blocks(folder, entries, budget=100_000) == blocks


def test_a_large_picture_is_no_longer_than_900_and_what_fits_no_room_is_told(folder):
    first = entry(1, kept(folder, saved(noise(1))))
    (photo,) = photo_blocks(folder, [first])
    assert max(photo.size) <= 900
    assert len(photo.jpeg) <= BUDGET
    (told,) = photo_blocks(folder, [first], budget=300)
    assert "not shown: it does not fit" in words(told)


def png(width: int, height: int, data: bytes) -> bytes:
    """A PNG (ISO/IEC 15948) that says it is so wide and high, whatever is in it."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


LARGE = "it has more pixels than a report opens"
DAMAGED = "its file is damaged and cannot be opened"
BROKEN = {
    "bomb": (
        png(40_000, 40_000, zlib.compress(bytes(10_000))),
        "it has more pixels than a report opens",
    ),
    "too large to be warned of": (png(9_000, 9_000, b""), LARGE),
    "cut": (saved(noise(1, 60, 60))[:900], DAMAGED),
    "text": (b"\xff\xd8\xff no picture at all", DAMAGED),
    "empty": (b"", DAMAGED),
    "empty png": (png(10, 10, b""), DAMAGED),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_picture_is_told_in_its_place(folder, name):
    data, why = BROKEN[name]
    suffix = ".png" if data.startswith(b"\x89PNG") else ".jpg"
    (block,) = photo_blocks(folder, [entry(3, kept(folder, data, suffix), crack="C1", by="A")])
    assert isinstance(block, Paragraph)
    assert words(block).startswith("Entry 3, at 300 cycles: crack C1 (face not told), by A.")
    assert words(block).endswith(f"The picture is not shown: {why}.")


def test_a_missing_picture_and_another_in_its_place_are_told(folder):
    sha256 = kept(folder, saved(halves()))
    (folder / PICTURES / f"{sha256}.jpg").write_bytes(saved(noise(2, 9, 9)))
    missing, other = photo_blocks(folder, [entry(1, "ab" * 32), entry(2, sha256)])
    assert "it is not in the folder" in words(missing)
    assert "not the picture that was kept, by its SHA-256" in words(other)
    assert photo_blocks(folder, []) == ()


def test_colours_of_every_depth_are_shown(folder):
    deep = Image.fromarray(np.linspace(0, 65535, 80 * 60).reshape(60, 80).astype(np.uint16))
    assert np.asarray(opened(shown(folder, deep)).convert("L")).mean() == pytest.approx(127, abs=3)
    clear = Image.new("RGBA", (80, 60), (255, 0, 0, 0))
    assert opened(shown(folder, clear)).getpixel((40, 30)) == (255, 255, 255)
    for mode in ("1", "P", "LA", "L"):
        red = Image.new("RGB", (80, 60), "red").convert(mode)
        assert opened(shown(folder, red)).mode == "RGB"


def shown(folder: Path, image: Image.Image) -> Photo:
    (photo,) = photo_blocks(folder, [entry(1, kept(folder, saved(image, "PNG"), ".png"))])
    assert isinstance(photo, Photo)
    return photo


def test_a_corrected_entry_is_told_as_it_stands_and_keeps_its_count(folder):
    sha256 = kept(folder, saved(halves()))
    first = entry(1, sha256, crack="C1", face="front", text="<b>dark</b>", by="A")
    later = replace(
        first, number=2, kind="correction", corrects=1, crack="C2", at_utc="2026-01-01T00:00:00"
    )
    (photo,) = photo_blocks(folder, [first, later])
    assert words(photo).startswith("Entry 1, at 100 cycles: crack C2 front: <b>dark</b>, by A.")
    keys = {part.text: part.key for part in photo.told if isinstance(part, Words)}
    assert keys["C2"] == "cracks.entry.1.crack"
    assert keys[sha256] == "cracks.entry.1.picture"


def test_a_picture_that_two_entries_name_is_shown_once(folder):
    sha256 = kept(folder, saved(halves()))
    assert len(photo_blocks(folder, [entry(1, sha256), entry(2, sha256)])) == 1


@pytest.mark.nights
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_no_damage_at_all_is_raised(tmp_path, kind):
    whole, path = saved(noise(5, 64, 48), kind), tmp_path / "picture"
    chance, judged = random.Random(7), []
    for _ in range(300):
        data = bytearray(whole)
        for _ in range(chance.choice((1, 3, 10))):
            data[chance.randrange(4, len(data))] = chance.randrange(256)
        path.write_bytes(data[: chance.randrange(8, 2 * len(data))])
        judged.append(isinstance(small_jpeg(path, 100_000), str))
    # Each part of a PNG has a sum of its own, so that all damage is seen.
    assert set(judged) == ({True, False} if kind == "JPEG" else {True})
