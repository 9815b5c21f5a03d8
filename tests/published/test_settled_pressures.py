"""Constant-content cooling against the air equation and the mixture model (CoolProp 8.0.0, computed values)."""

import numpy as np
import pytest

from shared.gas.thermal import (
    gas_temperature_at_stop_c,
    settled_pressure_bar,
    split_shortfall,
    stop_pressure_bar,
    usable_free_l,
)
from shared.gas.units import absolute, bar_from_psi, c_from_f, gauge, kelvin, psi_from_bar

COOLING_OF_AIR = [  # stop bar, gas °C, later °C, real bar, ideal bar
    (300, 45, 10, 251.62, 266.89),
    (300, 45, 15, 258.56, 271.62),
    (300, 35, 15, 270.8, 280.5),
    (232, 50, 20, 202.16, 210.37),
    (232, 55, 15, 193.19, 203.60),
    (232, 40, 15, 205.76, 213.40),
    (232, 28, 12, 214.01, 219.62),
    (232, 20, 6, 215.46, 220.87),
    (230, 15, 4, 216.72, 221.18),
    (220, 25, 8, 201.73, 207.40),
    (207, 45, 15, 180.23, 187.39),
    (200, 40, 15, 178.01, 183.95),
    (50, 20, 4, 46.86, 47.22),
]


@pytest.mark.parametrize("stop_bar, gas_c, to_c, expected_bar, ideal_bar", COOLING_OF_AIR)
def test_a_closed_cylinder_settles_as_the_air_equation_says(stop_bar, gas_c, to_c, expected_bar, ideal_bar):
    """Reference: Lemmon et al. 2000, J. Phys. Chem. Ref. Data 29(3)."""
    assert settled_pressure_bar(stop_bar, gas_c, to_c) == pytest.approx(expected_bar, abs=0.2)
    assert gauge(absolute(stop_bar) * kelvin(to_c) / kelvin(gas_c)) == pytest.approx(ideal_bar, abs=0.06)


@pytest.mark.parametrize(
    "o2_pct, he_pct, expected_bar", [(32, 0, 205.53), (18, 45, 211.46), (10, 70, 212.78), (100, 0, 203.96)]
)
def test_other_mixes_settle_as_the_mixture_model_says(o2_pct, he_pct, expected_bar):
    """232 bar, 40 to 15 °C: helium mixes lose less than air, oxygen more."""
    assert settled_pressure_bar(232, 40, 15, o2_pct, he_pct) == pytest.approx(expected_bar, abs=0.2)


@pytest.mark.parametrize("pressure_bar, bar_per_k", [(200, 1.02), (232, 1.22), (300, 1.65)])
def test_slope_of_pressure_with_temperature(pressure_bar, bar_per_k):
    slope = (settled_pressure_bar(pressure_bar, 15, 15.5) - settled_pressure_bar(pressure_bar, 15, 14.5)) / 1.0
    assert slope == pytest.approx(bar_per_k, abs=0.006)


@pytest.mark.parametrize(
    "target_bar, by_gas_c",
    [
        (200, {30: 215.2, 40: 225.3, 50: 235.4, 65: 250.5}),
        (232, {30: 250.2, 40: 262.3, 50: 274.4, 65: 292.5}),
        (300, {30: 324.7, 40: 341.2, 50: 357.5, 65: 382.0}),
    ],
)
def test_stop_pressure_that_settles_to_target(target_bar, by_gas_c):
    """The pressure developed at 65 °C stays below 1.5 × the settled one, the usual test pressure."""
    for gas_c, expected_bar in by_gas_c.items():
        assert stop_pressure_bar(target_bar, gas_c) == pytest.approx(expected_bar, abs=0.3)
    assert stop_pressure_bar(target_bar, 65) < 1.5 * target_bar


@pytest.mark.parametrize("water_c, expected_c", [(5, 31.8), (10, 37.8), (15, 43.8)])
def test_a_300_that_reads_260_in_cold_water_was_stopped_hot(water_c, expected_c):
    """Common practice, no published source: a 300 bar fill reads about 260 bar once in cold water."""
    assert gas_temperature_at_stop_c(300, 260, water_c) == pytest.approx(expected_c, abs=0.2)


def test_the_three_parts_of_a_shortfall():
    """12 L of air, target 232, stopped at 230 bar with the gas at 40 °C (air equation)."""
    settled = settled_pressure_bar(230, 40, 15)
    usable = usable_free_l(12, settled, 15)
    early, compressibility, cooling = split_shortfall(12, 232, 230, settled, usable)
    assert settled == pytest.approx(204.03, abs=0.1)
    assert (early, compressibility, cooling) == pytest.approx((24.0, 58.6, 311.6), abs=4)
    assert early + compressibility + cooling == pytest.approx(12 * 232 - usable, abs=1e-9)
    assert early + compressibility + cooling == pytest.approx(394.2, abs=4)


def test_pressure_developed_in_a_us_cylinder_at_55_c():
    """49 CFR 173.301a asks for the pressure at 55 °C to stay below 5/4 of service pressure; figure computed."""
    developed = psi_from_bar(settled_pressure_bar(bar_from_psi(3000), c_from_f(70), 55.0))
    assert developed == pytest.approx(3499, abs=5)
    assert developed < 5 / 4 * 3000


def test_settling_of_a_station_full_of_fills_is_one_call():
    stops, temperatures = np.array([300.0, 232.0]), np.array([45.0, 40.0])
    assert settled_pressure_bar(stops, temperatures, [10.0, 15.0]) == pytest.approx([251.62, 205.76], abs=0.2)
