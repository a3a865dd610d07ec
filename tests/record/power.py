"""What a power cut may leave of a folder: system calls recorded with strace, replayed in part.

A write is on the disk once its file was synced, a name once its folder was. Until then the disk
may hold any part of it: whole, not at all, or some sectors of 512 bytes, in any order.
"""

import os
import random
import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

SECTOR = 512
CALLS = "openat,close,lseek,write,pwrite64,ftruncate,fsync,fdatasync,rename,unlink,unlinkat,mkdir"
_CALL = re.compile(r"(?P<pid>\d+) +(?P<name>\w+)\((?P<given>.*)\) += (?P<result>-?\d+)")
_PARTS = re.compile(
    r'\s*(?:"(?P<text>(?:\\x..)*)"|(?P<handle>-?\w+)<(?P<names>(?:\\x..)*)>|(?P<rest>[^,]+))'
)


@dataclass(frozen=True, slots=True)
class Step:
    """One call: `what` is "write", "cut", "sync", "name", "unname", "move", "folder" or "say".

    `file` is a file, whatever it is called; `at` an offset, a length, or the file that a name is
    given to; `path` a name in a folder, `to` the new one where it is moved.
    """

    what: str
    file: int = 0
    at: int = 0
    data: bytes = b""
    path: str = ""
    to: str = ""


def recorded(command: list[str], strace: str, folder: Path, log: Path) -> list[Step]:
    """Run a program and return what it did inside a folder, and what it said, in order."""
    calls = ["-e", f"trace={CALLS}", "-e", "signal=none", "-xx", "-s", "10000000", "-y"]
    # One thread in all, so that no call is cut in two by another's.
    env = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    traced = [strace, "-f", "--seccomp-bpf", *calls, "-o", str(log), *command]
    subprocess.run(traced, check=True, env=env, stdout=subprocess.DEVNULL)
    watcher = _Watcher(str(folder))
    return [step for call in _calls(log) for step in watcher.steps(call)]


def _text(escaped: str) -> bytes:
    return bytes.fromhex(escaped.replace("\\x", ""))


@dataclass(frozen=True, slots=True)
class _Call:
    """A call that succeeded: texts it was given, the handle it was for and what that names."""

    name: str
    texts: list[bytes]
    handle: str
    place: str
    rest: list[str]
    result: int

    @property
    def paths(self) -> list[str]:
        """The paths it was given, those in an open folder made whole."""
        return [os.path.join(self.place, os.fsdecode(text)) for text in self.texts]


def _calls(log: Path) -> Iterator[_Call]:
    process = ""
    with log.open() as lines:
        for line in lines:
            found = _CALL.match(line)
            # Children have handles of their own; what they do is not the record.
            process = process or line.split()[0]
            if found is None or found["pid"] != process or found["result"].startswith("-"):
                continue
            texts, handles, rest = [], [], []
            for part in _PARTS.finditer(found["given"]):
                if part["text"] is not None:
                    texts.append(_text(part["text"]))
                elif part["handle"]:
                    handles.append((part["handle"], os.fsdecode(_text(part["names"]))))
                else:
                    rest.append(part["rest"])
            handle, place = handles[0] if handles else ("", "/")
            yield _Call(found["name"], texts, handle, place, rest, int(found["result"]))


