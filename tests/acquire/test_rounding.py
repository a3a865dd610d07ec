"""What a cycle table stores: multiples of a power of two below a quarter of the resolution."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.acquire.deflection import net_deflection
from rig.acquire.extract import ExtractionSetup
from rig.acquire.rounding import round_significant, round_to, rounding_step
from rig.channels import Channel
from rig.samples import SampleBlock
from tests.acquire.rigs import CHANNELS, RATE, Sine, in_blocks, start

resolutions = st.floats(1e-12, 1e6)


@given(resolution=resolutions)
def test_the_step_is_the_largest_power_of_two_below_a_quarter_of_the_resolution(
    resolution: float,
) -> None:
    step = rounding_step(resolution)
    assert math.frexp(step)[0] == 0.5
    assert step < resolution / 4 <= 2 * step


@pytest.mark.parametrize("resolution", [0.0, -1.0, math.nan])
def test_a_resolution_that_is_not_above_zero_is_refused(resolution: float) -> None:
    with pytest.raises(ValueError, match="not above zero"):
        rounding_step(resolution)


@given(resolution=resolutions, share=st.floats(-1.0, 1.0), decades=st.floats(0.0, 5.0))
def test_float32_holds_every_rounded_value_of_a_channel_exactly(
    resolution: float, share: float, decades: float
) -> None:
    """Ranges up to 100 000 resolutions, as of a 16-bit converter, and some more."""
    reach = resolution * 10**decades
    channel = Channel("load", "N", resolution, -reach, reach)
    setup = ExtractionSetup((channel, Channel("midspan", "m", 1e-6, -0.1, 0.1)), RATE)
    step = setup.step("load")
    rounded = round_to(np.array([share * reach]), step)
    assert step < resolution / 4
    assert abs(rounded[0] - share * reach) <= step / 2
    assert float(np.float32(rounded[0])) == rounded[0]
    assert (rounded[0] / step).is_integer()


@given(value=st.floats(1e-12, 1e12), sign=st.sampled_from([-1.0, 1.0]))
def test_computed_values_keep_fourteen_bits(value: float, sign: float) -> None:
    kept = float(round_significant(np.array([sign * value]))[0])
    assert abs(kept / (sign * value) - 1) <= 2.0**-14
    assert float(np.float32(kept)) == kept
    assert math.ldexp(math.frexp(kept)[0], 14).is_integer()


def test_no_value_is_no_value_after_rounding() -> None:
    nan = np.array([np.nan])
    assert np.isnan(round_significant(nan)).all()
    assert np.isnan(round_to(nan, 0.25)).all()


def test_every_stored_value_of_a_channel_is_a_multiple_of_its_step() -> None:
    rows = in_blocks(Sine(50.3, 100, noise=0.005).values(), [], start())[1]
    for channel in CHANNELS:
        for column in (f"{channel.name}_max", f"{channel.name}_min"):
            steps = rows[column].astype(float) / rounding_step(channel.resolution)
            assert np.array_equal(steps, np.rint(steps))
    for column in ("deflection_max", "deflection_min"):
        steps = rows[column].astype(float) / rounding_step(1e-8)  # mid-span's
        assert np.array_equal(steps, np.rint(steps))
    for column in ("stiffness", "energy", "frequency"):
        mantissa = np.ldexp(np.frexp(rows[column].astype(float))[0], 14)
        assert np.array_equal(mantissa, np.rint(mantissa))
    steps = rows["time"] / rounding_step(1 / RATE)
    assert np.array_equal(steps, np.rint(steps))


@pytest.mark.parametrize(
    ("supports", "expected"),
    [
        ((), [5.0, 7.0]),
        (("support_left",), [4.0, 5.0]),
        (("support_right",), [2.0, 4.0]),
        (("support_left", "support_right"), [3.0, 4.5]),
    ],
)
def test_net_deflection_is_midspan_less_the_mean_of_the_supports(
    supports: tuple[str, ...], expected: list[float]
) -> None:
    signals = {"midspan": [5.0, 7.0], "support_left": [1.0, 2.0], "support_right": [3.0, 3.0]}
    names = ("load", *supports, "midspan")
    rows = [signals.get(name, [9.0, 9.0]) for name in names]
    block = SampleBlock(0, RATE, names, np.array(rows, np.float32))
    assert net_deflection(block).tolist() == expected


def test_a_missing_support_sample_is_a_missing_net_deflection() -> None:
    names = ("midspan", "support_left", "support_right")
    block = SampleBlock(0, RATE, names, np.array([[5, 5], [1, np.nan], [1, 1]], np.float32))
    assert np.array_equal(net_deflection(block), [4.0, np.nan], equal_nan=True)
