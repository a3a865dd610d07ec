"""`nightrig alerts`: what is open, who was told, and what people write into the book."""

from __future__ import annotations

import contextlib
import fcntl
import json
import sys
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from rig.assembly.teller_place import LOCK
from rig.assembly.telling import keep_messages
from rig.commands.alerts_until import ends
from rig.commands.main import main
from rig.control.lock import lock_folder, lock_rig
from rig.errors import InputError
from rig.monitor.alerts.book import NAME, Read, read_on, write
from rig.monitor.alerts.desk import Desk, line
from rig.protocol.lab import KINDS, Messages
from tests.monitor.alerts.test_book import opened

NOW = datetime(2026, 11, 25, 2, 10, 12, tzinfo=UTC)
LAB = f"""
name = "cellar"
zone = "Europe/Lisbon"

[program]
arguments = [{json.dumps(sys.executable)}, "-S", "-c", {{code}}]

[[person]]
name = "Ada"

[[person]]
name = "Ben"

[[alert]]
name = "all"
kinds = "all"
people = ["Ada"]
ways = ["program"]
escalate_after = "30 min"
escalate_to = ["Ben"]
"""


@dataclass
class Said:
    code: int
    out: str
    err: str

    @property
    def json(self) -> dict:
        return json.loads(self.out)


@pytest.fixture
def run(tmp_path: Path) -> Path:
    folder = tmp_path / "night-1"
    folder.mkdir()
    # A record that cannot be read keeps nobody from answering an alert.
    (folder / "journal.db").write_bytes(b"torn")
    return folder


@pytest.fixture
def told(run: Path) -> Path:
    """Return a run with three alerts: one acknowledged, one that stays, one told twice."""
    whom = {"way": "mail", "people": ["Ada", "Ben"]}
    write(
        run,
        [
            opened(1, "found:a sensor", kinds=["sensor"], headline="SENSOR: midspan slipped"),
            opened(2, "silent", stays=True, headline="NO NEW DATA for 6 min"),
            opened(3, "end:failure", kinds=["failure"], headline="FAILURE at cycle 87,212"),
            line("sent", NOW, of=[3], why="first", **whom),
            line(
                "sent", NOW + timedelta(minutes=10), of=[3], why="again", way="mail", people=["Ada"]
            ),
            line("acknowledged", NOW, n=1, by="Ada"),
            line("over", NOW, n=2),
            line("held", NOW, n=2, way="program", people=["Cid"], why="quiet hours"),
            line("failed", NOW, of=[2], way="mail", people=["Cid"], reason="no such person"),
        ],
    )
    return run


def nightrig(capsys: pytest.CaptureFixture[str], *words: object) -> Said:
    with pytest.raises(SystemExit) as left:
        main(["alerts", *map(str, words)])
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    return Said(int(str(left.value.code or 0)), captured.out, captured.err)


def desk(folder: Path) -> Desk:
    return read_on(folder, Read()).desk


def test_what_nobody_acknowledged_comes_first_and_the_most_important_of_it(told, capsys):
    said = nightrig(capsys, told)
    heads = [text for text in said.out.splitlines() if text[:3].strip().isdigit()]
    assert (said.code, heads) == (
        0,
        [
            "  3  FAILURE at cycle 87,212",
            "  2  NO NEW DATA for 6 min",
            "  1  SENSOR: midspan slipped",
        ],
    )
    assert said.out.startswith(f"3 open alerts of {told}\n")
    for part in (
        "told        Ada by mail, 2 x, last ",
        "told        Ben by mail, ",
        "held        for Cid by program: quiet hours",
        "seen        acknowledged by Ada, ",
        "it stays until somebody resets it",
        "mail to Cid failed last at ",
        "no such person",
    ):
        assert part in said.out, part


