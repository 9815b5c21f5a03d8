"""The recipe on the page is the calculator's, refuses what may not be, and says what the banks read then."""

import json
from contextlib import nullcontext
from types import SimpleNamespace

import made_up
import numpy as np
import pandas as pd
import pytest
from test_logging import put
from test_pages import run, said
from typer.testing import CliRunner

from dashboard import recipe as recipes
from dashboard.recipe import Gas, Overfull, Wish, gases, needs_oxygen_clean, parts_of_a_mix, recipe, to_top_with, topped
from dashboard.views import filling_recipe
from pipelines.cli.calculator import app
from shared.filling.blending import Bank
from shared.gas.mix import AIR, Mix

COMPRESSOR = Gas("comp-1", False, AIR)
BANK_32 = Gas("bank-32", True, Mix(32.0), 150.0, True, "passed")
REGISTER = pd.DataFrame(
    {
        "source_id": ["comp-1", "bank-32", "bank-o2", "bank-he", "bank-ar", "bank-new"],
        "kind": ["compressor", *["bank"] * 5],
        "o2_pct": [np.nan, 32.0, 100.0, 0.0, 0.0, np.nan],
        "he_pct": [np.nan, 0.0, 0.0, 100.0, 0.0, np.nan],
        "water_capacity_l": [np.nan, 150.0, 50.0, 50.0, 50.0, 50.0],
        "oxygen_compatible": pd.array([True, True, True, True, False, None], dtype="boolean"),
        "air_state": ["passed", "passed", "not_traced", "not_traced", "not_traced", None],
    }
)


def test_the_steps_are_those_of_the_calculator():
    made = recipe(Wish(50.0, AIR, 200.0, Mix(18.0, 45.0), 12.0, COMPRESSOR), 24.0, 232.0, 15.0)
    line = (
        "topup --have-bar 50 --have-o2-pct 20.95 --to-bar 200 --to-o2-pct 18 --to-he-pct 45 --gas-c 12 --limit-bar 232"
    )
    found = json.loads(CliRunner().invoke(app, [*line.split(), "--json"]).stdout)
    assert [s["gas"] for s in found["steps"]] == [s.gas for s in made.made.steps]
    assert [s["to_bar"] for s in found["steps"]] == pytest.approx([s.to_bar for s in made.made.steps], rel=1e-6)
    assert found["final_o2_pct"] == pytest.approx(made.made.final.o2_pct, rel=1e-6) and made.blended and not made.capped


def test_never_above_the_permitted_pressure_nor_upon_what_is_above_it():
    cold = recipe(Wish(50.0, AIR, 232.0, AIR, 0.0, COMPRESSOR), 12.0, 232.0, 15.0)
    assert cold.capped and cold.made.steps[-1].to_bar < 220
    with pytest.raises(Overfull):
        recipe(Wish(229.0, AIR, 232.0, Mix(32.0), 0.0, COMPRESSOR), 12.0, 232.0, 15.0)


def test_what_a_top_up_gives_and_what_the_register_offers_for_it():
    known = gases(REGISTER)
    assert [g.source_id for g in to_top_with(known, ["comp-1"])] == ["comp-1", "bank-32"]
    assert {g: [b.source_id for b in banks] for g, banks in parts_of_a_mix(known).items()} == {
        "oxygen": ["bank-o2"],
        "helium": ["bank-he"],
    }
    wish = Wish(100.0, AIR, 200.0, AIR, 15.0, COMPRESSOR)
    mix, to_bar = topped(wish, BANK_32, 232.0, 15.0)
    assert to_bar == 200.0 and 26.0 < mix.o2_pct < 26.6
    assert topped(Wish(200.0, AIR, 190.0, AIR, 15.0, COMPRESSOR), BANK_32, 232.0, 15.0) is None


def test_oxygen_and_rich_banks_ask_for_a_clean_unit_and_air_does_not():
    def asks(to, top):
        wish = Wish(50.0, AIR, 200.0, to, 15.0, top)
        return needs_oxygen_clean(wish, recipe(wish, 12.0, 232.0, 15.0), 23.5)

    assert asks(Mix(32.0), COMPRESSOR) and asks(Mix(30.0), BANK_32)
    assert not asks(AIR, COMPRESSOR) and not asks(Mix(16.34, 22.0), COMPRESSOR)


def test_a_bank_that_is_too_low_is_named_with_where_it_ends():
    wish = Wish(60.0, AIR, 200.0, Mix(36.0), 15.0, COMPRESSOR)
    (oxygen,), air = recipe(wish, 24.0, 232.0, 15.0, {"oxygen": [Bank("bank-o2", 50.0, 70.0)]}).drawn
    assert air == () and not oxygen.is_enough and 60.0 < oxygen.alone_to_bar < 70.0


