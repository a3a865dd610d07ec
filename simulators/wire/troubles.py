"""Accidents on the lines of an emulated rig, at fixed messages, and scripts of them by name.

A trouble stands between a device and its line, in one direction, and counts what passes there
from power-on on, in messages or in bytes. So the same traffic meets the same accidents, whatever
the time is. `random_troubles` draws them from a seed.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from rig.errors import InputError

Way = Literal["out", "in"]
"""Out of the device, towards the program; or the other way."""
Unit = Literal["frame", "line", "send", "byte"]
"""What is counted: what ends with a zero, with a line feed, is sent at once; or each byte."""


@dataclass(frozen=True, slots=True)
class Recurring:
    """Messages [first, first + count) are met, and with `every` again after so many messages."""

    first: int
    count: int = 1
    every: int = 0


@dataclass(frozen=True, slots=True)
class Dropped(Recurring):
    """Messages never arrive: a buffer overran."""


@dataclass(frozen=True, slots=True)
class Repeated(Recurring):
    """Messages arrive once more, `times` times: a gateway that did not hear that it was heard."""

    times: int = 1


@dataclass(frozen=True, slots=True)
class Garbled(Recurring):
    """One byte of each message, number `at`, has the bits of `mask` flipped: a contactor beside.

    Negative numbers count from the end; what is beyond a message begins at its front again.
    """

    at: int = 0
    mask: int = 0x01


@dataclass(frozen=True, slots=True)
class Shortened(Recurring):
    """Bytes [at, at + size) of each message are missing: an overrun inside it."""

    at: int = 1
    size: int = 1


@dataclass(frozen=True, slots=True)
class Noise(Recurring):
    """Stray bytes come before each message: a transceiver that switches direction."""

    data: bytes = b"\xff"


@dataclass(frozen=True, slots=True)
class Split(Recurring):
    """Each message comes in two parts, cut before byte `at`, with a pause [s] between them."""

    at: int = 1
    pause: float = 0.05


@dataclass(frozen=True, slots=True)
class Late(Recurring):
    """Each message, and all behind it, is held up for `by` [s]: a converter that buffers."""

    by: float = 0.3


@dataclass(frozen=True, slots=True)
class Silent(Recurring):
    """From message `first` on nothing arrives for `by` [s]; what is sent meanwhile is lost."""

    by: float = 0.5


@dataclass(frozen=True, slots=True)
class Unplugged(Recurring):
    """Before message `first` the plug is pulled, and put back after `by` [s]."""

    by: float = 1.0


Trouble = Dropped | Repeated | Garbled | Shortened | Noise | Split | Late | Silent | Unplugged


@dataclass(frozen=True, slots=True)
class OnLine:
    """Troubles of one line in one direction. `port` is its name in the emulation."""

    port: str
    troubles: tuple[Trouble, ...]
    way: Way = "out"
    unit: Unit = "send"


@dataclass(frozen=True, slots=True)
class Script:
    """Troubles that belong together, and a sentence for people on what happens."""

    text: str
    lines: tuple[OnLine, ...]


def concerns(trouble: Trouble, begin: int, end: int) -> bool:
    """Tell whether a trouble concerns any of the messages [begin, end), counted from 0."""
    begin = max(begin, trouble.first)
    if begin >= end:
        return False
    since = begin - trouble.first
    if not trouble.every:
        return since < trouble.count
    phase = since % trouble.every
    return phase < trouble.count or phase + end - begin > trouble.every


def became(message: bytes, troubles: Iterable[Trouble]) -> list[tuple[float, bytes]]:
    """Return what becomes of a message: parts of it, each after a pause [s]."""
    parts = [(0.0, message)]
    for trouble in troubles:
        match trouble:
            case Dropped():
                parts = []
            case Repeated(times=times):
                parts = parts * (times + 1)
            case Noise(data=data):
                parts = [(0.0, data), *parts]
            case Late(by=by) if parts:
                parts = [(parts[0][0] + by, parts[0][1]), *parts[1:]]
            case Garbled() | Shortened() | Split():
                parts = [(p, part) for wait, m in parts for p, part in _changed(trouble, wait, m)]
            case _:
                pass
    return [(wait, part) for wait, part in parts if part or wait]


def _changed(
    trouble: Garbled | Shortened | Split, wait: float, message: bytes
) -> list[tuple[float, bytes]]:
    if not message:
        return [(wait, message)]
    at = trouble.at % len(message)
    if isinstance(trouble, Split):
        return [(wait, message[:at]), (trouble.pause, message[at:])]
    if isinstance(trouble, Shortened):
        return [(wait, message[:at] + message[at + trouble.size :])]
    return [(wait, message[:at] + bytes((message[at] ^ trouble.mask,)) + message[at + 1 :])]


# What people can ask for by name.


@dataclass(frozen=True, slots=True)
class _Port:
    """A port: what its messages are, how many pass between accidents, how long is too late [s]."""

    messages: str
    unit: Unit
    every: int
    late: float


_PORTS: Final = {
    "servo": _Port("answer of the controller", "line", 400, 0.4),
    "samples": _Port("frame of samples", "frame", 20_000, 0.3),
    "bus": _Port("reply on the Modbus line", "send", 1000, 0.25),
    "thermometer": _Port("answer of the thermometer", "line", 5, 0.8),
}
_KINDS: Final[Mapping[str, tuple[str, Callable[[_Port], Trouble]]]] = {
    "dropped": (
        "does not arrive",
        lambda p: Dropped(p.every, every=p.every),
    ),
    "repeated": (
        "arrives twice",
        lambda p: Repeated(p.every, every=p.every),
    ),
    "garbled": (
        "has a bit flipped",
        lambda p: Garbled(p.every, every=p.every, at=6, mask=0x10),
    ),
    "split": (
        "stops in its middle for 60 ms",
        lambda p: Split(p.every, every=p.every, at=6, pause=0.06),
    ),
    "late": (
        "comes too late, and what follows waits behind it",
        lambda p: Late(p.every, every=p.every, by=p.late),
    ),
    "silent": (
        "is lost with all that follows for a second",
        lambda p: Silent(p.every, every=p.every, by=1.0),
    ),
    "unplugged": (
        "is lost with all that follows: the plug is out for two seconds",
        lambda p: Unplugged(p.every, every=p.every, by=2.0),
    ),
}


def _named() -> dict[str, Script]:
    scripts = {}
    for port, facts in _PORTS.items():
        for kind, (words, trouble) in _KINDS.items():
            text = f"One {facts.messages} in {facts.every} {words}."
            line = OnLine(port, (trouble(facts),), unit=facts.unit)
            scripts[f"{port}-{kind}"] = Script(text, (line,))
    scripts["commands-garbled"] = Script(
        "One byte in 2000 on its way to the controller has a bit flipped.",
        (OnLine("servo", (Garbled(2000, every=2000, mask=0x04),), "in", "byte"),),
    )
    scripts["questions-garbled"] = Script(
        "One byte in 2000 on its way to the Modbus devices has a bit flipped.",
        (OnLine("bus", (Garbled(2000, every=2000, mask=0x04),), "in", "byte"),),
    )
    scripts["noise"] = Script(
        "Stray bytes come before one message in so many, on every line.",
        tuple(
            OnLine(port, (Noise(f.every, every=f.every, data=b"\xff\x00\x55"),), unit=f.unit)
            for port, f in _PORTS.items()
        ),
    )
    return scripts


SCRIPTS: Final[Mapping[str, Script]] = _named()
"""The scripts that have a name."""
RANDOM: Final = "random-"
"""Begin of the name of a script that is drawn from the seed that follows."""


def script(name: str) -> Script:
    """Return a script by its name: one of `SCRIPTS`, or "random-" with a seed.

    Raises InputError for another name.
    """
    seed = name.removeprefix(RANDOM)
    if seed != name and seed.isascii() and seed.isdecimal():
        return random_script(int(seed))
    if name not in SCRIPTS:
        raise InputError(
            f'there is no trouble "{name}"; give {RANDOM}NUMBER or one of {", ".join(SCRIPTS)}'
        )
    return SCRIPTS[name]


def random_script(seed: int) -> Script:
    """Return troubles of one to three lines, drawn from a seed."""
    draw = random.Random(seed)
    ports = draw.sample(list(_PORTS), draw.randint(1, 3))
    lines = tuple(random_line(port, draw) for port in ports)
    return Script(f"Troubles drawn from the seed {seed} on {', '.join(ports)}.", lines)


def random_line(port: str, draw: random.Random, messages: tuple[int, int] | None = None) -> OnLine:
    """Return one to four troubles of a port, which begin at a message of [first, last).

    Without a range they begin within the time in which its named troubles happen once.
    """
    facts = _PORTS[port]
    first, last = messages or (0, facts.every)
    troubles = tuple(_drawn(draw, draw.randrange(first, last)) for _ in range(draw.randint(1, 4)))
    return OnLine(port, troubles, unit=facts.unit)


def _drawn(draw: random.Random, first: int) -> Trouble:
    """Return a trouble of any kind that begins at a message."""
    count = draw.choice((1, 1, 1, 2, 5, 30))
    seconds = draw.choice((0.01, 0.05, 0.15, 0.4, 1.2))
    at, size = draw.randint(-8, 40), draw.randint(1, 8)
    kinds: tuple[Callable[[], Trouble], ...] = (
        lambda: Dropped(first, count),
        lambda: Repeated(first, count, times=draw.randint(1, 3)),
        lambda: Garbled(first, count, at=at, mask=draw.randint(1, 255)),
        lambda: Shortened(first, count, at=at, size=size),
        lambda: Noise(first, count, data=draw.randbytes(draw.randint(1, 60))),
        lambda: Split(first, min(count, 5), at=at, pause=min(seconds, 0.4)),
        lambda: Late(first, min(count, 2), by=seconds),
        lambda: Silent(first, by=seconds),
        lambda: Unplugged(first, by=seconds),
    )
    return draw.choice(kinds)()
