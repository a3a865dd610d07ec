"""A lab file: what it says, and what is wrong with one, in lines that a person can act on."""

from __future__ import annotations

from importlib import resources

import pytest

from rig.errors import InputError
from rig.protocol.lab import Broker, MailServer
from rig.protocol.lab_file import load_lab
from tests.protocol.lab_texts import (
    ALL,
    FILE,
    SAYS,
    WHOLE,
    document_of,
    edited,
    lab_of,
    problems_in,
    warnings_in,
    without,
)
from tests.protocol.sheet_lab import SHEET
from tests.protocol.texts import shipped

EXAMPLE = "labs/example.toml"
LEAST = 'name = "x"\n\n[broker]\nhost = "broker.example"\n'


def test_a_whole_lab_file_says_what_is_written_in_it():
    assert lab_of(WHOLE) == SAYS
    assert document_of(WHOLE).warnings == []


def test_what_is_left_out_is_what_the_readme_says():
    broker = lab_of(LEAST).broker
    assert broker == Broker("broker.example", 1883)
    with_tls = lab_of(f"{LEAST}\n[broker.tls]\n").broker
    assert with_tls is not None
    assert (with_tls.port, with_tls.keep_alive) == (8883, 15.0)


# IANA service names smtp, submission, submissions; RFC 5321, RFC 6409, RFC 8314.
@pytest.mark.parametrize(("security", "port"), [("none", 25), ("starttls", 587), ("tls", 465)])
def test_a_mail_server_without_a_port_has_that_of_its_security(security, port):
    mail = f'[mail]\nhost = "m.example"\nsender = "r@m.example"\nsecurity = "{security}"\n'
    assert lab_of(f"{LEAST}\n{mail}").mail == MailServer(
        "m.example", port, "r@m.example", security=security
    )


def test_a_program_without_a_folder_is_left_to_the_system():
    found = lab_of(edited(('"bin/call-out"', '"call-out"'))).program
    assert found is not None
    assert found.arguments[0] == "call-out"


def test_a_program_in_the_folder_one_is_in_is_not_looked_for_in_the_system():
    found = lab_of(edited(('"bin/call-out"', '"../call-out"'))).program
    assert found is not None
    assert found.arguments[0] == "./call-out"


def test_the_shipped_lab_file_is_in_order_and_shows_every_key_and_kind():
    text = shipped(EXAMPLE)
    document = document_of(text)
    assert (document.problems, document.warnings) == ([], [])
    lab = lab_of(text)
    assert sorted(kind for rule in lab.rules for kind in rule.kinds) == sorted(ALL)
    for line in WHOLE.splitlines():
        assert line.partition("=")[0].strip() in text, line
    assert text.count(".example") >= 5
    assert resources.files("protocols").joinpath(EXAMPLE).is_file()


@pytest.mark.parametrize(
    ("old", "new", "line", "told"), SHEET, ids=[f"{case[2]}-{case[1][:24]}" for case in SHEET]
)
def test_a_broken_lab_file_is_told_in_exactly_these_words(old, new, line, told):
    said = problems_in(edited((old, new)))
    expected = told if isinstance(told, list) else [told]
    assert said == [f"{FILE}:{line}: {words}" for words in expected]
    assert "hunter" not in "".join(said)


