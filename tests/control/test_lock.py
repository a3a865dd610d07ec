"""Locks of rig and folder: one test at a time, the holder named, free when its process is gone."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from datetime import UTC, datetime

import pytest

from rig.control.lock import (
    OPEN_TO_ALL,
    UNKNOWN,
    folder_holder,
    lock_folder,
    lock_rig,
    other_user,
    refuse_taken,
    rig_file,
    shared_folder,
)
from rig.errors import InputError, StorageError

EVENING = datetime(2026, 1, 31, 18, 30, tzinfo=UTC)

HOLD = """
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from rig.control.lock import lock_folder, lock_rig
held = lock_rig(sys.argv[1], Path(sys.argv[2]), datetime(2026, 1, 31, 18, 30, tzinfo=UTC))
here = lock_folder(Path(sys.argv[2]), datetime(2026, 1, 31, 18, 30, tzinfo=UTC))
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def rig(tmp_path):
    """The name of a rig that no other test has; its lock file is taken away afterwards."""
    name = f"Frame {os.getpid()} of {tmp_path.name}"
    yield name
    (shared_folder() / rig_file(name)).unlink(missing_ok=True)


@pytest.fixture
def holder(tmp_path, rig):
    """Another process that holds rig and folder."""
    child = subprocess.Popen(
        [sys.executable, "-P", "-c", HOLD, rig, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert child.stdout.readline() == "held\n"
        yield child
    finally:
        child.kill()
        child.communicate()


@pytest.fixture
def in_kathmandu(monkeypatch):
    """A zone that is 5 h 45 min ahead of UTC, all year."""
    monkeypatch.setenv("TZ", "<+0545>-05:45")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("in_kathmandu")
def test_a_rig_in_use_is_refused_with_its_holder_in_one_line(tmp_path, rig, holder):
    with pytest.raises(InputError) as refused:
        lock_rig(rig, tmp_path / "other", EVENING)
    said = str(refused.value)
    assert f"rig {rig!r} is in use by {tmp_path} (process {holder.pid}, user " in said
    # People read the clock on their wall: 18:30 UTC is a quarter past midnight there.
    assert "since 2026-02-01 00:15)" in said
    assert "\n" not in said


def test_a_folder_in_use_is_refused_with_its_holder(tmp_path, holder):
    with pytest.raises(InputError, match=f"process {holder.pid}"):
        lock_folder(tmp_path, EVENING)
    with pytest.raises(InputError, match=f"live run .process {holder.pid}"):
        refuse_taken(tmp_path)
    assert folder_holder(tmp_path).pid == holder.pid


def test_a_new_folder_needs_the_folder_above_it(tmp_path):
    refuse_taken(tmp_path / "night-1")
    with pytest.raises(InputError) as refused:
        refuse_taken(tmp_path / "nihgts" / "night-1")
    assert str(refused.value).startswith(f"{tmp_path / 'nihgts'}: there is no such folder")
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="no such folder"):
        refuse_taken(tmp_path / "file" / "night-1")


def test_a_killed_holder_holds_nothing(tmp_path, rig, holder):
    holder.kill()
    holder.wait()
    assert folder_holder(tmp_path) is None
    lock_rig(rig, tmp_path, EVENING).release()
    lock_folder(tmp_path, EVENING).release()


def test_another_run_that_has_the_rig_is_named_as_long_as_it_lives(tmp_path, rig, holder):
    assert other_user(rig, tmp_path / "old") == tmp_path.name
    assert other_user(rig, tmp_path) == ""
    holder.kill()
    holder.wait()
    # Its name still stands in the file.
    assert other_user(rig, tmp_path / "old") == ""


def test_what_has_the_rig_without_a_run_is_named_too(tmp_path, rig):
    assert other_user(rig, tmp_path) == ""
    lock = lock_rig(rig, "nightrig devices", EVENING)
    assert other_user(rig, tmp_path) == "nightrig devices"
    lock.release()
    assert other_user(rig, tmp_path) == ""


def test_a_lock_that_cannot_be_looked_at_counts_as_held_by_somebody_unknown(tmp_path, holder):
    assert folder_holder(tmp_path / "night-2") is None
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (0, hard))
    try:
        found = folder_holder(tmp_path)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert found == UNKNOWN
    (tmp_path / "lock").write_text("not JSON")
    assert folder_holder(tmp_path) == UNKNOWN
    assert UNKNOWN.who == "whose it is cannot be read"
    with pytest.raises(InputError, match="already exists"):
        refuse_taken(tmp_path)


def test_a_child_process_does_not_inherit_a_lock(tmp_path, rig):
    lock = lock_rig(rig, tmp_path, EVENING)
    child = subprocess.Popen(["sleep", "60"])
    try:
        lock.release()
        lock_rig(rig, tmp_path, EVENING).release()
    finally:
        child.kill()
        child.wait()


def test_the_lock_of_a_rig_is_where_every_user_can_take_it(tmp_path, rig):
    lock = lock_rig(rig, tmp_path, EVENING)
    assert lock.path.stat().st_mode & 0o777 == 0o666
    assert lock.path.parent.stat().st_mode & OPEN_TO_ALL == OPEN_TO_ALL
    lock.release()


AS_NOBODY = """
import os, sys
from datetime import UTC, datetime
from pathlib import Path
from rig.control.lock import lock_rig
os.setgid(65534); os.setuid(65534)
lock_rig(sys.argv[1], Path("/night-2"), datetime(2026, 1, 31, tzinfo=UTC))
print("held")
"""


def test_another_user_can_lock_a_rig_after_us_and_is_refused_while_we_hold_it(tmp_path, rig):
    if os.getuid() != 0:
        pytest.skip("only root can become another user")
    command = [sys.executable, "-P", "-c", AS_NOBODY, rig]
    lock = lock_rig(rig, tmp_path, EVENING)
    during = subprocess.run(command, capture_output=True, text=True, check=False)
    lock.release()
    after = subprocess.run(command, capture_output=True, text=True, check=False)
    assert f"is in use by {tmp_path}" in during.stderr
    assert (after.stdout, after.stderr) == ("held\n", "")


@pytest.mark.parametrize(
    "written", ["", "not JSON", "[1, 2]", '{"pid": "x"}', "{" * 5000], ids=lambda text: text[:9]
)
def test_a_holder_who_wrote_rubbish_is_still_a_holder(tmp_path, rig, holder, written):
    (shared_folder() / rig_file(rig)).write_text(written)
    with pytest.raises(InputError, match="in use by another process"):
        lock_rig(rig, tmp_path, EVENING)


def test_control_characters_of_a_holder_do_not_reach_the_terminal(tmp_path, rig, holder):
    told = {"pid": 1, "run": "/n\x1b[2J", "user": "a\nb", "since": "\u202enow"}
    (shared_folder() / rig_file(rig)).write_text(json.dumps(told))
    with pytest.raises(InputError) as refused:
        lock_rig(rig, tmp_path, EVENING)
    assert str(refused.value).isprintable()


def test_a_lock_that_is_a_link_is_not_followed(tmp_path, rig):
    place = shared_folder() / rig_file(rig)
    place.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(StorageError, match="cannot make the lock"):
        lock_rig(rig, tmp_path, EVENING)
    assert not (tmp_path / "elsewhere").exists()


def test_names_that_differ_only_in_what_a_file_name_cannot_hold_are_two_rigs():
    names = {rig_file(name) for name in ("frame 1", "frame/1", "Frame 1", "frame 1 ", "../frame 1")}
    assert len(names) == 5
    assert all("/" not in name for name in names)
