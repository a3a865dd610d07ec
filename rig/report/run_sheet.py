"""The data sheet of a run: specimen, rig and sensors, as the files it keeps say it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import Any, Final

from rig.channels import Channel
from rig.report.curve_setup import setup_block
from rig.report.document import Drawn, Facts, Listed, Paragraph, Section
from rig.report.measure import Cell, Measure, Part, Stamp, Table, Words
from rig.report.run_names import GROUPS, PARTS, RIG, RIG_GROUPS, name_of
from rig.report.run_parts import attribute, unit_of
from rig.report.run_reading import RunRead
from rig.report.setup_facts import used_for

SENSORS: Final = ("channel", "used for", "from", "to", "resolution")
CALIBRATED: Final = ("channel", "serial number", "certificate", "date", "valid until", "more")
_NOT_KEPT: Final = "not in the record"
_CERTIFICATE: Final = ("serial", "certificate", "date", "until")
_NO_DATES: Final = "; where the imported file tells no dates that is when it was imported"
_MADE_UP: Final = (
    "No rig file belongs to an imported recording. Ranges and resolutions are those that importing "
    "took from the values; nothing is known of machine, limits and calibration.",
)
Row = tuple[str, tuple[Part, ...]]


def sheet_section(read: RunRead) -> Section:
    """Return what was tested, and on what."""
    return Section(
        "data-sheet",
        "Data sheet",
        (
            Facts(tuple(_test(read))),
            *_specimen(read),
            *_set_up(read),
            *_rig(read),
            *_sensors(read),
        ),
    )


def _test(read: RunRead) -> Iterator[Row]:
    header = read.header
    yield "Title", (attribute(read, "title"),)
    yield "Specimen", (attribute(read, "specimen_id"),) if header.specimen_id else ("not named",)
    yield "Exposure", (attribute(read, "exposure"),) if header.exposure else ("not told",)
    yield "Run", (attribute(read, "run_id"),)
    started = Stamp(header.started_utc, "attr.started_utc")
    if header.imported:
        yield "Time zero of the recording", (started, _NO_DATES)
    else:
        yield "Started", (started,)
    yield from _age(read)
    if header.seed is not None:
        name = "Seed of the rehearsal" if header.virtual else "Seed of the simulated specimen"
        yield name, (Words(str(header.seed), "attr.seed", "name"),)


def _age(read: RunRead) -> Iterator[Row]:
    """Yield the age of a real specimen: the days of a rehearsal or an import tell nothing."""
    if read.header.simulated or read.header.imported:
        return
    cast = read.table("specimen", "history").get("cast")
    try:
        began = datetime.fromisoformat(read.header.started_utc).date()
    except ValueError:
        return
    if not isinstance(cast, date) or isinstance(cast, datetime):
        yield "Age at the start", ("not known: its file tells no date of casting",)
        return
    days = (began - cast).days
    yield "Age at the start", (Measure(days * 86400.0, "s", "derived.age"),)


def _set_up(read: RunRead) -> Iterator[Drawn | Paragraph]:
    if read.plan is not None:
        yield setup_block(read.plan)
    else:
        yield Paragraph(("No sketch of the set-up is drawn: the texts do not tell its sizes.",))


def _specimen(read: RunRead) -> Iterator[Listed | Paragraph]:
    table = read.tables["specimen"]
    if not table:
        kept = "is no file that can be read" if read.header.texts.get("specimen") else "is not kept"
        yield Paragraph((f"The specimen file {kept} in the record.",))
        return
    rows = [*_written(table, "specimen", "Specimen", only_plain=True)]
    for key, group in table.items():
        name = GROUPS.get(key, "")
        if isinstance(group, Mapping):
            rows += _written(group, f"specimen.{key}", name or key)
        elif isinstance(group, list):
            for place, one in enumerate(group):
                if isinstance(one, Mapping):
                    rows += _written(one, f"specimen.{key}.{place}", name or key)
    caption = ("Specimen, as its file says",)
    yield Listed(caption, Table(("part", "what", "as written"), tuple(rows)))


def _written(
    table: Mapping[str, Any], where: str, part: str, *, only_plain: bool = False
) -> Iterator[tuple[Cell, ...]]:
    """Yield the plain values of a table, as written; tables inside it come after them."""
    head: Part = part if part in PARTS else named(where)
    for key, value in table.items():
        name: Part = name_of(where, key) or named(f"{where}.{key}", key)
        if isinstance(value, Mapping) or _of_tables(value):
            if isinstance(value, Mapping) and not only_plain:
                for inner, plain in value.items():
                    place = f"{where}.{key}.{inner}"
                    yield head, (name, ": ", named(place, inner)), value_written(plain, place)
            continue
        yield head, name, value_written(value, f"{where}.{key}")


def named(where: str, key: str = "") -> Words:
    """Return what a key of a file is called there: the last part of its path that is no number."""
    last = next((part for part in reversed(where.split(".")) if not part.isdigit()), where)
    return Words(key or last, f"name.{where}", "name")


def _of_tables(value: object) -> bool:
    return isinstance(value, list) and any(isinstance(one, Mapping) for one in value)


def value_written(value: object, key: str) -> Words:
    """Return a value of a TOML text as it was written, as near as its parser tells."""
    return Words(_plain(value), key)


def _plain(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return ", ".join(map(_plain, value))
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_plain(inner)}" for key, inner in value.items())
    return value.isoformat() if isinstance(value, date | datetime) else str(value)


def _rig(read: RunRead) -> Iterator[Listed | Paragraph]:
    """Yield what the rig file says of the frame; hidden truth and wires of it are no facts."""
    rig = read.tables["rig"]
    if read.header.imported:
        yield Paragraph(_MADE_UP)
        return
    if not rig:
        kept = "is none that can be read" if read.header.texts.get("rig") else "is not kept"
        yield Paragraph((f"The rig file {kept} in the record.",))
        return
    rows = [*_written({k: rig[k] for k in RIG if k in rig}, "rig", "Rig", only_plain=True)]
    for key, name in RIG_GROUPS.items():
        if isinstance(rig.get(key), Mapping):
            rows += _written(rig[key], f"rig.{key}", name)
    caption = ("Rig, as its file says",)
    yield Listed(caption, Table(("part", "what", "as written"), tuple(rows)), folded=True)


def _sensors(read: RunRead) -> Iterator[Listed]:
    channels = read.header.channels
    rows = tuple(_channel(read, place, channel) for place, channel in enumerate(channels))
    caption = ("Sensors: what each channel is for, its range and resolution",)
    yield Listed(caption, Table(SENSORS, rows))
    if read.header.imported:
        return
    caption = ("Calibration of the sensors, as the rig file says",)
    yield Listed(caption, Table(CALIBRATED, tuple(_calibrations(read))))


def _channel(read: RunRead, place: int, channel: Channel) -> tuple[Cell, ...]:
    """Return what is known of a channel; its row in /calibration has the same place."""
    unit, key = unit_of(channel.name), f"calibration.{place}"
    if unit == "K":  # a resolution in kelvins is a difference
        resolution: Cell = Measure(channel.resolution, "K difference", f"{key}.resolution")
    else:
        resolution = Measure(channel.resolution, unit, f"{key}.resolution")
    return (
        Words(channel.name, f"{key}.channel", "name"),
        used_for(channel.name) or "not told",
        Measure(channel.low, unit, f"{key}.low", 4),
        Measure(channel.high, unit, f"{key}.high", 4),
        resolution,
    )


def _calibrations(read: RunRead) -> Iterator[tuple[Cell, ...]]:
    """Yield serial number and certificate of each channel, as far as the rig file has them."""
    known = read.tables["rig"].get("channel", [])
    for place, table in enumerate(known if isinstance(known, list) else ()):
        if not isinstance(table, Mapping) or "name" not in table:
            continue
        where = f"rig.channel.{place}"
        made = table.get("calibration")
        given: Mapping[str, Any] = made if isinstance(made, Mapping) else {}
        yield (
            value_written(table["name"], f"{where}.name"),
            *(
                value_written(given[key], f"{where}.calibration.{key}")
                if key in given
                else _NOT_KEPT
                for key in _CERTIFICATE
            ),
            _more(given, f"{where}.calibration"),
        )


def _more(given: Mapping[str, Any], where: str) -> Cell:
    parts: list[Part] = []
    for key, value in given.items():
        if key not in _CERTIFICATE and not isinstance(value, Mapping):
            name = named(f"{where}.{key}", key)
            parts += [", " if parts else "", name, " ", value_written(value, f"{where}.{key}")]
    return tuple(parts) if parts else "none"
