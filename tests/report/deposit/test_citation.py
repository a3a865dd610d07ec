"""CITATION.cff is what the Citation File Format 1.2.0 asks for, and other readers read it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError, StorageError
from rig.replay.recording import open_recording
from rig.report.deposit.about import About, about
from rig.report.deposit.citation import (
    _KNOWN,
    NOBODY,
    citation_text,
    read_citation,
)
from rig.report.deposit.people import Author, read_author, read_authors, read_licence
from tests.report.deposit.conftest import AUTHORS

pytestmark = pytest.mark.xdist_group("deposit")  # they share a run

# The schema of the Citation File Format 1.2.0 as its project publishes it (CC-BY-4.0,
# https://citation-file-format.github.io/1.2.0/schema.json), descriptions and examples left out.
SCHEMA = json.loads(Path(__file__).with_name("cff-1.2.0.json").read_text("utf-8"))
PLAIN = About(
    *("run", "title", "P-1", "dry", "nightrig 0.1.0", "", "", "2001-01-01"),
    *(True, True, "", "", "", "", 0, 1000.0, "", "", (), (), (), "0" * 64),
)
WILD = (
    'quote " and \\ backslash',
    "tab\tand\nline\r\u2028",
    "\x00\x1b[31m\x85\u00a0\u202e\ufeff",
    "- item: value # no comment",
    "yes",
    "2001-01-01",
    "\U0001f600 Übung 試験",
    " spaces at both ends ",
    "{{x}} %TAG !!python/object:os.system",
)


@pytest.fixture(scope="module")
def run(made) -> About:
    with open_recording(made.run / "run.h5") as recording:
        return about(recording, "0" * 64)


def valid(text: str) -> dict[str, Any]:
    told = yaml.safe_load(text)
    jsonschema.Draft7Validator(SCHEMA).validate(told)
    return told


def test_the_file_of_a_deposit_is_valid_and_read_alike_by_others(made):
    text = (made.folder / "CITATION.cff").read_text("utf-8")
    told = valid(text)
    assert told == read_citation(text)
    assert told["type"] == "dataset"
    assert told["license"] == "CC-BY-4.0"
    assert told["date-released"] == "2001-01-01"
    assert told["authors"] == [
        {
            "family-names": "Carberry",
            "given-names": "Josiah",
            "orcid": "https://orcid.org/0000-0002-1825-0097",
        },
        {"family-names": "Doe", "given-names": "Jo"},
    ]


@pytest.mark.parametrize("licence", ["", "CC0-1.0", "CDLA-Permissive-2.0"])
def test_without_authors_or_with_a_young_licence_it_is_valid_too(run, licence):
    told = valid(citation_text(run, (), licence))
    assert told["authors"] == [{"name": NOBODY}]
    assert told.get("license", "") == ("CC0-1.0" if licence == "CC0-1.0" else "")
    assert ("license-url" in told) is (licence == "CDLA-Permissive-2.0")


def test_whatever_a_text_holds_it_reads_back(run):
    for text in WILD:
        written = citation_text(replace(run, title=text), (Author(text, text),), "")
        for told in (yaml.safe_load(written), read_citation(written)):
            assert told["title"] == text
            assert told["authors"] == [{"family-names": text, "given-names": text}]


@pytest.mark.nights
@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
def test_any_text_reads_back_by_another_reader(text):
    written = citation_text(PLAIN, (Author(text),), "")
    assert yaml.safe_load(written)["authors"] == [{"family-names": text}]
    assert read_citation(written)["authors"] == [{"family-names": text}]


def test_every_licence_that_is_given_by_its_id_is_one_of_the_schema():
    assert set(SCHEMA["definitions"]["license-enum"]["enum"]) >= _KNOWN
    assert {read_licence(name.lower()) for name in _KNOWN} == _KNOWN


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('title: "x"\n- y\n', "CITATION.cff:2: is no line that this program writes"),
        ('title: x\nauthors: "y"\n', "CITATION.cff:1: is no line"),
        ('    orcid: "y"\n', "CITATION.cff:1: belongs to nothing above it"),
        ('title: "x"\ntitle: "y"\n', "CITATION.cff:2: belongs to nothing"),
        ('title: "x"\n', "CITATION.cff: has no authors"),
    ],
)
def test_a_file_that_is_not_ours_is_refused_by_its_line(text, said):
    with pytest.raises(StorageError) as error:
        read_citation(text)
    assert str(error.value).startswith(said)


# The invented person of ORCID's own pages, and two worked by hand by the rule that these pages
# give (ISO 7064 MOD 11-2): of nothing but zeros 12 is left, of a 1 in the last place 12 - 2 = X.
@pytest.mark.parametrize(
    "number", ["0000-0002-1825-0097", "0000-0000-0000-0001", "0000-0000-0000-001X"]
)
def test_an_orcid_is_taken_in_both_forms(number):
    for text in (number, f"https://orcid.org/{number}"):
        assert read_author(f"Doe, Jo; {text}") == Author("Doe", "Jo", number)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Jo Doe", "is no family name and given name"),
        (", Jo", "is no family name and given name"),
        ("Doe, Jo; 0000-0002-1825-0098", "the last digit of ORCID 0000-0002-1825-0098"),
        ("Doe, Jo; 17", "is no ORCID"),
        ("Doe, Jo;", "is no ORCID"),
        ("Doe, \x1b[2J", "is no name"),
        ("Doe, \udcff", "is no name"),
        ("D" * 300 + ", Jo", "is no name"),
    ],
)
def test_an_author_that_cannot_be_cited_is_one_line(text, said):
    with pytest.raises(InputError) as error:
        read_author(text)
    assert str(error.value).startswith("--author: ")
    assert said in str(error.value)
    assert str(error.value).isprintable()


def test_nobody_is_named_twice_and_one_name_is_enough():
    assert read_author("Doe,") == Author("Doe")
    with pytest.raises(InputError, match="named twice"):
        read_authors(("Doe, Jo", "Doe , Jo"))
    with pytest.raises(InputError, match="named twice"):
        read_authors((AUTHORS[0], AUTHORS[0].replace("Josiah", "J.")))


@pytest.mark.parametrize("text", ["", "free", "MIT OR Apache-2.0", "LicenseRef-ours", "MIT+"])
def test_what_is_no_id_of_a_licence_is_one_line(text):
    with pytest.raises(InputError, match=r"--license: .* is no id of the SPDX list"):
        read_licence(text)
