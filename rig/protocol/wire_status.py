"""What a controller says of itself: the fields of its status, and what its words mean."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import Any, Final

from rig.channels import channel_unit
from rig.protocol.document import Document, meant
from rig.protocol.wire import STATUS
from rig.protocol.wire_fields import nearest, unread
from rig.units import shown

MEANINGS: Final[Mapping[str, tuple[str, ...]]] = {
    "mode": ("off", "stroke", "load", "deflection"),
    "pressure": ("off", "low", "high"),
    "stopped_by": ("", "limit", "count", "watchdog"),
    "moving": ("moving", "still"),
    "tripped": ("", "load", "stroke"),
}
"""What a controller's words may mean to us, by the field of its status they stand in."""

Expected = Sequence[tuple[str, str]]
"""Fields, and what a word in them must be able to mean."""

_AT: Final = ("controller",)
_OPTIONAL: Final = ("tripped", "-")
_ALL: Final = tuple(dict.fromkeys(word for words in MEANINGS.values() for word in words))


def build_fields(document: Document, given: list[Any], own: bool) -> tuple[str, ...]:
    """Return what the answer to "status" holds; problems are noted in the document."""
    found: list[str] = []
    meant_too: set[str] = set()
    for index, name in enumerate(given):
        path = (*_AT, "status", index)
        if not isinstance(name, str) or name not in STATUS:
            remedy = meant(name, STATUS) if isinstance(name, str) else "write it in quotes"
            document.refuse(path, f"{shown(name)} is nothing that a status holds", remedy)
            meant_too.add(nearest(str(name), STATUS))
            continue
        if name in found and name != "-":
            document.refuse(path, f'"{name}" is there twice', 'write "-" for what says nothing')
        found.append(name)
    if unread(document, (*_AT, "status")):
        return ()
    missing = [n for n in STATUS if n not in (*found, *meant_too, *_OPTIONAL)]
    if missing:
        document.refuse(
            (*_AT, "status"),
            f"leaves out {', '.join(missing)}",
            "name each in its place in the answer; without it nobody knows what the rig does",
        )
    if own and "tripped" not in (*found, *meant_too):
        document.warn(
            (*_AT, "status"),
            "leaves out tripped, so which of its limits has stopped it stays unknown",
            "name it where the controller tells it",
        )
    return tuple(found)


def build_words(document: Document, table: Mapping[str, Any], expected: Expected) -> dict[str, str]:
    """Return what a controller's words mean to us; problems are noted in the document.

    A word that means different things by field has the name of the field before it: "mode 2".
    """
    found = {}
    for word, meaning in table.items():
        path = (*_AT, "words", word)
        problem = _word_problem(word, meaning)
        if problem:
            document.refuse(path, *problem)
        else:
            found[word] = meaning
    silent = [f'{name} "{m}"' for name, m in expected if not _says(found, name, m)]
    if silent:
        document.warn(
            (*_AT, "words"),
            f"have none that means {', '.join(silent)}",
            "add the controller's own, unless it says just that",
        )
    return found


def _word_problem(word: str, meaning: Any) -> tuple[str, str] | None:
    if not isinstance(meaning, str):
        return f"{shown(meaning)} is not text", "write it in quotes"
    name, _, rest = word.partition(" ")
    if (word.strip(), rest.strip()) != (word, rest):
        return "has a blank too many, so no answer ever says it", "take the blank out"
    if rest and name not in MEANINGS:
        near = difflib.get_close_matches(name, MEANINGS, n=1, cutoff=0.75)
        if near:
            return f"{shown(name)} is no field of a status", f'did you mean "{near[0]}"?'
    field = name if rest and name in MEANINGS else ""
    allowed = MEANINGS.get(field, _ALL)
    if meaning in allowed or (field in ("", "tripped") and channel_unit(meaning) is not None):
        return None
    return f"{shown(meaning)} means nothing here", meant(meaning, filter(None, allowed))


def _says(words: Mapping[str, str], name: str, meaning: str) -> bool:
    """Tell whether a word means something in a field."""
    return any(
        said == meaning and (word.startswith(f"{name} ") or word.partition(" ")[0] not in MEANINGS)
        for word, said in words.items()
    )
