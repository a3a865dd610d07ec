"""A lab file with every table, as text and as what it says, and readers of edited ones."""

from __future__ import annotations

from rig.errors import InputError
from rig.protocol.document import Document, open_document
from rig.protocol.lab import (
    Afar,
    AlertRule,
    Broker,
    Lab,
    MailServer,
    Person,
    Program,
    Secret,
    Tls,
)
from rig.protocol.lab_file import build_lab, load_lab

FILE = "labs/night.toml"

WHOLE = """\
name = "night-lab"
zone = "Europe/Lisbon"

[broker]
host = "broker.example"
port = 8884
user = "teller"
password = { file = "../secrets/broker" }
keep_alive = "20 s"

[broker.tls]
ca = "../secrets/ca.crt"
certificate = "rig.crt"
key = "/etc/nightrig/rig.key"

[requests]
secret = { variable = "NIGHTRIG_REQUESTS" }
within = "1 min"
most = 6

[mail]
host = "mail.example"
port = 2525
sender = "nightrig@lab.example"
security = "tls"
user = "nightrig"
password = { file = "../secrets/mail" }
ca = "../secrets/ca.crt"

[program]
arguments = ["bin/call-out", "--rings", "3"]
within = "10 s"

[[person]]
name = "A. Night"
mail = "a.night@lab.example"

[[person]]
name = "B. Day"
mail = "b.day@lab.example"

[[alert]]
name = "all"
kinds = "all"
people = ["A. Night"]
ways = ["mqtt", "mail", "program"]
repeat = "10 min"
escalate_after = "30 min"
escalate_to = ["B. Day"]
stays = true
most = 60

[[alert]]
name = "by day"
kinds = ["pause", "water"]
people = ["B. Day", "A. Night"]
ways = ["mail"]
quiet = ["22:00", "06:30"]
"""

ALL = (
    *("failure", "run-out", "ultimate", "limit", "fault", "operator", "gone", "silent", "record"),
    *("waits", "pause", "inspection", "sensor", "rig", "water", "specimen", "alert-only"),
    *("forecast", "request", "message-way"),
)

SAYS = Lab(
    name="night-lab",
    broker=Broker(
        host="broker.example",
        port=8884,
        user="teller",
        password=Secret(file="secrets/broker"),
        tls=Tls("secrets/ca.crt", "labs/rig.crt", "/etc/nightrig/rig.key"),
        keep_alive=20.0,
    ),
    afar=Afar(Secret(variable="NIGHTRIG_REQUESTS"), within=60.0, most=6),
    mail=MailServer(
        host="mail.example",
        port=2525,
        sender="nightrig@lab.example",
        security="tls",
        user="nightrig",
        password=Secret(file="secrets/mail"),
        ca="secrets/ca.crt",
    ),
    program=Program(("labs/bin/call-out", "--rings", "3"), within=10.0),
    people=(Person("A. Night", "a.night@lab.example"), Person("B. Day", "b.day@lab.example")),
    rules=(
        AlertRule(
            name="all",
            kinds=ALL,
            people=("A. Night",),
            ways=("mqtt", "mail", "program"),
            repeat=600.0,
            escalate_after=1800.0,
            escalate_to=("B. Day",),
            stays=True,
            most=60,
        ),
        AlertRule(
            name="by day",
            kinds=("pause", "water"),
            people=("B. Day", "A. Night"),
            ways=("mail",),
            quiet=(22 * 60, 6 * 60 + 30),
        ),
    ),
    zone="Europe/Lisbon",
)
"""What it says; its figures were put into SI by hand."""


def lab_of(text: str) -> Lab:
    """Read a lab file from its text."""
    return load_lab(FILE, lambda _: text)


def problems_in(text: str) -> list[str]:
    """Return the problems of a lab file as lines, none where it is accepted."""
    try:
        lab_of(text)
    except InputError as error:
        return str(error).splitlines()
    return []


def document_of(text: str) -> Document:
    """Read a lab file and return its document with all problems and warnings."""
    document = open_document(FILE, lambda _: text)
    build_lab(document)
    return document


def warnings_in(text: str) -> list[str]:
    """Return the warnings of a lab file that has no problem, without its name."""
    document = document_of(text)
    assert document.problems == []
    return [str(w).removeprefix(f"{FILE}:") for w in sorted(document.warnings)]


def edited(*changes: tuple[str, str]) -> str:
    """Return the whole lab file with each text replaced once."""
    text = WHOLE
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def without(*tables: str) -> str:
    """Return the whole lab file without some tables, named as they begin: `[broker`, `[[alert`."""
    blocks = WHOLE.split("\n\n")
    kept = [block for block in blocks if not block.startswith(tables)]
    assert len(kept) < len(blocks)
    return "\n\n".join(kept)
