"""Walls of cylinders: masses of common catalogues and a laminate's resistance, all from memory."""

import numpy as np
import pytest

from shared.diving.tank_heat import WALL_J_K_L
from shared.filling.conditions import believed_wall_mass
from shared.gas.walls import wall_heat_capacity_j_k, wall_mass_kg, wall_resistance_m2_k_w


@pytest.mark.parametrize(
    "material, capacity_l, working_bar, mass_kg",
    [
        ("steel", 12.0, 232.0, 14.0),
        ("steel", 15.0, 232.0, 17.5),
        ("aluminium", 11.1, 207.0, 14.2),
        ("composite", 6.8, 300.0, 4.3),
    ],
)
def test_an_estimated_wall_weighs_what_catalogues_say(material, capacity_l, working_bar, mass_kg):
    """Catalogue figures from memory; the estimate is good to about 8 %."""
    assert wall_mass_kg(material, capacity_l, working_bar) == pytest.approx(mass_kg, rel=0.08)


def test_a_kilogram_of_wall_holds_the_heat_of_its_material():
    """Handbook heat capacities, J/(kg K), from memory: steel 490, aluminium 900, a laminate between 800 and 1000."""
    steel, aluminium, laminate = wall_heat_capacity_j_k(["steel", "aluminium", "composite"], 1.0)
    assert steel == pytest.approx(490.0, rel=0.05) and aluminium == pytest.approx(900.0, rel=0.05)
    assert 800.0 < laminate < 1000.0


def test_a_laminate_hinders_heat_and_metal_does_not():
    """A third of 7 mm at 0.9 W/(m K) (from memory)."""
    steel, aluminium, laminate = wall_resistance_m2_k_w(["steel", "aluminium", "composite"])
    assert steel == aluminium == 0.0
    assert laminate == pytest.approx(0.007 / 3 / 0.9, rel=0.1)


def test_a_stamp_that_cannot_be_is_not_believed():
    """A 12 L steel of about 14 kg, stamped with a digit slipped either way, or not at all."""
    mass = believed_wall_mass(["steel"] * 4, 12.0, 232.0, [13.6, 1.36, 136.0, np.nan])
    assert mass.stamped.tolist() == [True, False, False, False]
    assert mass.doubtful.tolist() == [False, True, True, False]
    assert mass.mass_kg[0] == 13.6
    assert mass.mass_kg[1:] == pytest.approx(14.0, rel=0.08)


@pytest.mark.parametrize(
    ("material", "kg_l", "j_kg_k"),
    [("steel", 14.0 / 12.0, 490.0), ("aluminium", 14.2 / 11.1, 900.0), ("composite", 4.3 / 6.8, 900.0)],
)
def test_a_dived_litre_has_the_wall_of_the_catalogues_cylinder(material, kg_l, j_kg_k):
    """The masses above over their capacity, with the handbook's heat capacities."""
    assert pytest.approx(kg_l * j_kg_k, rel=0.25) == WALL_J_K_L[material]