def test_where_nobody_tries_any_more_it_says_when_it_failed_last(told, capsys):
    write(
        told,
        [
            line("failed", NOW, of=[2], way="mail", people=["Cid"], reason="no such person"),
            opened(4, "way:mail", kinds=["message-way"], did="tries again, at last every 15 min"),
        ],
    )
    with open(told / LOCK, "w") as teller:
        fcntl.flock(teller, fcntl.LOCK_EX)
        lives = nightrig(capsys, told).out
    ended = nightrig(capsys, told).out
    assert "FAILS: mail to Cid fails since " in lives
    assert "tries again" in lives
    assert "FAILS" not in ended
    assert "not told: mail to Cid failed last at " in ended
    assert "tries again" not in ended


def test_where_another_run_has_the_rig_it_says_so_before_all_else(run, capsys, tmp_path):
    rig = f"frame of {tmp_path}"
    where = {"rig": "frame-1", "frame": rig}
    write(run, [opened(1, "end:limit", kinds=["limit"], where=where)])
    assert "has the rig" not in nightrig(capsys, run).out
    other = tmp_path / "night-5"
    other.mkdir()
    with contextlib.ExitStack() as held:
        held.callback(lock_folder(other, NOW).release)
        lock = lock_rig(rig, other, NOW)
        held.callback(lock.path.unlink)
        held.callback(lock.release)
        said = nightrig(capsys, run).out.splitlines()[1]
    assert said.startswith("CAUTION: another run, night-5, has the rig now: it may move")


@pytest.mark.parametrize(("kind", "grave"), [("failure", True), ("water", False)])
def test_who_silences_what_is_grave_is_cautioned(run, capsys, kind, grave):
    said = nightrig(capsys, run, "--silence", kind, "--until", "2 h", "--why", "known")
    assert said.code == 0
    assert said.out.startswith(f"silenced {kind} until ")
    assert ("nobody hears of it until then" in said.out) is grave


def test_json_has_the_same_in_plain_values(told, capsys):
    found = nightrig(capsys, told, "--json").json
    assert [alert["number"] for alert in found["open"]] == [3, 2, 1]
    assert found["open"][0]["told"][0] == {
        "person": "Ada",
        "way": "mail",
        "times": 2,
        "last_utc": "2026-11-25T02:20:12+00:00",
    }
    assert (found["closed"], found["silences"], found["damaged"]) == (0, [], [])
    assert found["failing"][0]["why"] == "no such person"


def test_nothing_open_and_nobody_told_is_said(run, capsys):
    said = nightrig(capsys, run)
    assert said.code == 0
    assert "no open alerts" in said.out
    assert "nobody is told of this run: its rig file has no [messages]" in said.out


def test_an_alert_is_acknowledged_by_name(told, capsys):
    said = nightrig(capsys, told, "--acknowledge", 3, "--by", "Ben")
    assert (said.code, said.out) == (0, "acknowledged 3 (FAILURE at cycle 87,212)\n")
    assert desk(told).alerts[3].acknowledged == "Ben"
    said = nightrig(capsys, told, "--acknowledge", 3, "--by", "Cid")
    assert "acknowledged by Ben already" in said.out
    assert desk(told).alerts[3].acknowledged == "Ben"


def test_all_are_acknowledged_at_once(told, capsys):
    said = nightrig(capsys, told, "--acknowledge", "all", "--by", "Ben")
    assert len(said.out.splitlines()) == 2
    assert [a.acknowledged for a in desk(told).alerts.values()] == ["Ada", "Ben", "Ben"]
    assert nightrig(capsys, told, "--acknowledge", "all").out == "nothing waits for anybody\n"


def test_only_what_is_over_can_be_reset(told, capsys):
    said = nightrig(capsys, told, "--reset", 3, "--by", "Ben")
    assert said.code == 2
    assert "its cause holds" in said.err
    assert nightrig(capsys, told, "--reset", 2, "--by", "Ben").code == 0
    assert desk(told).alerts[2].closed_why == "reset by Ben"
    said = nightrig(capsys, told, "--reset", 2)
    assert said.code == 2
    assert "closed: reset by Ben" in said.err


