"""Pictures are copied by content and named by it; what is none is refused."""

from __future__ import annotations

import hashlib
import os
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError, StorageError
from rig.record import pictures
from rig.record.pictures import find_picture, keep_picture, trouble_of_picture


def segment(marker: int, data: bytes) -> bytes:
    """Return a segment of a JPEG (ITU-T T.81, B.1.1.4)."""
    return bytes([0xFF, marker]) + (len(data) + 2).to_bytes(2) + data


def chunk(kind: bytes, data: bytes = b"") -> bytes:
    """Return a chunk of a PNG (ISO/IEC 15948, 5.3)."""
    return len(data).to_bytes(4) + kind + data + zlib.crc32(kind + data).to_bytes(4)


PREVIEW = b"\xff\xd8\xff\xd9"
"""A picture inside the picture, with an end of its own."""
SCAN = segment(0xDA, bytes(10)) + b"\x01" * 3000
JPEG = (
    b"\xff\xd8" + segment(0xE0, b"JFIF\0" + PREVIEW) + segment(0xC0, bytes(15)) + SCAN + b"\xff\xd9"
)
HEAD = chunk(b"IHDR", bytes(13))
PNG = b"\x89PNG\r\n\x1a\n" + HEAD + chunk(b"IDAT", b"\x02" * 2000) + chunk(b"IEND")


@pytest.fixture
def run(tmp_path: Path) -> Path:
    folder = tmp_path / "run"
    folder.mkdir()
    return folder


def shot(place: Path, data: bytes, name: str = "shot.txt") -> Path:
    path = place / name
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(("data", "end"), [(JPEG, ".jpg"), (PNG, ".png")], ids=["JPEG", "PNG"])
def test_a_picture_is_named_by_its_content_whatever_it_was_called(run, tmp_path, data, end):
    found = keep_picture(run, shot(tmp_path, data, "=cmd| .exe"))
    assert found.sha256 == hashlib.sha256(data).hexdigest()
    assert found.path == run / "pictures" / f"{found.sha256}{end}"
    assert found.path.read_bytes() == data
    assert found.path.stat().st_mode & 0o111 == 0
    assert find_picture(run, found.sha256) == found.path
    assert [p.name for p in found.path.parent.iterdir()] == [found.path.name]


def test_the_same_picture_is_kept_once_and_a_damaged_one_is_put_right(run, tmp_path):
    source = shot(tmp_path, JPEG)
    first, again = keep_picture(run, source), keep_picture(run, source)
    assert (first.new, again.new) == (True, False)
    again.take_back()
    assert first.path.is_file()
    first.path.write_bytes(JPEG[:-1])
    assert "is not the picture that was kept" in trouble_of_picture(first.path, first.sha256)
    assert keep_picture(run, source).new
    assert trouble_of_picture(first.path, first.sha256) == ""


def test_one_that_is_refused_afterwards_is_taken_away_again(run, tmp_path):
    keep_picture(run, shot(tmp_path, JPEG)).take_back()
    assert list(run.iterdir()) == []


NO_PICTURES = {
    "words": b"a crack",
    "a program": b"\x7fELF" + bytes(100),
    "markup": b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>",
    "not from its first byte": b" " + PNG,
}


@pytest.mark.parametrize("data", NO_PICTURES.values(), ids=NO_PICTURES.keys())
def test_what_is_no_picture_by_its_content_is_refused(run, tmp_path, data):
    with pytest.raises(InputError, match="is no JPEG or PNG picture by its content"):
        keep_picture(run, shot(tmp_path, data, "crack.png"))
    assert list(run.iterdir()) == []


CUT_OFF = {
    "a JPEG of three bytes": JPEG[:3],
    "a JPEG without a scan": JPEG[:30],
    "a JPEG without its end": JPEG[:-1],
    "a JPEG without a frame": b"\xff\xd8" + SCAN + b"\xff\xd9",
    "a PNG without its end": PNG[:-12],
    "a PNG cut within": PNG[:500],
    "a PNG that was changed": PNG.replace(b"\x02", b"\x03", 1),
}


