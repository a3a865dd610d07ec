"""What a mutant is: one small slip in one file, as somebody could make it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Mutant:
    """A slip: in `file` the text `old`, there once, becomes `new`.

    `fear` says what would go wrong in the laboratory; `tests` are the paths of the tests that
    must notice.
    """

    name: str
    file: str
    old: str
    new: str
    fear: str
    tests: tuple[str, ...]

    def applied(self, text: str) -> str:
        """Return the file's text with the slip in it. Raises ValueError where it does not fit."""
        found = text.count(self.old)
        if found != 1 or self.old == self.new:
            raise ValueError(f"{self.name}: {found} places in {self.file} where there must be one")
        return text.replace(self.old, self.new)
