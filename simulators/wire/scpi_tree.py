"""Which command a header means, and whether its data suit it."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from simulators.wire.scpi import Data, Fault, Number, Unit, Word

Path = tuple[str, ...]

_NODE: Final = re.compile(r"(\[)?:?(\*?[A-Za-z]+)\]?")
_SUFFIXED: Final = re.compile(r"(.*[A-Z_])([0-9]+)")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number, in units of its own or with one of these suffixes: by suffix, the factor to it.

    A `whole` one is rounded, as IEEE 488.2 asks; it must lie within `low` to `high`.
    """

    suffixes: Mapping[str, float]
    low: float = -math.inf
    high: float = math.inf
    whole: bool = False

    def read(self, data: Data) -> float:
        """Return the value of data. Raises Fault."""
        if not isinstance(data, Number):
            raise Fault(-104, "a number is wanted")
        value = data.value
        if data.suffix:
            if not self.suffixes:
                raise Fault(-138, data.suffix)
            if data.suffix not in self.suffixes:
                raise Fault(-131, data.suffix)
            value *= self.suffixes[data.suffix]
        if not math.isfinite(value):
            raise Fault(-222, f"{value:g}")
        if self.whole:
            value = math.floor(value + 0.5)
        if not self.low <= value <= self.high:
            raise Fault(-222, f"{value:g} is outside {self.low:g} to {self.high:g}")
        return value


@dataclass(frozen=True, slots=True)
class Choice:
    """One of some words, each in its short and long form: `HIGH`, `SINusoid`.

    Where `number` is given that is accepted too, as in a count or the word OFF.
    """

    words: tuple[str, ...]
    number: Quantity | None = None

    def read(self, data: Data) -> str | float:
        """Return the short form of a word, or a number. Raises Fault."""
        if isinstance(data, Number) and self.number is not None:
            return self.number.read(data)
        if not isinstance(data, Word):
            raise Fault(-104, f"one of {', '.join(self.words)} is wanted")
        for word in self.words:
            if data.text in _forms(word):
                return _forms(word)[0]
        raise Fault(-224, f"{data.text} is none of {', '.join(self.words)}")


Parameter = Quantity | Choice


@dataclass(frozen=True, slots=True)
class Command:
    """A header such as `SYSTem:ERRor[:NEXT]?`, its parameters, and what it does.

    `act` is called with their values and returns the answer to a query, else None; it may raise
    Fault.
    """

    header: str
    act: Callable[..., str | None]
    parameters: tuple[Parameter, ...] = ()


class Tree:
    """All commands of a device by their headers."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self._commands: dict[tuple[Path, bool], Command] = {}
        for command in commands:
            for path in _paths(command.header.removesuffix("?")):
                self._commands[path, command.header.endswith("?")] = command

    def find(self, unit: Unit, path: Path) -> tuple[Command, Path]:
        """Return the command that a unit means behind a path, and the path behind it.

        A header that does not begin with a colon goes on from where the last one in the same
        message left off (SCPI-1999 volume 1, 6.2.4; from memory). Raises Fault.
        """
        if unit.common:
            full, behind = unit.header, path
        else:
            full = unit.header if unit.rooted else path + unit.header
            behind = full[:-1]
        plain = tuple(_without_one(mnemonic) for mnemonic in full)
        command = self._commands.get((plain, unit.query))
        if command is None:
            stem = tuple(m.rstrip("0123456789") for m in full)
            number = -114 if (stem, unit.query) in self._commands else -113
            raise Fault(number, ":".join(full) + "?" * unit.query)
        return command, behind


def arguments(command: Command, data: tuple[Data, ...]) -> list[Any]:
    """Return the values of a unit's data for its command. Raises Fault."""
    if len(data) > len(command.parameters):
        raise Fault(-108, f"{command.header} takes {len(command.parameters)}")
    if len(data) < len(command.parameters):
        raise Fault(-109, f"{command.header} takes {len(command.parameters)}")
    return [p.read(d) for p, d in zip(command.parameters, data, strict=True)]


def _without_one(mnemonic: str) -> str:
    """Return a mnemonic without the numeric suffix 1, which means the same as none."""
    found = _SUFFIXED.fullmatch(mnemonic)
    return found[1] if found and int(found[2]) == 1 else mnemonic


def _paths(header: str) -> list[Path]:
    """Return every way to write a header, in capitals."""
    nodes = [
        [*((node,) for node in _forms(word)), *([()] if optional else [])]
        for optional, word in _NODE.findall(header)
    ]
    return [tuple(itertools.chain(*way)) for way in itertools.product(*nodes)]


def _forms(word: str) -> tuple[str, ...]:
    """Return the short and the long form of a word: its capitals, and all of it."""
    short = "".join(c for c in word if not c.islower())
    return (short, word.upper()) if short != word.upper() else (short,)
