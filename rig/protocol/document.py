"""One TOML file on its way to a plan: its text, data, lines, and the problems found in it."""

from __future__ import annotations

import difflib
import posixpath
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from rig.errors import Problem
from rig.protocol.position import Path, last_line, locate
from rig.units import plain, shown

Read = Callable[[str], str]
Model = TypeVar("Model", bound=BaseModel)

_PLACE = re.compile(r" ?\(at (?:line (\d+), column \d+|end of document)\)")


EXAMPLES: Final = {
    "title": 'title = "Prism P-12, sprayed"',
    "specimen": 'specimen = "specimens/prism-small.toml"',
    "specimen_id": 'specimen_id = "P-12"',
    "exposure": 'exposure = "spray"',
    "stage": '[[stage]] with kind = "approach"',
    "upper": 'upper = "70 %"',
    "lower": 'lower = "7 %"',
    "frequency": 'frequency = "4 Hz"',
    "contact": 'contact = "2 kN"',
    "speed": 'speed = "0.5 mm/s"',
    "give_up_after": 'give_up_after = "10 mm"',
    "to": 'to = "upper"',
    "at": 'at = "upper"',
    "duration": 'duration = "1 min"',
    "build_up": 'build_up = "200 cycles"',
    "run_out": 'run_out = "11e6 cycles"',
    "begin": 'begin = "10000 cycles"',
    "flow": 'flow = "1.5 L/min"',
    "rate": 'rate = "0.5 kN/s"',
    "go_on_after": 'go_on_after = "20 min" or "never"',
    "stop": 'stop = "40 %"',
    "confirm": 'confirm = "100 cycles"',
    "range": 'range = ["-5 mm", "50 mm"]',
    "resolution": 'resolution = "0.5 um"',
    "kind": 'kind = "horn" or "lamp"',
    "before": 'before = "5 s"',
    "by": 'by = ["30 min", "2 h", "20000 cycles"]',
}
"""Missing keys as a line to paste."""


@dataclass(slots=True)
class Document:
    """A file as read; `data` is empty when it could not be read."""

    file: str
    text: str = ""
    data: dict[str, Any] = field(default_factory=dict)
    lines: dict[Path, int] = field(default_factory=lambda: {(): 1})
    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    readable: bool = True

    def line(self, path: Path) -> int:
        """Return the line of a path, or of the nearest table around it."""
        while path not in self.lines:
            path = path[:-1]
        return self.lines[path]

    def refuse(self, path: Path, problem: str, remedy: str) -> None:
        """Note a problem at a path."""
        self.problems.append(self._at(path, problem, remedy))

    def warn(self, path: Path, problem: str, remedy: str) -> None:
        """Note a warning at a path."""
        self.warnings.append(self._at(path, problem, remedy))

    def refuse_missing(self, table: Path, key: str, example: str) -> None:
        """Note that a table lacks a key, at the line of the table."""
        field = plain(spell((*table, key)))
        line = self.line(table)
        self.problems.append(Problem(self.file, line, field, "is missing", f"add {example}"))

    def beside(self, path: str) -> str:
        """Return a path written in this file, relative to where this file lies."""
        return posixpath.normpath(posixpath.join(posixpath.dirname(self.file), path))

    def _at(self, path: Path, problem: str, remedy: str) -> Problem:
        # A file can hold control characters; none may reach a terminal.
        words = (plain(text) for text in (spell(path), problem, remedy))
        return Problem(self.file, self.line(path), *words)


