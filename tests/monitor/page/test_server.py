"""The page's server on real sockets: what it says, to whom, and whatever is thrown at it."""

import base64
import contextlib
import gzip
import hashlib
import json
import re
import socket
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.monitor.page import server as server_module
from rig.monitor.page.document import numbers
from rig.monitor.page.door import Address
from rig.monitor.page.http import MOST_HEAD
from rig.monitor.page.server import MOST, Server, serving
from tests.monitor.page.serve import Hasty, connect, heard, no_more, request, said, served
from tests.monitor.views import VIEWS, cycling

TOKEN = "invented-for-this-test-0123456789"
REFUSED = {400, 404, 405, 408, 421, 431, 505}


@pytest.fixture(scope="module")
def port():
    with served(lambda: cycling) as (port, _):
        yield port


def test_the_page_and_its_numbers_are_all_there_is(port):
    page = request(port)
    assert (page.status, page.fields["Content-Type"]) == (200, "text/html; charset=utf-8")
    assert b"NOTHING TO DO" in page.body
    told = request(port, "/state.json")
    assert (told.status, told.fields["Content-Type"]) == (200, "application/json")
    assert json.loads(told.body) == json.loads(json.dumps(numbers(cycling)))
    for target in ("/state", "/state.json/", "/?x", "/..", "/../journal.db", "/%2e%2e/", "//", "*"):
        assert request(port, target).status == 404, target


def test_what_is_packed_is_the_same(port):
    packed = request(port, "/state.json", Accept_Encoding="br, gzip")
    assert packed.fields["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.body) == request(port, "/state.json").body


@pytest.mark.parametrize("target", ["/", "/state.json"])
def test_the_head_alone_is_that_of_the_whole(port, target):
    # RFC 9110, 9.3.2: the same fields as for GET, and no content.
    whole, head = request(port, target), request(port, target, "HEAD")
    assert (head.status, head.body) == (200, b"")
    assert {k: v for k, v in head.fields.items() if k != "Date"} == {
        k: v for k, v in whole.fields.items() if k != "Date"
    }


def test_only_reading_is_allowed(port):
    for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "BREW"):
        answer = request(port, "/", method)
        assert (answer.status, answer.fields["Allow"]) == (405, "GET, HEAD"), method


def test_every_answer_keeps_browsers_from_keeping_guessing_and_embedding(port):
    answers = [request(port), request(port, "/state.json"), request(port, "/x")]
    for fields in (answer.fields for answer in answers):
        assert fields["Cache-Control"] == "no-store"
        assert fields["X-Content-Type-Options"] == "nosniff"
        assert fields["Referrer-Policy"] == "no-referrer"
        assert fields["X-Frame-Options"] == "DENY"
        assert fields["Cross-Origin-Resource-Policy"] == "same-origin"
        assert "Access-Control-Allow-Origin" not in fields
        assert "Server" not in fields
        assert fields["Content-Security-Policy"].startswith("default-src 'none'")
    policy = answers[0].fields["Content-Security-Policy"]
    assert "unsafe" not in policy
    assert "connect-src 'self'" in policy
    # CSP level 3: the hash of what stands between the tags, and of nothing else.
    for tag in ("script", "style"):
        (inside,) = re.findall(f"<{tag}>(.*?)</{tag}>", answers[0].body.decode(), re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "localhost:9000", "LOCALHOST.", "[::1]:8712", "127.0.0.1:1"]
)
def test_on_loopback_it_answers_to_this_computer(port, host):
    assert request(port, Host=host).status == 200


@pytest.mark.parametrize(
    "host", ["rebound.example", "192.0.2.7", "0.0.0.0", "127.0.0.1.example", "localhost@x", ""]
)
def test_a_name_that_was_made_to_point_here_is_refused(port, host):
    # RFC 9110, 15.5.20: 421, not for this server.
    assert request(port, "/state.json", Host=host).status == 421


