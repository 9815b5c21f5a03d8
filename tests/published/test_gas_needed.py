"""Gas needed for an ascent, against printed examples, each under its own conventions."""

import pytest

from shared.diving.breathing import ideal_used_free_l
from shared.diving.reserve import AscentPolicy, ascent_bar_min, required_free_l
from shared.gas.thermal import amount_free_l, pressure_of_free_l

TEN_METRES_A_BAR_KG_M3 = 1e4 / 9.80665  # 10 m of water is 1 bar


def test_three_parts_of_an_ascent_from_thirty_metres():
    """A worked sum: 2 × 25 L/min, 30 m, P = 1 + d/10: 200.0 + 416.7 + 225.0 = 841.7 free litres (arithmetic)."""
    whole = required_free_l(30, 1.0, TEN_METRES_A_BAR_KG_M3, 25, 2)
    bottom = required_free_l(30, 1.0, TEN_METRES_A_BAR_KG_M3, 25, 2, ascent=AscentPolicy(ascent_m_min=1e12, stop_min=0))
    rising = required_free_l(
        30, 1.0, TEN_METRES_A_BAR_KG_M3, 25, 2, ascent=AscentPolicy(minutes_before_ascent=0, stop_min=0)
    )
    assert bottom == pytest.approx(200.0, abs=0.05)
    assert rising == pytest.approx(416.7, abs=0.05)
    assert whole - bottom - rising == pytest.approx(225.0, abs=0.05)
    assert whole == pytest.approx(841.7, abs=0.05)


def test_the_same_in_salt_water_at_thirty_litres_a_minute():
    """As above at 30 L/min, 1025 kg/m³, surface 1.01325 bar: 1018.8 free litres (arithmetic)."""
    assert required_free_l(30) == pytest.approx(1018.8, abs=0.05)


def test_emergency_cylinder_for_190_feet():
    """US Navy Diving Manual Rev. 4 Change A § 8-2.2.1 (read in the source).

    Its conventions: fsw and standard cubic feet, 33 fsw an atmosphere, ascent at 30 ft/min rounded up to
    7 minutes with the mean depth of 95 fsw. It prints 28.38 + 38.01 = 66.39 scf and 2580.95 psig, taken
    as 2600 psig. The line with the time on the bottom was not seen; 3 minutes reproduces it.
    """
    rate_acfm, depth_fsw = 1.4, 190
    atm_per_fsw = 1 / 33
    density = atm_per_fsw * 1e5 / 9.80665  # so that the water's pressure comes out in atm per foot
    bottom = rate_acfm * ascent_bar_min(
        depth_fsw, 1.0, density, AscentPolicy(minutes_before_ascent=3, ascent_m_min=1e12, stop_min=0)
    )
    rising = rate_acfm * ascent_bar_min(
        depth_fsw, 1.0, density, AscentPolicy(minutes_before_ascent=0, ascent_m_min=depth_fsw / 7, stop_min=0)
    )
    assert bottom == pytest.approx(28.38, abs=0.01)
    assert rising == pytest.approx(38.01, abs=0.01)
    needed_scf = round(float(bottom), 2) + round(float(rising), 2)
    assert needed_scf == pytest.approx(66.39, abs=0.011)
    # the printed pressure, less the 135 psi that cannot be used, holds that much of 0.399 ft³ at 14.7 psi
    assert ideal_used_free_l(0.399, 2580.95, 135.0) / 14.7 == pytest.approx(66.39, abs=0.01)


def test_emergency_cylinder_for_300_feet():
    """US Navy Diving Manual, saturation chapter § 15-8, from a copy (attribution inferred from the paragraph).

    2681 psi usable of an 80 ft³ cylinder: 73.2 scf; 1.4 acfm at 300 fsw: 14.13 scfm; 5.18 minutes.
    """
    scf = ideal_used_free_l(0.399, 2681.0, -14.7) / 14.7
    density = 1e5 / 33 / 9.80665
    rate_scfm = 1.4 * ascent_bar_min(300, 1.0, density, AscentPolicy(1.0, 1e12, 5.0, 0.0))
    assert scf == pytest.approx(73.2, abs=0.05)
    assert rate_scfm == pytest.approx(14.13, abs=0.01)
    assert scf / rate_scfm == pytest.approx(5.18, abs=0.01)


@pytest.mark.parametrize(
    "needed_free_l, capacity_l, expected_bar", [(841.7, 12.0, 77.3), (1018.8, 12.0, 91.5), (1018.8, 24.0, 50.9)]
)
def test_gauge_from_which_a_cylinder_holds_it_above_ten_bar(needed_free_l, capacity_l, expected_bar):
    """Air at 10 °C, unusable below 10 bar gauge: computed with CoolProp's air equation (Lemmon et al. 2000)."""
    unusable = amount_free_l(capacity_l, 10.0, 10.0)
    assert pressure_of_free_l(capacity_l, unusable + needed_free_l, 10.0) == pytest.approx(expected_bar, abs=0.2)
