"""What is wrong with a text that is no TOML, in words for the person who wrote it.

The parser names a line and what it expected there; a person wants to know which quote, bracket or
comma is missing. The text is looked at again for that, and the parser's own words are not shown.
"""

from __future__ import annotations

import re
from typing import Final

from rig.errors import Problem
from rig.protocol.position import last_line
from rig.units import plain, shown

_PLACE: Final = re.compile(r"\(at (?:line (\d+), column (\d+)|end of document)\)")
_TOKEN: Final = re.compile(
    r'#[^\n]*|"""(?:\\.|[^\\])*?"""|"""|'
    r"'''.*?'''|'''|"
    r'"(?:\\.|[^"\\\n])*"|'
    r"'[^'\n]*'|"
    r"[\[\]{}\"']",
    re.DOTALL,
)
_SECRET: Final = re.compile(r"pass|secret|token", re.IGNORECASE)
_TYPESET: Final = "“”„‟‘’‚«»"  # noqa: RUF001 - what word processors make of quotes
_TABLE: Final = re.compile(r"\s*\[+\s*([^\[\]#]*)")
_KEY: Final = re.compile(r"\s*([\w.-]+|\"[^\"]*\")\s*=")
_QUOTES: Final = ('"', "'", '"""', "'''")
_CLOSING: Final = {"[": "]", "{": "}"}
_REST: Final = "the rest of the file is read after that"

LISTS: Final = (
    "stage",
    "channel",
    "tendon",
    "bar",
    "life",
    "ultimate",
    "hypothesis",
    "observation",
    "person",
    "alert",
)
"""Tables of which a file holds as many as it needs, whatever the file is."""

_Told = tuple[int, str, str]


def explain(file: str, text: str, message: str) -> Problem:
    """Return what is wrong where the parser stopped with `message`."""
    line, at = _stopped(text, message)
    found = _open_quote(text, at) or _line(text, line, at, message)
    line, problem, remedy = found
    return Problem(file, line, "", plain(problem), f"{plain(remedy)}; {_REST}")


def two_brackets(name: str) -> str:
    """Return the remedy for `[name]` where a file holds a list of such tables."""
    several = {
        "life": "lives",
        "ultimate": "ultimate loads",
        "hypothesis": "hypotheses",
        "person": "people",
    }
    entries = several.get(name, f"{name}s")
    return f"write [[{name}]] with two brackets: {entries} are a list"


def _stopped(text: str, message: str) -> tuple[int, int]:
    """Return the line and the place in the text where the parser stopped."""
    place = _PLACE.search(message)
    if not place or not place[1]:
        return last_line(text), len(text)
    line = int(place[1])
    begin = sum(len(before) + 1 for before in text.split("\n")[: line - 1])
    return line, begin + int(place[2]) - 1


def _open_quote(text: str, at: int) -> _Told | None:
    for token in _TOKEN.finditer(text):
        if token.start() > at:
            return None
        if token[0] in _QUOTES:
            line = text.count("\n", 0, token.start()) + 1
            return line, "a quote is opened and not closed", f"end the text with {token[0]}"
    return None


def _line(text: str, line: int, at: int, message: str) -> _Told:
    """Return what is wrong in a line whose quotes are all closed up to where the parser stopped."""
    source = text.split("\n")[line - 1]
    bare = _without_strings(source)
    hidden = next(
        (i for i, c in enumerate(source) if not c.isprintable() and c not in "\t\r"), None
    )
    if hidden is not None:
        return line, f"character {hidden + 1} is one that no line can show", "write the line anew"
    typeset = next((c for c in bare if c in _TYPESET), None)
    if typeset:
        return line, f"{typeset} is no plain quote", 'write straight quotes: "4 Hz"'
    twice = _twice(source, message)
    if twice:
        listed = twice.strip("[]") in LISTS and twice.startswith("[")
        remedy = two_brackets(twice.strip("[]")) if listed else "keep one of the two"
        return line, f"{twice} is there twice", remedy
    return (
        _bracket(text, line, at, bare)
        or _backslash(line, message)
        or _value(source, bare, line)
        or (line, "cannot be read", "write one key = value a line, tables as [name], notes after #")
    )


