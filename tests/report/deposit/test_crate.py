"""The metadata hold what the published specification asks for: RO-Crate 1.2 (researchobject.org).

The checks here read the JSON alone, by the rules of the specification, not by the package that
wrote it. Quoted are its pages "Root Data Entity", "Data Entities" and "Detailing provenance".
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import date, datetime
from typing import Any
from urllib.parse import quote, urlsplit

import pytest
from rocrate.rocrate import ROCrate

from rig.channels import CHANNEL_UNITS
from rig.protocol.trust import Calibration
from rig.replay.recording import open_recording
from rig.report.deposit.about import about
from rig.report.deposit.crate import QUDT, UNITS, metadata_text
from rig.report.deposit.files import Held
from rig.report.deposit.writing import Asked, deposit
from tests.report.deposit.conftest import make_run

pytestmark = pytest.mark.xdist_group("deposit")  # they share a run


@pytest.fixture(scope="module")
def graph(made) -> dict[str, dict[str, Any]]:
    told = json.loads((made.folder / "ro-crate-metadata.json").read_text("utf-8"))
    assert told["@context"] == "https://w3id.org/ro/crate/1.2/context"
    entities = {entity["@id"]: entity for entity in told["@graph"]}
    # RO-Crate JSON-LD is flattened: every entity stands once.
    assert len(entities) == len(told["@graph"])
    return entities


def as_list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def test_the_descriptor_is_as_it_must_be(graph):
    descriptor = graph["ro-crate-metadata.json"]
    assert descriptor["@type"] == "CreativeWork"
    assert descriptor["about"] == {"@id": "./"}
    assert descriptor["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.2"}


def test_the_root_has_what_it_must_have(graph):
    root = graph["./"]
    assert root["@type"] == "Dataset"
    assert root["name"]
    assert "SIMULATED" in root["description"]
    assert date.fromisoformat(root["datePublished"]) == date(2001, 1, 1)
    licence = graph[root["license"]["@id"]]
    assert licence["name"] == "CC-BY-4.0"
    assert licence["description"]
    assert urlsplit(licence["@id"]).scheme == "https"


def test_every_file_is_a_data_entity_below_the_root_and_there(graph, made):
    parts = {part["@id"] for part in graph["./"]["hasPart"]}
    there = {
        quote(p.relative_to(made.folder).as_posix()) for p in made.folder.rglob("*") if p.is_file()
    }
    assert parts == there - {"ro-crate-metadata.json"}
    for name in parts:
        entity = graph[name]
        assert entity["@type"] == "File"
        assert entity["name"]
        assert entity["description"]
        assert "/" in entity["encodingFormat"]
        if name != "SHA256SUMS":
            assert entity["contentSize"] == str((made.folder / name).stat().st_size)
    assert graph["run.h5"]["encodingFormat"] == "application/x-hdf5"
    assert graph["csv/cycles.csv"]["encodingFormat"] == "text/csv"
    assert graph["files/protocol.toml"]["encodingFormat"] == "application/toml"


def test_whatever_is_referred_to_is_described(graph):
    for entity in graph.values():
        for name, value in entity.items():
            for one in as_list(value):
                if isinstance(one, dict) and name != "conformsTo":
                    assert one["@id"] in graph, (entity["@id"], name)


def test_people_are_described_with_their_orcid(graph):
    people = [graph[ref["@id"]] for ref in graph["./"]["creator"]]
    assert [person["@type"] for person in people] == ["Person", "Person"]
    assert people[0]["@id"] == "https://orcid.org/0000-0002-1825-0097"
    assert [person["name"] for person in people] == ["Josiah Carberry", "Jo Doe"]


def test_every_channel_is_a_variable_with_its_unit(graph):
    variables = [graph[ref["@id"]] for ref in graph["./"]["variableMeasured"]]
    told = {v["name"]: (v["unitText"], v["unitCode"]) for v in variables}
    assert told == {
        "load": ("N", "http://qudt.org/vocab/unit/N"),
        "midspan": ("m", "http://qudt.org/vocab/unit/M"),
        "support_left": ("m", "http://qudt.org/vocab/unit/M"),
        "temperature_air": ("K", "http://qudt.org/vocab/unit/K"),
    }


def test_every_unit_of_a_channel_has_a_code():
    assert set(CHANNEL_UNITS.values()) <= set(UNITS)
    # Names of the QUDT vocabulary of units, qudt.org/vocab/unit, as published.
    published = {"N", "M", "UNITLESS", "K", "PA", "M3", "M3-PER-SEC", "M-PER-SEC2", "OHM"}
    assert {name for _, name in UNITS.values()} == published
    assert QUDT.startswith("http://qudt.org/vocab/unit/")


def test_the_test_is_an_action_with_begin_end_object_and_result(graph):
    action = graph["#test"]
    assert action["@type"] == "CreateAction"
    begin, end = (datetime.fromisoformat(action[key]) for key in ("startTime", "endTime"))
    assert (end - begin).total_seconds() == 50.0
    assert action["result"] == {"@id": "run.h5"}
    assert action["name"].startswith("Simulated test")
    programs = [graph[ref["@id"]] for ref in as_list(action["instrument"])]
    assert [(p["@type"], p["version"]) for p in programs] == [("SoftwareApplication", "0.1.0")]


def test_a_real_run_names_its_rig_and_sensors_and_is_not_called_simulated(tmp_path):
    run = make_run(tmp_path / "run", simulated=False)
    deposit(run, tmp_path / "out", Asked(what=("events",)))
    told = json.loads((tmp_path / "out" / "ro-crate-metadata.json").read_text("utf-8"))
    kinds = {entity["@id"]: entity["@type"] for entity in told["@graph"]}
    assert {kinds["#rig"], kinds["#sensor-load"]} == {"IndividualProduct"}
    root = next(entity for entity in told["@graph"] if entity["@id"] == "./")
    assert "simulated" not in root["description"].lower()
    # Nobody is named and no licence is chosen: both are said, neither is made up.
    assert "creator" not in root
    assert root["license"].startswith("not chosen yet")


def test_a_sensor_is_known_by_its_certificate(made):
    with open_recording(made.run / "run.h5") as recording:
        run = about(recording, "0" * 64)
    held = Calibration(date(2026, 3, 1), date(2027, 3, 1), "C-17, invented", 25.0, (0.0, 2e5))
    load = replace(run.channels[0], calibration=held)
    real = replace(run, simulated=False, channels=(load,))
    told = json.loads(metadata_text(real, (), "", {"run.h5": Held(1, "0" * 64, 0)}))
    (sensor,) = [e for e in told["@graph"] if e["@id"] == "#sensor-load"]
    assert sensor["@type"] == "IndividualProduct"
    assert sensor["identifier"] == "C-17, invented"
    assert "holds to 2027-03-01" in sensor["description"]
    assert "expanded uncertainty 25 N (k = 2)" in sensor["description"]


def test_no_text_is_obeyed_by_whoever_shows_it(graph):
    texts = [v for e in graph.values() for values in e.values() for v in as_list(values)]
    assert all(text.isprintable() for text in texts if isinstance(text, str))
    assert max(len(text) for text in texts if isinstance(text, str)) < 3000


def test_the_package_of_the_standard_reads_the_folder_and_writes_it_alike(made, tmp_path):
    folder = shutil.copytree(made.folder, tmp_path / "copy")
    crate = ROCrate(folder)
    assert len(crate.data_entities) == len(made.told.files) - 1
    crate.metadata.write(folder)
    again = json.loads((folder / "ro-crate-metadata.json").read_text("utf-8"))
    first = json.loads((made.folder / "ro-crate-metadata.json").read_text("utf-8"))
    assert sorted(again["@graph"], key=lambda e: e["@id"]) == sorted(
        first["@graph"], key=lambda e: e["@id"]
    )
