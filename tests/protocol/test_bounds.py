"""Limits by channel name."""

import pytest

from rig.channels import Channel
from rig.protocol.bounds import table_of_bounds
from rig.protocol.document import Document


@pytest.mark.parametrize(
    ("channel", "pair", "said"),
    [
        # The units in which people write and read: 1 bar = 100 kPa, 1 um/m = 1e-6.
        (
            Channel("strain_1", "1", 1e-6, -3e-3, 3e-3),
            ["-100 um/m", "5000 um/m"],
            "-3000 um/m to 3000 um/m",
        ),
        (Channel("pressure", "Pa", 1e4, 0.0, 2.8e7), ["0 bar", "300 bar"], "0 bar to 280 bar"),
        (
            Channel("temperature_oil", "K", 0.1, 273.15, 353.15),
            ["5 degC", "90 degC"],
            "0 degC to 80 degC",
        ),
    ],
)
def test_a_limit_beyond_its_channel_is_refused_in_the_unit_it_is_written_in(channel, pair, said):
    document = Document("protocol.toml")
    table_of_bounds(document, ("limits",), {channel.name: pair}, [channel])
    (problem,) = document.problems
    assert problem.remedy == f"stay within {said}"