def test_banks_of_one_mix_serve_one_step_and_pure_gases_come_from_all_that_hold_them():
    known = [*gases(REGISTER), Gas("bank-32b", True, Mix(32.0), 80.0, True), Gas("bank-33", True, Mix(33.0), 80.0)]
    assert [g.source_id for g in recipes.of_step("air", BANK_32, known)] == ["bank-32", "bank-32b"]
    assert [g.source_id for g in recipes.of_step("air", COMPRESSOR, known)] == ["comp-1"]
    assert [g.source_id for g in recipes.of_step("oxygen", BANK_32, known)] == ["bank-o2"]


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    """The made-up station with banks of 32 %, two of oxygen and an unmarked one of helium beside its compressors."""
    folder = tmp_path_factory.mktemp("banks") / "published"
    second = REGISTER.iloc[[2, 3]].assign(source_id=["bank-o2b", "bank-he"], oxygen_compatible=[True, None])
    banks = pd.concat([REGISTER.iloc[1:3], second]).assign(
        fed_by=None, compressor_id=None, air_failed_on=pd.NaT, air_fault=None
    )
    known = made_up.GAS_SOURCES.assign(oxygen_compatible=pd.array([None, True, None, None, None], dtype="boolean"))
    made_up.publish(folder, gas_sources=pd.concat([known, banks], ignore_index=True))
    return folder


def ask(published, unit, **more):
    test = run(published, "filling", unit=unit, filling_part="recipe")
    for label, value in {
        "Reads now, bar": 60.0,
        "O₂ inside, %": 20.9,
        "He inside, %": 0.0,
        "He wanted, %": 0.0,
        **more,
    }.items():
        put(test, label, value)
    test.run()
    assert not test.exception, test.exception
    return test


def test_the_page_gives_the_steps_the_caution_and_the_bank(station):
    test = ask(station, "T12-1", **{"O₂ wanted, %": 32.0, "Top up from": "comp-2"})
    assert "Oxygen to" in said(test) and "Oxygen only into a cylinder, valve and whip" in said(test)
    put(test, "bank-o2 reads, bar", 150.0)
    test.run()
    assert "Oxygen from bank-o2" in said(test) and "bank-o2 136" in said(test)
    assert "Topped up with one gas alone" in said(test) and "bank-32" in said(test)


def test_two_banks_of_oxygen_are_opened_one_after_the_other(station):
    test = ask(station, "T12-1", **{"O₂ wanted, %": 40.0, "Top up from": "comp-2"})
    put(test, "bank-o2 reads, bar", 150.0)
    put(test, "bank-o2b reads, bar", 80.0)
    test.run()
    assert "Oxygen from bank-o2b, then bank-o2" in said(test)
    assert "bank-o2b level with it at" in said(test) and "too low for its step" not in said(test)


def test_helium_from_a_bank_that_nobody_marked_goes_into_no_oxygen(station):
    text = said(ask(station, "T12-1", **{"O₂ wanted, %": 30.0, "He wanted, %": 20.0, "Top up from": "comp-2"}))
    assert "bank-he is not marked as oxygen-compatible" in text and "Gives" not in text


def test_air_of_which_nobody_says_whether_it_is_oxygen_compatible_goes_on_top_of_no_oxygen(station, monkeypatch):
    monkeypatch.setattr("dashboard.views.filling_recipe.air_failed", lambda *_: False)
    text = said(ask(station, "T12-1", **{"O₂ wanted, %": 32.0, "Top up from": "comp-1"}))
    assert "comp-1 is not marked as oxygen-compatible" in text and "Gives" not in text


def test_what_may_not_be_has_no_recipe(station):
    test = ask(station, "T12-1", **{"O₂ wanted, %": 32.0, "Top up from": "comp-1"})
    assert "last air test failed" in said(test) and "Gives" not in said(test)
    put(test, "Top up from", "comp-2")
    put(test, "O₂ wanted, %", 10.0)
    test.run()
    assert "No amounts of helium" in said(test) and "Gives" not in said(test)


def test_a_unit_that_is_held_or_barred_or_not_clean_has_none(station, monkeypatch):
    for unit, why in {"A11-2": "what is inside is held", "S10-4": "it may not be filled"}.items():
        test = run(station, "filling", unit=unit, filling_part="recipe")
        assert f"No recipe is given: {why}" in said(test) and not test.text_input
    (gone,) = run(station, "filling", unit="A11-2", filling_part="recipe").toggle
    test = gone.set_value(True).run()
    put(test, "O₂ wanted, %", 20.9)
    put(test, "Top up from", "comp-2")
    text = said(test.run())
    assert "this recipe is for the empty cylinder" in text and "It was held for: " in text and "Gives " in text
    assert "Shut the valve at once" in text and "Arrived" not in text and "Reads now, bar" not in text
    monkeypatch.setattr(recipes, "needs_oxygen_clean", lambda *_: True)
    monkeypatch.setattr("schemas.clearance._oxygen_clean", lambda _: None)
    text = said(ask(station, "T12-1", **{"O₂ wanted, %": 32.0, "Top up from": "comp-2"}))
    assert "unknown counts as not clean" in text and "Gives" not in text


def test_where_oxygen_goes_no_bank_is_offered_that_nobody_marked_for_it(monkeypatch):
    oxygen, asked = Mix(100.0), []
    known = [Gas(f"o2-{said}", True, oxygen, 50.0, said) for said in (True, False, None)]
    monkeypatch.setattr(filling_recipe, "number_field", lambda label, *more, **how: asked.append(label) or 150.0)
    monkeypatch.setattr(filling_recipe.st, "container", lambda **how: nullcontext())
    made = SimpleNamespace(made=SimpleNamespace(steps=[SimpleNamespace(gas="oxygen")]))
    wish = Wish(50.0, AIR, 200.0, Mix(32.0), 15.0, COMPRESSOR)
    assert filling_recipe._banks(wish, made, known) == {"oxygen": [Bank("o2-True", 50.0, 150.0)]}
    assert asked == ["o2-True reads, bar"]
