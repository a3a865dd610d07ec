"""Channel names are fixed: a family needs a number, and nothing else takes one."""

import pytest

from rig.channels import CHANNEL_UNITS, channel_unit
from tests.protocol.texts import RIG, problems_of, shipped


@pytest.mark.parametrize("name", ["load2", "midspan3", "load_", "end_slip_", "strain", "", "7"])
def test_a_name_beside_the_list_is_no_channel(name):
    assert channel_unit(name) is None


@pytest.mark.parametrize("name", CHANNEL_UNITS)
def test_every_name_of_the_list_is_a_channel(name):
    listed = f"{name}12" if name.endswith("_") else name
    assert channel_unit(listed) == CHANNEL_UNITS[name]


def test_a_second_load_under_a_wrong_name_is_refused_and_not_left_unwatched():
    text = shipped(RIG).replace('name = "support_left"', 'name = "load2"')
    text = text.replace('range = ["-5 mm", "5 mm"]', 'range = ["-5 kN", "5 kN"]')
    (problem,) = problems_of(
        {
            RIG: text.replace(
                '"0.5 um"\nnoise = "1 um"\nrange = ["-5 k', '"5 N"\nnoise = "40 N"\nrange = ["-5 k'
            )
        }
    )
    assert (problem.file, problem.field) == (RIG, "channel[3].name")
    assert problem.remedy == 'did you mean "load_2"?'
