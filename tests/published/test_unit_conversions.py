"""Exact definitions: pound, inch, foot, standard atmosphere and gravity; gas constant of the SI of 2019."""

import pytest

from schemas import reading_units
from shared.gas import units
from shared.gas.constants import GAS_CONSTANT_J_MOL_K, KG_PER_LB


def test_exact_conversions():
    assert units.bar_from_psi(1) * 1e5 == pytest.approx(6894.757, abs=0.0005)
    assert units.l_from_cuft(1) == pytest.approx(28.316847, abs=5e-7)
    assert units.gauge(1.01325) == 0
    assert units.m_from_ft(1) == 0.3048
    assert units.c_from_f(212) == pytest.approx(100)
    assert KG_PER_LB == 0.45359237


@pytest.mark.parametrize(
    "unit, typed, metric, digits",
    [  # NIST SP 811 (2008), Appendix B.8, factors as printed, seven figures; °F by its formula (t - 32)/1.8
        ("bar", 1.0, 6.894757e-02, 7),  # psi: 6.894 757 E+03 Pa
        ("L", 1.0, 28.31685, 7),  # cubic foot: 2.831 685 E-02 m³
        ("L/min", 1.0, 4.719474e-04 * 60000.0, 6),  # cubic foot per minute: 4.719 474 E-04 m³/s
        ("m", 1.0, 0.3048, 7),  # foot: 3.048 E-01 m, exact
        ("kg", 1.0, 0.4535924, 7),  # pound (avoirdupois): 4.535 924 E-01 kg
        ("°C", 212.0, 100.0, 7),
        ("K", 1.0, 0.5555556, 7),  # degree Fahrenheit, temperature interval: 5.555 556 E-01 K
    ],
)
def test_reading_units_are_those_of_the_printed_table(unit, typed, metric, digits):
    with reading_units.reading(reading_units.US):
        assert reading_units.shown(unit).back(typed) == pytest.approx(metric, rel=0.51 * 10.0 ** (1 - digits))


def test_the_gas_constant_is_the_product_of_two_exact_ones():
    assert pytest.approx(1.380649e-23 * 6.02214076e23, rel=1e-10) == GAS_CONSTANT_J_MOL_K


@pytest.mark.parametrize(
    "there, back",
    [("bar_from_psi", "psi_from_bar"), ("l_from_cuft", "cuft_from_l"), ("c_from_f", "f_from_c"),
     ("m_from_ft", "ft_from_m"), ("kg_from_lb", "lb_from_kg"), ("absolute", "gauge"), ("kelvin", "celsius")],
)  # fmt: skip
def test_conversions_undo_each_other(there, back):
    assert getattr(units, back)(getattr(units, there)(123.4)) == pytest.approx(123.4)