@pytest.mark.parametrize(
    ("data", "status"),
    [
        (b"GET / HTTP/1.1\r\n\r\n", 400),  # RFC 9112, 3.2: no Host
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: localhost\r\n\r\n", 400),  # and two
        (b"GET / HTTP/1.1\r\nHost : localhost\r\n\r\n", 400),  # RFC 9112, 5.1: space at the colon
        (b"GET / HTTP/1.1\r\nHost: localhost\r\n folded: 1\r\n\r\n", 400),  # RFC 9112, 5.2
        (b"GET  / HTTP/1.1\r\nHost: localhost\r\n\r\n", 400),
        (b"GET /\r\n\r\n", 400),
        (b"GET / HTTP/2.0\r\nHost: localhost\r\n\r\n", 505),
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", 400),  # somebody tries TLS
        (b"GET / HTTP/1.1\r\nHost: localhost\r\n", 400),  # cut off
        (b"GET /" + b"a" * MOST_HEAD + b" HTTP/1.1\r\nHost: localhost\r\n\r\n", 431),
        (b"POST / HTTP/1.1\r\nHost: localhost\r\n\r\n" + b"x" * 300_000, 405),
    ],
    ids=range(11),
)
def test_what_is_no_request_for_a_page_is_refused(port, data, status):
    assert said(port, data).status == status
    assert request(port).status == 200


def test_a_field_of_thousands_of_blanks_is_read_at_once(port):
    # In time that grows with the third power of them it would take a quarter of an hour.
    blanks = b" \t" * (MOST_HEAD // 2 - 40)
    asked = b"GET / HTTP/1.1\r\nHost: localhost\r\nX:" + blanks
    assert said(port, asked + b"\0\r\n\r\n").status == 400
    assert said(port, asked + b"\r\n\r\n").status == 200


PIECES = st.one_of(
    st.sampled_from([b"GET", b"HEAD", b"POST", b" ", b"/", b"/state.json", b" HTTP/1.1", b"\r\n"]),
    st.sampled_from(
        [b"Host: localhost", b"Host:", b"\r\n\r\n", b": ", b"\0", b"Content-Length: 9"]
    ),
    st.binary(max_size=40),
)


@given(st.lists(PIECES, max_size=12))
def test_junk_is_refused_and_told_so_in_good_http(port, pieces):
    data = b"".join(pieces)
    answer = said(port, data)
    if answer is None:
        assert not data
        return
    # A request that is right by chance is one for the page.
    well = re.match(
        rb"(GET|HEAD) /(state\.json)? HTTP/1\.[0-9]\r\n(.*\r\n)?Host: localhost\r\n", data, re.S
    )
    assert answer.status in REFUSED or (answer.status == 200 and well)


def test_slow_clients_hold_up_nobody_and_are_told_to_go(monkeypatch):
    monkeypatch.setattr(server_module, "ASKS_WITHIN", 0.15)
    with served(lambda: cycling) as (port, server):
        slow = connect(port)
        slow.sendall(b"GET / HTTP/1.1\r\n")
        assert request(port).status == 200
        # It goes on and on, and is cut off all the same.
        over = threading.Event()
        drip = threading.Thread(target=_drip, args=(slow, over))
        drip.start()
        answer = heard(slow)
        over.set()
        drip.join()
        slow.close()
        assert answer is None or answer.status == 408
        assert request(port).status == 200
        assert server.dropped == 0


def _drip(to: socket.socket, over: threading.Event) -> None:
    while not over.wait(0.02):
        try:
            to.sendall(b"X")
        except OSError:
            return


def test_who_takes_an_answer_slowly_gets_all_of_it():
    with served(lambda: cycling) as (port, _), socket.socket() as slow:
        # As small as the system lets it be: most of the answer waits at the server.
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1)
        slow.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, 536)
        slow.connect(("127.0.0.1", port))
        slow.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        threading.Event().wait(0.1)
        assert heard(slow).body.endswith(b"</html>")


def test_an_answer_that_nobody_takes_is_dropped(monkeypatch):
    monkeypatch.setattr(server_module, "READS_WITHIN", 0.1)
    monkeypatch.setattr(server_module, "document", lambda _page: b"x" * 20_000_000)
    with served(lambda: cycling) as (port, server), connect(port) as idle:
        idle.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        until = threading.Event()
        while not server.connections:
            until.wait(0.01)
        while server.connections:
            until.wait(0.02)
        assert _taken(idle) < 20_000_000


def _taken(to: socket.socket) -> int:
    size = 0
    with contextlib.suppress(ConnectionResetError):
        while part := to.recv(1 << 20):
            size += len(part)
    return size


def test_a_hundred_connections_that_wait_make_room_for_one_that_asks():
    with served(lambda: cycling) as (port, server):
        waiting = [connect(port) for _ in range(100)]
        for to in waiting:
            to.sendall(b"GET / HTTP/1.1\r\n")
        assert request(port).status == 200
        assert server.connections <= MOST
        assert server.dropped == 100 + 1 - MOST
        # The newest of them still get their answer.
        waiting[-1].sendall(b"Host: localhost\r\n\r\n")
        assert heard(waiting[-1]).status == 200
        for to in waiting:
            to.close()


