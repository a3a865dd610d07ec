"""Any lab file that is in order says what was written; any other is refused in words."""

from __future__ import annotations

import json
import re
from email.headerregistry import Address

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.protocol.lab import (
    KINDS,
    WAYS,
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
from tests.protocol.lab_texts import WHOLE, lab_of, problems_in
from tests.protocol.test_broken_files import PIECES
from tests.protocol.texts import shipped

DAY = 86400
SHOWN = st.characters(exclude_categories=("C", "Z"), include_characters=" ")
TEXTS = st.text(SHOWN, min_size=1, max_size=20)
FILES = st.text("abcXYZ019._- é", min_size=1, max_size=20)
LABELS = st.from_regex(r"[a-z0-9]([a-z0-9-]{0,10}[a-z0-9])?", fullmatch=True)
TOPICS = st.from_regex(r"[a-z0-9][a-z0-9-]{0,31}", fullmatch=True)
HOSTS = st.one_of(
    st.builds("{}.{}.example".format, LABELS, LABELS),
    st.ip_addresses().map(str),
)
MAILS = st.builds(
    "{}@{}.example".format, st.from_regex(r"[a-z!#%&'*/=?{|}~^+]{1,9}", fullmatch=True), LABELS
)
NAMES = st.text("abcXYZ019éß湼_ .,+()-", min_size=1, max_size=20)
PORTS = st.integers(1, 65535)


@st.composite
def times(draw: st.DrawFn, low: int, high: int) -> tuple[str, float]:
    """Return a time as it is written, and in seconds."""
    seconds = draw(st.integers(low, high))
    unit, of_it = draw(st.sampled_from([("s", 1), ("ms", 1000)]))
    if seconds % 60 == 0:
        return f"{seconds // 60} min", float(seconds)
    return f"{seconds * of_it} {unit}", float(seconds)


@st.composite
def secrets(draw: st.DrawFn) -> tuple[dict[str, str], Secret]:
    if draw(st.booleans()):
        name = draw(st.from_regex(r"[A-Z_][A-Z0-9_]{0,20}", fullmatch=True))
        return {"variable": name}, Secret(variable=name)
    name = draw(FILES)
    return {"file": f"/f{name}/x"}, Secret(file=f"/f{name}/x")


def toml(value: object) -> str:
    """Write a value; text as JSON does it, whose escapes are among those of TOML."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list):
        return f"[{', '.join(map(toml, value))}]"
    return json.dumps(value, ensure_ascii=False)


class Writing:
    """A lab file as it is drawn: its text, table after table."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.text = ""

    def table(self, head: str) -> None:
        self.text += f"\n{head}\n"

    def key(self, name: str, value: object) -> None:
        self.text += f"{name} = {toml(value)}\n"

    def either(self, name: str, strategy: st.SearchStrategy, left_out: object) -> object:
        """Write a key with some value, or leave it out; return what must be read."""
        if self.draw(st.booleans()):
            return left_out
        drawn = self.draw(strategy)
        written, read = drawn if isinstance(drawn, tuple) else (drawn, drawn)
        self.key(name, written)
        return read

    def must(self, name: str, strategy: st.SearchStrategy) -> object:
        drawn = self.draw(strategy)
        written, read = drawn if isinstance(drawn, tuple) else (drawn, drawn)
        self.key(name, written)
        return read

    def login(self, both: bool) -> dict[str, object]:
        """Write user and password, `both` or a user alone as well."""
        user = self.either("user", TEXTS, "")
        if not user:
            return {}
        secret = self.must if both else lambda *given: self.either(*given, None)
        return {"user": user, "password": secret("password", secrets())}


@st.composite
def labs(draw: st.DrawFn) -> tuple[str, Lab]:
    """Return the text of a lab file that is in order, and what it says."""
    to = Writing(draw)
    name = to.must("name", TOPICS)
    zone = to.either("zone", st.sampled_from(["UTC", "Europe/Lisbon"]), "")
    broker, ways = _broker(to), ["mqtt"]
    afar = None
    if draw(st.booleans()):
        to.table("[requests]")
        afar = Afar(
            to.must("secret", secrets()),
            to.either("within", times(5, 600), 30.0),
            to.either("most", st.integers(1, 1000), 12),
        )
    mail = program = None
    if draw(st.booleans()):
        mail = _mail(to)
        ways.append("mail")
    if draw(st.booleans()):
        to.table("[program]")
        arguments = draw(st.lists(TEXTS, max_size=4))
        to.key("arguments", ["/bin/call", *arguments])
        program = Program(("/bin/call", *arguments), to.either("within", times(1, 600), 30.0))
        ways.append("program")
    people = []
    for person in draw(st.lists(NAMES, unique=True, min_size=2, max_size=4)):
        to.table("[[person]]")
        to.key("name", person)
        people.append(Person(person, to.must("mail", MAILS)))
    names = draw(st.lists(NAMES, unique=True, max_size=3))
    rules = tuple(_rule(to, rule, [p.name for p in people], ways) for rule in names)
    return to.text, Lab(name, broker, afar, mail, program, tuple(people), rules, zone)


def _broker(to: Writing) -> Broker:
    to.table("[broker]")
    host, port = to.must("host", HOSTS), to.either("port", PORTS, None)
    login = to.login(both=False)
    keep_alive = to.either("keep_alive", times(5, 600), 15.0)
    tls = None
    if to.draw(st.booleans()):
        to.table("[broker.tls]")
        files = FILES.map(lambda file: f"/f{file}/x")
        ca, certificate = to.either("ca", files, ""), to.either("certificate", files, "")
        tls = Tls(ca, certificate, to.either("key", files, "") if certificate else "")
    usual = 8883 if tls else 1883
    return Broker(host, port or usual, tls=tls, keep_alive=keep_alive, **login)


def _mail(to: Writing) -> MailServer:
    to.table("[mail]")
    host, port = to.must("host", HOSTS), to.either("port", PORTS, None)
    security = to.either("security", st.sampled_from(["starttls", "tls", "none"]), "starttls")
    usual = {"starttls": 587, "tls": 465, "none": 25}[security]
    sender = to.must("sender", MAILS)
    return MailServer(host, port or usual, sender, security, **to.login(both=True))


def _rule(to: Writing, name: str, people: list[str], ways: list[str]) -> AlertRule:
    def some(of: list[str]) -> list[str]:
        return to.draw(st.lists(st.sampled_from(of), unique=True, min_size=1))

    to.table("[[alert]]")
    to.key("name", name)
    kinds, told = some(list(KINDS)), some(people)
    to.key("kinds", kinds)
    to.key("people", told)
    by = some(ways)
    to.key("ways", by)
    rule = {
        "quiet": to.either("quiet", st.just((["23:59", "00:00"], (1439, 0))), None),
        "repeat": to.either("repeat", times(60, 7 * DAY), 0.0),
        "stays": to.either("stays", st.booleans(), False),
        "most": to.either("most", st.integers(1, 1000), 12),
    }
    others = [person for person in people if person not in told]
    if others and to.draw(st.booleans()):
        rule["escalate_after"] = to.must("escalate_after", times(60, 7 * DAY))
        rule["escalate_to"] = (others[0],)
        to.key("escalate_to", others[:1])
    return AlertRule(name, tuple(kinds), tuple(told), tuple(by), **rule)


def says_what_was_written(text: str, lab: Lab) -> None:
    assert problems_in(text) == []
    assert lab_of(text) == lab
    assert {way for rule in lab.rules for way in rule.ways} <= set(WAYS)


@settings(max_examples=15)
@given(drawn=labs())
def test_a_lab_file_says_what_was_written(drawn):
    says_what_was_written(*drawn)


@settings(max_examples=50)
@given(address=MAILS)
def test_an_address_that_is_taken_is_one_to_the_mail_of_python(address):
    text = f'name = "x"\n[broker]\nhost = "b.example"\n[[person]]\nname = "A"\nmail = "{address}"\n'
    assert lab_of(text).people == (Person("A", address),)
    # What Python parses by RFC 5322, section 3.4.1.
    assert Address(addr_spec=address).addr_spec == address


@pytest.mark.endurance
@settings(max_examples=200)
@given(drawn=labs())
def test_many_lab_files_say_what_was_written(drawn):
    says_what_was_written(*drawn)


VALUES = [
    *("3", "0", "-1", "1e99", "nan", "inf", "true", "1979-05-27", "07:32:00", '""', '"x"'),
    *("[]", "[[]]", "[1]", '["x", 2]', '[["x"]]', "{}", "{ a = 1 }", '{ file = "x", b = {} }'),
    *('{ variable = "" }', '{ file = "\\u0000" }', '"\\u0007"', '["22:00"]', '["22:00", 6]'),
    *('"all"', '"60 min"'),
]


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """Return a lab file in which values, keys, lines or characters are others."""
    text = draw(st.sampled_from([WHOLE, shipped("labs/example.toml")]))
    for _ in range(draw(st.integers(1, 3))):
        how = draw(st.sampled_from(["value", "line", "characters", "twice"]))
        lines = text.splitlines()
        if not lines:
            break
        at = draw(st.integers(0, len(lines) - 1))
        if how == "value":
            value = draw(st.sampled_from(VALUES))
            lines[at] = re.sub(r"=.*", lambda _, value=value: f"= {value}", lines[at])
        elif how == "line":
            lines[at] = draw(PIECES)
        elif how == "twice":
            lines.insert(draw(st.integers(0, len(lines))), lines[at])
        else:
            cut = draw(st.integers(0, len(lines[at])))
            lines[at] = lines[at][:cut] + draw(PIECES) + lines[at][cut + 2 :]
        text = "\n".join(lines)
    return text


def told_in_words(text: str) -> None:
    for line in problems_in(text):
        assert line.isprintable()
        assert re.match(r"labs/night\.toml:\d+: .+; .+|.*did you mean.*", line), line


@settings(max_examples=40)
@given(text=mutated())
def test_any_mutation_is_accepted_or_told_in_words(text):
    told_in_words(text)


@pytest.mark.endurance
@settings(max_examples=1000)
@given(text=mutated())
def test_many_mutations_are_accepted_or_told_in_words(text):
    told_in_words(text)


@settings(max_examples=50)
@given(text=st.text(alphabet="ab.=[]{}\"'\n #,1-", max_size=60))
def test_any_text_as_a_lab_file_is_refused_in_words(text):
    told_in_words(text)
