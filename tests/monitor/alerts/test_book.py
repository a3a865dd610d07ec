"""The book of alerts: lines are only added; what is torn or damaged costs nothing else."""

import fcntl
import json
import os
import threading
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import StorageError
from rig.monitor.alerts import book
from rig.monitor.alerts.book import NAME, Read, read_on, write
from rig.monitor.alerts.desk import Desk, line

NOW = datetime(2026, 11, 25, 2, 10, 12, tzinfo=UTC)


def opened(number: int, key: str = "silent", **changes) -> dict:
    fields = {
        **{"headline": "NO DATA", "happened": "no new data", "did": "nobody knows", "mark": ""},
        **{"key": key, "kinds": ["silent"], "lasting": True, "stays": False, "calm": 60.0},
        **{"todo": ["go"], "where": {"rig": "frame-1"}},
    }
    return line("opened", NOW, n=number, **{**fields, **changes})


def numbers(read: Read) -> list[int]:
    return list(read.desk.alerts)


def test_what_is_written_is_read_in_pieces_or_as_a_whole(tmp_path):
    assert read_on(tmp_path, Read()) == Read()
    write(tmp_path, [opened(1), opened(2, "gone")])
    first = read_on(tmp_path, Read())
    write(tmp_path, [line("acknowledged", NOW, n=2, by="Ada")])
    second = read_on(tmp_path, first)
    assert numbers(first) == numbers(second) == [1, 2]
    assert second.desk.alerts[2].acknowledged == "Ada"
    assert read_on(tmp_path, Read()) == second
    lines = (tmp_path / NAME).read_text(encoding="utf-8").splitlines()
    assert [json.loads(text)["what"] for text in lines] == ["opened", "opened", "acknowledged"]


@given(cut=st.integers(1, 200))
def test_a_torn_last_line_is_passed_over_and_dropped_by_the_next(tmp_path_factory, cut):
    folder = tmp_path_factory.mktemp("run")
    write(folder, [opened(1)])
    whole = (folder / NAME).read_bytes()
    torn = json.dumps(opened(2, "gone")).encode()
    (folder / NAME).write_bytes(whole + torn[: min(cut, len(torn))])
    read = read_on(folder, Read())
    assert (numbers(read), read.damaged, read.place) == ([1], (), len(whole))
    write(folder, [opened(2, "record")])
    assert numbers(read_on(folder, read)) == numbers(read_on(folder, Read())) == [1, 2]
    assert read_on(folder, Read()).damaged == ()


@pytest.mark.parametrize("torn", [1, 7, 8, 9, 40])
def test_a_torn_line_of_any_length_is_dropped(tmp_path, monkeypatch, torn):
    monkeypatch.setattr(book, "PIECE", 8)
    write(tmp_path, [opened(1)])
    with open(tmp_path / NAME, "ab") as file:
        file.write(b"x" * torn)
    write(tmp_path, [opened(2, "gone")])
    read = read_on(tmp_path, Read())
    assert (numbers(read), read.damaged) == ([1, 2], ())


@pytest.mark.parametrize(
    "damage",
    [
        b"{",
        b"[]",
        b"null",
        b'{"v": 1}',
        b'{"v": 2, "what": "opened"}',
        b'{"v": 1, "what": "opened", "at_utc": "yesterday"}',
        b'{"v": 1, "what": "acknowledged", "at_utc": "2026-11-25T02:10:12+00:00", "n": 9}',
        b'{"v": 1, "what": "acknowledged", "at_utc": "2026-11-25T02:10:12", "n": 1, "by": "A"}',
        b'{"v": 1, "what": "moved", "at_utc": "2026-11-25T02:10:12+00:00"}',
        json.dumps(opened(1)).encode(),
        json.dumps(opened(3, kinds=["of a later version"])).encode(),
        b"\xff\xfe\x00",
        b"[" * 100_000,
    ],
    ids=range(13),
)
def test_a_damaged_line_is_told_by_its_place_and_passed_over(tmp_path, damage):
    write(tmp_path, [opened(1)])
    with open(tmp_path / NAME, "ab") as file:
        file.write(damage + b"\n")
    write(tmp_path, [opened(2, "gone")])
    read = read_on(tmp_path, Read())
    assert numbers(read) == [1, 2]
    (told,) = read.damaged
    assert told.startswith(f"{tmp_path / NAME}:2: ")
    assert "passed over" in told


@given(st.lists(st.binary(max_size=60), max_size=8))
def test_no_bytes_at_all_keep_anybody_from_reading_on(tmp_path_factory, pieces):
    folder = tmp_path_factory.mktemp("run")
    (folder / NAME).write_bytes(b"\n".join(pieces))
    read_on(folder, Read())
    write(folder, [opened(1)])
    assert numbers(read_on(folder, Read())) == [1]


def test_a_book_that_cannot_be_written_says_so_and_holds_no_half_line(tmp_path, monkeypatch):
    write(tmp_path, [opened(1)])

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageError, match="cannot write the alerts"):
        write(tmp_path, [opened(2, "gone")])
    monkeypatch.undo()
    assert numbers(read_on(tmp_path, Read())) == [1]


@pytest.mark.parametrize("left", [None, 0, 30])
def test_a_book_that_is_taken_away_or_cut_off_costs_nothing_that_was_told(tmp_path, left):
    write(tmp_path, [opened(1), opened(2, "gone")])
    read = read_on(tmp_path, Read())
    if left is None:
        (tmp_path / NAME).unlink()
        assert read_on(tmp_path, read) == read
    else:
        os.truncate(tmp_path / NAME, left)
    told = {"of": [2], "way": "mail", "people": ["Ada"], "why": "first"}
    write(tmp_path, [line("sent", NOW, **told)])
    again = read_on(tmp_path, read)
    assert numbers(again) == [1, 2]
    assert ("Ada", "mail") in again.desk.alerts[2].told
    assert "cut off or replaced" in again.damaged[0]
    assert read_on(tmp_path, again) == again


def test_two_who_write_at_once_take_turns(tmp_path):
    # As the teller and the command `alerts` do, each with the book open for itself.
    write(tmp_path, [opened(1)])
    with open(tmp_path / NAME, "rb+") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        waits = threading.Thread(target=write, args=(tmp_path, [opened(3, "gone")]))
        waits.start()
        waits.join(0.05)
        assert waits.is_alive()
        other.seek(0, os.SEEK_END)
        other.write(json.dumps(opened(2, "record")).encode() + b"\n")
        other.flush()
        fcntl.flock(other, fcntl.LOCK_UN)
        waits.join()
    read = read_on(tmp_path, Read())
    assert (numbers(read), read.damaged) == ([1, 2, 3], ())


def test_an_empty_desk_has_nothing_open():
    assert Desk().open_alerts() == ()
    assert Desk().next_number == 1
