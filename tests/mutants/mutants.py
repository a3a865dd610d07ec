"""Mutants of layers 0 and 1, and those that no test can kill, each with its reason."""

from __future__ import annotations

from typing import Final

from tests.mutants import (
    agreeing,
    air,
    correcting,
    debonding,
    doubting,
    expecting,
    foreseeing,
    judging,
    lasting,
    reading,
    sampling,
    stopping,
    trusting,
    watching,
    wiring,
    words,
)

MUTANTS: Final = (
    *words.MUTANTS,
    *sampling.MUTANTS,
    *watching.MUTANTS,
    *doubting.MUTANTS,
    *judging.MUTANTS,
    *agreeing.MUTANTS,
    *correcting.MUTANTS,
    *reading.MUTANTS,
    *trusting.MUTANTS,
    *stopping.MUTANTS,
    *air.MUTANTS,
    *wiring.MUTANTS,
    *expecting.MUTANTS,
    *foreseeing.MUTANTS,
    *lasting.MUTANTS,
    *debonding.MUTANTS,
)

SURVIVORS: Final[dict[str, str]] = {}
"""Why a mutant survives, by its name: it changes nothing that can be seen."""
