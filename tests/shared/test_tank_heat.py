"""Limit cases of the gas temperature of a dived cylinder."""

import numpy as np
import pytest
from scipy.linalg import expm

from shared.diving.tank_heat import (
    conductance_w_k,
    exchange_weights,
    expansion_heat_j_mol,
    heat_capacity_j_mol_k,
    immersed_lag_s,
)
from shared.gas.constants import GAS_CONSTANT_J_MOL_K


def test_thin_gas_takes_the_ideal_heat():
    assert expansion_heat_j_mol(0.04, 288.15) == pytest.approx(GAS_CONSTANT_J_MOL_K * 288.15, rel=3e-3)


@pytest.mark.parametrize("rates", [(1 / 75, 1 / 240, 1 / 45), (1 / 20, 1 / 500, 1 / 400), (1 / 300, 1 / 20, 1 / 15)])
def test_gas_and_wall_follow_as_the_exponential_of_their_matrix(rates):
    """Reference: scipy's matrix exponential (Padé)."""
    a, b, c = rates
    matrix = expm(np.array([[-a, a], [b, -b - c]]) * 42.0)
    assert np.array(exchange_weights(42.0, a, b, c)) == pytest.approx(matrix.ravel(), rel=1e-9)


def test_two_short_steps_are_a_long_one():
    short, long = (np.reshape(exchange_weights(s, 1 / 70, 1 / 200, 1 / 50), (2, 2)) for s in (20.0, 40.0))
    assert short @ short == pytest.approx(long)


def test_without_time_nothing_changes_and_in_the_end_the_water_rules():
    assert np.array(exchange_weights(0.0, 0.1, 0.2, 0.3)) == pytest.approx([1.0, 0.0, 0.0, 1.0])
    assert np.array(exchange_weights(1e6, 0.1, 0.2, 0.3)) == pytest.approx(np.zeros(4), abs=1e-12)


def test_a_steel_twelve_follows_the_water_in_two_to_four_minutes():
    """By hand: 14 kg of steel and 3 kg of air hold 9.3 kJ/K; 0.33 m² of wall at 160 W/(m² K) take 176 s.

    Heat capacities: handbook values; the film of a slow stream of water: 100 to 250 W/(m² K); both from memory.
    """
    assert 120.0 < immersed_lag_s(12.0) < 240.0


def test_larger_cylinders_are_slower_and_thin_gas_conducts_less():
    assert immersed_lag_s(15.0) > immersed_lag_s(12.0) > immersed_lag_s(7.0)
    assert conductance_w_k(12.0, 2) == pytest.approx(2 * conductance_w_k(12.0))
    assert conductance_w_k(12.0, 1, 2.0) < conductance_w_k(12.0, 1, 8.0)
    assert conductance_w_k(12.0, 1, 6.0, 8.0) > conductance_w_k(12.0, 1, 6.0, 2.0)


def test_heat_capacity_of_compressed_air_and_helium():
    """Reference: CoolProp, molar heat capacity at constant volume at 15 °C."""
    props = pytest.importorskip("CoolProp.CoolProp").PropsSI
    for bar in (50, 150, 250):
        air = props("Cvmolar", "T", 288.15, "P", bar * 1e5, "Air")
        assert heat_capacity_j_mol_k(0.0) == pytest.approx(air, rel=0.06)
    helium = props("Cvmolar", "T", 288.15, "P", 150e5, "Helium")
    assert heat_capacity_j_mol_k(100.0) == pytest.approx(helium, rel=0.02)
