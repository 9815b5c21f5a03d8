"""Recipes, depths and cascades against printed examples and independent computations."""

import pytest

from shared.filling.blending import Bank, Step, additions, cascade, ideal_cascade, outcome, top_up
from shared.gas.mix import AIR, Mix
from shared.gas.mixing import expected_mix, max_operating_depth_m


@pytest.mark.parametrize(
    "o2_pct, depth_m, deco_depth_m",
    [
        (21, 56.67, 66.19), (28, 40.00, 47.14), (32, 33.75, 40.00), (36, 28.89, 34.44), (40, 25.00, 30.00),
        (50, 18.00, 22.00), (100, 4.00, 6.00),
    ],
)  # fmt: skip
def test_maximum_operating_depth(o2_pct, depth_m, deco_depth_m):
    """Arithmetic at 10 m a bar; limits of 1.4 and 1.6 as in NOAA's No-Decompression Tables for Nitrox."""
    assert max_operating_depth_m(o2_pct) == pytest.approx(depth_m, abs=0.005)
    assert max_operating_depth_m(o2_pct, 1.6) == pytest.approx(deco_depth_m, abs=0.005)
    assert max_operating_depth_m(32) == 33.75


@pytest.mark.parametrize(
    "have, have_o2, to, to_o2, oxygen, air", [(425, 32, 3200, 34, 470.3, 2304.7), (375, 36, 3000, 32, 349.4, 2275.6)]
)
def test_ideal_top_ups_of_the_blending_paper(have, have_o2, to, to_o2, oxygen, air):
    """Kessler 2020, Mathematics behind partial-pressure blending v3.0, figures 2.2 to 2.5 (read in a secondary
    source): psi, pressures taken as amounts, air as 20.9 % oxygen."""
    added = additions(have, Mix(have_o2), to, Mix(to_o2), Mix(20.9))
    assert added["oxygen"] == pytest.approx(oxygen, abs=0.1)
    assert added["air"] == pytest.approx(air, abs=0.1)
    assert added["helium"] == 0


@pytest.mark.parametrize("to, to_o2, oxygen", [(210, 33, 31.9), (3300, 33, 501.0), (200, 36, 38.0)])
def test_ideal_mixes_from_empty(to, to_o2, oxygen):
    """Worked notes (secondary source, recomputed): air as 21 %, nothing inside."""
    assert additions(0, Mix(21), to, Mix(to_o2), Mix(21))["oxygen"] == pytest.approx(oxygen, rel=1e-3)


RECIPES_FROM_EMPTY = [  # target O2, He, bar; real after He, after O2 (CoolProp); ideal likewise; what ideal gives
    (32, 0, 200, None, 27.24, None, 28.10, (32.35, 0)),
    (36, 0, 232, None, 41.96, None, 44.36, (36.87, 0)),
    (50, 0, 200, None, 71.15, None, 73.87, (51.12, 0)),
    (18, 45, 200, 84.80, 101.93, 90.46, 106.93, (17.07, 47.99)),
    (21, 35, 200, 66.10, 85.10, 70.35, 89.13, (20.39, 37.29)),
    (10, 70, 200, 133.65, 144.44, 140.71, 150.16, (8.77, 73.43)),
]


@pytest.mark.parametrize("o2, he, to_bar, helium, oxygen, ideal_helium, ideal_oxygen, gives", RECIPES_FROM_EMPTY)
def test_recipes_from_an_empty_gauge(o2, he, to_bar, helium, oxygen, ideal_helium, ideal_oxygen, gives):
    """Molar balance with CoolProp's mixture model, isothermal at 15 °C from 0 bar of air (computed).

    The two models of helium with oxygen differ by up to 0.18 bar here and so by 0.12 % in the mix.
    """
    recipe = top_up(0.0, AIR, to_bar, Mix(o2, he), 15.0)
    real, ideal = ({step.gas: step.to_bar for step in steps} for steps in (recipe.steps, recipe.ideal_steps))
    if helium:
        assert real["helium"] == pytest.approx(helium, abs=0.2)
        assert ideal["helium"] == pytest.approx(ideal_helium, abs=0.006)
    assert real["oxygen"] == pytest.approx(oxygen, abs=0.2)
    assert ideal["oxygen"] == pytest.approx(ideal_oxygen, abs=0.006)
    assert real["air"] == pytest.approx(to_bar, abs=1e-6)
    assert (recipe.final.o2_pct, recipe.final.he_pct) == pytest.approx((o2, he), abs=1e-6)
    assert (recipe.ideal_gives.o2_pct, recipe.ideal_gives.he_pct) == pytest.approx(gives, abs=0.13)
    assert recipe.drain_to_bar is None


def test_what_the_ideal_recipe_for_18_45_really_gives():
    steps = (Step("helium", 90.46), Step("oxygen", 106.93), Step("air", 200.0))
    mix = outcome(0.0, AIR, steps, 15.0)
    assert mix.o2_pct == pytest.approx(17.1, abs=0.1)
    assert mix.he_pct == pytest.approx(48.0, abs=0.1)


def test_a_top_up_with_oxygen_on_a_residue_of_air():
    recipe = top_up(50.0, AIR, 200.0, Mix(32), 15.0)
    assert recipe.steps[0].to_bar == pytest.approx(76.32, abs=0.2)
    assert recipe.ideal_steps[0].to_bar == pytest.approx(78.10, abs=0.006)


def test_air_on_a_residue_of_nitrox():
    """60 bar of 32 % topped with air to 200: 24.43 % oxygen, ideal 24.30 (computed with both models)."""
    o2, _, _ = expected_mix(60, 15, 200, 15, 32, 0, 20.95)
    assert o2 == pytest.approx(24.43, abs=0.02)


def test_two_vessels_joined():
    """50 L at 250 bar joined to 12 L at 50 bar, air, 15 °C: 205.46 bar, ideal 211.29 (CoolProp, computed)."""
    banks = [Bank("store", 50, 250)]
    assert cascade(50, 12, 232, banks, 15).final_bar == pytest.approx(205.46, abs=0.2)
    assert ideal_cascade(50, 12, 232, banks).final_bar == pytest.approx(211.29, abs=0.01)
