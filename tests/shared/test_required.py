"""Required gas is the exact integral, whatever the policy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.diving.reserve import AscentPolicy, required_free_l, team_rmv_l_min


def integrated(depth_m, surface_bar, density, rate, team, a, steps=20001):
    """Ambient pressure walked through in small steps; no closed form."""
    bar_m = density * 9.80665 / 1e5
    t = np.linspace(0, depth_m / a.ascent_m_min, steps)
    rising = np.trapezoid(surface_bar + bar_m * (depth_m - a.ascent_m_min * t), t)
    bottom = a.minutes_before_ascent * (surface_bar + bar_m * depth_m)
    stop = a.stop_min * (surface_bar + bar_m * a.stop_depth_m) if depth_m > a.stop_below_m else 0.0
    return rate * team * (rising + bottom + stop)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0, 120),
    st.floats(0.6, 1.1),
    st.sampled_from([1000.0, 1019.716, 1025.0]),
    st.floats(10, 60),
    st.integers(1, 4),
    st.floats(0, 5),
    st.floats(3, 20),
    st.floats(0, 10),
)
def test_required_gas_is_the_integral_of_ambient_pressure(depth, surface, density, rate, team, before, up, stop):
    a = AscentPolicy(minutes_before_ascent=before, ascent_m_min=up, stop_min=stop)
    exact = required_free_l(depth, surface, density, rate, team, ascent=a)
    assert exact == pytest.approx(integrated(depth, surface, density, rate, team, a), rel=1e-6, abs=1e-9)


def test_the_stop_counts_only_when_deeper_than_the_policy_says():
    below, at = required_free_l([10.001, 10.0])
    assert below - at == pytest.approx(2 * 30 * 3 * (1.01325 + 1025 * 9.80665 * 5 / 1e5), rel=1e-3)


def test_a_member_with_an_own_rate_leaves_the_other_at_the_stressed_rate():
    assert team_rmv_l_min(30, 2, 45) == 75
    assert required_free_l(20, member_rmv_l_min=30) == pytest.approx(required_free_l(20))


def test_unknown_depth_stays_unknown_and_a_depth_above_water_counts_as_the_surface():
    needed = required_free_l([np.nan, -0.4, 0.0])
    assert np.isnan(needed[0])
    assert needed[1] == needed[2] == pytest.approx(60 * 1.01325)
