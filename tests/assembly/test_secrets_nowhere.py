"""After a run that was told of and asked from afar no secret is anywhere but where it is kept."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import sqlite3
import threading
import urllib.parse
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import h5py
import numpy as np
import pytest

from rig.control.lock import folder_holder
from tests.assembly.nights import Night, eventually
from tests.assembly.told import a_teller, a_told_night, log, tellers
from tests.monitor.alerts import post
from tests.monitor.mqtt import broker as brokers
from tests.monitor.mqtt.broker import LAB, PROGRAMS, RIG, Broker

pytestmark = [pytest.mark.system, pytest.mark.nights, pytest.mark.xdist_group("serial")]

SECRETS = {
    "broker": 'brøker pass/word+&=%41 "invented"',
    "asker": "the asker's own ?#[]@!$ invented",
    "requests": "invented to sign requests: 0123456789 / + ü",
    "mail": "mail päss~word;<>{}|+/=%41 invented",
}
"""Invented, each with what needs another form in a URL, in JSON, in Base64."""


def forms(secret: str) -> set[bytes]:
    """Return a secret in all forms in which somebody may have written it down.

    Of Base64 the part that stays wherever it begins in a longer text, as in AUTH PLAIN (RFC 4616).
    """
    plain = secret.encode()
    found = {plain, secret.encode("utf-16-le"), secret.encode("latin-1"), plain.hex().encode()}
    found |= {json.dumps(secret)[1:-1].encode(), repr(secret)[1:-1].encode()}
    found |= {urllib.parse.quote(secret, safe=safe).encode() for safe in ("", "/")}
    found.add(urllib.parse.quote_plus(secret).encode())
    for before in range(3):
        coded = base64.b64encode(b"\0" * before + plain)
        inner = coded[4 if before else 0 : -4]
        found |= {inner, inner.translate(bytes.maketrans(b"+/", b"-_"))}
    return {form for form in found if len(form) > 8}


ALL = {form: name for name, secret in SECRETS.items() for form in forms(secret)}


def secrets_in(data: bytes) -> set[str]:
    """Return which secrets some bytes hold, in any form."""
    return {name for form, name in ALL.items() if form in data}


def decoded(journal: Path) -> Iterator[bytes]:
    """Give every value of every table of a journal, what is compressed in clear."""
    with contextlib.closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as read:
        for (table,) in read.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table'"
        ).fetchall():
            for row in read.execute(f'SELECT * FROM "{table}"'):
                for value in row:
                    data = value if isinstance(value, bytes) else str(value).encode()
                    yield data
                    with contextlib.suppress(zlib.error):
                        yield zlib.decompress(data)


def texts(value: object) -> Iterator[bytes]:
    """Give every text in lists and tuples of values."""
    if isinstance(value, list | tuple):
        for each in value:
            yield from texts(each)
    elif isinstance(value, bytes):
        yield value
    elif isinstance(value, str):
        yield value.encode()


def of_hdf5(path: Path) -> Iterator[bytes]:
    """Give every attribute and dataset of a file, decompressed."""
    found: list[bytes] = []

    def look(_name: str, thing: h5py.Group | h5py.Dataset) -> None:
        found.extend(str(value).encode() for value in thing.attrs.values())
        if isinstance(thing, h5py.Dataset):
            values = np.asarray(thing[()])
            found.append(values.tobytes())
            found.extend(texts(values.tolist()))

    with h5py.File(path) as file:
        found.extend(str(value).encode() for value in file.attrs.values())
        file.visititems(look)
    yield from found


def arguments_of(night: Night) -> dict[int, bytes]:
    """Return the arguments of every process that has to do with a run."""
    found = {}
    own = {*tellers(night.out), getattr(folder_holder(night.out), "pid", 0)}
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            words, pid = path.read_bytes(), int(path.parent.name)
            parent = int((path.parent / "stat").read_text().rpartition(")")[2].split()[1])
            if pid in own or parent in own or str(night.folder).encode() in words:
                found[pid] = words
    return found


@contextmanager
def a_post(folder: Path) -> Iterator[tuple[post.Post, int, Path]]:
    """Run a real mail server with STARTTLS and a login in a thread; yield it, its port, its CA."""
    taken, begun = post.Post(), threading.Event()
    ended: list[asyncio.Event] = []
    loops: list[asyncio.AbstractEventLoop] = []
    ports: list[int] = []
    files = post.certificate(folder)

    async def serve() -> None:
        ended.append(asyncio.Event())
        loops.append(asyncio.get_running_loop())
        async with post.serving(taken, security="starttls", files=files, auth=True) as server:
            ports.append(server.port)
            begun.set()
            await ended[0].wait()

    thread = threading.Thread(target=lambda: asyncio.run(serve()), name="post")
    thread.start()
    try:
        assert begun.wait(10)
        yield taken, ports[0], files[0]
    finally:
        loops[0].call_soon_threadsafe(ended[0].set)
        thread.join(10)


def kept(folder: Path, name: str) -> Path:
    path = folder / name
    path.write_text(SECRETS[name] + "\n", encoding="utf-8")
    path.chmod(0o600)
    return path


def lab_more(port: int, ca: Path, requests: str, mail: str) -> str:
    return f"""
