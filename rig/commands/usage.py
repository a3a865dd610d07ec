"""What is wrong with the words of a command line, in one line and our own words."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterable

import click


def usage_line(error: click.ClickException, command: str) -> str:
    """Return one line: the command ("" for none), what is wrong, what would be right."""
    name = f"nightrig {command}".strip()
    return f"{name}: {_wrong(error)}; see {name} --help"


def typed(path: object) -> str:
    """Return a path as it is typed in a shell, so that a hint can be copied whatever its name."""
    text = str(path)
    if text.startswith("-"):
        text = f"./{text}"
    if text.isprintable():
        return shlex.quote(text)
    return f"$'{''.join(map(_escaped, text))}'"


def _escaped(letter: str) -> str:
    if letter in "\\'":
        return f"\\{letter}"
    if letter.isprintable():
        return letter
    return "".join(f"\\x{byte:02x}" for byte in os.fsencode(letter))


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return " (did you mean ...?)" with the nearest known word, "" where none is near."""
    from difflib import get_close_matches

    near = get_close_matches(word, list(known), n=1)
    return f" (did you mean {near[0]}?)" if near else ""


def _wrong(error: click.ClickException) -> str:
    parameter = getattr(error, "param", None)
    if isinstance(error, click.NoSuchOption):
        return f"there is no option {error.option_name}{_near_option(error)}"
    if isinstance(error, click.MissingParameter) and parameter is not None:
        return f"{_name(parameter)} is missing{_meaning(parameter)}"
    if isinstance(error, click.BadParameter) and parameter is not None:
        return f"{_name(parameter)}: {_allowed(error, parameter)}"
    if isinstance(error, click.BadOptionUsage):
        return f"{error.option_name} needs a value after it"
    extra = error.message.partition("unexpected extra argument")[2]
    if extra:
        words = extra[extra.find("(") + 1 : extra.rfind(")")]
        return f"too many words: {words}"
    return error.format_message().rstrip(".")


def _name(parameter: click.Parameter) -> str:
    if isinstance(parameter, click.Option):
        return max(parameter.opts, key=len)
    return (parameter.metavar or parameter.name or "a word").upper().strip("[]")


def _meaning(parameter: click.Parameter) -> str:
    text = getattr(parameter, "help", None)
    return f" ({text.rstrip('.')})" if text else ""


def _allowed(error: click.BadParameter, parameter: click.Parameter) -> str:
    kind = parameter.type
    if isinstance(kind, click.IntRange):
        given = error.message.partition(" is not ")[0]
        bound = "on" if kind.max is None else f"to {kind.max}"
        return f"{given} is no whole number from {kind.min} {bound}"
    if isinstance(kind, click.Choice):
        given = error.message.partition(" is not ")[0]
        return f"{given} is not known; give {' or '.join(map(str, kind.choices))}"
    return error.message.rstrip(".")


def _near_option(error: click.NoSuchOption) -> str:
    command = error.ctx.command if error.ctx is not None else None
    known = [name for p in (command.params if command else ()) for name in p.opts]
    return did_you_mean(error.option_name, known)
