"""Shipped and edited file texts, read from memory."""

from __future__ import annotations

import posixpath
from collections.abc import Mapping
from importlib import resources

from rig.errors import InputError, Problem
from rig.protocol.load import load_plan
from rig.protocol.plan import Plan

ROOT = resources.files("protocols")
WET = "overnight-wet-prism.toml"
PRISM = "specimens/prism-small.toml"
SERIES = "series/wet-cracks.toml"
RIG = "rigs/simulated.toml"


def shipped(path: str) -> str:
    return ROOT.joinpath(*path.split("/")).read_text(encoding="utf-8")


def shipped_names(folder: str = "") -> list[str]:
    place = ROOT.joinpath(folder) if folder else ROOT
    names = (entry.name for entry in place.iterdir())
    return sorted(posixpath.join(folder, n) for n in names if n.endswith(".toml"))


def load_edited(texts: Mapping[str, str], protocol: str = WET, rig: str = RIG) -> Plan:
    """Load a shipped protocol in which some files have other texts."""

    def read(path: str) -> str:
        return texts[path] if path in texts else shipped(path)

    return load_plan(protocol, rig, read)


def problems_of(texts: Mapping[str, str], protocol: str = WET) -> tuple[Problem, ...]:
    """Load what must be refused and return its problems."""
    try:
        load_edited(texts, protocol)
    except InputError as error:
        return error.problems
    raise AssertionError("was accepted")
