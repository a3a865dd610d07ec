"""The error tree, drawn once, and the exit code of each outcome.

    RigError                1   a bug of ours, unless a branch below says otherwise
    ├── InputError          2   files or usage; nothing was started
    ├── DeviceError         4   a rig, sensor or device did not do what it must
    │   └── SetpointRefused 4   a command outside the rig file's ranges
    ├── NotBegun            5   given up by people before anything moved
    └── StorageError        6   disk full, gone, or a record that does not verify

Every message has the value, what was allowed, and what to do.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar, Final

EXIT_CODES: Final[dict[str, int]] = {
    "failure": 0,
    "run-out": 0,
    "ultimate": 0,
    "limit": 3,
    "fault": 4,
    "operator": 5,
}
"""Exit code of a command that ends with a test's outcome."""


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing that is wrong in a file a person wrote, and what would be right."""

    file: str
    line: int
    field: str
    problem: str
    remedy: str = ""

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        field = f"{self.field}: " if self.field else ""
        tail = f"; {self.remedy}" if self.remedy else ""
        return f"{where}: {field}{self.problem}{tail}"


class RigError(Exception):
    """Root of everything nightrig raises on purpose."""

    exit_code: ClassVar[int] = 1


class InputError(RigError):
    """Bad input or usage: nothing was started. Carries every problem found."""

    exit_code: ClassVar[int] = 2

    def __init__(self, problems: Iterable[Problem] | str) -> None:
        self.problems: tuple[Problem, ...] = (
            () if isinstance(problems, str) else tuple(sorted(problems))
        )
        text = problems if isinstance(problems, str) else "\n".join(map(str, self.problems))
        super().__init__(text)


class DeviceError(RigError):
    """A rig, sensor or device did not do what it must."""

    exit_code: ClassVar[int] = 4


class SetpointRefused(DeviceError):
    """A command lies outside the ranges of the rig file; it was not sent."""


class NotBegun(RigError):
    """The test was given up by people before anything moved."""

    exit_code: ClassVar[int] = 5


class StorageError(RigError):
    """The disk is full or gone, or what was written does not read back the same."""

    exit_code: ClassVar[int] = 6