def test_a_silence_is_shown_with_its_end_who_made_it_and_why(told, capsys):
    words = ("--silence", "sensor", "--until", "2 h", "--by", "Ben", "--why", "cable on order")
    said = nightrig(capsys, told, *words)
    assert said.code == 0
    assert said.out.startswith("silenced sensor until ")
    silence = desk(told).silences["sensor"]
    assert (silence.by, silence.why) == ("Ben", "cable on order")
    shown = nightrig(capsys, told).out
    assert "silenced    sensor until" in shown
    assert "by Ben: cable on order" in shown


def test_a_silence_can_be_ended_and_no_word_reaches_a_terminal_as_an_order(told, capsys):
    words = ("--silence", "sensor", "--by", "Ben\n\x1b[2J", "--why", "tank\r\x07 cleaned")
    said = nightrig(capsys, told, *words, "--until", "2 h")
    assert said.out.endswith(" by Ben [2J: tank cleaned\n")
    assert nightrig(capsys, told, *words, "--until", "now").out == (
        "sensor is told again, by Ben [2J: tank cleaned\n"
    )
    assert "silenced" not in nightrig(capsys, told).out


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["--acknowledge", "9"], "alert 9 of"),
        (["--acknowledge", "-1"], "give the number of an alert"),
        (["--acknowledge", "²"], "give the number of an alert"),
        (["--acknowledge", "9" * 40], "is not open"),
        (["--acknowledge", "1", "--reset", "2"], "give one after the other"),
        (["--silence", "sensors", "--until", "2 h", "--why", "x"], "did you mean sensor"),
        (["--silence", "sensor", "--until", "2 h"], "needs --until and --why"),
        (["--silence", "sensor", "--why", "x"], "needs --until and --why"),
        (["--silence", "sensor", "--why", "x", "--until", "25:00"], "a time on the clock"),
        (["--silence", "sensor", "--why", "x", "--until", "1e99 d"], "--until"),
        (["--silence", "sensor", "--why", "x", "--until", "8 d"], "at most 7 days"),
        (["--silence", "sensor", "--why", "x", "--until=-2 h"], "a time on the clock"),
        (["--silence", "sensor", "--why", "x", "--until", "0 s"], "a time on the clock"),
        (["--acknowledge", "9" * 5000], "give the number of an alert"),
        (["--acknowledge", "3", "--by", "\x1b\x07"], "--by: give text"),
        (["--acknowledge", "3", "--by", "B" * 101], "--by: give text"),
        (["--until", "2 h"], "--until belongs to --silence"),
        (["--lab", "x.toml"], "--lab belongs to --test"),
        (["--test"], "messages.json"),
    ],
)
def test_what_cannot_be_done_is_told_in_one_line_and_changes_nothing(told, capsys, words, problem):
    before = (told / NAME).read_bytes()
    said = nightrig(capsys, told, *words)
    assert said.code == 2
    assert problem in said.err
    assert said.err.count("\n") == 1
    assert (told / NAME).read_bytes() == before


def test_no_run_is_told(tmp_path, capsys):
    said = nightrig(capsys, tmp_path / "none", "--json")
    assert said.code == 2
    assert said.json["done"] is None
    assert "there is no such folder" in said.err


def test_a_damaged_line_is_told_beside_the_rest(told, capsys):
    with open(told / NAME, "ab") as file:
        file.write(b"{\n")
    said = nightrig(capsys, told)
    assert said.code == 0
    assert f"{told / NAME}:10: this line cannot be read" in said.err


