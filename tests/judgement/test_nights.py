"""A few nights, carried out whole: the measuring at work, and what it must show of each."""

from __future__ import annotations

import pytest

from tests.judgement import drawing
from tests.judgement.carrying import carry_out
from tests.judgement.figures import caught, failed_at
from tests.judgement.plots import draw
from tests.judgement.pool import carried_out, kept

pytestmark = [pytest.mark.endurance, pytest.mark.timeout(600)]


@pytest.mark.parametrize("seed", range(5))
def test_a_member_that_fails_is_caught(seed):
    found = carry_out(drawing.failing(seed))
    assert failed_at(found) is not None, found.name
    assert found.outcome == "failure", found.why
    assert caught(found), found.why


def test_a_failure_is_drawn_with_what_is_true_of_it(tmp_path):
    found = carry_out(drawing.failing(2), tmp_path)
    draw(found, tmp_path / "run", tmp_path / "failure.png")
    assert (tmp_path / "failure.png").stat().st_size > 10_000


def test_nights_by_two_processes_are_those_of_one(tmp_path):
    nights = [drawing.alone(kind, 1) for kind in ("flat", "oil-droop")]
    found = carried_out(nights, tmp_path / "r.jsonl")
    assert [r.name for r in found] == [n.name for n in nights]
    assert kept(tmp_path / "r.jsonl") == {r.name: r for r in found}
    again = carry_out(nights[0])
    assert again.plain() | {"cpu_s": 0} == found[0].plain() | {"cpu_s": 0}
