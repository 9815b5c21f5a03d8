"""The gas engine: tables against the equation, mixes a row, and what is refused."""

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.gas import equation
from shared.gas import mix as gas
from shared.gas.mix import AIR, Mix, OutOfRange, table_for

MIXES = [AIR, Mix(32), Mix(50), Mix(100), Mix(18, 45), Mix(10, 70), Mix(0, 100), Mix(21, 79), Mix(0, 0, 100), Mix(0)]

pressures = st.floats(0.5, 500.0)
temperatures = st.floats(230.0, 430.0)


@st.composite
def mixes(draw):
    o2 = draw(st.floats(0.0, 100.0))
    return Mix(o2, draw(st.floats(0.0, 1.0)) * (100.0 - o2))


def states(count, seed):
    """States over the box, crowded towards its edges and corners where an interpolant is worst."""
    rng = np.random.default_rng(seed)
    spread = np.clip(rng.uniform(-0.05, 1.05, (2, count)), 0.0, 1.0)
    return 0.5 + 499.5 * spread[0], 230.0 + 200.0 * spread[1]


@pytest.mark.parametrize("mix", MIXES, ids=str)
def test_tables_stay_within_their_error_of_the_equation(mix):
    pressure, temperature = states(4000, seed=3)
    table, exact = table_for(mix), equation.density_mol_l(pressure, temperature, mix.fractions)
    assert table.density_mol_l(pressure, temperature) == pytest.approx(exact, rel=2e-6)
    assert table.pressure_bar_abs(exact, temperature) == pytest.approx(pressure, rel=2e-7)
    energy = equation.internal_energy_j_mol(exact, temperature, mix.fractions)
    assert table.internal_energy_j_mol(exact, temperature) == pytest.approx(energy, abs=1e-3)
    enthalpy = energy + 100.0 * pressure / exact
    assert table.enthalpy_j_mol(exact, temperature) == pytest.approx(enthalpy, abs=5e-3)


@given(mixes(), st.lists(st.tuples(pressures, temperatures), min_size=1, max_size=20))
@settings(max_examples=40, deadline=None)
def test_pressure_comes_back_from_density_for_any_mix(mix, rows):
    pressure, temperature = np.array(rows).T
    for density_of, pressure_of in [
        (table_for(mix).density_mol_l, table_for(mix).pressure_bar_abs),
        (lambda p, t: gas.density_direct(p, t, mix), lambda d, t: gas.pressure_direct(d, t, mix)),
    ]:
        density = density_of(pressure, temperature)
        assert pressure_of(density, temperature) == pytest.approx(pressure, rel=1e-5)


@given(mixes(), st.floats(0.5, 495.0), st.floats(230.0, 429.0))
@settings(max_examples=60, deadline=None)
def test_denser_at_more_pressure_and_thinner_when_hotter(mix, pressure, temperature):
    density = gas.density_direct(pressure, temperature, mix)
    assert gas.density_direct(1.01 * pressure, temperature, mix) > density
    assert gas.density_direct(pressure, temperature + 1.0, mix) < density


def test_thin_gas_is_ideal():
    density = gas.density_direct(0.5, 300.0)
    assert density * 8.314462618 * 300.0 / 100.0 == pytest.approx(0.5, rel=3e-4)
    helium_heat = gas.internal_energy_direct(gas.density_direct(0.5, 310, Mix(0, 100)), 310, Mix(0, 100))
    helium_cold = gas.internal_energy_direct(gas.density_direct(0.5, 300, Mix(0, 100)), 300, Mix(0, 100))
    assert helium_heat - helium_cold == pytest.approx(1.5 * 8.314462618 * 10, rel=1e-3)


@pytest.mark.parametrize("count", [40, 5000])
def test_a_mix_a_row_equals_each_row_alone(count):
    rng = np.random.default_rng(8)
    which = rng.integers(0, 4, count)
    o2, he = np.array([20.95, 32.0, 18.0, 10.0])[which], np.array([0.0, 0.0, 45.0, 70.0])[which]
    pressure, temperature = states(count, seed=9)
    together = gas.density_mol_l(pressure, temperature, o2, he)
    for mix in (AIR, Mix(32), Mix(18, 45), Mix(10, 70)):
        rows = o2 == mix.o2_pct
        assert together[rows] == pytest.approx(gas.density_direct(pressure[rows], temperature[rows], mix), rel=2e-6)


@pytest.mark.parametrize("order", ["runs", "shuffled"])
def test_order_of_rows_does_not_matter(order):
    o2 = np.repeat([20.95, 32.0, np.nan, 36.0], 500)
    pressure, temperature = states(o2.size, seed=11)
    rows = np.arange(o2.size) if order == "runs" else np.random.default_rng(2).permutation(o2.size)
    straight = gas.density_mol_l(pressure, temperature, o2)
    assert np.isnan(straight).sum() == 500
    assert gas.density_mol_l(pressure[rows], temperature[rows], o2[rows]) == pytest.approx(
        straight[rows], rel=2e-6, nan_ok=True
    )


def test_states_of_one_pressure_are_those_beside_others():
    kelvin, bar = np.linspace(240.0, 330.0, 100), np.full(100, 11.0)
    beside = gas.density_mol_l(np.append(bar, 200.0), np.append(kelvin, 288.0))
    assert gas.density_mol_l(bar, kelvin) == pytest.approx(beside[:-1], rel=1e-12)