@pytest.mark.parametrize("data", CUT_OFF.values(), ids=CUT_OFF.keys())
def test_a_picture_that_is_not_whole_is_refused_while_there_is_a_camera(run, tmp_path, data):
    with pytest.raises(InputError, match="is cut off or damaged; copy it once more"):
        keep_picture(run, shot(tmp_path, data, "crack.jpg"))
    assert list(run.iterdir()) == []


def test_what_follows_a_whole_picture_is_kept_with_it(run, tmp_path):
    for data in (JPEG + b"a film", PNG + b"more"):
        assert keep_picture(run, shot(tmp_path, data)).path.read_bytes() == data


@pytest.mark.parametrize(
    ("data", "said"),
    [(b"", "is empty"), (b"\0\0\0\x18ftypheic\0\0\0\0", "is HEIC or AVIF, as phones write it")],
)
def test_it_is_said_what_to_do_with_the_file_of_a_phone(run, tmp_path, data, said):
    with pytest.raises(InputError, match=said):
        keep_picture(run, shot(tmp_path, data, "crack.jpg"))


def test_a_huge_picture_is_refused_without_being_read_whole(run, tmp_path):
    huge = shot(tmp_path, PNG)
    os.truncate(huge, 1 << 40)  # a hole of a terabyte
    with pytest.raises(InputError, match="is larger than 30 MB"):
        keep_picture(run, huge)


def test_a_pipe_a_folder_a_device_and_nothing_are_refused_at_once(run, tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for name, said in (
        (tmp_path / "pipe", "is no plain file"),
        (run, "is no plain file"),
        (Path("/dev/zero"), "is no plain file"),
        (tmp_path / "none.jpg", "cannot be read: No such file"),
        (Path("a\0b"), "cannot be read"),
    ):
        with pytest.raises(InputError, match=said):
            keep_picture(run, name)


def test_a_link_to_a_picture_is_copied_by_content(run, tmp_path):
    (tmp_path / "link").symlink_to(shot(tmp_path, PNG))
    found = keep_picture(run, tmp_path / "link")
    assert not found.path.is_symlink()
    assert found.path.read_bytes() == PNG


def test_a_link_in_the_folder_of_a_run_leads_nowhere_else(run, tmp_path):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (run / "pictures").symlink_to(elsewhere, target_is_directory=True)
    with pytest.raises(StorageError, match="is no folder of this run"):
        keep_picture(run, shot(tmp_path, PNG))
    assert list(elsewhere.iterdir()) == []
    (run / "pictures").unlink()
    (run / "pictures").mkdir()
    victim = shot(tmp_path, b"keep me", "victim")
    name = f"{hashlib.sha256(PNG).hexdigest()}.png"
    (run / "pictures" / name).symlink_to(victim)
    assert keep_picture(run, shot(tmp_path, PNG)).path.read_bytes() == PNG
    assert victim.read_bytes() == b"keep me"


def test_no_more_pictures_are_taken_than_a_run_can_need(run, tmp_path, monkeypatch):
    monkeypatch.setattr(pictures, "MOST", 1)
    keep_picture(run, shot(tmp_path, PNG))
    with pytest.raises(InputError, match="holds 1 pictures, no more are taken"):
        keep_picture(run, shot(tmp_path, JPEG))


def test_a_picture_leaves_the_record_its_room_on_the_disk(run, tmp_path, monkeypatch):
    monkeypatch.setattr(pictures, "LEFT", 1 << 60)
    with pytest.raises(InputError, match="the record needs the"):
        keep_picture(run, shot(tmp_path, PNG))
    assert list((run / "pictures").iterdir()) == []


@given(st.binary(max_size=40), st.sampled_from([b"", JPEG[:3], PNG[:8], JPEG, PNG]))
def test_any_bytes_are_kept_as_they_are_or_refused(tmp_path_factory, data, begins):
    place = tmp_path_factory.mktemp("any")
    whole = begins + data
    try:
        found = keep_picture(place, shot(place, whole))
    except InputError:
        assert not whole.startswith((JPEG, PNG))
    else:
        assert found.path.read_bytes() == whole
        assert found.path.suffix == (".jpg" if whole.startswith(b"\xff") else ".png")
