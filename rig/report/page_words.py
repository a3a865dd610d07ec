"""Words of others on a page: verbatim, but what hides, reorders or piles up is shown as a code."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from itertools import groupby
from typing import Final

_HIDDEN: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_KEPT: Final = "\t\n"
_PILE: Final = 4
"""Marks that one letter may carry: more, as no language needs, would cover lines above."""


def pieces(text: str) -> Iterator[tuple[str, bool]]:
    """Yield a text in pieces, and of each whether it is a code such as "U+202E".

    A code stands for one sign that cannot be seen, or that would turn others about: controls,
    Unicode's format and bidirectional signs, lone halves of pairs, private and unknown ones.
    """
    if text.isascii() and text.isprintable():
        if text:
            yield text, False
        return
    for coded, signs in groupby(_signs(text), key=lambda sign: sign[1]):
        if coded:
            yield from ((f"U+{ord(sign):04X}", True) for sign, _ in signs)
        else:
            yield "".join(sign for sign, _ in signs), False


def _signs(text: str) -> Iterator[tuple[str, bool]]:
    pile = 0
    for sign in text:
        kind = unicodedata.category(sign)
        pile = pile + 1 if kind in ("Mn", "Me") else 0
        yield sign, pile > _PILE or (kind in _HIDDEN and sign not in _KEPT)


def visible(text: str) -> str:
    """Return a text as one line in which nothing hides, its codes in brackets."""
    found = (f"[{piece}]" if coded else piece for piece, coded in pieces(text))
    return " ".join("".join(found).split())
