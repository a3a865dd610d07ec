"""True loads of whole rehearsals while the specimen loses 40 % of its stiffness in 1000 cycles.

What must hold (1 % of cycles, 102 %) and is aimed at (0.1 %, 101 %) is the requirement's; the law
of the softening is invented, even or in three stages.
"""

from __future__ import annotations

import pytest

from tests.judging.softening import LAWS, LOSS, softened

pytestmark = pytest.mark.endurance


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(("seed", "frequency"), [(1, 4.0), (2, 5.0)])
def test_the_load_is_held_while_a_specimen_fails(tmp_path, law, seed, frequency):
    loads = softened(tmp_path, seed, frequency, law)
    found = loads.figures()
    assert loads.stiffness_left == pytest.approx(1 - LOSS, abs=0.02)
    assert loads.softening.sum() > 950
    assert found["beyond_softening"] <= 0.1
    assert found["beyond"] <= 1.0
    assert found["worst"] <= 101.0
    assert loads.told == ()


def test_a_loop_too_slow_for_its_frequency_is_not_chased_and_said_to_be_short(tmp_path):
    loads = softened(tmp_path, 1, 6.0, "even")
    assert loads.figures()["beyond_softening"] > 1.0
    assert loads.figures()["worst"] <= 101.0
    assert [text for text in loads.told if "while the specimen softens" in text] != []
