"""`nightrig watch --page` as people meet it: a live run on a phone, an ended one, and refusals."""

from __future__ import annotations

import contextlib
import json
import re
import resource
import signal
import subprocess
import urllib.request
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from random import Random

import pytest

from rig.commands.watch_page import AFTER_END, Stay
from tests.assembly.nights import COMMAND, PATIENCE, a_night, eventually
from tests.commands.cut_off import copy, said_by
from tests.commands.test_watch import Undisturbed
from tests.monitor.page.browser import DESK, PHONE, browsing
from tests.monitor.page.serve import said

NO_PROXY = urllib.request.build_opener(urllib.request.ProxyHandler({}))


def fetched(url: str, token: str = "") -> bytes:
    asked = urllib.request.Request(
        url, headers={"Authorization": f"Bearer {token}"} if token else {}
    )
    with NO_PROXY.open(asked, timeout=PATIENCE) as answer:
        return answer.read()


def headline(url: str, token: str = "") -> str:
    return json.loads(fetched(f"{url}state.json", token))["page"]["headline"]


@contextlib.contextmanager
def page_of(folder: Path, *more: str) -> Iterator[tuple[subprocess.Popen, str]]:
    """Serve the page of a run on a free port; give the process and the page's address."""
    command = [*COMMAND, "watch", str(folder), "--page", "--page-address", "127.0.0.1:0", *more]
    child = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        stream = child.stderr if "--json" in more else child.stdout
        first = stream.readline()
        assert first.startswith("the page of "), first + child.stderr.read()
        yield child, first.split()[-1]
    finally:
        if child.poll() is None:
            child.kill()
        child.communicate()


def left(child: subprocess.Popen, how: signal.Signals = signal.SIGINT) -> tuple[int, str, str]:
    """Leave a page; return the code and what was printed."""
    child.send_signal(how)
    out, err = child.communicate(timeout=PATIENCE)
    return child.returncode, out, err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--page", "--once"], "leave out --once"),
        (["--page", "--lab", "x.toml"], "leave out --lab"),
        (["--page-address", "0.0.0.0"], "add it, or leave it out"),
        (["--page-token", "x"], "add it, or leave it out"),
        (["--page-name", "rig.example"], "add it, or leave it out"),
        (["--page", "--page-address", "a b"], "is no address of this computer"),
        (["--page", "--page-token", "none-there"], "no such file"),
        (["--page", "--page-address", "0.0.0.0"], "--page-token FILE"),
        (["--page", "--page-name", "rig.example"], "--page-token FILE"),
    ],
)
def test_what_no_page_can_be_is_refused_in_one_line(tmp_path, options, words):
    (tmp_path / "journal.db").touch()  # it is not even opened
    said = said_by("watch", str(tmp_path), *options)
    assert said.code == 2
    assert words in said.err
    assert said.err.count("\n") == 1
    assert not said.out


def test_a_page_outlives_the_test_that_ends_under_it_by_a_night_and_a_morning():
    stay = Stay(over=False)
    assert not stay.is_over(over=False, now=1e6)
    assert not stay.is_over(over=True, now=1e6 + 1)
    assert not stay.is_over(over=True, now=1e6 + AFTER_END)
    # Taken up again meanwhile: the next end counts from its own moment.
    assert not stay.is_over(over=False, now=1e6 + AFTER_END + 2)
    assert not stay.is_over(over=True, now=2e6)
    assert stay.is_over(over=True, now=2e6 + AFTER_END + 1)
    assert AFTER_END >= 8 * 3600


def test_a_page_of_a_test_that_had_ended_stays_until_somebody_leaves():
    stay = Stay(over=True)
    assert not stay.is_over(over=True, now=0.0)
    assert not stay.is_over(over=True, now=1e9)
    assert not stay.is_over(over=False, now=1e9 + 1)
    assert not stay.is_over(over=True, now=1e9 + 2)
    assert stay.is_over(over=True, now=1e9 + AFTER_END + 3)


@pytest.mark.nights
def test_a_token_that_others_may_read_is_refused(closed, tmp_path):
    token = tmp_path / "token"
    token.write_text("invented-for-this-test-0123456789")
    token.chmod(0o644)
    said = said_by("watch", str(closed), "--page", "--page-token", str(token))
    assert said.code == 2
    assert "chmod 600" in said.err
    assert "invented" not in said.err


@pytest.mark.nights
def test_an_ended_run_is_shown_until_somebody_leaves_with_its_code(closed, tmp_path):
    with page_of(closed, "--json") as (child, url):
        assert headline(url) == "ENDED: RUN-OUT"
        assert b"ENDED: RUN-OUT" in fetched(url)
        # A second one finds the port taken.
        taken = url.rstrip("/").rpartition("/")[2]
        said = said_by("watch", str(closed), "--page", "--page-address", taken)
        assert (said.code, said.err.count("\n")) == (2, 1)
        assert "address already in use; give another with --page-address" in said.err
        code, out, _ = left(child)
    assert code == 0
    assert json.loads(out)["outcome"] == "run-out"