def spell(path: Path) -> str:
    """Write a path as people do: `stage[2].speed`, entries counted from 1."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    return text.lstrip(".")


def open_document(file: str, read: Read, named_by: tuple[Document, Path] | None = None) -> Document:
    """Read and parse a file; what is wrong with it is among the problems of what is returned.

    A file that cannot be read is a problem of the line that names it, where one does.
    """
    document = Document(file)
    try:
        document.text = read(file)
    except (OSError, ValueError) as error:
        document.readable = False
        problem, remedy = (
            f'cannot read "{shown(file)[1:-1]}": {_cause(error)}',
            "give a readable file",
        )
        if named_by:
            named_by[0].refuse(named_by[1], problem, remedy)
        else:
            document.problems.append(Problem(file, 0, "", problem, remedy))
        return document
    try:
        document.data = tomllib.loads(document.text)
        document.lines = locate(document.text)
    except RecursionError:
        document.readable = False
        document.refuse((), "is nested too deeply", "write plain tables")
    except ValueError as error:
        document.readable = False
        document.problems.append(_syntax(file, document.text, str(error)))
    return document


def _cause(error: Exception) -> str:
    if isinstance(error, FileNotFoundError):
        return "no such file"
    if isinstance(error, OSError):
        return (error.strerror or type(error).__name__).lower()
    return "not UTF-8 text" if isinstance(error, UnicodeDecodeError) else "not a usable path"


def _syntax(file: str, text: str, message: str) -> Problem:
    place = _PLACE.search(message)
    line = int(place[1]) if place and place[1] else last_line(text)
    words = _PLACE.sub("", message)
    if words == "Invalid value" or words.startswith("Expected newline"):
        remedy = 'write quantities in quotes, such as "35 kN"'
    elif "overwrite" in words or "twice" in words:
        remedy = "write each key and table once"
    else:
        remedy = "write one key = value a line, tables as [name]"
    return Problem(file, line, "", words[0].lower() + words[1:], remedy)


def validate(document: Document, model: type[Model], sections: bool = False) -> Model | None:
    """Check the data of a document against a model and note every problem.

    With `sections` the top-level keys that hold a problem are left out and the rest is returned,
    so that what does not depend on them is still checked. None where nothing can be said.
    """
    if not document.readable:
        return None
    try:
        return model.model_validate(document.data)
    except ValidationError as error:
        details = error.errors(include_url=False)
    for detail in details:
        _note(document, model, detail)
    bad = {d["loc"][0] for d in details if d["loc"]}
    if not sections or any(d["type"] == "missing" and len(d["loc"]) == 1 for d in details):
        return None
    return model.model_validate({k: v for k, v in document.data.items() if k not in bad})


def _note(document: Document, model: type[BaseModel], detail: ErrorDetails) -> None:
    path = _in_file(document.data, detail["loc"])
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "problem":
        document.refuse(path, context["problem"], context["remedy"])
    elif kind == "extra_forbidden":
        document.refuse(path, "is no known key", _nearest(model, detail["loc"]))
    elif kind == "missing":
        key = str(detail["loc"][-1])
        document.refuse_missing(path, key, EXAMPLES.get(key, f"{key} = ..."))
    else:
        # The tag of a union is read from its table: name the line of the tag itself.
        at = (*path, "kind") if kind == "union_tag_invalid" else path
        document.refuse(at, *_type_problem(kind, context, detail))


def _type_problem(kind: str, context: Mapping[str, Any], detail: ErrorDetails) -> tuple[str, str]:
    value = shown(detail["input"])
    match kind:
        case "literal_error":
            return f"{value} is not known here", f"give {context['expected']}".replace("'", '"')
        case "union_tag_invalid":
            allowed = context["expected_tags"].replace("'", '"')
            return f'kind "{context["tag"]}" is not known', f"give one of {allowed}"
        case "union_tag_not_found":
            return "has no kind", 'add one, such as kind = "cyclic"'
        case "string_type" | "string_too_short" | "string_too_long" | "string_pattern_mismatch":
            return f"{value} is not plain text", "give 1 to 60 characters in quotes"
        case "bool_type":
            return f"{value} is neither true nor false", "write true or false without quotes"
        case "list_type" | "tuple_type":
            return f"{value} is not a list", "write it in brackets: [...]"
        case "too_short" | "too_long":
            return f"{value} has {context['actual_length']} entries", _length_remedy(context)
        case "model_type" | "dict_type" | "model_attributes_type":
            return f"{value} is not a table", "write a [table] or { key = value }"
        case _:
            return f"{value}: {detail['msg'].lower()}", "see the shipped files for an example"


def _length_remedy(context: Mapping[str, Any]) -> str:
    if "min_length" in context:
        return f"give at least {context['min_length']}"
    return f"give at most {context['max_length']}"


def _in_file(data: Any, loc: tuple[str | int, ...]) -> Path:
    """Drop from a pydantic location what is not in the file: union tags, missing keys."""
    path: list[str | int] = []
    for part in loc:
        in_list = isinstance(data, list) and isinstance(part, int) and part < len(data)
        if in_list or (isinstance(data, dict) and part in data):
            data = data[part]
            path.append(part)
    return tuple(path)


def _nearest(model: type[BaseModel], loc: tuple[str | int, ...]) -> str:
    known = sorted(_known_keys(model, loc))
    near = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.6)
    if near:
        return f'did you mean "{near[0]}"?'
    return f"known here are {', '.join(known)}"


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
