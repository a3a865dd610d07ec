"""What a test takes, by the difference that one line of its protocol makes."""

import pytest

from rig.protocol.estimate import Estimate, before_cycling, estimate
from tests.protocol.texts import WET, WHOLE, load_edited


def took(old: str = "", new: str = "") -> Estimate:
    assert old in WHOLE
    return estimate(load_edited({WET: WHOLE.replace(old, new) if old else WHOLE}))


def test_every_inspection_waits_as_long_as_is_written():
    longer = took('go_on_after = "20 min"', 'go_on_after = "50 min"')
    # At 10, 100, 1000, 1e4, 1e5 and then at each 5e5 up to 10.5e6: the run-out is none.
    inspections = 5 + 21
    expected = inspections * 30 * 60
    assert longer.duration_s - took().duration_s == pytest.approx(expected, rel=1e-6)


def since_the_start(cycles: float) -> str:
    """Return the time from the start of the test to a counted cycle at 4 Hz."""
    return f"{(before_cycling(load_edited({WET: WHOLE})) + cycles / 4):.3f} s"


@pytest.mark.parametrize("begin", ["2010000 cycles", since_the_start(2_010_000)])
def test_water_begins_where_it_is_written(begin):
    """2 million cycles later at 4 Hz: 500 000 s, of which 2 minutes in 15 are wet."""
    later = took('"10000 cycles"', f'"{begin}"')
    litres = 500_000 * 2 / 15 * 1.5 / 60
    assert (took().water_m3 - later.water_m3) * 1e3 == pytest.approx(litres, rel=1e-6)


def test_samples_about_a_stop_lie_on_the_disk_three_times_over():
    """Journal, segments and run.h5 stand side by side while a run is closed; float32 samples."""
    more = took('before_stop = "60 s"', 'before_stop = "600 s"').storage_bytes
    samples = 540 * 1000 * 3
    assert more - took().storage_bytes == pytest.approx(samples * 4 * 3, rel=1e-6)
