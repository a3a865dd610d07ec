"""A deposit that was changed, torn or made to harm is named by its file, and nothing is done."""

from __future__ import annotations

import json
import shutil
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path

import h5py
import pytest

from rig.errors import StorageError
from rig.report.deposit import packing
from rig.report.deposit.checking import check
from rig.report.deposit.files import held, names_below, sums_text
from rig.report.deposit.writing import Asked, deposit

pytestmark = pytest.mark.xdist_group("deposit")  # they share a run

METADATA = "ro-crate-metadata.json"


@pytest.fixture(scope="module")
def small(made, tmp_path_factory) -> Path:
    """A deposit with few tables."""
    out = tmp_path_factory.mktemp("small") / "out"
    deposit(made.run, out, Asked(what=("events", "slow")))
    return out


def sealed(folder: Path) -> None:
    """Make the checksums those of the files as they are now."""
    names = [name for name in names_below(folder) if name != "SHA256SUMS"]
    (folder / "SHA256SUMS").write_text(sums_text({n: held(folder / n) for n in names}))


def retold(folder: Path, change: Callable[[dict[str, dict[str, object]]], None]) -> None:
    """Change the metadata, and give the files in them the hashes that they have."""
    told = json.loads((folder / METADATA).read_text("utf-8"))
    entities = {entity["@id"]: entity for entity in told["@graph"]}
    for name, entity in entities.items():
        if "sha256" in entity and (folder / name).is_file():
            file = held(folder / name)
            entity |= {"sha256": file.sha256, "contentSize": str(file.size)}
    change(entities)
    told["@graph"] = list(entities.values())
    (folder / METADATA).write_text(json.dumps(told), "utf-8")
    sealed(folder)


def add_row(folder: Path) -> None:
    with (folder / "csv" / "events.csv").open("a") as file:
        file.write('1.0,1,note,"two\nlines"\n')


def other_record(folder: Path) -> None:
    with h5py.File(folder / "run.h5", "r+") as file:
        file.attrs["run_id"] = "another"


def bare_record(folder: Path) -> None:
    with h5py.File(folder / "run.h5", "r+") as file:
        del file.attrs["title"]


BROKEN: dict[str, tuple[Callable[[Path], object], str]] = {
    "a byte": (lambda d: (d / "README.txt").write_text("x"), "README.txt: does not hold"),
    "a file less": (lambda d: (d / "csv" / "slow.csv").unlink(), "csv/slow.csv is missing"),
    "a file more": (lambda d: (d / "more.txt").write_text("x"), "more.txt is not listed"),
    "no checksums": (lambda d: (d / "SHA256SUMS").unlink(), "SHA256SUMS is missing"),
    "a link": (lambda d: (d / "l").symlink_to("/etc/hostname"), "l: is no plain file"),
    "a sum outside": (
        lambda d: (d / "SHA256SUMS").write_text(f"{'0' * 64}  ../secret\n"),
        "SHA256SUMS:1: is no checksum",
    ),
    "no JSON": (
        lambda d: ((d / METADATA).write_text("{"), sealed(d)),
        "is no RO-Crate metadata",
    ),
    "JSON of another kind": (
        lambda d: ((d / METADATA).write_text("[1]"), sealed(d)),
        "is no RO-Crate metadata",
    ),
    "no licence": (lambda d: retold(d, lambda e: e["./"].pop("license")), "has no license"),
    "a file not described": (
        lambda d: ((d / "more.txt").write_text("x"), sealed(d)),
        "more.txt is not listed by ro-crate",
    ),
    "another size": (
        lambda d: retold(d, lambda e: e["run.h5"].update(contentSize="1")),
        "another size or SHA-256 of run.h5",
    ),
    "a file outside": (
        lambda d: retold(
            d,
            lambda e: (
                e.update({"../x": {"@id": "../x", "@type": "File"}}),
                e["./"].update(hasPart=[*e["./"]["hasPart"], {"@id": "../x"}]),  # type: ignore[misc]
            ),
        ),
        "is no file of the deposit",
    ),
    "a citation of another version": (
        lambda d: (
            (d / "CITATION.cff").write_text(
                (d / "CITATION.cff").read_text("utf-8").replace("sha256-", "sha256-f"), "utf-8"
            ),
            retold(d, lambda _: None),
        ),
        "CITATION.cff: version is not that",
    ),
    "a row more": (
        lambda d: (add_row(d), retold(d, lambda _: None)),
        "events.csv: has 4 rows, run.h5 has 3",
    ),
    "another record": (
        lambda d: (other_record(d), retold(d, lambda _: None)),
        "run.h5: is not the record",
    ),
    "a record without its attributes": (
        lambda d: (bare_record(d), retold(d, lambda _: None)),
        "run.h5: cannot read the run file",
    ),
    "no record at all": (
        lambda d: ((d / "run.h5").write_bytes(b"x"), retold(d, lambda _: None)),
        "run.h5: cannot read the run file",
    ),
}


QUICK = (
    "a byte",
    "a file more",
    "a file not described",
    "a file outside",
    "a row more",
    "another record",
    "no JSON",
)