@pytest.mark.nights
def test_a_run_whose_program_is_gone_is_told_and_ends_as_watch_does(killed, tmp_path):
    token = tmp_path / "token"
    token.write_text("invented-for-this-test-0123456789\n")
    token.chmod(0o600)
    folder = copy(killed, tmp_path)
    with page_of(folder, "--page-token", str(token)) as (child, url):
        # The address that is printed does not hold a token that is kept in a file.
        assert "#" not in url
        told = json.loads(fetched(f"{url}state.json", token.read_text().strip()))
        assert told["gone"]
        assert told["page"]["why"][0].startswith("the rehearsal broke off without an end")
        code, out, err = left(child, signal.SIGTERM)
    assert code == 1
    assert "nightrig resume" in err
    assert "invented" not in out + err


@pytest.mark.system
@pytest.mark.nights
@pytest.mark.xdist_group("serial")
@pytest.mark.timeout(180)
def test_a_live_run_is_seen_on_a_phone_and_at_a_desk_and_feels_nothing(tmp_path, system_program):
    # Slow enough for a computer that drives a browser beside: the rig must not trip.
    with contextlib.ExitStack() as later:
        night = later.enter_context(a_night(tmp_path, run_out=100_000, pace=4))
        assert night.finished(night.order("--detach")).returncode == 0
        night.until_state("cycling")
        browser = later.enter_context(browsing(system_program))
        undisturbed = Undisturbed(night)
        with page_of(night.out) as (child, url):
            for size, dark, counts in ((PHONE, False, 3), (DESK, True, 2)):
                browser.dressed(size, dark=dark)
                browser.open(url)
                seen: list[int] = []
                eventually(lambda s=seen, n=counts: cycles(browser, s) >= n, "more counts")
                assert seen == sorted(set(seen))
            assert browser.complaints() == []
            own = {a for a in browser.asked() if not a.startswith(("chrome:", "data:"))}
            assert own == {url, f"{url}state.json"}
            # What is told is what the record holds: no cycle that was not counted.
            told = json.loads(fetched(f"{url}state.json"))
            rows = undisturbed.counted
            assert told["cycles"] > rows
            undisturbed.check()
            code, out, err = left(child)
            assert (code, err) == (0, "")
            assert "the test goes on in" in out
        holds_its_token(night, browser)


@pytest.mark.endurance
@pytest.mark.xdist_group("serial")
@pytest.mark.timeout(180)
def test_a_storm_of_requests_is_not_felt_by_the_test_and_leaves_memory_flat(tmp_path):
    with a_night(tmp_path, run_out=100_000, pace=3) as night:
        assert night.finished(night.order("--detach")).returncode == 0
        night.until_state("cycling")
        undisturbed = Undisturbed(night)
        with page_of(night.out) as (child, url):
            fetched(f"{url}state.json")
            port = int(url.rstrip("/").rpartition(":")[2])
            storm(port, 2_000, seed=1)
            before = resident(child.pid)
            storm(port, 20_000, seed=2)
            grown = resident(child.pid) - before
            assert grown < 8_000_000, f"grown by {grown} bytes"
            assert headline(url)
            undisturbed.check()
            # Its end is told, and with its code the page ends.
            assert night.nightrig("stop", "night-1", "--why", "<b>enough</b>").returncode == 0
            eventually(lambda: headline(url) == "ENDED: OPERATOR", "its end")
            assert "<b>enough</b>" in json.loads(fetched(f"{url}state.json"))["page"]["why"][0]
            assert left(child)[0] == 5


def storm(port: int, size: int, seed: int) -> None:
    """Throw so many requests at a page, good and bad, from 16 clients at once."""

    def one(number: int) -> None:
        random = Random(seed * 1_000_000 + number)
        line = random.choice([b"GET / ", b"GET /state.json ", b"POST / ", b"GET /x ", b"\x16\x03"])
        host = random.choice([b"localhost", b"rebound.example", random.randbytes(20)])
        said(port, line + b"HTTP/1.1\r\nHost: " + host + b"\r\n" * random.choice([1, 2]))

    with ThreadPoolExecutor(16) as clients:
        list(clients.map(one, range(size)))


def resident(pid: int) -> int:
    """Return how much memory a process holds [bytes]."""
    pages = Path(f"/proc/{pid}/statm").read_text().split()[1]
    return int(pages) * resource.getpagesize()


def cycles(browser, seen: list[int]) -> int:
    """Note the count that stands on the page, if it is new; return how many there were."""
    (told,) = re.findall(r"cycles ?([\d,]+) of", browser.text("now"))
    count = int(told.replace(",", ""))
    if count not in seen:
        seen.append(count)
    return len(seen)


def holds_its_token(night, browser) -> None:
    """See a run on a page whose token was made for it, and stands nowhere else."""
    command = [*COMMAND, "watch", "night-1", "--page", "--page-address", "127.0.0.1:0"]
    terminal = night.on_terminal([*command, "--page-name", "rig.example"])
    terminal.until("no safety system")
    (url,) = re.findall(r"http://127\.0\.0\.1:\d+/#[\w-]{32}", terminal.seen)
    token = url.partition("#")[2]
    for process in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            assert token.encode() not in process.read_bytes()
    browser.open(url)
    eventually(lambda: browser.text("specimen") == "P-77", "the run")
    terminal.press(b"\x03")
    assert terminal.code() == 0
    files = [file for file in night.folder.rglob("*") if file.is_file()]
    assert night.out / "journal.db" in files
    assert not [file for file in files if token.encode() in file.read_bytes()]
    terminal.close()