def _without_strings(source: str) -> str:
    def keep(match: re.Match[str]) -> str:
        whole = len(match[0]) > 1 and match[0][0] in "\"'#"
        return "" if whole else match[0]

    return _TOKEN.sub(keep, source)


def _twice(source: str, message: str) -> str:
    if not re.search(r"overwrite|twice|[Dd]uplicate|mutate|redefine", message):
        return ""
    table = _TABLE.match(source)
    if table:
        return f"[{table[1].strip()}]"
    named = re.search(r"'([^']+)'", message)
    key = _KEY.match(source)
    if named:
        return shown(named[1])
    return shown(key[1]) if key else "a key"


def _bracket(text: str, line: int, at: int, bare: str) -> _Told | None:
    opened: list[tuple[str, int]] = []
    for token in _TOKEN.finditer(text, 0, at):
        if token[0] in _CLOSING:
            opened.append((token[0], token.start()))
        elif token[0] in "]}" and opened:
            opened.pop()
    if not opened:
        return None
    bracket, begin = opened[-1]
    close, first = _CLOSING[bracket], text.count("\n", 0, begin) + 1
    if not text[:begin].rpartition("\n")[2].strip(" \t["):
        return first, "the name of a table is not closed", "write a table as [name]"
    rest = text[at:].partition("\n")[0]
    next_key = _KEY.match(rest)
    if close not in _without_strings(rest) or (next_key and first < line):
        return first, f'"{bracket}" is opened and not closed', f'close it with "{close}"'
    if _odd(bare):
        return line, "a quote is missing or one too many", 'write quotes: ["-2 kN", "97 kN"]'
    if next_key or rest.lstrip()[:1] in ("'", '"'):
        return line, "a comma is missing", 'put commas between entries: ["-2 kN", "97 kN"]'
    return line, "a value in brackets is not in quotes", 'write quotes: ["-2 kN", "97 kN"]'


def _backslash(line: int, message: str) -> _Told | None:
    if not re.search(r"[Ee]scape|hex", message):
        return None
    return line, "a backslash stands in quotes", "write / in its place, or two backslashes"


def _value(source: str, bare: str, line: int) -> _Told | None:
    if source.lstrip().startswith("["):
        return line, "a table's name is not alone in its line", "write a table as [name]"
    if _odd(bare):
        return line, "a quote is missing or one too many", 'write text as "text"'
    if bare.lstrip().startswith("="):
        return line, 'nothing stands before "="', "write key = value"
    if "=" not in bare:
        if re.match(r"\s*[\w.-]+\s*:", bare):
            return line, '":" stands where "=" belongs', "write key = value"
        return line, 'there is no "=" between key and value', "write key = value"
    value = source.partition("=")[2].partition("#")[0].strip()
    if not value:
        return line, 'nothing stands after "="', "write a value, or take the line out"
    if value.lower() in ("true", "false", "yes", "no"):
        word = "true" if value.lower() in ("true", "yes") else "false"
        return line, f"{value} is no value here", f"write {word}"
    if value[0] in "\"'":
        return line, "something stands behind the value", "write one key = value a line"
    if re.match(r"[\w.+-]", value):
        return _unquoted(source, value, line)
    return None


def _unquoted(source: str, value: str, line: int) -> _Told:
    if _SECRET.search(source.partition("=")[0]):
        return line, "a value is not in quotes", "a secret does not belong in this file at all"
    return line, f"{value[:40]} is not in quotes", f'write "{value[:40]}"'


def _odd(bare: str) -> bool:
    return bool(bare.count('"') % 2 or bare.count("'") % 2)