@pytest.mark.parametrize(
    "kind", [k if k in QUICK else pytest.param(k, marks=pytest.mark.nights) for k in BROKEN]
)
def test_what_was_changed_is_named(small, tmp_path, kind):
    change, said = BROKEN[kind]
    folder = shutil.copytree(small, tmp_path / "copy")
    assert check(folder)
    change(folder)
    with pytest.raises(StorageError) as error:
        check(folder)
    assert said in str(error.value)
    assert "\n" not in str(error.value)


def archived(path: Path, files: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return path


@pytest.mark.parametrize("name", ["../out.txt", "/out.txt", "a/../../out.txt", "..\\out.txt"])
def test_a_zip_file_writes_nothing_outside_of_its_folder(tmp_path, name):
    archive = archived(tmp_path / "a.zip", {name: b"x"})
    (tmp_path / "in").mkdir()
    with pytest.raises(StorageError, match="which is no file of a deposit"):
        packing.unpack(archive, tmp_path / "in")
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["a.zip", "in"]


def test_a_zip_file_that_is_larger_than_the_disk_is_not_unpacked(tmp_path, monkeypatch):
    archive = archived(tmp_path / "a.zip", {"a.txt": b"x" * 1000})
    (tmp_path / "in").mkdir()
    monkeypatch.setattr(packing, "free_bytes", lambda _: packing.LEFT + 999)
    with pytest.raises(StorageError, match="needs 1,000 bytes unpacked"):
        packing.unpack(archive, tmp_path / "in")


def test_a_zip_file_of_links_makes_none(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        info = zipfile.ZipInfo("link")
        info.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(info, "/etc/hostname")
    (tmp_path / "in").mkdir()
    packing.unpack(tmp_path / "a.zip", tmp_path / "in")
    assert not (tmp_path / "in" / "link").is_symlink()
    assert (tmp_path / "in" / "link").read_text() == "/etc/hostname"


@pytest.mark.parametrize("cut", [0, 1000])
def test_a_torn_zip_file_is_one_line(small, tmp_path, cut):
    packing.pack(small, names_below(small), tmp_path / "a.zip")
    content = (tmp_path / "a.zip").read_bytes()
    (tmp_path / "a.zip").write_bytes(content[:cut])
    with pytest.raises(StorageError, match=r"a\.zip: is no zip file that is whole") as error:
        check(tmp_path / "a.zip")
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("name", "said"), [("run.h5", "Bad CRC"), ("csv/events.csv", "Error -3 while decompressing")]
)
def test_a_byte_changed_in_a_zip_file_is_found(small, tmp_path, name, said):
    packing.pack(small, names_below(small), tmp_path / "a.zip")
    content = bytearray((tmp_path / "a.zip").read_bytes())
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        # PKWARE, APPNOTE 6.3.10, 4.3.7: 30 bytes and the name stand before what is packed.
        place = archive.getinfo(name).header_offset + 30 + len(name)
    content[place] = 0xFF  # RFC 1951, 3.2.3: no block is of type 3
    (tmp_path / "a.zip").write_bytes(content)
    with pytest.raises(StorageError, match=rf"a\.zip: is no zip file that is whole: {said}"):
        check(tmp_path / "a.zip")


def test_no_more_is_unpacked_than_a_zip_file_says(tmp_path):
    archive = archived(tmp_path / "a.zip", {"a.txt": b"x" * 100_000})
    content = archive.read_bytes()
    told = (100_000).to_bytes(4, "little")
    # The size stands before the name, here and in the central directory (APPNOTE, 4.3.7, 4.3.12).
    archive.write_bytes(content.replace(told, (1_000).to_bytes(4, "little")))
    (tmp_path / "in").mkdir()
    with pytest.raises(StorageError, match=r"a\.zip: is no zip file that is whole"):
        packing.unpack(archive, tmp_path / "in")
    assert sum(path.stat().st_size for path in (tmp_path / "in").iterdir()) <= 1_000


def test_a_zip_file_that_is_packed_otherwise_is_not_unpacked(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_BZIP2) as archive:
        archive.writestr("run.h5", b"x" * 1000)
    (tmp_path / "in").mkdir()
    with pytest.raises(StorageError, match=r"'run\.h5' is packed in a way that is not read here"):
        packing.unpack(tmp_path / "a.zip", tmp_path / "in")
    assert not list((tmp_path / "in").iterdir())


def test_a_damaged_run_makes_no_deposit(made, tmp_path):
    run = shutil.copytree(made.run, tmp_path / "run")
    damaged = bytearray((run / "run.h5").read_bytes())
    damaged[len(damaged) // 2] ^= 0xFF
    (run / "run.h5").write_bytes(damaged)
    with pytest.raises(StorageError, match=r"is damaged: bytes .*; nothing was written"):
        deposit(run, tmp_path / "out", Asked())
    assert [p.name for p in tmp_path.iterdir()] == ["run"]


def test_a_damaged_picture_makes_no_deposit_and_is_named(made, tmp_path):
    run = shutil.copytree(made.run, tmp_path / "run")
    (picture,) = (run / "pictures").glob("*.png")
    picture.write_bytes(b"x")
    with pytest.raises(StorageError, match="is not the picture that was kept; put it back"):
        deposit(run, tmp_path / "out", Asked(what=("slow",)))
    assert [p.name for p in tmp_path.iterdir()] == ["run"]
