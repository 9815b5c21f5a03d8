"""Ambient pressure, its integral and the rates."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.diving.breathing import ambient_bar_abs, cumulative_bar_min, rate_doubtful, rmv_l_min


def test_at_the_surface_the_ambient_pressure_is_that_of_the_air():
    assert ambient_bar_abs(0.0, 0.85, 1000.0) == 0.85


def test_water_nobody_named_is_salt():
    """1025 kg/m³ × 9.80665 m/s² × 10 m = 1.00518 bar, by hand; 1025: oceanography's round mean, from memory."""
    assert ambient_bar_abs(10.0) == pytest.approx(1.01325 + 1.00518, abs=1e-5)


def test_a_rate_is_no_divers_below_three_and_above_a_hundred_and_fifty_litres():
    """Common practice, no source."""
    assert rate_doubtful([2.9, 3.0, 150.0, 150.1, np.nan]).tolist() == [True, False, False, True, False]


def test_the_integral_starts_anew_with_each_dive():
    total = cumulative_bar_min([0, 60, 120, 0, 30, 60], [1, 2, 2, 3, 3, 3], starts=[0, 3])
    assert total == pytest.approx([0, 1.5, 3.5, 0, 1.5, 3.0])


def test_no_time_no_rate():
    assert np.isnan(rmv_l_min(100.0, 0.0))
    assert rmv_l_min([100.0, np.nan], [10.0, 10.0])[0] == 10.0


@given(st.lists(st.floats(0.5, 7.0), min_size=2, max_size=30), st.floats(1.0, 60.0))
def test_splitting_the_steps_leaves_the_integral(ambient, step_s):
    t = np.arange(len(ambient)) * step_s
    fine = np.linspace(0, t[-1], 4 * (len(ambient) - 1) + 1)
    assert cumulative_bar_min(fine, np.interp(fine, t, ambient))[-1] == pytest.approx(
        cumulative_bar_min(t, ambient)[-1], rel=1e-9
    )
