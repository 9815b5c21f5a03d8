"""Dives at altitude, in fresh water and by the standard of depth gauges: ambient pressure and rates by hand.

Pressure at altitude: ISO 2533:1975, standard atmosphere (2000 m: 794.95 hPa). Depth gauges: EN 13319:2000, 10 m are
1 bar (from memory). Gas used: CoolProp's air equation (Lemmon et al. 2000).
"""

from dataclasses import replace

import pytest

from schemas.policy import Policy
from tests.pipelines.dive_frames import C1, build, build_member_dives, dive, fills, inputs, one, profile, tank, units

G = 9.80665  # m/s²
AT_2000_M = 0.79495
SEA_LEVEL = 1.01325


def by_hand(water="salt", surface=None, calibration="water"):
    """40 min at a mean of 20 m and a greatest depth of 30 m, 12 L from 210 to 70 bar, all at 10 °C."""
    row = dive(
        water=water,
        duration_min=40.0,
        mean_depth_m=20.0,
        max_depth_m=30.0,
        air_c=10.0,
        surface_pressure_bar_abs=float("nan") if surface is None else surface,
    )
    policy = Policy()
    policy = replace(policy, dives=replace(policy.dives, depth_calibration=calibration))
    return one(build_member_dives("m0", inputs([row], [tank()]), units(C1), fills(), policy))


@pytest.mark.parametrize(
    "asked, surface_bar, density_kg_m3",
    [
        ({"water": "salt"}, SEA_LEVEL, 1025.0),  # sea water of 35 g/kg at 20 °C, TEOS-10 (from memory)
        ({"water": "fresh"}, SEA_LEVEL, 1000.0),
        ({"water": "fresh", "surface": AT_2000_M}, AT_2000_M, 1000.0),
        ({"water": "salt", "calibration": "en13319"}, SEA_LEVEL, 1e5 / 10 / G),
        ({"water": "fresh", "calibration": "en13319"}, SEA_LEVEL, 1e5 / 10 / G),
    ],
)
def test_ambient_pressure_oxygen_and_rates_of_a_dive(asked, surface_bar, density_kg_m3):
    row = by_hand(**asked)
    mean_bar, deepest_bar = (surface_bar + density_kg_m3 * G / 1e5 * depth for depth in (20.0, 30.0))
    assert row["mean_ambient_bar_abs"] == pytest.approx(mean_bar, rel=1e-3)
    assert row["max_ppo2_bar"] == pytest.approx(0.2095 * deepest_bar, rel=2e-3)
    assert row["rmv_l_min"] * 40.0 * mean_bar == pytest.approx(row["gas_used_free_l"], rel=1e-3)
    # what a diver works out on a slate: bar a minute, brought to 1 bar
    assert row["ideal_rmv_l_min"] == pytest.approx(12.0 * 140.0 / 40.0 / mean_bar, rel=1e-3)
    assert row["sac_bar_min"] == pytest.approx(140.0 / 40.0 / mean_bar, rel=1e-3)


def test_gas_used_does_not_depend_on_the_surface_but_the_rate_does():
    """The cylinder's gauge reads against one atmosphere wherever it is read; 20 m under 0.795 bar are 2.756 bar."""
    sea, lake = by_hand("fresh"), by_hand("fresh", AT_2000_M)
    assert lake["gas_used_free_l"] == pytest.approx(sea["gas_used_free_l"], rel=2e-3)
    assert lake["rmv_l_min"] / sea["rmv_l_min"] == pytest.approx((1.01325 + 1.96133) / (0.79495 + 1.96133), rel=3e-3)


def test_gas_used_from_210_to_70_bar_is_what_the_reference_equation_says():
    """12 L of air at 10 °C throughout: what CoolProp's densities leave, to what warming and cooling do in a dive."""
    from CoolProp.CoolProp import PropsSI

    mol = 12e-3 * sum(
        sign * PropsSI("Dmolar", "T", 283.15, "P", (bar + 1.01325) * 1e5, "Air")
        for sign, bar in ((1, 210.0), (-1, 70.0))
    )
    assert by_hand()["gas_used_free_l"] == pytest.approx(mol / 0.041740, rel=0.03)


def test_a_trace_in_a_mountain_lake_begins_at_the_pressure_of_the_air_there():
    """18 m of fresh water under 0.79495 bar: 1.76520 bar more, by hand."""
    mountain = dive(water="fresh", surface_pressure_bar_abs=AT_2000_M)
    trace = build([mountain], [tank(unit_id="c1")], [profile()])["dive_trace"]["ambient_bar_abs"]
    assert (trace.min(), trace.max()) == pytest.approx((AT_2000_M, AT_2000_M + 1.76520), abs=1e-4)
