"""Mail really sent to a real server, which may hang, refuse, or drop the line at any step."""

import asyncio
import email
import socket
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from email.policy import default

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.monitor.alerts import mail
from rig.monitor.alerts.mail import mail_message, mail_way
from rig.monitor.alerts.messages import WayDead
from rig.monitor.secrets import Hidden
from rig.protocol.lab import MailServer
from tests.monitor.alerts import post
from tests.monitor.alerts.post import PASSWORD, USER, Post, alert, certificate, serving

SERVER = MailServer("mail.example", 587, "rig@lab.example")


def parsed(data: bytes) -> email.message.EmailMessage:
    return email.message_from_bytes(data, policy=default)


async def test_a_message_arrives_as_it_was_written():
    post = Post()
    async with serving(post) as server:
        await mail_way(server)(alert())
    (people, data), told = post.taken[0], parsed(post.taken[0][1])
    assert people == ["ada@lab.example"]
    assert told["Subject"] == "frame-1: FAILURE at cycle 87,212"
    assert told["To"] == "Ada Example <ada@lab.example>"
    assert told["From"] == "nightrig <rig@lab.example>"
    # RFC 5322, 3.6: Date and From are required, Message-ID should be there.
    assert told["Date"].datetime.isoformat() == "2026-11-25T02:10:12+00:00"
    assert told["Message-ID"].startswith("<night-12.7.first.3.")
    assert told["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5
    # Dots at the beginning of lines are doubled on the way (RFC 5321, 4.5.2) and come back.
    assert told.get_content().replace("\r\n", "\n") == alert().text
    # RFC 5322, 2.1.1: no line is longer than 998 characters; they end with CRLF.
    assert all(len(line) <= 998 for line in data.split(b"\r\n"))
    assert b"\n" not in data.replace(b"\r\n", b"")


NASTY = st.text(
    st.sampled_from('aé\r\n\0\t :;<>@",.\u2028\x85ß日\x1b') | st.characters(codec="utf-8"),
    max_size=80,
)


@given(subject=NASTY, name=NASTY, run=NASTY, text=NASTY)
def test_no_text_can_add_a_header_or_another_person(subject, name, run, text):
    told = alert(subject=subject, people=(name,), text=text, plain={"run": run})
    data = bytes(mail_message(SERVER, told))
    again = parsed(data)
    assert sorted(again.keys()) == sorted(parsed(bytes(mail_message(SERVER, alert()))).keys())
    assert [a.addr_spec for a in again["To"].addresses] == ["ada@lab.example"]
    assert [a.addr_spec for a in again["From"].addresses] == ["rig@lab.example"]
    assert "\n" not in again["Subject"]
    assert not again.defects
    head = data.split(b"\r\n\r\n")[0]
    assert head.isascii()


def test_a_second_try_can_be_known_by_its_message_id():
    first, again = (mail_message(SERVER, alert())["Message-ID"] for _ in range(2))
    assert first == again
    assert mail_message(SERVER, alert(seq=4))["Message-ID"] != first
    other = alert(addresses=("ben@lab.example",))
    assert mail_message(SERVER, other)["Message-ID"] != first


@pytest.mark.system
@pytest.mark.parametrize("security", ["starttls", pytest.param("tls", marks=pytest.mark.nights)])
async def test_tls_and_a_login_with_the_labs_own_authority(tmp_path, system_program, security):
    system_program("openssl")
    post, files = Post(), certificate(tmp_path)
    async with serving(post, security=security, files=files, auth=True) as server:
        await mail_way(server, lambda: Hidden(PASSWORD))(alert())
        assert post.logins[-1] == USER.encode()
        with pytest.raises(WayDead, match=r"does not take user and password \(535\)"):
            await mail_way(server, lambda: Hidden("another one"))(alert())
        # Without that authority, or where the certificate is another's, nothing is sent at all.
        logins = len(post.logins)
        with pytest.raises(WayDead, match="certificate that is not trusted"):
            await mail_way(replace(server, ca=""), lambda: Hidden(PASSWORD))(alert())
        with pytest.raises(WayDead, match="certificate that is not trusted"):
            await mail_way(replace(server, host="127.0.0.1"), lambda: Hidden(PASSWORD))(alert())
        assert len(post.logins) == logins
    assert len(post.taken) == 1


@pytest.mark.parametrize("without", [(), ("PLAIN",)], ids=["plain", "login"])
async def test_a_password_of_any_letters_logs_in(monkeypatch, without):
    # RFC 4616, section 2: user and password are UTF-8. The server here takes them as bytes.
    monkeypatch.setattr(post, "PASSWORD", "päss wörd; 密")
    taken = Post()
    async with serving(taken, auth=True, without=without) as server:
        await mail_way(server, lambda: Hidden(post.PASSWORD))(alert())
        with pytest.raises(WayDead, match=r"does not take user and password \(535\)$"):
            await mail_way(server, lambda: Hidden("ä"))(alert())
    assert len(taken.taken) == 1


async def test_where_no_such_password_can_log_in_nothing_of_it_is_told():
    async with serving(Post(), auth=True, without=("PLAIN", "LOGIN")) as server:
        with pytest.raises(WayDead) as raised:
            await mail_way(server, lambda: Hidden("päss"))(alert())
    assert "letters outside ASCII" in raised.value.reason
    assert "ä" not in raised.value.reason
    assert "xe4" not in raised.value.reason


async def test_an_authority_that_cannot_be_used_is_told_by_its_file(tmp_path):
    (tmp_path / "ca.crt").write_text("no certificate")
    for name, told in (("ca.crt", "no certificate in PEM"), ("gone.crt", "no such file")):
        server = replace(SERVER, ca=str(tmp_path / name))
        with pytest.raises(WayDead, match=f"{name}: the authority of the mail server: {told}"):
            await mail_way(server)(alert())


async def test_a_server_without_starttls_gets_no_password():
    post = Post()
    async with serving(post) as server:
        with pytest.raises(WayDead, match="STARTTLS"):
            await mail_way(
                replace(server, security="starttls", user=USER), lambda: Hidden(PASSWORD)
            )(alert())
    assert (post.logins, post.taken) == ([], [])


@pytest.mark.parametrize(
    ("answers", "expected"),
    [
        ({"DATA": "452 4.3.1 the disk is full\r\n"}, "says 452 4.3.1 the disk is full"),
        ({"DATA": "554 no <ADA@lab.example>"}, "says 554 no <Ada Example>"),
        ({"RCPT": "550 no such person"}, r"refuses Ada Example \(550\)"),
        ({"RCPT": "451 try again later"}, r"refuses Ada Example \(451\)"),
    ],
)
async def test_a_refusal_is_told_in_one_line(answers, expected):
    async with serving(Post(answers)) as server:
        with pytest.raises(WayDead, match=expected) as raised:
            await mail_way(server)(alert())
    assert "\n" not in raised.value.reason
    # It goes into the run's folder, which holds nobody's address.
    assert "@" not in raised.value.reason
    assert f"localhost:{server.port}" in raised.value.reason


async def test_a_line_that_drops_after_the_message_is_a_failure_to_be_tried_again():
    post = Post(drops_after="DATA")
    async with serving(post) as server:
        with pytest.raises(WayDead, match="closed the connection"):
            await mail_way(server)(alert())
    assert len(post.taken) == 1


async def test_threads_that_hang_with_a_disk_hold_up_no_mail():
    goes_on, loop, taken = threading.Event(), asyncio.get_running_loop(), Post()
    loop.set_default_executor(ThreadPoolExecutor(1))
    hangs = loop.run_in_executor(None, goes_on.wait, 30)
    try:
        async with serving(taken) as server:
            await asyncio.wait_for(mail_way(server)(alert()), 20)
    finally:
        goes_on.set()
        await hangs
    assert len(taken.taken) == 1


async def test_nobody_there():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port = found.getsockname()[1]
    with pytest.raises(WayDead, match="refused"):
        await mail_way(MailServer("127.0.0.1", port, "rig@lab.example", "none"))(alert())


async def test_a_password_that_cannot_be_had_is_told_without_it():
    def gone() -> Hidden:
        raise InputError("/lab/secrets/mail: no such file")

    async with serving(Post(), auth=True) as server:
        with pytest.raises(WayDead, match="password cannot be"):
            await mail_way(server, gone)(alert())


@pytest.mark.parametrize(
    "says",
    [
        b"",
        pytest.param(b"220 mail.example ESMTP\r\n", marks=pytest.mark.nights),
        pytest.param(b"220-mail", marks=pytest.mark.nights),
        b"220-x\r\n" * 9,
    ],
)
async def test_a_server_that_hangs_is_given_up_and_its_thread_ends(monkeypatch, says):
    monkeypatch.setattr(mail, "WHOLE", 0.3)
    before = set(threading.enumerate())
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]

        async def serve() -> socket.socket:
            taken, _ = await asyncio.to_thread(listening.accept)
            taken.sendall(says)
            return taken

        async with asyncio.TaskGroup() as group:
            serving = group.create_task(serve())
            with pytest.raises(WayDead, match="takes longer"):
                await mail_way(MailServer("127.0.0.1", port, "rig@lab.example", "none"))(alert())
        serving.result().close()
    # Its own thread ends with the dialogue.
    while mine := [t for t in set(threading.enumerate()) - before if t.name.startswith("mail")]:
        await asyncio.to_thread(mine[0].join, 5)
