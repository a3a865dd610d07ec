"""A protocol's text with one value changed, as if a person had written it."""

from __future__ import annotations

import contextlib
import copy
import json
import re
import tomllib
from collections.abc import Iterator
from typing import Any, Final

from rig.errors import InputError
from rig.protocol.document import spell
from rig.protocol.position import Path, locate
from rig.units import shown

MEANT: Final = ("stop", "pause", "warn")
"""What is meant where a table is named and not a value in it."""
_PART: Final = re.compile(r"([A-Za-z0-9_-]+)((?:\[[0-9]+\])*)")
_SCALAR: Final = r'(?:"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|[^,\[\]{}=#\s"\']+)'


def meant_key(text: str, key: str) -> tuple[Path, str]:
    """Return the path that a key such as `failure.stiffness_loss` means, and how it is spelt.

    Of a table the value that ends or pauses a test is meant. Raises InputError.
    """
    data, path = _data(text), _path(key)
    found: Any = data
    for part in path:
        try:
            found = found[part]
        except (KeyError, IndexError, TypeError):
            found = None
            break
    if isinstance(found, dict):
        inner = next((name for name in MEANT if name in found), None)
        if inner is None:
            raise InputError(f"--vary {key}: is a table; name a value in it: {_names(found)}")
        return (*path, inner), f"{key}.{inner}"
    if isinstance(found, list):
        raise InputError(f"--vary {key}: is a list; name an entry of it, such as {key}[1]")
    return path, key


def with_value(text: str, path: Path, value: str) -> str:
    """Return a TOML text in which a value is another; one that is missing is added.

    A number without a unit is written as such, all else as text. Raises InputError where the
    text cannot be changed there.
    """
    written = (
        value
        if re.fullmatch(r"[+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?", value)
        else json.dumps(value, ensure_ascii=False)
    )
    wanted = _changed(_data(text), path, tomllib.loads(f"x = {written}")["x"])
    if wanted is not None:
        for tried in _tries(text, path, written):
            with contextlib.suppress(ValueError):
                if tomllib.loads(tried) == wanted:
                    return tried
    raise InputError(f"--vary {spell(path)}: the protocol has no such place; look at its tables")


def without_value(text: str, path: Path) -> str:
    """Return a TOML text from which a value is taken out. Raises InputError where it cannot be."""
    wanted = copy.deepcopy(_data(text))
    table: Any = wanted
    for part in path[:-1]:
        table = table[part]
    del table[path[-1]]
    lines, at = text.split("\n"), locate(text)[path]
    line = lines[at - 1]
    for found in re.finditer(rf"{re.escape(str(path[-1]))}\s*=\s*{_SCALAR}\s*,?", line):
        left = line[: found.start()] + line[found.end() :]
        tried = "\n".join([*lines[: at - 1], left, *lines[at:]])
        with contextlib.suppress(ValueError):
            if tomllib.loads(tried) == wanted:
                return tried
    raise InputError(f"--vary: {spell(path)} cannot be taken out of the protocol's text")


def _tries(text: str, path: Path, written: str) -> Iterator[str]:
    """Yield texts of which one may be the changed one; what is right is told by reading it."""
    lines, places = text.split("\n"), locate(text)
    key = path[-1]
    at = places.get(path)
    if at is not None:
        # A value is on the line of its key; of entries of a list the order tells which.
        pattern = (
            rf'(\b{re.escape(str(key))}"?\s*=\s*){_SCALAR}'
            if isinstance(key, str)
            else (rf"(?<![\w.]){_SCALAR}")
        )
        for found in re.finditer(pattern, lines[at - 1]):
            head = found[1] if isinstance(key, str) else ""
            line = lines[at - 1]
            edited = line[: found.start()] + head + written + line[found.end() :]
            yield "\n".join([*lines[: at - 1], edited, *lines[at:]])
        return
    table = places.get(path[:-1])
    if table is not None:
        line = lines[table - 1]
        for brace in re.finditer(r"\{", line):
            edited = f"{line[: brace.end()]} {key} = {written},{line[brace.end() :]}"
            yield "\n".join([*lines[: table - 1], edited, *lines[table:]])
        yield "\n".join([*lines[:table], f"{key} = {written}", *lines[table:]])
    if all(isinstance(part, str) for part in path) and len(path) > 1:
        header = ".".join(map(str, path[:-1]))
        yield f"{text.rstrip()}\n\n[{header}]\n{key} = {written}\n"
    yield f"{key} = {written}\n{text}"


def _changed(data: dict[str, Any], path: Path, value: Any) -> dict[str, Any] | None:
    """Return the data with a value set; None where there is no such place."""
    whole = copy.deepcopy(data)
    inner: Any = whole
    for part in path[:-1]:
        if isinstance(inner, dict) and isinstance(part, str):
            inner = inner.setdefault(part, {})
        elif isinstance(inner, list) and isinstance(part, int) and part < len(inner):
            inner = inner[part]
        else:
            return None
    last = path[-1]
    named = isinstance(inner, dict) and isinstance(last, str)
    counted = isinstance(inner, list) and isinstance(last, int) and last < len(inner)
    if not (named or counted):
        return None
    inner[last] = value
    return whole


def _path(key: str) -> Path:
    """Return the path of a key such as `stage[4].run_out`, entries counted from 1."""
    path: list[str | int] = []
    for part in key.split("."):
        found = _PART.fullmatch(part.strip())
        if found is None or "[0]" in part:
            raise InputError(
                f"--vary {shown(key)[1:-1]}: is no key of a protocol; write one such as "
                "failure.stiffness_loss or stage[3].run_out"
            )
        path.append(found[1])
        path += [int(index) - 1 for index in re.findall(r"[0-9]+", found[2])]
    return tuple(path)


def _names(table: dict[str, Any]) -> str:
    return ", ".join(table)


def _data(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"--vary: the protocol is no TOML: {error}; check it first") from error
