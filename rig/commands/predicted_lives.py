"""Lives, what codes allow, and where both come from, in words and tables for people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from string import ascii_lowercase
from typing import TYPE_CHECKING, Final

from rig.commands.tables import Printed, Row, cycles, decades, mega
from rig.mechanics.damage import first_part
from rig.mechanics.debonding import DISCRETE
from rig.mechanics.life import FROM_MEMORY
from rig.mechanics.prediction import (
    hardest_bar,
    hardest_tendon,
    is_unbonded,
    limits_of,
    span_of_lives,
)

if TYPE_CHECKING:
    from rig.mechanics.debonding import Curve
    from rig.mechanics.life import Life
    from rig.mechanics.prediction import Prediction

LIMITED: Final = {"concrete": "top stress", "tendon": "tendon range", "bar": "bar range"}
"""What codes limit, by the part."""
MORE: Final = 1.05
"""Range of a tendon in a crack over that with bond from which its life is told to be shorter."""


def first_words(lives: Sequence[Life]) -> str:
    """Return which part goes first by mean lives, in words."""
    found = first_part(lives)
    if not found.part:
        return "nothing: no mean model expects an end"
    how = "by every mean model" if found.sure else "by the middle of the mean models"
    spans = "; ".join(
        f"{part} {cycles(low)}" + (f" to {cycles(high)}" if high != low else "")
        for part, (low, high) in found.spans.items()
    )
    return f"{found.part}, {how}, which expect cycles of: {spans}"


def run_out_words(lives: Sequence[Life], run_out: int) -> str:
    """Return whether a run-out is expected, in words."""
    span = span_of_lives(lives)
    if span is None:
        return f"{run_out:,} cycles"
    asked = math.log10(run_out)
    if asked <= span.shortest.log10_cycles:
        return f"{run_out:,} cycles: every mean model lets it last so long"
    if asked > span.longest.log10_cycles:
        return f"{run_out:,} cycles: no mean model lets it last so long"
    return f"{run_out:,} cycles: the mean models do not agree whether it lasts so long"


def holding_words(lives: Sequence[Life]) -> str:
    """Return how many mean models hold here, in words; "" where all do."""
    means = [life for life in lives if life.kind == "mean"]
    good = [life for life in means if life.valid]
    if len(good) == len(means):
        return ""
    bare = [p for p in dict.fromkeys(m.part for m in means) if all(g.part != p for g in good)]
    none = f", none of the {' and none of the '.join(bare)}" if good and bare else ""
    many = f"{len(good)} of {len(means)} mean models" if good else "no mean model"
    holds = "hold" if len(good) > 1 else "holds"
    return f"{many} {holds} here{none}; the others are counted all the same"


def stresses_words(told: Prediction, curves: Sequence[Curve]) -> str:
    """Return of which stresses lives are, and whether a crack strains a tendon more, in words."""
    row = "as built" if is_unbonded(told.specimen) else "bonded"
    words = f'they go by the stresses in row "{row}" above'
    tendon = hardest_tendon(told.lower, told.upper) if told.lower and told.upper else None
    known = [r for c in curves if c.model == DISCRETE for r in c.tendon_range if math.isfinite(r)]
    if row == "as built" or tendon is None or not known or max(known) < MORE * tendon.range:
        return words
    return (
        f"{words}: in a discrete crack the tendon's range is up to {mega(float(max(known)))} MPa, "
        f"not {mega(tendon.range)} MPa, and its life shorter"
    )


def lives_table(lives: Sequence[Life]) -> Printed:
    """Return a row for each life; where its model does not hold here, a letter of `notes`."""
    heads = ["model", "log10 of\ncycles", "about\ncycles", "kind", "holds"]
    letters = notes(lives)
    rows: list[Row] = [
        (
            life.part,
            life.model + (" *" if _second_hand(life.source) else ""),
            decades(life.log10_cycles),
            cycles(life.log10_cycles),
            life.kind,
            "yes" if life.valid else f"no: {letters[life.why]}",
        )
        for life in lives
    ]
    return "Lives", heads, rows


def notes(lives: Sequence[Life]) -> dict[str, str]:
    """Return a letter for each reason why a model does not hold here."""
    reasons = dict.fromkeys(life.why for life in lives if not life.valid)
    return dict(zip(reasons, ascii_lowercase, strict=False))


def _second_hand(source: str) -> bool:
    return FROM_MEMORY in source or "second-hand" in source


def limits_table(told: Prediction) -> Printed:
    """Return a row for each stress limit of a code, beside what there is here."""
    heads = ["code", "at most\nMPa", "here\nMPa", "kept"]
    if told.lower is None or told.upper is None:
        return "Codes allow", heads, []
    tendon, bar = (hardest(told.lower, told.upper) for hardest in (hardest_tendon, hardest_bar))
    here = {
        "concrete": told.upper.concrete_top,
        "tendon": tendon.range if tendon else None,
        "bar": bar.range if bar else None,
    }
    rows: list[Row] = [
        (
            LIMITED[limit.part],
            limit.model + (" *" if _second_hand(limit.source) else ""),
            mega(float(limit.limit)),
            mega(here[limit.part]),
            "yes" if limit.kept else "no",
        )
        for limit in limits_of(told.specimen, told.lower, told.upper)
    ]
    return "Codes allow", heads, rows


def sources(lives: Sequence[Life]) -> list[str]:
    """Return a line for each source, with the models that are from there."""
    by_source: dict[str, list[str]] = {}
    for life in lives:
        by_source.setdefault(life.source, []).append(life.model)
    return [f"  {', '.join(models)}: {source}" for source, models in by_source.items()]
