"""Consumption against printed figures and figures computed with another library.

Marks: V read in the source or a word-for-word reproduction, V2 read in a secondary source, C computed
with the tool named, from memory where it says so.
"""

import numpy as np
import pytest

from shared.diving.breathing import EN13319_KG_M3, ambient_bar_abs, ideal_used_free_l, rmv_l_min
from shared.diving.tank_heat import conductance_w_k, expansion_heat_j_mol
from shared.gas.thermal import amount_free_l, density_mol_l, settled_pressure_bar

CUBIC_FEET, PSI = 1.0, 14.7  # the manual's own units: psi per atmosphere


@pytest.mark.parametrize(
    "kg_m3, expected_bar",
    [
        (1000.0, (0.9807, 1.7652, 2.9420, 3.9227)),
        (1025.0, (1.0052, 1.8093, 3.0155, 4.0207)),
        (1030.0, (1.0101, 1.8182, 3.0303, 4.0403)),
    ],
)
def test_water_pressure_at_10_18_30_and_40_metres(kg_m3, expected_bar):
    """Arithmetic with g 9.80665 (C)."""
    gauge = ambient_bar_abs([10, 18, 30, 40], 0.0, kg_m3)
    assert gauge == pytest.approx(expected_bar, abs=1e-4)


def test_ten_metres_are_one_bar_at_the_calibration_density():
    """1019.716 kg/m³ (arithmetic, C); that EN 13319:2000 uses it is from memory."""
    assert pytest.approx(1019.716, abs=1e-3) == EN13319_KG_M3
    assert ambient_bar_abs(10.0, 0.0, 1019.716) == pytest.approx(1.0, abs=1e-6)


def test_a_dive_that_cooled_from_25_to_8_degrees():
    """12 L of air, 220 bar at 25 °C to 60 bar at 8 °C, mean 2.6 bar abs, 45 min. CoolProp / GERG-2008 (C)."""
    used = amount_free_l(12.0, 220.0, 25.0) - amount_free_l(12.0, 60.0, 8.0)
    assert used == pytest.approx(1689.5, rel=0.002)
    assert used == pytest.approx(1687.5, rel=0.0005)
    assert rmv_l_min(used, 2.6 * 45) == pytest.approx(14.42, rel=0.001)
    assert rmv_l_min(ideal_used_free_l(12.0, 220.0, 60.0), 2.6 * 45) == pytest.approx(16.41, abs=0.005)
    assert 220.0 - settled_pressure_bar(220.0, 25.0, 8.0) == pytest.approx(18.3, abs=0.1)


def test_how_long_150_bar_of_an_11_litre_cylinder_last():
    """11.1 L, 200 to 50 bar, 2.5 bar abs, 25 L/min, ideal: 26.64 min (C), after the formula of the US Navy Diving
    Manual Rev. 4 Change A § 7-4.1 (V)."""
    assert ideal_used_free_l(11.1, 200.0, 50.0) / (2.5 * 25.0) == pytest.approx(26.64, abs=1e-9)


def test_emergency_cylinder_at_300_feet():
    """US Navy Diving Manual, saturation chapter § 15-8 (V2): 73.2 scf, 14.13 scfm, 5.18 min."""
    usable_psi = 3000.0 - 319.0
    content = ideal_used_free_l(0.399, usable_psi + PSI, 0.0) / PSI
    assert content == pytest.approx(73.2, abs=0.05)
    atmospheres = ambient_bar_abs(300.0, 1.0, 1e5 / 33.0 / 9.80665)  # 33 feet are one, with the depth in feet
    assert 1.4 * atmospheres == pytest.approx(14.13, abs=0.01)
    assert content / (1.4 * atmospheres) == pytest.approx(5.18, abs=0.01)


def test_available_gas_of_twin_cylinders():
    """US Navy Diving Manual § 17-10.5.3 (V), result by arithmetic (C): 0.399 ft³ × 2, 2800 less 250 psi, 138.4 scf."""
    assert ideal_used_free_l(2 * 0.399, 2800.0, 250.0) / PSI == pytest.approx(138.4, abs=0.05)


@pytest.mark.parametrize("start_bar, expected_kj", [(232.0, 277.0), (200.0, 228.0)])
def test_heat_taken_up_while_a_cylinder_is_breathed(start_bar, expected_kj):
    """12 L of air down to 50 bar at constant 10 °C, energy balance with CoolProp (C)."""
    pressure = np.linspace(start_bar, 50.0, 401)
    density = density_mol_l(pressure, 10.0)
    heat = expansion_heat_j_mol(density, 283.15)
    total_j = np.trapezoid(heat, -12.0 * density)
    assert total_j / 1000.0 == pytest.approx(expected_kj, rel=0.01)


def test_four_kelvin_below_the_water_over_forty_minutes():
    """232 to 50 bar in 40 min takes 116 W (energy balance, CoolProp, C); by our conductance of a 12 L that is 4 K."""
    power_w = 277e3 / (40.0 * 60.0)
    assert power_w == pytest.approx(116.0, abs=1.0)
    assert power_w / conductance_w_k(12.0) == pytest.approx(4.0, abs=0.1)
