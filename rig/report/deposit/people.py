"""Who is to be cited and under which licence, as people give them on the command line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rig.errors import InputError
from rig.units import shown

ORCID: Final = "https://orcid.org/"
LICENCES: Final = "https://spdx.org/licenses/"
LONGEST: Final = 200
"""Letters of a name."""
_ORCID: Final = re.compile(r"(?:https?://orcid\.org/)?(\d{4}-\d{4}-\d{4}-\d{3}[\dXx])/?")
_FORM: Final = (
    'write "Family, Given" or "Family, Given; ORCID", a person of one name "Name,", each with an '
    "--author of its own"
)


@dataclass(frozen=True, slots=True)
class Author:
    """A person to be cited; `given` and `orcid` (16 digits with dashes) are "" where not told."""

    family: str
    given: str = ""
    orcid: str = ""

    @property
    def name(self) -> str:
        """The name as it is spoken."""
        return f"{self.given} {self.family}".strip()


def read_authors(texts: Sequence[str]) -> tuple[Author, ...]:
    """Return the people of some --author options. Raises InputError."""
    found = tuple(map(read_author, texts))
    for place, author in enumerate(found):
        before = found[:place]
        if author in before or author.orcid in {other.orcid for other in before if other.orcid}:
            raise InputError(f"--author: {shown(author.name)} is named twice; name each once")
    return found


def read_author(text: str) -> Author:
    """Return the person of one --author option. Raises InputError."""
    names, _, number = (part.strip() for part in text.partition(";"))
    family, comma, given = (part.strip() for part in names.partition(","))
    if not comma or not family:
        raise InputError(f"--author: {shown(text)} is no family name and given name; {_FORM}")
    if not text.isprintable() or len(names) > LONGEST:
        raise InputError(
            f"--author: {shown(text)} is no name: control characters, bytes that are no UTF-8, or "
            f"more than {LONGEST} letters; {_FORM}"
        )
    return Author(family, given, _orcid(number) if ";" in text else "")


def _orcid(text: str) -> str:
    match = _ORCID.fullmatch(text)
    if match is None:
        raise InputError(
            f"--author: {shown(text)} is no ORCID; it has 16 digits in groups of four, such as "
            "0000-0002-1825-0097"
        )
    number = match[1].upper()
    if _check_digit(number) != number[-1]:
        raise InputError(
            f"--author: the last digit of ORCID {number} does not fit the others; copy it again"
        )
    return number


def _check_digit(number: str) -> str:
    """Return what the last of 16 digits must be: ISO 7064 MOD 11-2, as the ORCID pages tell."""
    total = 0
    for digit in number.replace("-", "")[:15]:
        total = (total + int(digit)) * 2
    rest = (12 - total % 11) % 11
    return "X" if rest == 10 else str(rest)


def read_licence(text: str | None) -> str:
    """Return the SPDX id of a licence as the list spells it, "" for none. Raises InputError."""
    if text is None:
        return ""
    # A part of the extra, as the package of the crate is.
    from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

    try:
        found = str(canonicalize_license_expression(text))
    except InvalidLicenseExpression:
        found = ""
    if not re.fullmatch(r"(?!LicenseRef-)[\w.-]+", found):
        raise InputError(
            f"--license: {shown(text)} is no id of the SPDX list; for data CC-BY-4.0 and CC0-1.0 "
            "are usual: see spdx.org/licenses, and ask who owns the data"
        )
    return found
