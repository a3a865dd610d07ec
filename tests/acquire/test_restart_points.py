"""A state that goes through a restart point's JSON between all blocks changes no bit."""

import json
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.acquire.deflection import net_deflection
from rig.acquire.extract import ExtractionState, begin, extract
from tests.acquire.rigs import SETUP, Sine, bits, block_of, in_blocks, joined


@given(
    spc=st.floats(8.0, 220.0),
    noise=st.sampled_from([0.0, 0.002, 0.02]),
    seed=st.integers(0, 1000),
    gap=st.one_of(st.none(), st.tuples(st.integers(0, 1999), st.integers(1, 300))),
    cuts=st.sets(st.integers(1, 1999), max_size=15),
)
@settings(max_examples=30)
def test_a_restart_between_all_blocks_changes_no_bit(
    spc: float, noise: float, seed: int, gap: tuple[int, int] | None, cuts: set[int]
) -> None:
    values = Sine(spc, 2000.5 / spc, noise=noise, seed=seed).values()
    if gap is not None:
        values[seed % 3, gap[0] : gap[0] + gap[1]] = np.nan
    first = begin(8_000.0, 12_000.0, 0)
    whole_state, whole = in_blocks(values, [], first)
    state, parts = first, []
    for a, b in pairwise([0, *sorted(cuts), values.shape[1]]):
        state = ExtractionState.from_plain(json.loads(json.dumps(state.to_plain())))
        block = block_of(values[:, a:b], a)
        state, rows = extract(SETUP, state, block, net_deflection(block))
        parts.append(rows)
    assert bits(joined(parts)) == bits(whole)
    assert json.dumps(state.to_plain()) == json.dumps(whole_state.to_plain())
