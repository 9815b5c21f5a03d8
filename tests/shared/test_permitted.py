"""One tolerance for marks, and what a gauge may read while the gas is cold."""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from shared.filling.permitted import above_permitted, most_at_bar
from shared.gas.units import bar_from_psi

#: ratings as stamped in bar and in psi on cylinders and valves (common practice, no source)
STAMPED = [(232, 3365), (207, 3000), (300, 4351), (155, 2250), (182, 2640), (237, 3442), (241, 3500), (310, 4500)]


@pytest.mark.parametrize("bar, psi", STAMPED)
def test_one_rating_stamped_in_bar_and_in_psi_is_one_pressure(bar, psi):
    assert not above_permitted(bar_from_psi(psi), bar)
    assert not above_permitted(bar, bar_from_psi(psi))


@pytest.mark.parametrize("bar, psi", STAMPED)
def test_a_bar_more_is_more(bar, psi):
    assert above_permitted(bar + 1.0, bar) and above_permitted(bar_from_psi(psi) + 1.0, bar_from_psi(psi))


def test_what_is_not_known_is_not_said_to_be_above():
    assert above_permitted([np.nan, 300.0, 240.0], [232.0, np.nan, 232.0]).tolist() == [False, False, True]


def settled(bar, from_c, to_c):
    """By the air equation of Lemmon et al. 2000, as CoolProp has it."""
    density = PropsSI("D", "P", (bar + 1.01325) * 1e5, "T", from_c + 273.15, "Air")
    return PropsSI("P", "D", density, "T", to_c + 273.15, "Air") / 1e5 - 1.01325


@pytest.mark.parametrize("gas_c", [-20.0, -5.0, 0.0, 14.0])
@pytest.mark.parametrize("permitted, reference_c", [(232.0, 15.0), (300.0, 15.0), (207.0, 21.0)])
def test_cold_gas_may_read_less_and_then_settles_to_the_mark(gas_c, permitted, reference_c):
    most = most_at_bar(permitted, gas_c, reference_c)
    assert most < permitted
    assert settled(most, gas_c, reference_c) == pytest.approx(permitted, abs=0.3)


def test_warm_gas_may_not_read_more_than_the_mark():
    assert most_at_bar(232.0, 40.0, 15.0) == 232.0
    assert most_at_bar(232.0, 18.0, 21.0) < 232.0
