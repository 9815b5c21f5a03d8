"""Limit cases of the gas temperature of a dived cylinder."""

import numpy as np
import pytest

from shared.constants import GAS_CONSTANT_J_MOL_K
from shared.tank_heat import (
    conductance_w_k,
    expansion_heat_j_mol,
    immersed_lag_s,
    lag_weights,
    relaxed_c,
)


def test_thin_gas_takes_the_ideal_heat():
    assert expansion_heat_j_mol(0.04, 288.15) == pytest.approx(GAS_CONSTANT_J_MOL_K * 288.15, rel=3e-3)


def test_weights_of_a_lagged_temperature_sum_to_one():
    start, water, pull = lag_weights([20.0, 60.0], [180.0, 150.0], 50)
    assert np.allclose(start + water.sum(axis=2), 1.0)
    assert np.allclose(pull.sum(axis=2)[:, -1], 1.0, atol=1e-3)
    assert np.allclose(start[:, 0], 1.0)


def test_no_lag_is_isothermal():
    start, water, _ = lag_weights([30.0], [1e-3], 10)
    assert np.allclose(start[:, 1:], 0.0)
    assert np.allclose(np.diagonal(water[0, 1:]), 1.0)


def test_an_endless_lag_keeps_the_temperature():
    start, _, _ = lag_weights([30.0], [1e12], 10)
    assert np.allclose(start, 1.0)


def test_fine_and_coarse_steps_agree():
    fine, _, _ = lag_weights([10.0], [180.0], 60)
    coarse, _, _ = lag_weights([60.0], [180.0], 10)
    assert np.allclose(fine[:, ::6], coarse)


def test_the_lag_agrees_with_two_bodies_stepped_through_time():
    lag, share, step = 180.0, 0.3, 0.01
    gas = wall = 1.0
    for _ in range(int(120 / step)):
        gas, wall = gas + (wall - gas) * step / ((1 - share) * lag), wall - wall * step / (share * lag)
    assert lag_weights([120.0], [lag], 1, share)[0][0, 1] == pytest.approx(gas, abs=1e-4)


def test_in_the_end_the_gas_is_as_warm_as_the_water():
    assert relaxed_c(40.0, 10.0, 1e9, immersed_lag_s(12.0)) == 10.0


def test_larger_cylinders_are_slower():
    assert immersed_lag_s(15.0) > immersed_lag_s(12.0) > immersed_lag_s(7.0)
    assert conductance_w_k(12.0, 2) == pytest.approx(2 * conductance_w_k(12.0))
