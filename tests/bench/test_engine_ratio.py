"""The tables against a bare bicubic spline on the same states in the same run.

A ratio of processor times, never an absolute time: both see the same busy machine. Run as a script for
the figures alone.
"""

import time

import numpy as np
import pytest

from shared.gas import equation
from shared.gas.mix import AIR, density_mol_l, pressure_bar_abs
from shared.gas.table import GasTable

pytestmark = pytest.mark.once

STATES = 500_000


def best_s(work, rounds=5):
    times = []
    for _ in range(rounds):
        started = time.process_time()
        work()
        times.append(time.process_time() - started)
    return min(times)


def measure():
    """Seconds for density and pressure of the same states by our functions and by a spline of 96 × 48 knots."""
    from scipy.interpolate import RectBivariateSpline

    rng = np.random.default_rng(1)
    pressure, temperature = rng.uniform(0.5, 500, STATES), rng.uniform(230, 430, STATES)
    density = density_mol_l(pressure, temperature)
    p_knots, t_knots = np.linspace(0.5, 500, 96), np.linspace(230, 430, 48)
    grid = np.meshgrid(p_knots, t_knots, indexing="ij")
    values = equation.density_mol_l(grid[0].ravel(), grid[1].ravel(), AIR.fractions).reshape(96, 48)
    spline = RectBivariateSpline(p_knots, t_knots, values)
    exact = equation.density_mol_l(pressure[:20000], temperature[:20000], AIR.fractions)
    return {
        "spline": best_s(lambda: spline.ev(pressure, temperature)),
        "density": best_s(lambda: density_mol_l(pressure, temperature)),
        "pressure": best_s(lambda: pressure_bar_abs(density, temperature)),
        "equation": best_s(lambda: equation.density_mol_l(pressure[:20000], temperature[:20000], AIR.fractions), 2)
        * (STATES / 20000),
        "built": best_s(lambda: GasTable(AIR.fractions).compressibility_of_pressure),
        "error": float(np.abs(density[:20000] / exact - 1).max()),
        "spline_error": float(np.abs(spline.ev(pressure[:20000], temperature[:20000]) / exact - 1).max()),
    }


def report(seconds):
    rate = {name: STATES / seconds[name] / 1e6 for name in ("density", "pressure", "spline", "equation")}
    return (
        f"density {rate['density']:.1f}, pressure {rate['pressure']:.1f}, bare spline {rate['spline']:.1f}, "
        f"equation {rate['equation']:.1f} million states a second; table built in {seconds['built'] * 1e3:.2f} ms; "
        f"worst relative error {seconds['error']:.0e} (spline {seconds['spline_error']:.0e})"
    )


@pytest.fixture(scope="module")
def seconds():
    return measure()


@pytest.mark.parametrize("name", ["density", "pressure"])
def test_checked_and_grouped_states_are_no_slower_than_a_bare_spline(seconds, name, measured):
    spline = "SciPy: bicubic spline of 96 × 48 knots"
    measured(f"{name} of {STATES // 1000},000 states of gas", seconds[name], spline, seconds["spline"], "1.2")
    assert seconds[name] < 1.2 * seconds["spline"]


def test_the_table_is_well_ahead_of_the_equation(seconds):
    assert seconds["density"] * 4 < seconds["equation"]


def test_it_is_not_bought_with_accuracy(seconds):
    assert seconds["error"] < 1e-5


if __name__ == "__main__":
    print(report(measure()))
