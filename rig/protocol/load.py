"""Read protocol, rig, specimen, series and lab files: path and text in, checked values out.

Nothing here opens a file: `read` is given, takes a path and returns its text, or raises
`OSError` or `UnicodeDecodeError`. All problems of all files come in one `InputError`.
"""

from __future__ import annotations

import math
import posixpath
from dataclasses import dataclass, replace
from typing import TypeVar

from rig.errors import InputError
from rig.mechanics.specimen import Specimen
from rig.protocol.build import (
    build_accuracy,
    build_baseline,
    build_failure,
    build_full_rate,
    build_inspections,
    build_loading,
    build_spray,
    build_stages,
)
from rig.protocol.contradictions import check_draft
from rig.protocol.document import Document, Read, open_document
from rig.protocol.draft import Draft
from rig.protocol.limit_tables import build_limits
from rig.protocol.people_tables import build_attendance, build_hours, build_pauses
from rig.protocol.plan import Limits, Loading, Plan, RigPlan
from rig.protocol.position import Path
from rig.protocol.protocol_file import LoadingTable, ProtocolFile
from rig.protocol.rig_file import SIMULATED, Objection, build_rig, speaks_of_lines
from rig.protocol.series import Series
from rig.protocol.specimen_file import build_specimen
from rig.protocol.validation import validate
from rig.units import shown

T = TypeVar("T")


def load_plan(
    protocol: str,
    rig: str,
    read: Read,
    objection: Objection | None = None,
    *,
    with_lab: bool = False,
) -> Plan:
    """Return the plan of a protocol on a rig. Raises `InputError` with every problem found.

    `objection` says what is wrong with a driver on this computer; without it any name will do.
    With `with_lab` the lab file that the rig file names is read too, for its problems alone.
    """
    reading = _Reading(open_document(protocol, read), open_document(rig, read), read)
    return reading.plan(objection, with_lab=with_lab)


def load_rig(path: str, read: Read) -> RigPlan:
    """Return a rig file's plan. Raises `InputError` with every problem found."""
    document = open_document(path, read)
    return _settled(_rig(document, None), document)


def load_specimen(path: str, read: Read) -> Specimen:
    """Return a specimen. Raises `InputError` with every problem found."""
    document = open_document(path, read)
    return _settled(build_specimen(document), document)


def load_series(path: str, read: Read) -> Series:
    """Return a test series with its warnings. Raises `InputError` with every problem found."""
    from rig.protocol.series_doubts import check_doubts

    document = open_document(path, read)
    series = _settled(_built(document), document)
    check_doubts(document, series)
    return replace(series, warnings=tuple(str(w) for w in sorted(document.warnings)))


def _built(document: Document) -> Series | None:
    from rig.protocol.series_file import build_series  # few protocols name a series

    return build_series(document)


def _rig(document: Document, objection: Objection | None) -> RigPlan | None:
    if document.data.get("driver") == SIMULATED and not speaks_of_lines(document.data):
        return build_rig(document, objection)
    from rig.protocol.wired_rig import build_wired_rig  # a tenth of `check`

    return build_wired_rig(document, objection)


def _settled(value: T | None, *documents: Document) -> T:
    problems = [p for d in documents for p in d.problems]
    if problems or value is None:
        raise InputError(problems)
    return value


@dataclass(slots=True)
class _Parts:
    """What the files around a protocol gave."""

    rig: RigPlan | None
    specimen: Specimen | None
    specimen_text: str
    series: Series | None
    series_text: str