def test_a_locked_page_tells_nothing_without_its_token():
    with served(lambda: cycling, TOKEN) as (port, server):
        page = request(port)
        assert page.status == 200
        for told in ("P-12", "Prism", "frame 2", "92.41", "A. Name", "NOTHING TO DO", TOKEN):
            assert told.encode() not in page.body, told
        refused = request(port, "/state.json")
        assert (refused.status, refused.fields["WWW-Authenticate"][:6]) == (401, "Bearer")
        assert server.door.wrong == 0
        for given in (f"Bearer {TOKEN}", f"bearer {TOKEN}", _basic(f"whoever:{TOKEN}")):
            assert request(port, "/state.json", Authorization=given).status == 200
            assert b"92.41" in request(port, Authorization=given).body
        assert server.door.wrong == 0


def _basic(told: str) -> str:
    return f"Basic {base64.b64encode(told.encode('latin-1')).decode()}"


@pytest.mark.parametrize(
    "given",
    [
        f"Bearer {TOKEN}x",
        f"Bearer {TOKEN[:-1]}",
        "Bearer x",
        "Bearer \xff\xfe",
        _basic(f"{TOKEN}:"),
        _basic("a:b"),
    ],
)
def test_a_wrong_token_waits_is_counted_and_opens_nothing(given):
    clock = Hasty([])
    with served(lambda: cycling, TOKEN, clock=clock) as (port, server):
        answer = request(port, "/state.json", Authorization=given)
        assert answer.status == 401
        assert b"92.41" not in request(port, Authorization=given).body
        counted = server.door.wrong
        assert clock.waited == [1.0] * counted
        assert counted == (0 if given == _basic(f"{TOKEN}:") else 2)


def test_many_wrong_tokens_at_once_are_not_even_waited_for(monkeypatch):
    monkeypatch.setattr(server_module, "WRONG_WAITS", 0.3)
    with served(lambda: cycling, TOKEN) as (port, server):
        guesses = [connect(port) for _ in range(20)]
        for n, to in enumerate(guesses):
            line = (
                f"GET /state.json HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {n}\r\n\r\n"
            )
            to.sendall(line.encode())
            no_more(to)
        # Whoever knows it is not held up by those who do not.
        assert request(port, "/state.json", Authorization=f"Bearer {TOKEN}").status == 200
        statuses = [heard(to).status for to in guesses]
        for to in guesses:
            to.close()
        assert sorted(statuses) == [401] * 8 + [429] * 12
        assert server.door.wrong == 20


@pytest.mark.parametrize("name", sorted(VIEWS))
def test_the_numbers_are_those_of_the_view(name):
    view = VIEWS[name]
    told = json.loads(json.dumps(numbers(view), allow_nan=False))
    status = view.status
    for key, value in {
        "load_max_N": status.load_max,
        "load_min_N": status.load_min,
        "deflection_max_m": status.deflection_max,
        "stiffness_N_per_m": status.stiffness,
        "frequency_Hz": status.frequency,
        "oil_temperature_K": status.oil_temperature,
    }.items():
        assert told[key] == (value if value == value else None), key
    assert told["cycles"] == status.cycles
    assert told["curve"]["cycles"] == pytest.approx(list(view.curve.cycles), abs=0.06)
    drawn = told["curve"]["stiffness_N_per_m"]
    assert drawn == pytest.approx(list(view.curve.stiffness), rel=1e-5)
    assert told["page"]["headline"] == told["call"]["headline"]
    assert tuple(told["page"]["why"]) == tuple(told["call"]["why"])


async def test_where_an_address_is_not_of_this_computer_no_other_port_is_offered():
    # RFC 5737: an address for documentation, nobody's.
    with pytest.raises(InputError, match=r"cannot assign .* such as 127\.0\.0\.1$"):
        async with serving(Server(lambda: cycling, None, None), Address("192.0.2.7", 8712)):
            pass


async def test_a_port_that_is_taken_is_told_in_one_line():
    def never() -> None:
        raise AssertionError

    with served(lambda: cycling) as (port, _):
        at = Address("127.0.0.1", port)
        with pytest.raises(InputError) as told:
            async with serving(Server(never, None, None), at):
                pass
        assert str(told.value).startswith(
            f"the page cannot be served at 127.0.0.1 port {port}: add"
        )
        assert str(told.value).endswith(f"such as 127.0.0.1:{port % 65535 + 1}")
        assert "\n" not in str(told.value)
