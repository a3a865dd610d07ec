"""220 drawn sections against what two libraries say of them; `oracle_sections` made the table.

Asked for are 0.5 % on ultimate and 1 % on cracking moments; with conventions matched they agree
by far better, and this is what is held: the straight lines of concreteproperties, the tolerance
to which structuralcodes balances forces.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

from rig.mechanics.specimen import Specimen
from tests.mechanics.drawn_sections import drawn, from_plain, plain, shortened
from tests.mechanics.section_states import STATES, Values, at_breaking

TABLE = json.loads(Path(__file__).with_name("sections.json").read_text(encoding="utf-8"))
CRUSHING, BREAKING = TABLE["crushing"], TABLE["breaking"]
LINES = 3e-4
BALANCE = 2e-4


def off(
    rows: list[dict[str, Any]],
    library: str,
    ours: Callable[[Specimen, Values], Values],
    tolerance: float,
) -> list[tuple[int, str, float, float]]:
    """Return where we differ: number of the section, what, ours, theirs."""
    return [
        (number, name, value, row[library][name])
        for number, row in enumerate(rows)
        for name, value in ours(from_plain(row), row[library]).items()
        if not math.isclose(value, row[library][name], rel_tol=tolerance)
    ]


@pytest.mark.parametrize("ours", STATES[:-1], ids=lambda state: state.__name__)
def test_two_hundred_sections_agree_with_concreteproperties(ours):
    assert off(CRUSHING, "concreteproperties", ours, LINES) == []


@pytest.mark.parametrize("ours", STATES, ids=lambda state: state.__name__)
def test_two_hundred_sections_agree_with_structuralcodes(ours):
    assert off(CRUSHING, "structuralcodes", ours, BALANCE) == []


def test_sections_whose_tendon_breaks_first_agree_with_structuralcodes():
    assert off(BREAKING, "structuralcodes", at_breaking, BALANCE) == []


def test_the_table_holds_two_hundred_sections_of_every_kind_in_numbers():
    assert (len(CRUSHING), len(BREAKING)) == (200, 20)
    kinds = (
        Counter(row["section"]["shape"] for row in CRUSHING),
        Counter(row["concrete"]["law"] for row in CRUSHING),
        Counter(row["tendons"][0]["law"]["kind"] for row in CRUSHING),
        Counter(len(row["tendons"]) > 1 for row in CRUSHING),
        Counter(len(row["bars"]) > 0 for row in CRUSHING),
    )
    assert min(number for kind in kinds for number in kind.values()) >= 20
    assert [len(kind) for kind in kinds] == [3, 3, 2, 2, 2]


def test_the_table_holds_what_its_seed_draws():
    # Oracles keep some of what is drawn, in its order.
    kept, drawing = CRUSHING[:10], map(plain, islice(drawn(20, (0.05, 0.30)), 60))
    for row in kept:
        section = plain(from_plain(row))
        assert any(section == candidate for candidate in drawing), row["section"]


def test_five_digits_are_kept_of_every_number():
    assert shortened({"a": [1.23456789, "b"], "c": (2, 1 / 3e6)}) == {
        "a": [1.2346, "b"],
        "c": [2, 3.3333e-7],
    }
