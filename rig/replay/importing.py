"""Import: a file that another program measured becomes the folder of a run like any other."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, Protocol

import numpy as np

from rig import __version__
from rig.acquire.extract import ExtractionSetup
from rig.channels import Channel, channel_unit
from rig.errors import InputError, Problem
from rig.protocol.load import load_plan
from rig.protocol.plan import Plan
from rig.record.entries import RunHeader
from rig.record.hold import Hold
from rig.record.import_record import Head, ImportRecord, SampleWriter, written_samples
from rig.record.layout import RUN_FILE
from rig.record.staging import staged
from rig.replay.arrays import open_arrays
from rig.replay.counted import rows_of_samples
from rig.replay.cycle_rows import CycleRows
from rig.replay.found_channels import Measure, channel_of, rig_text
from rig.replay.headings import COUNT, NET, Layout, Refused, parse_map
from rig.replay.import_notes import Way, row_notes, sample_notes
from rig.replay.rows_in import Rows
from rig.replay.spacing import Frames, Trouble, Unspaced, step_of, trouble_words
from rig.replay.table import first_and_rest, open_table
from rig.samples import SampleArray
from rig.units import shown

TEXT: Final = (".csv", ".txt", ".tsv")
ARRAYS: Final = (".h5", ".hdf5", ".npy", ".npz")
SPREADSHEETS: Final = (".xlsx", ".xls", ".xlsm", ".ods")
CYCLE_RATE: Final = 1000.0  # Hz, of frames where rows of cycles tell none
LEAST_ROWS: Final = 3


class Source(Protocol):
    """A file whose columns are known."""

    @property
    def layout(self) -> Layout:
        """What its columns are."""

    def rows(self) -> Iterator[Rows]:
        """Yield its rows in pieces. Raises InputError."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be imported where, and what its person says of it.

    `rate` [Hz] stands for times that the file does not have; `protocol` is the path of one by
    which cycles are counted, which `read` reads.
    """

    file: Path
    out: Path
    columns: tuple[str, ...] = ()
    decimal_comma: bool = False
    rate: float | None = None
    specimen_id: str = ""
    protocol: str | None = None
    read: Callable[[str], str] | None = None
    now: datetime = datetime(2001, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Imported:
    """What was found: rate [Hz], test time from `begins` on [s], and what was odd about rows.

    `kind` is "samples" or "cycles"; `rows` those of the file, `frames` of samples, with gaps;
    `left_out` headings that are nothing of a test, `notes` what else a person should know.
    `measured` is the least and the largest value of each channel [SI], NaN where it has none.
    """

    run: Path
    cycles: int
    kind: str
    rows: int
    frames: int
    rate: float
    begins: float
    lasts: float
    channels: tuple[Channel, ...]
    measured: tuple[tuple[float, float], ...]
    built_up: int
    gaps: Trouble
    repeated: Trouble
    backward: Trouble
    uneven: Trouble
    left_out: tuple[str, ...]
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class _Found:
    """What is known of the record once its rows were read."""

    header: RunHeader
    plan: Plan | None
    notes: list[str] = field(default_factory=list)


def import_file(wanted: Wanted) -> Imported:
    """Make the folder of a run out of a file; it appears only once it is whole.

    Raises InputError with what is wrong in the file, StorageError for the disk.
    """
    with _opened(wanted) as source, staged(wanted.out) as (folder, hold):
        make = _import_samples if source.layout.kind == "samples" else _import_cycles
        try:
            return make(wanted, source, folder, hold)
        except Unspaced as error:
            raise _refusal(wanted, source.layout, error) from None


@contextmanager
def _opened(wanted: Wanted) -> Iterator[Source]:
    if wanted.file.is_dir():
        raise InputError(f"{wanted.file}: is a folder; name a file in it")
    kind = wanted.file.suffix.lower()
    if kind not in TEXT + ARRAYS:
        known = " ".join(TEXT + ARRAYS)
        hint = "; save it as CSV in UTF-8 in the spreadsheet first" if kind in SPREADSHEETS else ""
        raise InputError(
            f"{wanted.file}: {shown(kind)} is no kind of file that is read: {known}{hint}"
        )
    try:
        mapped = parse_map(wanted.columns)
    except Refused as refused:
        raise InputError(f"--column: {refused.problem}; {refused.remedy}") from None
    if kind in TEXT:
        yield open_table(wanted.file, decimal_comma=wanted.decimal_comma, mapped=mapped)
        return
    if wanted.decimal_comma:
        raise InputError(f"{wanted.file}: holds no text; leave out --decimal comma")
    with open_arrays(wanted.file, mapped) as table:
        yield table


def _refusal(wanted: Wanted, layout: Layout, error: Unspaced) -> InputError:
    column = layout.column(error.column or COUNT) or layout.column("time")
    heading = f"column {shown(column.heading)}" if column else ""
    line = error.number
    return InputError([Problem(str(wanted.file), line, heading, error.problem, error.remedy)])


def _import_samples(wanted: Wanted, source: Source, folder: Path, hold: Hold) -> Imported:
    layout = source.layout
    first, rows = first_and_rest(source.rows())
    frames = Frames(_step(wanted, layout, first))
    plan_of = _planned(wanted, layout.channels, 1 / frames.step)
    measures = {name: Measure() for name in layout.channels}
    way = Way()
    with SampleWriter(folder, layout.channels) as writer:
        for piece in rows:
            for values in _placed(wanted, frames, layout, piece):
                for measure, row in zip(measures.values(), values, strict=True):
                    measure.add(row)
                way.add(values[layout.channels.index("load")])
                writer.add(values)
            frames.check()
        off = frames.check_clock()
        rate = frames.rate if _timed(wanted, layout) else 1 / frames.step
        dated = _dated(layout) and _timed(wanted, layout)
        begin = 0 if dated or not _timed(wanted, layout) else round(frames.first_time * rate)
        head = writer.finish(max(begin, 0), rate)
    if frames.frames < LEAST_ROWS:
        raise InputError(
            f"{wanted.file}: holds {frames.frames} samples; give {LEAST_ROWS} at least"
        )
    channels = tuple(channel_of(name, measure) for name, measure in measures.items())
    found = _described(wanted, channels, rate, plan_of, frames.first_time if dated else None)
    if dated:
        began = found.header.started_utc.replace("T", " ").replace("+00:00", " UTC")
        found.notes.append(f"begins {began}; date-times without a zone are taken as UTC")
    found.notes += [off] if off else []
    begins_there = _timed(wanted, layout) and not dated
    found.notes += sample_notes(layout, frames, measures, way, from_zero=begins_there)
    with ImportRecord(folder, hold, found.header, head) as record:
        built_up = _record_samples(record, folder, head, found, measures["load"])
        _tell(record, frames.gaps, frames.repeated, frames.backward, head["first_frame"] / rate)
        begins, lasts = head["first_frame"] / rate, head["frames"] / rate
        cycles = record.finish(found.header.imported, begins + lasts)
    if not cycles and not (found.plan and not found.plan.cyclic):
        by = "in the protocol's load range" if found.plan else "as large as the whole"
        found.notes.append(
            f"no cycle was counted: none is {by}; look at the least and the largest load"
        )
    return Imported(
        run=(wanted.out / RUN_FILE).resolve(),
        cycles=cycles,
        kind="samples",
        rows=frames.rows,
        frames=head["frames"],
        rate=rate,
        begins=begins,
        lasts=lasts,
        channels=channels,
        measured=_ranges(measures),
        built_up=built_up,
        gaps=frames.gaps,
        repeated=frames.repeated,
        backward=frames.backward,
        uneven=frames.uneven,
        left_out=layout.left_out,
        notes=tuple(found.notes),
    )


def _ranges(measures: Mapping[str, Measure]) -> tuple[tuple[float, float], ...]:
    return tuple((measure.low, measure.high) for measure in measures.values())


def _record_samples(
    record: ImportRecord, folder: Path, head: Head, found: _Found, load: Measure
) -> int:
    """Record the rows of the samples just written; return how many are build-up."""
    setup = ExtractionSetup(found.header.channels, found.header.rate)
    built_up = 0
    whole = load.high - load.low
    plan = found.plan if found.plan and found.plan.cyclic else None
    if found.plan is not None and plan is None:
        found.notes.append("the protocol has no cyclic stage: no cycles were counted")
        return 0
    for kind, rows in rows_of_samples(
        written_samples(folder, head), setup, plan, head["first_frame"], whole
    ):
        built_up += len(rows) if kind == "build_up" else 0
        record.add(kind, rows)
    return built_up


def _timed(wanted: Wanted, layout: Layout) -> bool:
    """Tell whether frames come from times: a rate that is given stands before them."""
    return wanted.rate is None and layout.column("time") is not None


def _step(wanted: Wanted, layout: Layout, first: Rows | None) -> float:
    """Return the step [s] of the first rows."""
    if first is None:
        raise InputError(f"{wanted.file}: has a heading and no rows; give rows under it")
    if wanted.rate is not None:
        return 1 / wanted.rate
    times = first.si(layout, "time")
    if times is None:
        raise InputError(
            f'{wanted.file}: has no column of times; head it "time [s]", or give --rate "1 kHz"'
        )
    try:
        return step_of(times)
    except ValueError:
        raise Unspaced(
            int(first.numbers[0]), "no time goes forward", "give each row a later time"
        ) from None


def _placed(wanted: Wanted, frames: Frames, layout: Layout, rows: Rows) -> Iterator[SampleArray]:
    """Yield the samples [SI] of rows in their frames, in the order of the layout's channels."""
    values = np.full((len(layout.channels), len(rows)), np.nan, np.float32)
    for column in layout.columns:
        found = rows.si(layout, column.name)
        if column.name != "time" and found is not None:
            values[layout.channels.index(_as_channel(column.name))] = found
    times = rows.si(layout, "time") if _timed(wanted, layout) else None
    even = (frames.rows + np.arange(len(rows), dtype=np.float64)) * frames.step
    return frames.place(even if times is None else times, rows.numbers, values)


