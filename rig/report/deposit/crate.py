"""The metadata of a deposit: RO-Crate 1.2, by the package `rocrate`."""

from __future__ import annotations

import json
import math
import shlex
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final
from urllib.parse import quote

from rig.errors import InputError
from rig.record.cracks import CrackEntry
from rig.record.layout import RUN_FILE
from rig.record.pictures import PICTURES
from rig.report.deposit.about import About, Measured, one_line
from rig.report.deposit.files import (
    CITATION,
    README,
    REPORTS,
    SUMS,
    TABLES,
    WRITTEN,
    Held,
    media_type,
)
from rig.report.deposit.people import LICENCES, ORCID, Author
from rig.report.deposit.readme import NOT_CHOSEN

VERSION: Final = "1.2"
RUN_ID: Final = "#run"
QUDT: Final = "http://qudt.org/vocab/unit/"
UNITS: Final[Mapping[str, tuple[str, str]]] = {
    "N": ("N", "N"),
    "m": ("m", "M"),
    "1": ("1", "UNITLESS"),
    "K": ("K", "K"),
    "Pa": ("Pa", "PA"),
    "m3": ("m3", "M3"),
    "m3/s": ("m3/s", "M3-PER-SEC"),
    "m/s2": ("m/s2", "M-PER-SEC2"),
    "Ohm": ("Ohm", "OHM"),
}
"""UCUM code and name in the QUDT vocabulary of each SI unit of a channel."""
_NEEDS: Final = (
    "export --bundle needs the package rocrate: "
    f'pip --python {shlex.quote(sys.executable)} install "rocrate>=0.16"'
)
_WORDS: Final = {
    RUN_FILE: "the whole record of the run",
    CITATION: "how to cite the dataset (Citation File Format 1.2.0)",
    README: "what the test was and how to read the files, for people",
    SUMS: "SHA-256 of every other file, for sha256sum -c",
    f"{TABLES}/dictionary.csv": "what each column of each CSV file is, with its unit",
    f"{TABLES}/run.csv": "what is known of the whole run",
    **dict.fromkeys(REPORTS, "report of the run"),
}


def crate_class() -> Any:
    """Return the class of a crate. Raises InputError where its package is not installed."""
    try:
        # An extra, and slow to import.
        from rocrate.rocrate import ROCrate
    except ImportError as error:
        raise InputError(_NEEDS) from error
    return ROCrate


def metadata_text(
    run: About, authors: Sequence[Author], licence: str, files: Mapping[str, Held]
) -> str:
    """Return the metadata of a deposit that holds these files, SHA256SUMS beside them."""
    crate = crate_class()(version=VERSION)
    root = crate.root_dataset
    root["name"] = f"{run.title} ({run.specimen_id or run.run_id})"
    root["description"] = f"{run.test} {run.origin} {run.ending}"
    root["datePublished"] = run.day
    root["version"] = run.version
    root["keywords"] = ", ".join(run.keywords)
    root["license"] = _licence(crate, licence)
    root["identifier"] = _entity(
        crate, RUN_ID, "PropertyValue", name="run", propertyID="run_id", value=run.run_id
    )
    if authors:
        root["creator"] = root["author"] = [
            _author(crate, n, author) for n, author in enumerate(authors, start=1)
        ]
    root["variableMeasured"] = [_variable(crate, channel) for channel in run.channels]
    parts = {name: _file(crate, run, name, held) for name, held in sorted(files.items())}
    parts[SUMS] = _file(crate, run, SUMS, None)
    root["hasPart"] = list(parts.values())
    root["mentions"] = [_test(crate, run, parts), _export(crate, run, parts)]
    # As the package itself writes it; here with an end of the last line.
    graph = crate.metadata.generate()
    return json.dumps(graph, indent=2, sort_keys=True, ensure_ascii=False) + "\n"


def _entity(crate: Any, at: str, kind: str, /, **properties: object) -> Any:
    told = {name: value for name, value in properties.items() if value not in ("", None)}
    return crate.add_jsonld({"@id": at, "@type": kind, **told})


def _licence(crate: Any, licence: str) -> Any:
    if not licence:
        return NOT_CHOSEN
    address = f"{LICENCES}{licence}.html"
    words = f"The licence with the SPDX id {licence}; its text stands at this address."
    return _entity(crate, address, "CreativeWork", name=licence, description=words)


def _author(crate: Any, number: int, author: Author) -> Any:
    return _entity(
        crate,
        ORCID + author.orcid if author.orcid else f"#author-{number}",
        "Person",
        name=author.name,
        familyName=author.family,
        givenName=author.given,
    )