class _Reading:
    """One protocol with the files it names."""

    def __init__(self, document: Document, rig: Document, read: Read) -> None:
        self.document = document
        self.rig = rig
        self.read = read
        self.others: list[Document] = []

    def plan(self, objection: Objection | None, *, with_lab: bool) -> Plan:
        file = validate(self.document, ProtocolFile)
        rig = _rig(self.rig, objection)
        if with_lab and rig is not None and rig.messages is not None:
            from rig.protocol.lab_file import read_for_rig  # few rigs tell anybody

            self.others += read_for_rig(self.rig, rig.messages, self.read)
        plan = self._assemble(file, self._parts(file, rig)) if file is not None else None
        return _settled(plan, self.document, self.rig, *self.others)

    def _parts(self, file: ProtocolFile, rig: RigPlan | None) -> _Parts:
        specimen, text = None, ""
        if file.specimen:
            document = self._open(file.specimen, ("specimen",))
            specimen, text = build_specimen(document), document.text
        return _Parts(rig, specimen, text, *self._series(file.loading))

    def _series(self, loading: LoadingTable | None) -> tuple[Series | None, str]:
        source = (loading.capacity_from if loading else None) or ""
        file = source.rpartition(":")[0].strip()
        if not file:
            return None, ""
        document = self._open(file, ("loading", "capacity_from"))
        series = _built(document)
        return None if document.problems else series, document.text

    def _open(self, named: str, path: Path) -> Document:
        document = open_document(self.document.beside(named), self.read, (self.document, path))
        self.others.append(document)
        return document

    def _assemble(self, file: ProtocolFile, parts: _Parts) -> Plan | None:
        document = self.document
        loading = self._loading(file.loading, parts.series) if file.loading else None
        draft = self._draft(file, parts.rig, loading)
        hours = build_hours(document, file.hours)
        check_draft(document, draft)
        if document.problems or parts.rig is None or parts.specimen is None:
            return None
        return Plan(
            title=file.title,
            specimen_id=file.specimen_id,
            exposure=file.exposure or "",
            specimen=parts.specimen,
            rig=parts.rig,
            loading=loading,
            stages=tuple(stage for stage in draft.stages if stage is not None),
            spray=draft.spray,
            inspections=draft.inspections,
            baseline=draft.baseline,
            failure=draft.failure,
            limits=draft.limits,
            full_rate=build_full_rate(file.full_rate),
            texts={
                "protocol": document.text,
                "rig": self.rig.text,
                "specimen": parts.specimen_text,
                **({"series": parts.series_text} if parts.series else {}),
            },
            warnings=tuple(
                str(w) for d in (document, self.rig, *self.others) for w in sorted(d.warnings)
            ),
            pauses=build_pauses(file.pauses),
            attendance=draft.attendance,
            hours=hours,
            accuracy=build_accuracy(file.accuracy),
            companions=_companions(file, parts.series, loading),
        )

    def _draft(self, file: ProtocolFile, rig: RigPlan | None, loading: Loading | None) -> Draft:
        document = self.document
        wrong = set(document.unread)
        limits = Limits()
        found = len(document.problems)
        if file.limits is not None:
            known = rig is not None and "channel" not in self.rig.unread
            limits = build_limits(
                document,
                file.limits,
                rig.channels if rig and known else None,
                rig.rate if rig else math.nan,
            )
        if len(document.problems) > found:
            wrong.add("limits")
        spray = build_spray(document, file.spray) if file.spray else None
        if file.spray and spray is None:
            wrong.add("spray")
        inspections = None
        if file.inspections:
            inspections = build_inspections(document, file.inspections, loading)
        attendance = build_attendance(document, file.attendance)
        if file.attendance and attendance is None:
            wrong.add("attendance")
        return Draft(
            exposure=file.exposure,
            loading=loading,
            stages=build_stages(document, file.stage, loading),
            spray=spray,
            inspections=inspections,
            baseline=build_baseline(file.baseline),
            attendance=attendance,
            failure=build_failure(file.failure),
            limits=limits,
            rig=rig,
            wrong=frozenset(wrong),
        )

    def _loading(self, table: LoadingTable, series: Series | None) -> Loading | None:
        path: Path = ("loading",)
        given = table.model_fields_set & {"capacity", "capacity_from"}
        if len(given) != 1:
            self.document.refuse(
                path,
                "needs capacity or capacity_from, one of them",
                'add capacity = "132 kN" or capacity_from = "series/wet-cracks.toml: spray"'
                if not given
                else "take one of the two out",
            )
            return build_loading(table, math.nan, "")
        if table.capacity is not None:
            return build_loading(table, table.capacity, "as written in the protocol")
        source = table.capacity_from or ""
        return build_loading(table, self._capacity(source, series) if source else math.nan, source)

    def _capacity(self, source: str, series: Series | None) -> float:
        """Return the mean ultimate load of the companions [N], nan where it is not known."""
        path: Path = ("loading", "capacity_from")
        file, _, exposure = (part.strip() for part in source.rpartition(":"))
        if not file or exposure not in ("dry", "spray", "submerged"):
            self.document.refuse(
                path,
                f"{shown(source)} does not name a file and an exposure",
                'write "series/wet-cracks.toml: spray"',
            )
            return math.nan
        if series is None:
            return math.nan
        loads = series.ultimate_loads(exposure)
        if not loads:
            self.document.refuse(
                path,
                f'{shown(file)} has no [[ultimate]] load of exposure "{exposure}"',
                'add [[ultimate]] with the load of such a companion, or write capacity = "132 kN"',
            )
            return math.nan
        if self.document.data.get("exposure") not in (exposure, None):
            self.document.warn(
                path,
                f'is the capacity of companions broken in exposure "{exposure}"',
                "take those of the specimen's own exposure",
            )
        self._compare_geometry(path, exposure, series)
        return sum(loads) / len(loads)

    def _compare_geometry(self, path: Path, exposure: str, series: Series) -> None:
        """Warn where the groups of a series say that their companions are of another geometry."""
        own = _stem(str(self.document.data.get("specimen", "")))
        others = [n for n in map(_stem, series.companions(exposure, "specimen")) if n != own]
        if others:
            self.document.warn(
                path,
                f"is the capacity of companions of another specimen, {shown(others[0])}, and not "
                f"of {shown(own)}",
                "take companions of the same geometry",
            )
        shapes = series.companions(exposure, "geometry")
        if len(shapes) > 1:
            self.document.warn(
                path,
                f"is the mean of companions of unlike geometry, {shown(shapes[0])} and "
                f"{shown(shapes[1])}",
                "keep a series file for each geometry",
            )


def _companions(
    file: ProtocolFile, series: Series | None, loading: Loading | None
) -> tuple[float, ...]:
    if series is None or loading is None or not loading.capacity > 0:
        return ()
    level = loading.upper / loading.capacity
    return series.lives_like(file.exposure or "", level, file.specimen_id)


def _stem(file: str) -> str:
    """Return the name of a file without its folder and ending."""
    return posixpath.basename(file).removesuffix(".toml")