IS_ALONE = 'to be told by mail, and has no address; add mail = "a.name@lab.example" to that '
NOBODY = "names people, and there is no [[person]]; add one for each"
TWICE = "is the name of another [[person]]; give each its own"
TOLD_AT_ONCE = "names only people who are told at once; name somebody else"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            'name = "x"\n',
            [
                '1: tells nobody anything; add [broker] with host = "broker.example", or '
                "[[person]] and [[alert]]"
            ],
        ),
        (
            without("[broker", "[[alert"),
            [
                '4: requests: cannot come: there is no [broker]; add [broker] with host = "broker'
                '.example", or take [requests] out'
            ],
        ),
        (
            without("[[person"),
            [
                f"37: alert[1].people: {NOBODY}",
                f"41: alert[1].escalate_to: {NOBODY}",
                f"48: alert[2].people: {NOBODY}",
            ],
        ),
        (
            without("[mail"),
            [
                '37: alert[1].ways[2]: "mail" needs [mail]; add [mail] with host and sender',
                '48: alert[2].ways[1]: "mail" needs [mail]; add [mail] with host and sender',
            ],
        ),
        (
            without("[program"),
            [
                '42: alert[1].ways[3]: "program" needs [program]; add [program] with arguments = '
                '["/usr/local/bin/call-out"]'
            ],
        ),
        (
            without("[broker", "[requests"),
            [
                '29: alert[1].ways[1]: "mqtt" needs [broker]; add [broker] with host = "broker'
                '.example"'
            ],
        ),
        (
            edited(('mail = "b.day@lab.example"\n', "")),
            [
                f'48: alert[1].escalate_to[1]: "B. Day" is {IS_ALONE}[[person]], or another way',
                f'55: alert[2].people[1]: "B. Day" is {IS_ALONE}[[person]], or another way',
            ],
        ),
        (
            edited(('name = "B. Day"', 'name = "A. Night"'), ('["B. Day", "A. N', '["A. N')),
            [
                f'39: person[2].name: "A. Night" {TWICE}',
                '49: alert[1].escalate_to[1]: "B. Day" is not known here; known here are A. Night',
            ],
        ),
        ("", ["1: is empty; begin with a copy of a file that comes with the program"]),
        (
            shipped("rigs/simulated.toml"),
            ["1: is a rig file, not a lab file; name a lab file here; a rig file follows --rig"],
        ),
        (
            shipped("dry-short.toml"),
            ["1: is a protocol, not a lab file; name a lab file here"],
        ),
    ],
    ids=lambda value: value[0][:40] if isinstance(value, list) else "",
)
def test_a_lab_file_that_lacks_the_other_half_of_what_it_says(text, told):
    assert problems_in(text) == [f"{FILE}:{line}" for line in told]


def test_what_is_as_long_as_it_may_be_is_taken_and_one_more_is_not():
    # RFC 5321, section 4.5.3.1.3: 256 octets with the brackets around an address.
    domain = ".".join(["d" * 63, "e" * 63, "f" * 57, "example"])
    for local, problems in (("a" * 60, 0), ("a" * 61, 1)):
        text = edited(('"a.night@lab.example"', f'"{local}@{domain}"'))
        assert len(problems_in(text)) == problems
    assert len(f"{'a' * 60}@{domain}") == 254
    for length, problems in ((4096, 0), (4097, 1)):
        text = edited(('"--rings"', f'"{"x" * length}"'))
        assert len(problems_in(text)) == problems


def test_an_address_that_is_no_text_is_refused():
    (line,) = problems_in(edited(('"a.night@lab.example"', "3")))
    assert "person[1].mail: 3 is no address of mail" in line


def test_all_that_is_wrong_is_told_in_one_round():
    text = edited(
        ('"broker.example"', '"a b"'),
        ("8884", "true"),
        ('secret = { variable = "NIGHTRIG_REQUESTS" }\n', ""),
        ('"tls"', '"tsl"'),
        ('kinds = "all"', 'kinds = ["failur"]'),
        ('ways = ["mail"]', 'ways = ["mqqt"]'),
    )
    fields = [line.removeprefix(FILE).split(": ")[1] for line in problems_in(text)]
    assert fields == [
        "broker.host",
        "broker.port",
        "requests.secret",
        "mail.security",
        "alert[1].kinds[1]",
        "alert[2].ways[1]",
    ]


def test_a_lab_file_that_is_not_there_is_a_problem_of_its_own():
    def read(path: str) -> str:
        raise FileNotFoundError(path)

    with pytest.raises(InputError, match="no such file"):
        load_lab(FILE, read)