def _variable(crate: Any, channel: Measured) -> Any:
    code, name = UNITS.get(channel.unit, (channel.unit, ""))
    pace = "about once a second" if channel.slow else "sampled"
    return _entity(
        crate,
        f"#channel-{quote(channel.name)}",
        "PropertyValue",
        name=channel.name,
        description=f"channel {channel.name}, {pace}; resolution {channel.resolution:g} "
        f"{channel.unit}, range {channel.low:g} to {channel.high:g} {channel.unit}",
        unitText=code,
        unitCode=QUDT + name if name else None,
    )


def _file(crate: Any, run: About, name: str, held: Held | None) -> Any:
    """Add a file that is there; of SHA256SUMS, which holds the metadata's hash, none is told."""
    told = {
        "name": name,
        "description": _described(run, name),
        "encodingFormat": media_type(name),
    }
    if held is not None:
        told |= {"contentSize": str(held.size), "sha256": held.sha256}
    return crate.add_file(None, name, properties=told)


def _described(run: About, name: str) -> str:
    if name in _WORDS:
        return _WORDS[name]
    folder, _, rest = name.partition("/")
    stem = rest.partition(".")[0]
    if folder == PICTURES:
        entries = (e for e in run.pictures if e.picture == stem)
        return "picture of the crack log: " + "; ".join(map(_entry, entries))
    if folder == WRITTEN:
        return f"{stem} file as it was written for the test"
    return f"{stem.partition('/')[0].replace('_', ' ')} of run.h5 as a table"


def _entry(entry: CrackEntry) -> str:
    of = ", ".join(filter(None, (one_line(entry.crack), entry.face)))
    return f"entry {entry.number}, cycle {entry.cycle:,}{', ' if of else ''}{of}"


def _test(crate: Any, run: About, parts: Mapping[str, Any]) -> Any:
    specimen = run.specimen_id or run.specimen or "specimen"
    made = _entity(
        crate,
        "#specimen",
        "IndividualProduct",
        name=specimen,
        description=run.specimen,
        identifier=run.specimen_id,
    )
    names = {"simulated": "Simulated test", "imported": "Test, imported", "measured": "Test"}
    return _entity(
        crate,
        "#test",
        "CreateAction",
        name=f"{names[run.kind]} of {specimen}",
        description=f"{run.origin} {run.ending}",
        startTime=run.began,
        endTime=run.ended,
        object={"@id": made.id},
        instrument=[{"@id": e.id} for e in _instruments(crate, run)],
        result={"@id": parts[RUN_FILE].id},
    )


def _instruments(crate: Any, run: About) -> Iterable[Any]:
    """Yield what recorded the run: its program, and on a real rig that and the sensors."""
    yield _program(crate, run.software)
    if run.kind != "measured":
        return
    yield _entity(crate, "#rig", "IndividualProduct", name=run.rig or "test rig")
    for channel in run.channels:
        yield _sensor(crate, channel)


def _sensor(crate: Any, channel: Measured) -> Any:
    held = channel.calibration
    told = "no calibration is told in the rig file"
    if held is not None:
        told = (
            f"calibrated {held.date.isoformat()}, holds to {held.until.isoformat()}, certificate "
            f"{one_line(held.certificate)}"
        )
        if math.isfinite(held.uncertainty):
            told += f", expanded uncertainty {held.uncertainty:g} {channel.unit} (k = 2)"
    return _entity(
        crate,
        f"#sensor-{quote(channel.name)}",
        "IndividualProduct",
        name=f"sensor of channel {channel.name}",
        description=told,
        identifier=one_line(held.serial or held.certificate) if held else "",
    )


def _export(crate: Any, run: About, parts: Mapping[str, Any]) -> Any:
    results = [part for name, part in parts.items() if name.startswith(f"{TABLES}/")]
    return _entity(
        crate,
        "#export",
        "CreateAction",
        name="Export of the record",
        instrument={"@id": _program(crate, run.program).id},
        object={"@id": parts[RUN_FILE].id},
        result=[{"@id": part.id} for part in results],
    )


def _program(crate: Any, words: str) -> Any:
    """Add a program by its name and version, once."""
    name, _, version = words.rpartition(" ")
    identifier = f"#program-{quote(version)}"
    known = crate.get(identifier)
    return known or _entity(
        crate,
        identifier,
        "SoftwareApplication",
        name=name or words,
        version=version,
        softwareVersion=version,
    )