[requests]
secret = {requests}
within = "5 s"
[mail]
host = "localhost"
port = {port}
sender = "rig@lab.example"
user = "{post.USER}"
password = {mail}
ca = "{ca}"
[[person]]
name = "A. Night"
mail = "a.night@lab.example"
[[alert]]
name = "all"
kinds = ["operator", "pause", "request", "message-way"]
people = ["A. Night"]
ways = ["mail", "mqtt"]
"""


def asker(night: Night, broker: Broker) -> Path:
    """Return the lab file of who asks from elsewhere: a login of their own, the same secret."""
    path = night.folder / "asker" / "lab.toml"
    path.parent.mkdir()
    secret = kept(path.parent, "requests")
    path.write_text(
        f'name = "{LAB}"\n{broker.table("shift")}\n[requests]\nsecret = {{ file = "{secret}" }}\n'
    )
    return path


def in_the_folder(folder: Path) -> dict[str, set[str]]:
    """Return in which files of a run which secrets are, byte by byte as they lie on the disk."""
    found = {}
    for path in folder.rglob("*"):
        if path.is_file():
            with contextlib.suppress(FileNotFoundError):
                found[path.relative_to(folder).as_posix()] = secrets_in(path.read_bytes())
    return found


@pytest.fixture
def broker(tmp_path, system_program, monkeypatch):
    for program in PROGRAMS:
        system_program(program)
    monkeypatch.setitem(brokers.PASSWORDS, RIG, SECRETS["broker"])
    monkeypatch.setitem(brokers.PASSWORDS, "shift", SECRETS["asker"])
    with Broker(tmp_path / "broker").running() as running:
        yield running


def source(night_folder: Path, name: str, way: str) -> str:
    """Return how a lab file names a secret that is kept one way."""
    if way == "variable":
        return f'{{ variable = "NIGHTRIG_{name.upper()}" }}'
    return f'{{ file = "{kept(night_folder, name)}" }}'


@pytest.mark.parametrize(
    "ways",
    [
        {"requests": "variable", "mail": "file"},
        pytest.param({"requests": "file", "mail": "variable"}, marks=pytest.mark.endurance),
    ],
    ids=["signs by a variable", "signs by a file"],
)
def test_no_secret_is_in_record_logs_or_arguments(broker, tmp_path, monkeypatch, ways):
    monkeypatch.setattr(post, "PASSWORD", SECRETS["mail"])
    with a_post(tmp_path) as (mail, port, ca):
        requests, password = (source(tmp_path, name, way) for name, way in ways.items())
        more = lab_more(port, ca, requests, password)
        rig = 'requests = ["pause", "stop"]'
        people = {"run_out": 100_000, "pace": 3}
        with a_told_night(tmp_path / "night", broker, more=more, rig=rig, **people) as night:
            for name, way in ways.items():
                if way == "variable":
                    night.env[f"NIGHTRIG_{name.upper()}"] = SECRETS[name]
            carried_out(night, broker, mail)


def carried_out(night: Night, broker: Broker, mail: post.Post) -> None:
    said = [night.finished(night.order("--detach"))]
    assert said[0].returncode == 0, said[0].stderr
    night.until_state("cycling")
    a_teller(night.out)
    lab = str(asker(night, broker))
    asks = ("--lab", lab, "--on", RIG, "--by", "B. Name")
    processes = arguments_of(night)
    # Starter gone: the runner, its recorder, the teller.
    assert len(processes) >= 3
    said.append(night.nightrig("pause", *asks))
    processes |= arguments_of(night)
    while_it_runs = in_the_folder(night.out)
    mail.answers["RCPT"] = "550 nobody of that name"
    said += [night.nightrig("stop", *asks, "--json"), night.nightrig("handover", str(night.out))]
    assert [done.returncode for done in said[1:3]] == [0, 0], [d.stderr for d in said]
    night.until_gone()
    eventually(lambda: "stop by B. Name from afar: acted" in log(night.out), "the answer's line")
    eventually(lambda: mail.logins, f"a login at the mail server: {log(night.out)}")
    assert {"journal.db", "teller.log", "messages.json", "lock"} <= while_it_runs.keys()
    assert any(name.endswith("-wal") for name in while_it_runs)
    for found in (while_it_runs, in_the_folder(night.out)):
        assert {name: names for name, names in found.items() if names} == {}
    for text in (*decoded(night.out / "journal.db"), *of_hdf5(night.out / "run.h5")):
        assert secrets_in(text) == set()
    for done in said:
        assert secrets_in(f"{done.args}{done.stdout}{done.stderr}".encode()) == set()
    assert {pid: names for pid, w in processes.items() if (names := secrets_in(w))} == {}


def test_the_search_finds_a_secret_in_every_form_and_place(tmp_path):
    for name, secret in SECRETS.items():
        plain = secret.encode()
        for wrapped in (
            b"a" + plain,
            json.dumps({"a": secret}).encode(),
            urllib.parse.urlencode({"a": secret}).encode(),
            base64.b64encode(b"\0rig\0" + plain),
            base64.urlsafe_b64encode(b"ab" + plain + b"c"),
            repr(secret).encode(),
            plain.hex().encode(),
        ):
            assert secrets_in(wrapped) == {name}
    with contextlib.closing(sqlite3.connect(tmp_path / "journal.db")) as journal:
        journal.execute("CREATE TABLE a (b)")
        journal.execute("INSERT INTO a VALUES (?)", (zlib.compress(SECRETS["mail"].encode()),))
        journal.commit()
    assert {n for data in decoded(tmp_path / "journal.db") for n in secrets_in(data)} == {"mail"}
    with h5py.File(tmp_path / "run.h5", "w") as file:
        file.create_group("a").attrs["b"] = SECRETS["broker"]
        file["c"] = SECRETS["asker"]
        text = [SECRETS["mail"].encode()]
        file.create_dataset("d", data=text, chunks=(1,), compression="gzip")
    found = {name for data in of_hdf5(tmp_path / "run.h5") for name in secrets_in(data)}
    assert found == {"broker", "asker", "mail"}
