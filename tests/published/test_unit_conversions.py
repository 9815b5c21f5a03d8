"""Exact definitions: pound, inch, foot, standard atmosphere and gravity; gas constant of the SI of 2019."""

import pytest

from shared.gas import units
from shared.gas.constants import GAS_CONSTANT_J_MOL_K, KG_PER_LB


def test_exact_conversions():
    assert units.bar_from_psi(1) * 1e5 == pytest.approx(6894.757, abs=0.0005)
    assert units.l_from_cuft(1) == pytest.approx(28.316847, abs=5e-7)
    assert units.gauge(1.01325) == 0
    assert units.m_from_ft(1) == 0.3048
    assert units.c_from_f(212) == pytest.approx(100)
    assert KG_PER_LB == 0.45359237


def test_the_gas_constant_is_the_product_of_two_exact_ones():
    assert pytest.approx(1.380649e-23 * 6.02214076e23, rel=1e-10) == GAS_CONSTANT_J_MOL_K


@pytest.mark.parametrize(
    "there, back",
    [("bar_from_psi", "psi_from_bar"), ("l_from_cuft", "cuft_from_l"), ("c_from_f", "f_from_c"),
     ("m_from_ft", "ft_from_m"), ("absolute", "gauge"), ("kelvin", "celsius")],
)  # fmt: skip
def test_conversions_undo_each_other(there, back):
    assert getattr(units, back)(getattr(units, there)(123.4)) == pytest.approx(123.4)