def _as_channel(name: str) -> str:
    """Return the channel that a column of samples is kept as: net deflection needs no supports."""
    return "midspan" if name == NET else name


def _import_cycles(wanted: Wanted, source: Source, folder: Path, hold: Hold) -> Imported:
    layout = source.layout
    first, rows = first_and_rest(source.rows())
    if first is None:
        raise InputError(f"{wanted.file}: has a heading and no rows; give rows under it")
    rate = wanted.rate or CYCLE_RATE
    plan_of = _planned(wanted, layout.channels, rate)
    at_first = {name: Measure() for name in layout.channels}
    _measure(at_first, layout, first)
    channels = tuple(channel_of(name, measure) for name, measure in at_first.items())
    found = _described(wanted, channels, rate, plan_of, None)
    found.notes += row_notes(layout)
    taken = CycleRows(layout)
    measures = {name: Measure() for name in layout.channels}
    with ImportRecord(folder, hold, found.header, None) as record:
        for piece in rows:
            _measure(measures, layout, piece)
            for cycles in taken.take(piece):
                record.add("cycles", cycles)
        begins, lasts = _span(taken)
        _tell(record, taken.gaps, taken.repeated, taken.backward, begins)
        counted = record.finish(found.header.imported, begins + lasts)
    return Imported(
        run=(wanted.out / RUN_FILE).resolve(),
        cycles=counted,
        kind="cycles",
        rows=taken.rows,
        frames=0,
        rate=rate,
        begins=begins,
        lasts=lasts,
        channels=channels,
        measured=_ranges(measures),
        built_up=0,
        gaps=taken.gaps,
        repeated=taken.repeated,
        backward=taken.backward,
        uneven=Trouble(),
        left_out=layout.left_out,
        notes=tuple(found.notes),
    )


