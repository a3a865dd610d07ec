"""Each entry of a series as it is told: who, when, where, how it ended, and whether it counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from rig.lives.grouped import counts, has_load, why_life_not, why_load_not
from rig.protocol.series import FACTORS

if TYPE_CHECKING:
    from rig.protocol.series import Life, Series, Ultimate

Kind = Literal["life", "ultimate load", "residual load"]


@dataclass(frozen=True, slots=True)
class Specimen:
    """A life or an ultimate load; None is what nobody told.

    `exposure`, `batch`, `cast`, `bed` and `frame` are those of its group where it tells none of its
    own. `counted` says whether tests count it, `why_not` why they do not. Names end in the unit.
    """

    specimen: str
    group: str
    kind: Kind
    exposure: str | None
    batch: str | None
    cast: str | None
    bed: str | None
    frame: str | None
    member: str | None
    age_s: float | None
    wet_s: float | None
    load_level: float | None
    concrete_level: float | None
    concrete_level_min: float | None
    tendon_range_Pa: float | None
    cycles: float | None
    outcome: str | None
    mode: str | None
    interruptions_s: float | None
    unloaded_s: float | None
    overloaded: bool
    load_N: float | None
    valid: bool
    counted: bool
    why_not: str
    run: str | None


def specimens_of(series: Series) -> tuple[Specimen, ...]:
    """Return every entry of a series, lives first, each in the order of the file."""
    lives = (_life(series, life) for life in series.lives)
    loads = (_load(series, load) for load in series.ultimates)
    return (*lives, *loads)


def _life(series: Series, life: Life) -> Specimen:
    return Specimen(
        kind="life",
        **_common(series, life),
        load_level=life.level,
        concrete_level=life.concrete_max,
        concrete_level_min=life.concrete_min,
        tendon_range_Pa=life.tendon_range,
        cycles=life.cycles,
        outcome=life.outcome,
        interruptions_s=life.interruptions,
        unloaded_s=life.unloaded,
        overloaded=life.overloaded,
        load_N=None,
        counted=counts(life),
        why_not=why_life_not(life),
    )


def _load(series: Series, load: Ultimate) -> Specimen:
    return Specimen(
        kind="residual load" if load.residual else "ultimate load",
        **_common(series, load),
        load_level=None,
        concrete_level=None,
        concrete_level_min=None,
        tendon_range_Pa=None,
        cycles=None,
        outcome=None,
        interruptions_s=None,
        unloaded_s=None,
        overloaded=False,
        load_N=load.load,
        counted=has_load(load),
        why_not=why_load_not(load),
    )


def _common(series: Series, entry: Life | Ultimate) -> dict[str, Any]:
    """Return what lives and ultimate loads have in common."""
    return {
        "specimen": entry.specimen,
        "group": entry.group,
        "exposure": series.groups.get(entry.group, {}).get("exposure"),
        **{name: series.factor(entry, name) for name in FACTORS},
        "member": entry.member,
        "age_s": entry.age,
        "wet_s": entry.wet,
        "mode": entry.mode,
        "valid": entry.valid,
        "run": entry.run,
    }
