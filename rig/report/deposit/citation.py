"""CITATION.cff of a deposit, Citation File Format 1.2.0: written, and read back.

It is written in a part of YAML 1.2 that is quick to check: keys, lists, and every value a text in
double quotes; what is read here is that part and no more.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final

from rig.errors import StorageError
from rig.report.deposit.about import About
from rig.report.deposit.files import CITATION
from rig.report.deposit.people import LICENCES, ORCID, Author

CFF: Final = "1.2.0"
NEEDED: Final = ("authors", "cff-version", "message", "title")
"""Keys that every such file must have, by its schema."""
NOBODY: Final = "Authors not named yet: make the deposit again with --author"
"""Stands in the place of the authors until somebody names them."""
_MESSAGE: Final = "If you use this dataset, please cite it as below."
_KNOWN: Final = frozenset(
    {
        *("CC0-1.0", "CC-BY-3.0", "CC-BY-4.0", "CC-BY-SA-4.0", "CC-BY-NC-4.0", "CC-BY-ND-4.0"),
        *("CC-BY-NC-SA-4.0", "CC-BY-NC-ND-4.0", "ODbL-1.0", "ODC-By-1.0", "PDDL-1.0"),
        *("CDLA-Permissive-1.0", "CDLA-Sharing-1.0", "OGL-UK-3.0", "etalab-2.0"),
        *("MIT", "Apache-2.0", "BSD-3-Clause"),
    }
)
"""Ids for data that the schema of 1.2.0 knows; younger ones are given by their address."""
_SHORT: Final = {"\t": "\\t", "\n": "\\n", '"': '\\"', "\\": "\\\\"}
_LONG: Final = {value[1]: key for key, value in _SHORT.items()}
_ESCAPE: Final = re.compile(r'\\(?:x([0-9a-f]{2})|u([0-9a-f]{4})|U([0-9a-f]{8})|([tn"\\]))')
_VALUE: Final = r'"((?:[^"\\]|\\.)*)"'
_LINE: Final = re.compile(rf"( *)(- )?(?:([a-z-]+):(?: {_VALUE})?|{_VALUE})")


def citation_text(run: About, authors: Sequence[Author], licence: str) -> str:
    """Return the file; without authors it says so in their place, without licence it has none."""
    lines = [
        f"cff-version: {_quoted(CFF)}",
        f"message: {_quoted(_MESSAGE)}",
        'type: "dataset"',
        f"title: {_quoted(run.title)}",
        f"version: {_quoted(run.version)}",
        f"date-released: {_quoted(run.day)}",
        f"abstract: {_quoted(f'{run.test} {run.origin} {run.ending}')}",
        *_authors(authors),
        *_licence(licence),
        "identifiers:",
        '  - type: "other"',
        f"    value: {_quoted(run.run_id)}",
        '    description: "the run, as its record names it"',
        "keywords:",
        *(f"  - {_quoted(word)}" for word in run.keywords),
    ]
    return "\n".join(lines) + "\n"


def _authors(authors: Sequence[Author]) -> list[str]:
    lines = ["authors:"]
    for author in authors:
        lines.append(f"  - family-names: {_quoted(author.family)}")
        if author.given:
            lines.append(f"    given-names: {_quoted(author.given)}")
        if author.orcid:
            lines.append(f"    orcid: {_quoted(ORCID + author.orcid)}")
    return lines if authors else [*lines, f"  - name: {_quoted(NOBODY)}"]


def _licence(licence: str) -> list[str]:
    if not licence:
        return []
    if licence in _KNOWN:
        return [f"license: {_quoted(licence)}"]
    return [f"license-url: {_quoted(f'{LICENCES}{licence}.html')}"]


def _quoted(text: str) -> str:
    """Return a text as a double-quoted scalar (YAML 1.2.2, 7.3.1), all on one line."""
    return '"' + "".join(_SHORT.get(sign) or _shown(sign) for sign in text) + '"'


def _shown(sign: str) -> str:
    if sign.isprintable():
        return sign
    code = ord(sign)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def read_citation(text: str) -> dict[str, Any]:
    """Return what the file tells, by its keys. Raises StorageError.

    Values are texts, lists of texts, or lists of groups of texts.
    """
    found: dict[str, Any] = {}
    entries: list[Any] = []
    for number, line in enumerate(text.splitlines(), start=1):
        match = _LINE.fullmatch(line)
        if match is None:
            raise StorageError(f"{CITATION}:{number}: is no line that this program writes")
        indent, begins, key, value, item = match.groups()
        if not indent and not begins and key and key not in found:
            entries = []
            found[key] = entries if value is None else _read(value)
        elif begins:
            entries.append(_read(item) if item is not None else {key: _read(value or "")})
        elif entries and isinstance(entries[-1], dict) and key:
            entries[-1][key] = _read(value or "")
        else:
            raise StorageError(f"{CITATION}:{number}: belongs to nothing above it")
    if missing := [key for key in NEEDED if not found.get(key)]:
        raise StorageError(f"{CITATION}: has no {missing[0]}, which it must have")
    return found


def _read(value: str) -> str:
    return _ESCAPE.sub(_letter, value)


def _letter(found: re.Match[str]) -> str:
    digits = found[1] or found[2] or found[3]
    return chr(int(digits, 16)) if digits else _LONG[found[4]]
