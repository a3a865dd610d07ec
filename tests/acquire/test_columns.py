"""What blocks and rows hold: where a block ends, and times after a year."""

import numpy as np
import pytest

from rig.acquire.deflection import net_deflection
from rig.acquire.extract import begin, extract
from rig.samples import SampleBlock
from tests.acquire.rigs import NAMES, RATE, SETUP, Sine, in_blocks, start


def test_a_block_ends_with_the_frame_after_its_last():
    block = SampleBlock(100, RATE, NAMES, np.zeros((3, 40), np.float32))
    assert (block.frames, block.end, block.head(15).end) == (40, 140, 115)


def test_after_a_year_the_times_of_cycles_are_as_fine_as_in_the_first_minute():
    sine, first = Sine(50.37, 20), 31_557_600_000
    values = sine.values()
    early = in_blocks(values, [], start(sine))[1]
    block = SampleBlock(first, RATE, NAMES, values)
    state = begin(sine.mean, sine.range_, first)
    late = extract(SETUP, state, block, net_deflection(block))[1]
    assert len(late) == len(early)
    # A quarter of a frame is what times are rounded to.
    assert late["time"] - first / RATE == pytest.approx(early["time"], abs=0.25 / RATE)
