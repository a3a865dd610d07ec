"""What a plan is warned of: one line of one of its files, what is doubtful, what would be right."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rig.errors import Problem
from rig.protocol.document import Document
from rig.protocol.plan import Plan
from rig.protocol.position import Path, locate


@dataclass(frozen=True, slots=True)
class Finding:
    """A warning about `path` of a file, "protocol" or "rig" (a key of `Plan.texts`)."""

    file: str
    path: Path
    problem: str
    remedy: str


def placed(findings: Iterable[Finding], plan: Plan, files: Mapping[str, str]) -> list[Problem]:
    """Return findings with the lines they are about; `files` are names by key of `Plan.texts`."""
    documents: dict[str, Document] = {}
    for found in findings:
        if found.file not in documents:
            text = plan.texts[found.file]
            documents[found.file] = Document(files[found.file], text, lines=locate(text))
        documents[found.file].warn(found.path, found.problem, found.remedy)
    return [warning for document in documents.values() for warning in document.warnings]


def figure(value: float, digits: int = 3) -> str:
    """Return a number rounded to so many digits that count: 131.4 to two of them is "130"."""
    return f"{float(f'{value:.{digits}g}'):.12g}"
