"""Content of cylinders against the air equation and the mixture model (CoolProp 8.0.0, computed values).

Free litre: 1 bar, 15 °C, ideal. Usable: down to an empty gauge.
"""

import pytest

from shared.gas import mix as gas
from shared.gas.constants import FREE_LITRE_MOL
from shared.gas.thermal import amount_free_l, pressure_of_free_l, settled_pressure_bar, usable_free_l
from shared.gas.units import absolute, bar_from_psi, capacity_l_from_rating, kelvin, l_from_cuft


def test_a_free_litre_is_the_amount_the_trade_counts_in():
    assert pytest.approx(0.0417395, rel=1e-5) == FREE_LITRE_MOL


@pytest.mark.parametrize(
    "pressure_bar, usable_per_l",
    [(50, 50.75), (100, 101.61), (150, 150.51), (200, 195.70), (232, 222.22), (250, 236.27), (300, 272.13)],
)
def test_usable_litres_per_litre_of_capacity(pressure_bar, usable_per_l):
    assert usable_free_l(1, pressure_bar, 15) == pytest.approx(usable_per_l, rel=0.0015)


@pytest.mark.parametrize(
    "capacity_l, pressure_bar, usable_l, total_l",
    [
        (12, 232, 2666.6, 2678.8),
        (24, 232, 5333.2, 5357.5),
        (14, 300, 3809.9, 3824.1),
        (14, 260, 3413.3, 3427.5),
        (10, 200, 1957.0, 1967.1),
        (10, 300, 2721.3, 2731.5),
        (15, 232, 3333.2, 3348.4),
        (12, 300, 3265.6, None),
    ],
)
def test_content_of_usual_cylinders(capacity_l, pressure_bar, usable_l, total_l):
    assert usable_free_l(capacity_l, pressure_bar, 15) == pytest.approx(usable_l, rel=0.0015)
    if total_l:
        assert amount_free_l(capacity_l, pressure_bar, 15) == pytest.approx(total_l, rel=0.0015)
        assert pressure_of_free_l(capacity_l, total_l, 15) == pytest.approx(pressure_bar, abs=0.5)


@pytest.mark.parametrize("o2_pct, he_pct, pressure_bar, usable_l", [(18, 45, 232, 2450.0), (100, 0, 200, 2577.9)])
def test_content_of_trimix_and_oxygen(o2_pct, he_pct, pressure_bar, usable_l):
    assert usable_free_l(12, pressure_bar, 15, o2_pct, he_pct) == pytest.approx(usable_l, rel=0.002)


def test_oxygen_holds_more_than_capacity_times_pressure_and_air_less():
    assert usable_free_l(12, 200, 15, 100) > 2400 > usable_free_l(12, 200, 15)


@pytest.mark.parametrize("o2_pct, he_pct, mass_kg", [(20.95, 0, 3.239), (18, 45, 1.848)])
def test_mass_of_gas_in_a_12_l_at_232_bar(o2_pct, he_pct, mass_kg):
    density = gas.density_mol_l(absolute(232), kelvin(15), o2_pct, he_pct)
    assert 12 * density * gas.molar_mass_g_mol(o2_pct, he_pct) / 1000 == pytest.approx(mass_kg, rel=0.002)


def test_twins_carry_what_the_trade_says():
    """Common practice, no published source: a twin 12 is twice a single 12; twin 7s at 300 carry much less."""
    twin_12, twin_7 = usable_free_l(24, 232, 15), usable_free_l(14, 300, 15)
    assert twin_12 == pytest.approx(2 * usable_free_l(12, 232, 15))
    assert twin_7 / twin_12 == pytest.approx(0.71, abs=0.005)
    assert usable_free_l(14, 260, 15) / twin_12 == pytest.approx(0.64, abs=0.005)
    assert settled_pressure_bar(300, 37.8, 10) == pytest.approx(260, abs=0.3)


def test_a_cylinder_rated_80_cubic_feet():
    """80 ft³ at 3000 psig: ideal capacity 11.04 L; 11.1 L really hold 77.9 ft³ in all, 77.5 usable (70 °F)."""
    assert capacity_l_from_rating(80.0, 3000.0) == pytest.approx(11.04, abs=0.01)
    litres_at_70_f_and_1_atm = 1.01325 / 1.0 * 288.15 / 294.2611
    total = amount_free_l(11.1, bar_from_psi(3000), 21.111) / l_from_cuft(litres_at_70_f_and_1_atm)
    usable = usable_free_l(11.1, bar_from_psi(3000), 21.111) / l_from_cuft(litres_at_70_f_and_1_atm)
    assert (total, usable) == pytest.approx((77.9, 77.5), abs=0.15)