@pytest.mark.parametrize(
    ("text", "now", "expected"),
    [
        ("06:00", "2026-11-25T02:10:12+00:00", "2026-11-25T06:00:00+00:00"),
        ("06:00", "2026-11-25T06:00:00+00:00", "2026-11-26T06:00:00+00:00"),
        ("6:30", "2026-11-25T23:00:00+00:00", "2026-11-26T06:30:00+00:00"),
        ("2 h", "2026-11-25T23:00:00+00:00", "2026-11-26T01:00:00+00:00"),
        ("90 min", "2026-11-25T23:00:00+00:00", "2026-11-26T00:30:00+00:00"),
        # Portugal puts its clocks forward at 01:00 UTC on 29 March 2026 (tz database, rule EU).
        ("06:00", "2026-03-28T22:00:00+00:00", "2026-03-29T05:00:00+00:00"),
        ("06:00", "2026-10-24T21:00:00+00:00", "2026-10-25T06:00:00+00:00"),
    ],
)
def test_until_when_is_by_the_labs_clock(text, now, expected):
    zone = ZoneInfo("Europe/Lisbon")
    assert ends(text, datetime.fromisoformat(now), zone).isoformat() == expected


def test_until_the_computers_clock_where_there_is_no_lab():
    end = ends("06:00", NOW, None)
    assert f"{end.astimezone():%H:%M}" == "06:00"
    assert timedelta(0) < end - NOW <= timedelta(hours=25)
    with pytest.raises(InputError, match="at most 7 days"):
        ends("169 h", NOW, None)


def lab_file(folder: Path, code: str) -> Path:
    path = folder / "lab.toml"
    path.write_text(LAB.replace("{code}", json.dumps(code)), encoding="utf-8")
    return path


def test_a_test_alert_goes_every_way_to_everybody(run, tmp_path, capsys):
    heard = tmp_path / "heard"
    code = f"import sys; open({str(heard)!r}, 'a').write(sys.stdin.read())"
    keep_messages(Messages(str(lab_file(tmp_path, code)), "frame-1"), run)
    said = nightrig(capsys, run, "--test")
    assert said.code == 0
    assert said.out.splitlines()[0] == "program to Ada, Ben: taken"
    text = heard.read_text(encoding="utf-8")
    assert text.startswith("frame-1: TEST ALERT, nothing has happened\n")
    assert "An alert is no safety system" in text
    # It is no alert of the run.
    assert not (run / NAME).exists()


def test_a_test_alert_that_fails_is_told_and_its_code_says_so(tmp_path, capsys):
    path = lab_file(tmp_path, "raise SystemExit('no modem')")
    said = nightrig(capsys, "--test", "--lab", path, "--json")
    assert said.code == 4
    (one,) = said.json["tried"]
    assert one["way"] == "program"
    assert one["failed"].endswith("ended with code 1: no modem")


def test_a_lab_that_names_nobody_cannot_be_tried(tmp_path, capsys):
    path = tmp_path / "lab.toml"
    path.write_text('name = "cellar"\n[broker]\nhost = "localhost"\n', encoding="utf-8")
    said = nightrig(capsys, "--test", "--lab", path)
    assert said.code == 2
    assert "names nobody" in said.err


def test_every_kind_can_be_silenced(run, capsys):
    for kind in KINDS:
        words = ("--silence", kind, "--until", "1 h", "--why", "a trial", "--by", "Ada")
        assert nightrig(capsys, run, *words).code == 0
    assert set(desk(run).silences) == set(KINDS)
    assert all(asdict(each)["by"] == "Ada" for each in desk(run).silences.values())


def test_an_hour_that_comes_twice_is_the_next_of_both():
    # Lisbon puts its clock back from 02:00 to 01:00 on 25 October 2026, at 01:00 UTC (tz database).
    zone = ZoneInfo("Europe/Lisbon")
    first, second = (datetime(2026, 10, 25, hour, 10, tzinfo=UTC) for hour in (0, 1))
    assert ends("01:30", first, zone) == first + timedelta(minutes=20)
    assert ends("01:30", second, zone) == second + timedelta(minutes=20)
    assert ends("01:05", second, zone) == datetime(2026, 10, 26, 1, 5, tzinfo=UTC)