DOUBTS = [
    # A password in the clear, but not on this computer.
    (
        edited(("port = 8884\n", ""), ('certificate = "rig.crt"\n', ""), ('key = "/etc', "#"))
        .replace("[broker.tls]\n", "")
        .replace('ca = "../secrets/ca.crt"\n', "", 1),
        [
            "7: broker.password: goes to broker.example in the clear, for anybody on the way to "
            "read; add [broker.tls], with ca where its authority is your own"
        ],
    ),
    (
        edited(('security = "tls"', 'security = "none"'), ('mail" }\nca', 'mail" }\n#')),
        [
            "27: mail.password: goes to mail.example in the clear, for anybody on the way to "
            'read; give security = "starttls" or "tls"'
        ],
    ),
    # Ports of another way to speak.
    (
        edited(("8884", "1883")),
        [
            "6: broker.port: 1883 is usually that of no TLS, and there is [broker.tls]; see which "
            "of the two is meant"
        ],
    ),
    (
        f"{LEAST}port = 8883\n",
        [
            "5: nobody is told of trouble; add [[person]] and [[alert]]",
            "5: broker.port: 8883 is usually that of TLS, and there is no [broker.tls]; see which "
            "of the two is meant",
        ],
    ),
    (
        edited(("2525", "587")),
        [
            '23: mail.port: 587 is usually that of security = "starttls"; see which of the two is '
            "meant"
        ],
    ),
    (
        edited(("2525", "465"), ('"tls"', '"starttls"')),
        ['23: mail.port: 465 is usually that of security = "tls"; see which of the two is meant'],
    ),
    # Secrets among the arguments.
    (
        edited(('"3"]', '"--api-key=hunter2"]')),
        [
            "31: program.arguments[3]: looks like a secret: arguments can be read by every user of "
            "this computer; let the program read its secret from a private file of its own"
        ],
    ),
    # Who is told of nothing, of what nobody is told, and how.
    (
        f'{WHOLE}\n[[person]]\nname = "C. Idle"\n',
        ["60: person[3]: is told of nothing; name them in an [[alert]]"],
    ),
    (
        edited(('kinds = "all"', 'kinds = ["failure", "limit"]')),
        [
            "42: alert: nobody is told of run-out, ultimate, fault, gone, silent, record, waits, "
            "sensor, rig, alert-only, request; add them to the kinds of an [[alert]] "
            "where somebody should be"
        ],
    ),
    (
        edited(('ways = ["mqtt", "mail", "program"]', 'ways = ["mail"]')),
        [
            '42: alert: "mail" is the only way: where it is dead nobody hears of that either; tell '
            "some of it another way too"
        ],
    ),
    # Hours and numbers that cannot do what they seem to.
    (
        edited(('kinds = ["pause", "water"]', 'kinds = ["limit"]')),
        [
            "58: alert[2].quiet: holds nothing back: none of its kinds may wait; take it out; "
            "those that may are operator, pause, inspection, water, specimen, forecast"
        ],
    ),
    (
        edited(('"10 min"', '"1 min"'), ("most = 60", "most = 59")),
        [
            "47: alert[1].repeat: is 60 times an hour, and most lets 59 through; repeat less "
            "often, or let more through"
        ],
    ),
]


@pytest.mark.parametrize(("text", "told"), DOUBTS, ids=[case[1][0][:40] for case in DOUBTS])
def test_what_is_doubtful_is_a_warning_in_exactly_these_words(text, told):
    assert warnings_in(text) == told
    assert "hunter" not in "".join(told)


def test_a_rule_may_repeat_as_often_as_it_lets_through():
    assert warnings_in(edited(('"10 min"', '"1 min"'))) == []


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "127.8.9.1", "::1", "rig.localhost"])
def test_a_password_in_the_clear_does_not_leave_this_computer(host):
    text = f"{LEAST}user = 'u'\npassword = {{ variable = 'W' }}\n".replace("broker.example", host)
    assert warnings_in(text) == ["6: nobody is told of trouble; add [[person]] and [[alert]]"]
