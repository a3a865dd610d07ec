"""What no crack of a specimen can be: values beyond it, and words that are none."""

from __future__ import annotations

import math
from typing import Final

from rig.errors import InputError
from rig.mechanics.specimen import Section
from rig.record.crack_words import millimetres
from rig.record.cracks import DIRECTIONS, FACES, CrackEntry

WIDEST: Final = 0.02
"""Width [m] beyond which it is no crack any more but a slip of the pen."""
JUTS: Final = 0.25
"""Share of the span, and twice the height, by which a specimen may jut out over a support."""
LABEL: Final = 16
"""Letters and digits of a label at most."""
_HASH: Final = frozenset("0123456789abcdef")


def check(entry: CrackEntry, section: Section | None) -> None:
    """Refuse what no crack of this specimen can be. Raises InputError."""
    if entry.crack:
        _check_label(entry.crack)
    _known(entry.face, FACES, "face")
    _known(entry.direction, DIRECTIONS, "direction")
    if entry.picture and not (len(entry.picture) == 64 and set(entry.picture) <= _HASH):
        raise InputError("a picture is named by its SHA-256, 64 digits from 0 to f")
    for name in ("height", "width", "length"):
        if getattr(entry, name) < 0:
            raise InputError(f"{name} {millimetres(getattr(entry, name))} is below 0")
    if entry.width > WIDEST:
        raise InputError(
            f"width {millimetres(entry.width)} is above {millimetres(WIDEST)}: that is no "
            "crack; look at the unit"
        )
    if section is not None:
        _fits(entry, section)


def _check_label(label: str) -> None:
    rest = label.replace("-", "").replace(".", "").replace("_", "")
    if not (label[0].isalnum() and rest.isalnum() and len(label) <= LABEL):
        raise InputError(
            f"label {label!r} is none; give up to {LABEL} letters and digits, such as C1"
        )


def _known(word: str, words: tuple[str, ...], what: str) -> None:
    if word and word not in words:
        raise InputError(f"{what} {word!r} is none; give {', '.join(words[:-1])} or {words[-1]}")


def _fits(entry: CrackEntry, section: Section) -> None:
    """Refuse what lies beyond the specimen. Raises InputError."""
    juts = max(JUTS * section.span, 2 * section.height)
    span = f"the span is {millimetres(section.span)}"
    if not math.isnan(entry.position) and not -juts <= entry.position <= section.span + juts:
        raise InputError(
            f"{millimetres(entry.position)} from the left support is beyond the specimen: {span}"
        )
    if entry.height > section.height:
        raise InputError(
            f"a tip {millimetres(entry.height)} above the soffit is beyond the specimen, which is "
            f"{millimetres(section.height)} high"
        )
    if entry.length > section.span + 2 * juts:
        raise InputError(f"length {millimetres(entry.length)} is beyond the specimen: {span}")
