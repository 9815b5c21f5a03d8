"""Floating and sinking follow from what is displaced and what it weighs."""

import pytest

from shared.diving.buoyancy import (
    SHELL_KG_M3,
    ballast_margin_kg,
    cylinder_buoyancy_kg,
    lift_margin_kg,
    net_kg,
    shell_volume_l,
)


def test_a_steel_twelve_sinks_full_and_almost_floats_empty():
    """Archimedes by hand: 12 L and 14.0 kg of steel displace 13.783 L of salt water, 14.128 kg."""
    assert shell_volume_l(14.0, 7850.0) == pytest.approx(1.78344, abs=1e-5)
    assert cylinder_buoyancy_kg(12.0, 14.0, 7850.0, 0.0) == pytest.approx(14.1280 - 14.0, abs=1e-3)
    assert cylinder_buoyancy_kg(12.0, 14.0, 7850.0, 3.239) == pytest.approx(0.1280 - 3.239, abs=1e-3)


def test_an_aluminium_eleven_floats_empty():
    """By hand: 11.1 L and 14.2 kg of aluminium, 5.259 L, displace 16.359 L. Densities: handbook values, from memory."""
    assert SHELL_KG_M3 == {"steel": 7850.0, "aluminium": 2700.0}
    assert cylinder_buoyancy_kg(11.1, 14.2, 2700.0, 0.0) == pytest.approx(16.7682 - 14.2, abs=1e-3)
    assert cylinder_buoyancy_kg(11.1, 14.2, 2700.0, 0.0, 1000.0) == pytest.approx(16.3593 - 14.2, abs=1e-3)


def test_the_suit_counts_as_lost_for_the_lift_save_what_is_known_to_stay():
    net = net_kg(-3.0, 10.0, 6.0, 3.0)
    assert net == pytest.approx(-2.0)
    assert lift_margin_kg(16.0, net, 10.0) == pytest.approx(4.0)
    assert lift_margin_kg(16.0, net, 10.0, 4.0) == pytest.approx(8.0)
    assert lift_margin_kg(16.0, net, 10.0, float("nan")) == pytest.approx(4.0)


def test_what_floats_at_the_stop_is_a_negative_margin():
    assert ballast_margin_kg(0.8) == pytest.approx(-0.8)