def _measure(measures: dict[str, Measure], layout: Layout, rows: Rows) -> None:
    """Take the extremes of rows of cycles."""
    for name, measure in measures.items():
        for end in ("max", "min"):
            values = rows.si(layout, f"{name}_{end}")
            if values is not None:
                measure.add(values.astype(np.float32))


def _span(taken: CycleRows) -> tuple[float, float]:
    """Return when the first cycle begins and how long all last [s]."""
    return taken.began, taken.time - taken.began


def _planned(
    wanted: Wanted, channels: tuple[str, ...], rate: float
) -> Callable[[str], Plan] | None:
    """Return what makes the plan on a rig file's text; a protocol with a mistake is told now."""
    protocol, read = wanted.protocol, wanted.read
    if protocol is None or read is None:
        return None
    rig = "rig.toml, made at import"

    def plan_of(text: str) -> Plan:
        return load_plan(protocol, rig, lambda path: text if path == rig else read(path))

    # Whatever is measured lies within these: only the protocol itself is judged here.
    wide = (Channel(n, channel_unit(n) or "1", 1e-3, -1e9, 1e9) for n in channels)
    plan_of(rig_text(tuple(wide), rate))
    return plan_of


def _described(
    wanted: Wanted,
    channels: tuple[Channel, ...],
    rate: float,
    plan_of: Callable[[str], Plan] | None,
    began: float | None,
) -> _Found:
    """Return what the record begins with; `began` [s since 1970] where the file dates its rows."""
    text = rig_text(channels, rate)
    plan = plan_of(text) if plan_of is not None else None
    started = wanted.now
    if began is not None:
        started = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=began)
    name = wanted.file.name
    texts = {"protocol": "", "rig": text, "specimen": ""} | dict(plan.texts if plan else {})
    header = RunHeader(
        run_id=wanted.out.resolve().name,
        software=f"nightrig {__version__}",
        started_utc=started.isoformat(),
        title=plan.title if plan else f"imported from {name}",
        specimen_id=wanted.specimen_id or (plan.specimen_id if plan else ""),
        exposure=plan.exposure if plan else "",
        seed=None,
        rate=rate,
        channels=channels,
        texts=texts,
        imported=f"imported from {name}",
    )
    return _Found(header, plan)


def _dated(layout: Layout) -> bool:
    column = layout.column("time")
    return column is not None and column.dated


def _tell(
    record: ImportRecord, gaps: Trouble, repeated: Trouble, backward: Trouble, at: float
) -> None:
    """Keep what was odd about the rows as events."""
    for words in trouble_words(gaps, repeated, backward):
        record.event(at, 0, words)
