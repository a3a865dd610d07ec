"""The stress range of the tendons that a series takes from a run."""

from __future__ import annotations

import pytest

from tests.assembly.test_series_runs import LIFE, Recorded, put, read


def test_the_tendon_range_of_a_run_is_that_of_its_section(tmp_path):
    """The series wet-cracks gives 99 MPa for the same prism sprayed at 70 % (invented, rounded)."""
    (life,) = read(put(tmp_path, Recorded())).lives
    assert life.tendon_range == pytest.approx(99e6, rel=0.005)
    # Its strength in its own moisture no run knows.
    assert life.concrete_max is None


def test_what_the_file_says_of_it_holds(tmp_path):
    (life,) = read(put(tmp_path, Recorded(), f'{LIFE}tendon_range = "90 MPa"\n')).lives
    assert life.tendon_range == 90e6


def test_without_a_protocol_nothing_is_said_of_it(tmp_path):
    (life,) = read(put(tmp_path, Recorded(protocol=False), f'{LIFE}level = "70 %"\n')).lives
    assert life.tendon_range is None