def test_columns_broadcast_like_arrays():
    assert np.shape(gas.density_mol_l(200.0, 288.15)) == ()
    assert gas.density_mol_l(np.full((3, 1), 200.0), np.full(4, 288.15), [[32.0]]).shape == (3, 4)
    assert gas.density_mol_l([], 288.15).shape == (0,)
    assert gas.density_mol_l([], 288.15, []).shape == (0,)
    assert gas.molar_mass_g_mol([20.95, 100.0]).shape == (2,)


def test_stated_argon_replaces_nitrogen_and_unknown_argon_is_airs_share():
    assert Mix(20.95, 0.0, float("nan")) == Mix(20.95)
    assert pytest.approx((0.7812, 0.2095, 0.0093, 0.0)) == AIR.fractions
    assert Mix(0, 0, 20).fractions == pytest.approx((0.8, 0.0, 0.2, 0.0))
    mixed = gas.density_mol_l(200.0, 288.15, 20.95, 0.0, [np.nan, 0.93, 20.0])
    assert mixed[0] == pytest.approx(mixed[1])
    assert mixed[2] > mixed[0]


@pytest.mark.parametrize(
    "mix, breathable", [(AIR, True), (Mix(4.9, 90), False), (Mix(20, 0, 20), False), (Mix(10, 70), True)]
)
def test_suit_gas_is_not_breathable(mix, breathable):
    assert mix.breathable is breathable


def test_what_is_not_known_stays_not_known():
    density = gas.density_mol_l([200.0, np.nan, 200.0, 200.0], [288.15, 288.15, np.nan, 288.15], [21, 21, 21, np.nan])
    assert np.isnan(density).tolist() == [False, True, True, True]
    assert np.isnan(gas.pressure_bar_abs(np.nan, 288.15))
    assert np.isnan(gas.enthalpy_j_mol([np.nan, 8.0], 288.15)).tolist() == [True, False]


@pytest.mark.parametrize(
    "pressure, temperature",
    [(0.4, 300.0), (501.0, 300.0), (200.0, 229.0), (200.0, 431.0), (-1.0, 300.0), (np.inf, 300.0), (200.0, np.inf)],
)
def test_outside_the_box_is_refused_never_extrapolated(pressure, temperature):
    with pytest.raises(OutOfRange, match=r"state 1: .* outside the gas table's box"):
        gas.density_mol_l([200.0, pressure], [300.0, temperature])
    with pytest.raises(OutOfRange):
        table_for(AIR).density_mol_l(pressure, temperature)
    with pytest.raises(OutOfRange):
        gas.density_direct(pressure, temperature)
    lenient = gas.density_mol_l([200.0, pressure], [300.0, temperature], strict=False)
    assert np.isnan(lenient).tolist() == [False, True]


@pytest.mark.parametrize("density", [0.0, -1.0, 1e-3, 24.0, 1e9, np.inf])
@pytest.mark.parametrize("count", [1, 2000])
def test_densities_outside_the_box_are_refused(density, count):
    with pytest.raises(OutOfRange):
        gas.pressure_bar_abs(np.full(count, density), 300.0)
    with pytest.raises(OutOfRange):
        gas.internal_energy_j_mol(np.full(count, density), 300.0)
    with pytest.raises(OutOfRange):
        table_for(AIR).pressure_bar_abs(density, 300.0)
    assert np.isnan(gas.enthalpy_j_mol(np.full(count, density), 300.0, strict=False)).all()


@pytest.mark.parametrize("o2, he, ar", [(101, 0, np.nan), (-1, 0, np.nan), (60, 50, np.nan), (20, 0, 90), (20, 0, -1)])
def test_shares_that_cannot_be_are_refused(o2, he, ar):
    with pytest.raises(OutOfRange, match="no such mix"):
        gas.density_mol_l([200.0, 200.0], 288.15, [21.0, o2], [0.0, he], [np.nan, ar])
    assert np.isnan(gas.density_mol_l(200.0, 288.15, [21.0, o2], [0.0, he], [np.nan, ar], strict=False))[1]
    with pytest.raises(OutOfRange):
        Mix(o2, he, ar)


def test_edges_of_the_box_are_inside():
    corners = gas.density_mol_l([0.5, 500.0, 0.5, 500.0], [230.0, 230.0, 430.0, 430.0])
    assert gas.pressure_bar_abs(corners, [230.0, 230.0, 430.0, 430.0]) == pytest.approx([0.5, 500.0, 0.5, 500.0])


def test_tables_are_kept_and_capped():
    assert table_for(Mix(33.3)) is table_for(Mix(33.3))
    for number in range(gas.TABLES_KEPT + 5):
        table_for(Mix(20.0 + number * 0.01))
    assert gas._table.cache_info().currsize == gas.TABLES_KEPT


def test_nothing_but_numpy_is_loaded():
    """The calculator at the compressor has half a second; the gas engine loads no scipy and no pandas."""
    code = (
        "import sys, shared.gas.thermal; 'pyaga8' in sys.modules and sys.exit('pyaga8 at import');"
        "shared.gas.thermal.settled_pressure_bar(300, 45, 15);"
        "sys.exit(', '.join({'scipy', 'pandas'} & set(sys.modules)) or 0)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (run.returncode, run.stderr.strip()) == (0, "")
