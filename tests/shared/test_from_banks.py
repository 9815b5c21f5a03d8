"""Banks lose what a recipe takes, and fill no further than they are high."""

import math

import pytest

from shared.filling.blending import Bank, amount_mol_l, cascade, top_up
from shared.filling.from_banks import draw
from shared.gas.mix import AIR, Mix

OXYGEN = Bank("o2", 50.0, 180.0)


def test_what_a_bank_loses_is_in_the_cylinder():
    recipe = top_up(50.0, AIR, 200.0, Mix(32.0), 15.0)
    (oxygen,), air = draw(50.0, AIR, recipe.steps, 15.0, 24.0, {"oxygen": [OXYGEN]})
    assert air == () and oxygen.is_enough and oxygen.alone_to_bar == oxygen.step.to_bar
    before, after = (amount_mol_l(bar, 15.0, Mix(100.0)) * 50.0 for bar in (180.0, oxygen.bank_bar))
    final = amount_mol_l(200.0, 15.0, recipe.final) * 24.0
    # oxygen of the whole fill: that of the air it came with and was topped with, and what the bank gave
    of_air = (final - (before - after)) * AIR.o2_pct / 100
    assert before - after + of_air == pytest.approx(final * recipe.final.o2_pct / 100, rel=1e-6)


def test_a_low_bank_stops_where_both_are_level_as_a_cascade_does():
    low = Bank("air", 80.0, 150.0)
    ((drawn,),) = draw(40.0, AIR, top_up(40.0, AIR, 200.0, AIR, 15.0).steps, 15.0, 12.0, {"air": [low]})
    assert not drawn.is_enough
    assert drawn.alone_to_bar == pytest.approx(cascade(40.0, 12.0, 200.0, [low], 15.0).final_bar, abs=0.01)


def test_a_bank_that_is_no_higher_gives_nothing_and_a_small_one_does_not_hold_it():
    steps = top_up(100.0, AIR, 200.0, Mix(32.0), 15.0).steps
    ((none,), _) = draw(100.0, AIR, steps, 15.0, 24.0, {"oxygen": [Bank("o2", 50.0, 90.0)]})
    assert none.alone_to_bar == 100.0 and not none.is_enough
    ((small,), _) = draw(100.0, AIR, steps, 15.0, 24.0, {"oxygen": [Bank("o2", 0.5, 150.0)]})
    assert math.isnan(small.bank_bar) and 100.0 < small.alone_to_bar < small.step.to_bar


def test_several_banks_are_opened_lowest_first_and_what_they_lose_is_in_the_cylinder():
    """A cascade of one gas gives the same by its own arithmetic."""
    banks = [Bank("full", 50.0, 230.0), Bank("low", 80.0, 120.0), Bank("lower", 50.0, 90.0), Bank("spent", 50.0, 30.0)]
    (drawn,) = draw(40.0, AIR, top_up(40.0, AIR, 200.0, AIR, 15.0).steps, 15.0, 12.0, {"air": banks})
    same = cascade(40.0, 12.0, 200.0, banks, 15.0).steps
    assert [d.bank.name for d in drawn] == [s.bank for s in same] == ["lower", "low", "full"]
    assert [d.alone_to_bar for d in drawn] == pytest.approx([s.to_bar for s in same], abs=0.01)
    assert [d.bank_bar for d in drawn] == pytest.approx([s.bank_bar for s in same], abs=0.01)
    assert [d.is_enough for d in drawn] == [False, False, True]


def test_two_banks_reach_a_step_of_oxygen_that_neither_reaches_alone():
    steps = top_up(40.0, AIR, 200.0, Mix(50.0), 15.0).steps
    lower, higher = Bank("a", 40.0, 105.0), Bank("b", 30.0, 150.0)
    for alone in (lower, higher):
        ((one,), _) = draw(40.0, AIR, steps, 15.0, 24.0, {"oxygen": [alone]})
        assert not one.is_enough
    (opened, _) = draw(40.0, AIR, steps, 15.0, 24.0, {"oxygen": [higher, lower]})
    assert [d.bank.name for d in opened] == ["a", "b"] and opened[-1].is_enough
    lost = sum(
        (amount_mol_l(d.bank.pressure_bar, 15.0, Mix(100.0)) - amount_mol_l(d.bank_bar, 15.0, Mix(100.0)))
        * d.bank.water_capacity_l
        for d in opened
    )
    ((ample,), _) = draw(40.0, AIR, steps, 15.0, 24.0, {"oxygen": [Bank("c", 500.0, 230.0)]})
    taken = (amount_mol_l(230.0, 15.0, Mix(100.0)) - amount_mol_l(ample.bank_bar, 15.0, Mix(100.0))) * 500.0
    assert lost == pytest.approx(taken, rel=1e-6)
