"""What would decide a hypothesis: sizes by counting arrangements; what goes along with groups."""

from __future__ import annotations

from itertools import combinations

import pytest

from rig.lives.confounding import GoesAlong, going_along
from rig.lives.deciding import goes_along, would_decide
from rig.lives.hypotheses import weigh
from rig.lives.logrank import logrank
from rig.lives.specimens import specimens_of
from rig.protocol.series import Hypothesis, Observation
from tests.lives.series import life, load, series

SHORTER = Hypothesis("shorter", "life", ("wet",), ("dry",))


def decided(*hypotheses, **entries):
    return weigh(series(hypotheses=hypotheses, **entries))


@pytest.mark.parametrize(
    ("dry", "wet", "sizes"), [(1, 1, (3, 3)), (2, 4, (3, 4)), (2, 2, (3, 3)), (1, 8, (2, 8))]
)
def test_so_many_more_are_needed_as_the_exact_test_itself_needs(dry, wet, sizes):
    """Sizes are found by trying: every failure of one group before every one of the other."""

    def least(n, m):
        return logrank([9.0 + i for i in range(n)], [True] * n, range(1, m + 1), [True] * m)

    p = least(dry, wet).smallest_p_one_sided
    said = would_decide(SHORTER, "too few", (dry, wet), p, (), 0.05)[0]
    assert said.startswith(f"{sizes[0]} against {sizes[1]} instead of {dry} against {wet}:")
    assert least(*sizes).p_exact_one_sided <= 0.05 + 1e-12
    one_less = (sizes[0] - 1, sizes[1])
    assert least(*one_less).p_exact_one_sided > 0.05
    ways = len([*combinations(range(sum(sizes)), sizes[0])])
    assert f"the least p is then {1 / ways:.2g}" in said


def test_where_nobody_failed_it_takes_failures():
    lives = [life(g, 1e7, ran_out=True) for g in ("dry", "wet") for _ in range(2)]
    (found,) = decided(SHORTER, lives=lives)
    assert found.decide[0].startswith("failures: where all run out")


def test_what_goes_along_with_the_groups_is_told_beside_a_verdict():
    lives = [life("dry", 1e6 + i, age=8e6, batch="A") for i in range(3)]
    lives += [life("wet", 1e4 + i, age=1.6e7, batch="B") for i in range(3)]
    along = goes_along(SHORTER, going_along(series(lives)))
    assert len(along) == 2
    assert any("no batch is in both" in words for words in along)
    assert any("ages do not overlap" in words for words in along)
    for mixed, end in ((along, "without what differs besides the group"), ((), "it comes again")):
        assert would_decide(SHORTER, "favoured", (3, 3), 0.05, mixed, 0.05)[0].endswith(end)


def test_a_group_whose_name_reads_like_words_of_a_line_goes_along_with_nothing():
    of = Hypothesis("h", "life", ("b",), ("a",))
    found = (
        GoesAlong(("a", "b, lives: c"), "lives", "ages"),
        GoesAlong(("a", "b"), "ultimate loads", "ages"),
        GoesAlong(("b", "a"), "lives", "batches"),
    )
    assert goes_along(of, found) == ("b and a, lives: batches",)


def test_each_quantity_says_what_is_lacking_and_what_hinders():
    loads = Hypothesis("weaker", "ultimate", ("wet",), ("dry",))
    seen = Hypothesis("rustier", "observation", ("dry",), ("wet",), "rust")
    broken = [load(g, 1e5, residual=True) for g in ("dry",) * 3 + ("wet",) * 4]
    looked = [Observation(f"U-{i + 1}", "rust", i == 6) for i in range(7)]
    none, few = decided(loads, seen, ultimates=broken, observations=looked)
    assert none.decide == ("an ultimate load of either side",)
    assert few.decide[0].endswith(
        "could reach 0.05, yet here it is hindered by how often the sign is seen in all"
    )
    equal = [load("dry", 1e5)] * 3 + [load("wet", 1e5)] * 3
    (alike,) = decided(loads, ultimates=equal)
    assert alike.decide[0] == "loads that differ: all are alike"


def test_every_entry_is_told_once_with_the_factors_of_its_group_and_why_it_does_not_count():
    made = series(
        [life("dry", 1e5, batch="own"), life("wet", 1e5, valid=False, void_reason="dropped")],
        [load("wet", 1e5, residual=True)],
        groups={"dry": {"exposure": "dry", "batch": "A"}, "wet": {"batch": "B", "frame": "2"}},
    )
    first, void, residual = specimens_of(made)
    assert (first.batch, first.exposure, first.kind) == ("own", "dry", "life")
    assert (void.batch, void.frame, void.exposure) == ("B", "2", None)
    assert (void.counted, void.valid, void.why_not) == (False, False, "void: dropped")
    assert (residual.kind, residual.load_N, residual.cycles) == ("residual load", 1e5, None)
