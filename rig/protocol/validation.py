"""The data of a file held against the shape it must have, so that one round finds every problem.

A misspelt key is read as the one it was meant to be. What cannot be read is replaced by a
stand-in that no later check objects to (a quantity becomes nan, which compares with nothing), or
left out with as little around it as the shape allows. So the rest is judged in the same round,
and nothing is said that only follows from a first problem. Stand-ins never get into a plan: a
file that needed one has a problem.
"""

from __future__ import annotations

import copy
import difflib
import re
from collections.abc import Mapping
from typing import Any, Final, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from rig.errors import Problem
from rig.protocol.document import Document, meant
from rig.protocol.examples import example_of
from rig.protocol.fields import UNREAD, Table
from rig.protocol.position import Path
from rig.protocol.syntax import two_brackets
from rig.units import shown

Model = TypeVar("Model", bound=Table)


def validate(document: Document, model: type[Model]) -> Model | None:
    """Check the data of a document against a model and note every problem.

    None only where the file could not be read at all. Root keys that the model requires and that
    are not there are problems; those that cannot be read are None in what is returned.
    """
    if not document.readable or _is_another(document, model.what):
        return None
    mend = _Mending(document, model)
    while True:
        try:
            file = model.model_validate(mend.data)
            break
        except ValidationError as error:
            mend.mend(error.errors(include_url=False))
    document.data = mend.data
    for key in model.required:
        if key not in mend.data and (key,) not in mend.touched:
            document.refuse_missing((), key)
            document.unread.add(key)
    return file


_SIGNS: Final = {
    "protocol": {"stage", "specimen_id", "loading"},
    "rig file": {"driver", "actuator", "channel"},
    "specimen file": {"geometry", "concrete", "tendon"},
    "series file": {"groups", "life", "ultimate", "hypothesis", "observation"},
    "events file": {"event"},
    "service file": {"wet_time", "block", "history"},
    "lab file": {"broker", "requests", "mail", "program", "person", "alert"},
}
"""Root keys by which a kind of file is known."""


def _is_another(document: Document, wanted: str) -> bool:
    """Tell whether a file is one of another kind, which is then its only problem."""
    found = {kind: len(signs & document.data.keys()) for kind, signs in _SIGNS.items()}
    kind = max(found, key=lambda name: found[name])
    if found[wanted] or found[kind] < 2:
        return False
    other = f"{'an' if wanted[0] in 'aeiou' else 'a'} {wanted}"
    remedy = f"name {other} here"
    if kind == "rig file":
        remedy += "; a rig file follows --rig"
    document.readable = False
    problem = f"is a {kind}, not {other}"
    document.problems.append(Problem(document.file, 1, "", problem, remedy))
    return True


class _Mending:
    """A copy of a file's data, in which each problem is noted once and then mended."""

    def __init__(self, document: Document, model: type[Table]) -> None:
        self.document = document
        self.model = model
        self.data: dict[str, Any] = copy.deepcopy(document.data)
        self.touched: set[Path] = set()

    def mend(self, details: list[ErrorDetails]) -> None:
        """Note what is wrong and not yet noted, and mend it, so that the rest can be read."""
        rest = [detail for detail in details if not self._respelt(detail)]
        tables = {d["loc"][:-2] for d in rest if d["type"] != "literal_error"}
        # A table where a word may stand as well is judged as a table.
        rest = [d for d in rest if d["type"] != "literal_error" or d["loc"][:-1] not in tables]
        places: dict[Path, list[ErrorDetails]] = {}
        for detail in rest:
            places.setdefault(self._place(detail), []).append(detail)
        for path, found in places.items():
            if self._around(path) is not None:
                self._mend(path, _meant(found))

    def _respelt(self, detail: ErrorDetails) -> bool:
        """Tell whether a problem is a misspelt or unknown key, which is noted and read anew."""
        path = _in_file(self.data, detail["loc"])
        if detail["type"] == "extra_forbidden":
            known = sorted(_known_keys(self.model, detail["loc"]))
            near = difflib.get_close_matches(str(path[-1]), known, n=1, cutoff=0.6)
            self.document.refuse(path, "is not known here", meant(str(path[-1]), known))
            self._rename(path, near[0] if near else "")
            return True
        if detail["type"] == "union_tag_not_found" and isinstance(detail["input"], dict):
            near = difflib.get_close_matches("kind", detail["input"], n=1, cutoff=0.6)
            if near:
                at = (*path, near[0])
                self.document.refuse(at, "is not known here", 'did you mean "kind"?')
                self._rename(at, "kind")
            return bool(near)
        return False

    def _place(self, detail: ErrorDetails) -> Path:
        loc = detail["loc"]
        if _lacks_key(detail):
            return (*_in_file(self.data, loc[:-1]), loc[-1])
        return _in_file(self.data, loc)

    def _mend(self, path: Path, detail: ErrorDetails) -> None:
        around = self._around(path)
        if _lacks_key(detail) and path[-1] in around:
            return  # it was there under a misspelt name
        if path in self.touched:
            self._leave_out(path)
            return
        self.touched.add(path)
        self._note(path, detail)
        self.document.unread.add(str(path[0]))
        around[path[-1]] = UNREAD

    def _rename(self, path: Path, meant: str) -> None:
        """Read a key under another name, if none is there yet; else leave it out."""
        table = self._around(path)
        value = table.pop(path[-1])
        if not meant or meant in table:
            return
        table[meant] = value
        length, lines = len(path), self.document.lines
        for there in [p for p in lines if p[:length] == path]:
            lines[(*path[:-1], meant, *there[length:])] = lines[there]

    def _leave_out(self, path: Path) -> None:
        """Leave out what has no stand-in: an optional key, an entry, or the table around it."""
        around, last = self._around(path), path[-1]
        self.touched.add(path)
        if isinstance(around, dict):
            if last in around:
                del around[last]
            else:
                self._leave_out(path[:-1])
        elif isinstance(around, list) and isinstance(last, int):
            # Entries that are tables keep their number; None stands for one that is unreadable.
            if isinstance(self._as_read(path), dict):
                around[last] = None
            else:
                self._leave_out(path[:-1])

    def _as_read(self, path: Path) -> Any:
        """Return what the file has at a place, None where a name has been mended on the way."""
        found: Any = self.document.data
        for part in path:
            try:
                found = found[part]
            except (KeyError, IndexError, TypeError):
                return None
        return found

    def _around(self, path: Path) -> Any:
        """Return the table or list a place is in, None where it has been left out."""
        found: Any = self.data
        for part in path[:-1]:
            try:
                found = found[part]
            except (KeyError, IndexError, TypeError):
                return None
        return found if isinstance(found, dict | list) else None

    def _note(self, path: Path, detail: ErrorDetails) -> None:
        kind, context = detail["type"], detail.get("ctx", {})
        if kind == "problem":
            self.document.refuse(path, context["problem"], context["remedy"])
        elif _lacks_key(detail):
            self.document.refuse_missing(path[:-1], str(path[-1]))
        elif kind == "missing":
            self.document.refuse(path, "has too few entries", f"write {example_of(path)}")
        elif kind == "union_tag_invalid":
            # The tag of a union is read from its table: name the line of the tag itself.
            given, allowed = detail["input"].get("kind"), context["expected_tags"]
            kinds = re.findall(r"'([^']*)'", allowed)
            near = meant(given, kinds) if isinstance(given, str) else ""
            one_of = "give one of " + allowed.replace("'", '"')
            remedy = f"{near} {one_of}" if near.startswith("did you mean") else one_of
            self.document.refuse((*path, "kind"), f"{shown(given)} is no kind", remedy)
        elif kind == "union_tag_not_found":
            self.document.refuse_missing(path, "kind")
        else:
            self.document.refuse(path, *_type_problem(path, kind, context, detail["input"]))


