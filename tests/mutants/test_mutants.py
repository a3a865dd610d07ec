"""The list of mutants does not rot, and the tests of layers 0 and 1 kill what is on it."""

from functools import cache

import pytest

from tests.mutants.mutant import Mutant
from tests.mutants.mutants import MUTANTS, SURVIVORS
from tests.mutants.run import ROOT, SURVIVED, Fate, fates, unexpected


@cache
def text_of(file: str) -> str:
    return (ROOT / file).read_text(encoding="utf-8")


def test_every_mutant_fits_in_just_one_place_and_names_tests_that_are_there():
    for mutant in MUTANTS:
        assert mutant.applied(text_of(mutant.file)) != text_of(mutant.file)
        for path in mutant.tests:
            file, _, name = path.partition("::")
            assert (ROOT / file).exists(), path
            assert f"def {name}" in text_of(file) if name else True, path


def test_mutants_are_sixty_or_more_by_names_of_their_own_and_survivors_are_among_them():
    names = [mutant.name for mutant in MUTANTS]
    assert len(names) == len(set(names)) >= 60
    assert SURVIVORS.keys() <= set(names)
    assert all(SURVIVORS.values())


def test_a_slip_that_fits_nowhere_or_twice_is_told():
    twice = Mutant("x", "rig/units.py", "a", "b", "", ())
    with pytest.raises(ValueError, match=r"2 places in rig/units\.py"):
        twice.applied("aa")
    with pytest.raises(ValueError, match="0 places"):
        twice.applied("c")


def test_a_survivor_without_a_reason_is_not_expected():
    lives = Fate("one that nobody listed", SURVIVED, "no test noticed")
    assert unexpected([lives]) == [lives]


@pytest.mark.endurance
@pytest.mark.timeout(3600)
def test_only_the_mutants_that_are_named_survive():
    assert unexpected(fates(MUTANTS)) == []
