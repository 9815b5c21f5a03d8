"""Recipes end at their mix and pressure, drain when they must, and lose no moles."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from shared.filling.blending import Bank, CannotBlend, cascade, outcome, top_up
from shared.gas.mix import AIR, Mix, density_direct
from shared.gas.units import absolute, kelvin


def content_mol(capacity_l, bar, gas_c=15.0, mix=AIR):
    return capacity_l * float(density_direct(absolute(bar), kelvin(gas_c), mix))


@given(
    st.floats(0, 180), st.floats(16, 60), st.floats(0, 0.8), st.floats(100, 300), st.floats(22, 80), st.floats(0, 0.6),
    st.permutations(["helium", "oxygen", "air"]),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_following_the_recipe_gives_the_mix(have_bar, have_o2, have_he, to_bar, to_o2, to_he, order):
    have = Mix(have_o2, have_he * (100 - have_o2))
    wanted = Mix(to_o2, to_he * (100 - to_o2))
    try:
        recipe = top_up(have_bar, have, to_bar, wanted, 20.0, order)
    except CannotBlend:
        assume(False)
    start_bar = have_bar if recipe.drain_to_bar is None else recipe.drain_to_bar
    assert -1e-6 <= start_bar <= have_bar + 1e-6
    got = outcome(start_bar, have, recipe.steps, 20.0)
    assert (got.o2_pct, got.he_pct) == pytest.approx((recipe.final.o2_pct, recipe.final.he_pct), abs=1e-3)
    at_rest = start_bar < 0.01  # what stays at 0 bar may spoil it by as much as an analyser shows
    assert (got.o2_pct, got.he_pct) == pytest.approx((wanted.o2_pct, wanted.he_pct), abs=1.01 if at_rest else 0.21)
    readings = [start_bar, *(step.to_bar for step in recipe.steps)]
    assert np.all(np.diff(readings) > 0)
    assert readings[-1] == pytest.approx(to_bar, abs=0.5)
    assert [step.gas for step in recipe.steps] == [name for name in order if name in {s.gas for s in recipe.steps}]


def test_too_rich_a_residue_is_drained_just_far_enough():
    recipe = top_up(150, Mix(36), 200, Mix(32), 15)
    assert recipe.drain_to_bar == pytest.approx(142.5, abs=0.1)
    assert [step.gas for step in recipe.steps] == ["air"]
    assert recipe.final.o2_pct == pytest.approx(32, abs=1e-6)
    just_less = top_up(recipe.drain_to_bar - 1, Mix(36), 200, Mix(32), 15)
    assert just_less.drain_to_bar is None


def test_air_asked_for_as_21_per_cent_brings_no_oxygen_in():
    recipe = top_up(60, AIR, 200, Mix(21), 15)
    assert [step.gas for step in recipe.steps] == ["air"]
    assert recipe.final.o2_pct == pytest.approx(20.95)


@pytest.mark.parametrize("wanted", [Mix(10), Mix(5, 60)])
def test_a_mix_leaner_than_helium_and_air_is_refused(wanted):
    with pytest.raises(CannotBlend):
        top_up(0, AIR, 200, wanted, 15)


def test_pure_oxygen_on_what_stays_at_0_bar_is_said_to_be_not_quite_pure():
    recipe = top_up(50, AIR, 200, Mix(100), 15)
    assert recipe.drain_to_bar == pytest.approx(0, abs=1e-6)
    assert 99 < recipe.final.o2_pct < 99.8


def test_nothing_to_do_is_no_step():
    assert top_up(150, Mix(36), 150, Mix(36), 15).steps == ()
    assert top_up(200, AIR, 100, AIR, 15).drain_to_bar == pytest.approx(100)


banks_of = st.lists(st.tuples(st.floats(5, 200), st.floats(0, 320)), min_size=1, max_size=4)


@given(st.floats(0, 250), st.floats(3, 40), st.floats(0, 300), banks_of)
@settings(max_examples=60, deadline=None)
def test_a_cascade_moves_moles_and_makes_none(have_bar, capacity_l, to_bar, stores):
    banks = [Bank(str(i), volume, bar) for i, (volume, bar) in enumerate(stores)]
    result = cascade(have_bar, capacity_l, to_bar, banks, 15.0)
    before = content_mol(capacity_l, have_bar) + sum(content_mol(b.water_capacity_l, b.pressure_bar) for b in banks)
    after = content_mol(capacity_l, result.final_bar) + sum(
        content_mol(b.water_capacity_l, b.pressure_bar) for b in result.banks
    )
    assert after == pytest.approx(before, rel=1e-9)
    assert have_bar <= result.final_bar <= max(to_bar, have_bar)
    for was, left in zip(banks, result.banks, strict=True):
        assert left.pressure_bar <= was.pressure_bar
    if result.final_bar < to_bar - 1e-6:
        assert all(left.pressure_bar <= result.final_bar + 1e-6 for left in result.banks)


def test_the_lowest_bank_gives_first_and_the_highest_is_spared():
    banks = [Bank("high", 50, 300), Bank("low", 50, 150), Bank("middle", 50, 220)]
    result = cascade(50, 12, 232, banks, 15)
    assert [step.bank for step in result.steps] == ["low", "middle", "high"]
    assert [bank.name for bank in result.banks] == ["high", "low", "middle"]
    high_alone = cascade(50, 12, 232, banks[:1], 15)
    assert result.banks[0].pressure_bar > high_alone.banks[0].pressure_bar