def _lacks_key(detail: ErrorDetails) -> bool:
    # A list with too few entries lacks an entry by its number.
    return detail["type"] == "missing" and isinstance(detail["loc"][-1], str)


def _meant(details: list[ErrorDetails]) -> ErrorDetails:
    """Return the problem of the branch that was meant, where a value may be a word or a table."""
    for detail in details:
        if (detail["type"] == "literal_error") == isinstance(detail["input"], str):
            return detail
    return details[0]


def _type_problem(path: Path, kind: str, context: Mapping[str, Any], given: Any) -> tuple[str, str]:
    value = shown(given)
    match kind:
        case "literal_error":
            return f"{value} is not known here", f"give {context['expected']}".replace("'", '"')
        case "string_type":
            return f"{value} is not text", f"write it in quotes, as in {example_of(path)}"
        case "string_too_short":
            return f"{value} is empty", f"write {example_of(path)}"
        case "string_too_long":
            return f"{value} is too long", f"give at most {context['max_length']} characters"
        case "string_pattern_mismatch":
            return (
                f"{value} has a character that no name may have",
                "use letters, digits, spaces and . , + - ( ) _ only",
            )
        case "bool_type":
            return f"{value} is neither true nor false", "write true or false without quotes"
        case "list_type" if isinstance(given, dict) and len(path) == 1:
            return f"[{path[0]}] is no list", two_brackets(str(path[0]))
        case "list_type" | "tuple_type":
            example = example_of(path)
            pairs = kind == "tuple_type" and "[[" in example
            return f"{value} is no list", (
                f"write {example}" if pairs else f"write it in brackets: [{value}]"
            )
        case "too_short" | "too_long":
            most = context.get("max_length", context.get("min_length"))
            word = "at most" if kind == "too_long" else "at least"
            exact = "" if context.get("field_type") == "Tuple" else f"{word} "
            return f"has {context['actual_length']} entries", f"give {exact}{most}"
        case _:
            return f"{value} is no table", _table_remedy(path)


def _table_remedy(path: Path) -> str:
    name = next((part for part in reversed(path) if isinstance(part, str)), "")
    if isinstance(path[-1], int):
        return f"write [[{name}]] and its keys below it"
    if len(path) == 1:
        return f"write [{name}] and its keys below it"
    return f"write {name} = {{ key = value }}"


def _in_file(data: Any, loc: tuple[str | int, ...]) -> Path:
    """Drop from a pydantic location what is not in the file: union tags, missing keys."""
    path: list[str | int] = []
    for part in loc:
        in_list = isinstance(data, list) and isinstance(part, int) and part < len(data)
        if in_list or (isinstance(data, dict) and part in data):
            data = data[part]
            path.append(part)
    return tuple(path)


def _known_keys(model: type[BaseModel], loc: tuple[str | int, ...]) -> set[str]:
    tables = [model]
    for part in loc[:-1]:
        if isinstance(part, int):
            continue
        inner = [
            found
            for table in tables
            for name, info in table.model_fields.items()
            if part in (name, info.alias)
            for found in _models_in(info.annotation)
        ]
        tagged = [t for t in tables if part in _tags(t)]
        tables = inner or tagged or tables
    return {info.alias or name for t in tables for name, info in t.model_fields.items()}


def _models_in(annotation: object) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for part in get_args(annotation) for found in _models_in(part)]


def _tags(table: type[BaseModel]) -> tuple[object, ...]:
    kind = table.model_fields.get("kind")
    return get_args(kind.annotation) if kind else ()
