"""All of the measuring, hours of work; records of nights already made are taken from their file."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.judgement.measuring import Amount, measured
from tests.judgement.plots import plotted


@pytest.mark.endurance
@pytest.mark.timeout(0)
def test_what_verdicts_are_worth(capsys):
    found = measured(Amount(), Path("judgement.jsonl"))
    with capsys.disabled():
        print(f"\n{found.words}")
        print(*plotted(Path("judgement-plots"), 0), sep="\n")
    assert found.lacking == []