class _Watcher:
    """Turns calls into steps: what is open, how it is called now, and where it stands."""

    def __init__(self, folder: str) -> None:
        self._folder = folder
        self._names: dict[str, int] = {}
        self._open: dict[str, int] = {}
        self._places: dict[str, int] = {}
        self._count = 0

    def steps(self, call: _Call) -> Iterator[Step]:
        """Yield what a call does inside the folder, or says."""
        if call.name == "write" and call.handle == "1":
            yield Step("say", data=call.texts[0])
        elif call.name in {"openat", "mkdir", "rename", "unlink", "unlinkat"}:
            path, above = call.paths[0], os.path.dirname(self._folder)
            if path == above or (path + "/").startswith(self._folder + "/"):
                yield from self._naming(call, path)
        elif call.handle in self._open:
            yield from self._changing(call, self._open[call.handle])

    def _naming(self, call: _Call, path: str) -> Iterator[Step]:
        match call.name:
            case "mkdir":
                yield Step("folder", path=path)
            case "rename":
                self._names[call.paths[1]] = file = self._names.pop(path)
                yield Step("move", at=file, path=path, to=call.paths[1])
            case "openat":
                yield from self._opening(path, call.rest[0], str(call.result))
            case _:
                self._names.pop(path, None)
                yield Step("unname", path=path)

    def _opening(self, path: str, flags: str, handle: str) -> Iterator[Step]:
        if "O_CREAT" in flags and path not in self._names:
            self._count += 1
            self._names[path] = self._count
            yield Step("name", at=self._count, path=path)
        self._open[handle], self._places[handle] = self._names.get(path, 0), 0
        if "O_TRUNC" in flags:
            yield Step("cut", self._names[path])

    def _changing(self, call: _Call, file: int) -> Iterator[Step]:
        match call.name:
            case "close":
                del self._open[call.handle]
            case "lseek":
                self._places[call.handle] = call.result
            case "fsync" | "fdatasync":
                yield Step("sync", file, path=call.place)
            case "ftruncate":
                yield Step("cut", file, int(call.rest[0]))
            case "pwrite64":
                yield Step("write", file, int(call.rest[1]), call.texts[0])
            case "write":
                yield Step("write", file, self._places[call.handle], call.texts[0])
                self._places[call.handle] += call.result


def said(steps: list[Step]) -> list[str]:
    """Return the lines that the program had said after these steps."""
    return b"".join(step.data for step in steps if step.what == "say").decode().splitlines()


def after_cut(steps: list[Step], chance: random.Random) -> dict[str, bytes | None]:
    """Return files by path, and folders as None, that the disk may hold if power fails now."""
    synced_files: set[int] = set()
    synced_folders: set[str] = set()
    kept: list[Step] = []
    much = chance.choice([0.0, 0.5, 0.5, 0.9, 1.0])
    for step in reversed(steps):
        if step.what == "sync":
            (synced_files.add(step.file) if step.file else synced_folders.add(step.path))
        elif step.what in {"write", "cut"}:
            if step.file in synced_files or chance.random() < much:
                kept.append(step)
            elif step.what == "write" and much and chance.random() < 0.3:
                kept.extend(_torn(step, chance))
        elif step.what != "say" and (
            os.path.dirname(step.path) in synced_folders or chance.random() < much
        ):
            kept.append(step)
    return _applied(kept[::-1], next(step.path for step in steps if step.what == "folder"))


def _torn(step: Step, chance: random.Random) -> Iterator[Step]:
    """Yield some of the sectors that a write touches."""
    stop = step.at + len(step.data)
    bounds = [step.at, *range((step.at // SECTOR + 1) * SECTOR, stop, SECTOR), stop]
    for start, end in pairwise(bounds):
        if chance.random() < 0.5:
            yield Step("write", step.file, start, step.data[start - step.at : end - step.at])


def _applied(steps: list[Step], top: str) -> dict[str, bytes | None]:
    files: dict[int, bytearray] = {-1: bytearray()}
    names: dict[str, int] = {}
    for step in steps:
        content = files.setdefault(step.file, bytearray())
        if step.what in {"write", "cut"}:
            end = step.at + len(step.data)
            content.extend(bytes(max(0, end - len(content))))
            if step.what == "write":
                content[step.at : end] = step.data
            else:
                del content[step.at :]
        elif step.what in {"name", "folder"}:
            names[step.path] = step.at if step.what == "name" else -1
        else:
            names.pop(step.path, None)
            if step.what == "move":
                names[step.to] = step.at
    found: dict[str, bytes | None] = {}
    for path, file in sorted(names.items()):
        if path == top or os.path.dirname(path) in found:
            found[path] = None if file < 0 else bytes(files.get(file, b""))
    return found
