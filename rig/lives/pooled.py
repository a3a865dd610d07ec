"""Several groups of lives taken as one, and a part of one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.lives.grouped import LifeGroup

if TYPE_CHECKING:
    from rig.lives.censored import BoolArray


def pooled(groups: Sequence[LifeGroup]) -> LifeGroup:
    """Return the lives of one or more groups as one group, in their order."""
    if len(groups) == 1:
        return groups[0]
    joined: dict[str, Any] = {
        name: _joined([getattr(group, name) for group in groups]) for name in _BY_SPECIMEN
    }
    return LifeGroup(name=" and ".join(group.name for group in groups), **joined)


def part_of(group: LifeGroup, which: BoolArray) -> LifeGroup:
    """Return the lives of a group that are chosen, `which` (n,)."""
    chosen: dict[str, Any] = {name: _chosen(getattr(group, name), which) for name in _BY_SPECIMEN}
    return replace(group, **chosen)


_BY_SPECIMEN = tuple(field.name for field in fields(LifeGroup) if field.name != "name")


def _joined(parts: list[Any]) -> Any:
    """Return arrays end to end, or tuples."""
    if isinstance(parts[0], np.ndarray):
        return np.concatenate(parts)
    return tuple(value for part in parts for value in part)


def _chosen(values: Any, which: BoolArray) -> Any:
    if isinstance(values, np.ndarray):
        return values[which]
    return tuple(value for value, taken in zip(values, which, strict=True) if taken)
