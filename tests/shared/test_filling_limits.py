"""Where to stop, and whether to fill at all."""

import numpy as np
import pytest

from shared import thermal
from shared.fill_heat import FillConditions
from shared.filling_limits import Learned, advise_stop, filling_rules, load_filling_rules, refusals
from shared.rulebook import RULES, RuleError

SURE = Learned(effect_bar=0.0, sd_bar=0.5, noise_bar=1.0, settled_fills=400)
HOT = {"hot_limit": "rule_set", "relief_bar": 330.0, "test_pressure_bar": 348.0, "working_pressure_bar": 232.0}


def conditions(**change):
    plain = {
        "start_pressure_bar": 50.0,
        "stop_pressure_bar": 232.0,
        "ambient_c": 20.0,
        "fill_minutes": 8.0,
        "water_capacity_l": 12.0,
        "cylinders": 1.0,
        "wall_j_k": 6860.0,
        "delivery_c": 30.0,
        "delivery_bar": np.nan,
        "o2_pct": 20.95,
        "he_pct": 0.0,
        "ar_pct": np.nan,
    }
    return FillConditions(**{k: np.array([v], float) for k, v in (plain | change).items()})


def advise(target=232.0, permitted=232.0, rule_set="uk", learned=SURE, change=None, **settings):
    return advise_stop(conditions(**(change or {})), target, permitted, filling_rules(rule_set), learned, **settings)


@pytest.mark.parametrize("ambient", [-5.0, 10.0, 35.0])
@pytest.mark.parametrize("target", [150.0, 200.0, 232.0, 260.0])
def test_the_default_never_advises_above_the_permitted_pressure(ambient, target):
    advice = advise(target, change={"ambient_c": ambient})
    assert advice.stop_pressure_bar <= 232.0
    if advice.limited_by == "permitted_pressure":
        assert advice.short_bar == pytest.approx(target - advice.settles_to_bar)
    else:
        assert advice.settles_to_bar == pytest.approx(target, abs=0.05) and advice.short_bar < 0.05


def test_a_capped_fill_says_what_slower_and_again_would_gain():
    advice = advise()
    assert advice.limited_by == "permitted_pressure" and advice.short_bar > 10
    assert 0 < advice.slower_gain_bar < advice.short_bar
    assert advice.slower_gain_bar < advice.top_up_gain_bar <= advice.short_bar
    low, high = advice.settles_low_bar, advice.settles_high_bar
    assert low < advice.settles_to_bar < high


def test_what_was_learned_moves_the_advice():
    reads_high = advise(185.0, learned=Learned(-4.0, 0.5, 1.0, 400))
    plain = advise(185.0)
    assert reads_high.stop_pressure_bar == pytest.approx(plain.stop_pressure_bar + 4 / 0.87, abs=0.8)


def test_an_overshoot_is_the_least_of_all_limits():
    free = advise(target=232.0, **HOT)
    assert free.stop_pressure_bar > 232.0
    # one in a hundred: even at the cool end it settles at or below the permitted pressure
    assert free.limited_by == "settled_limit"
    assert free.settles_to_bar + 2.326 * np.hypot(0.5, 1.0) == pytest.approx(232.0, abs=0.1)
    relieved = advise(**HOT | {"relief_bar": 250.0})
    assert relieved.stop_pressure_bar == 240.0 and relieved.limited_by == "relief_limit"
    lower_target = advise(target=215.0, **HOT)
    assert lower_target.limited_by == "" and lower_target.settles_to_bar == pytest.approx(215.0, abs=0.05)
    weak = advise(**HOT | {"test_pressure_bar": 260.0})
    assert weak.limited_by == "developed_limit"
    # EU practice: what it develops at 65 °C is at most the test pressure, at the cool end too
    developed = thermal.settled_pressure_bar(weak.settles_to_bar + 2.326 * np.hypot(0.5, 1.0), 15.0, 65.0)
    assert developed == pytest.approx(260.0, abs=0.5)


def test_the_developed_limit_of_the_united_states():
    """49 CFR 173.301a(d): at 55 °C at most 5/4 of the service pressure; (c): at 21 °C at most the service pressure."""
    rules = filling_rules("us")
    assert rules.reference_c == 21.0
    (developed,) = rules.developed
    assert (developed.temperature_c, developed.of, developed.factor) == (55.0, "working_pressure", 1.25)
    # 3000 psig at 70 °F develops about 3499 psig at 55 °C, below 5/4 × 3000 (CoolProp's air equation)
    at_55 = thermal.settled_pressure_bar(3000 * 0.0689476, 21.111, 55.0) / 0.0689476
    assert at_55 == pytest.approx(3499, abs=6)
    advice = advise(207.0, 207.0, "us", **HOT | {"working_pressure_bar": 207.0})
    assert advice.limited_by == "settled_limit" and advice.reference_c == 21.0


@pytest.mark.parametrize(
    "change, note",
    [
        ({"learned": Learned(0.0, 1.0, 1.5, 49)}, "too_few_settled_fills"),
        ({"test_pressure_bar": np.nan}, "mark_unknown_no_overshoot"),
    ],
)
def test_no_overshoot_without_knowledge(change, note):
    advice = advise(**HOT | change)
    assert advice.stop_pressure_bar <= 232.0 and note in advice.notes


def test_an_overshoot_without_a_relief_setting_is_refused():
    with pytest.raises(ValueError, match="relief_bar"):
        advise(hot_limit="rule_set", test_pressure_bar=348.0, working_pressure_bar=232.0)


def test_an_unknown_permitted_pressure_is_refused_and_an_unread_valve_is_said():
    with pytest.raises(ValueError, match="permitted_bar"):
        advise(permitted=np.nan)
    assert "read_the_valve" in advise(valve_rating_known=False).notes
    assert "nothing_learned_yet" in advise(learned=Learned()).notes


def test_hot_gas_is_said():
    assert "let_it_cool" in advise(change={"fill_minutes": 1.0, "ambient_c": 38.0, "start_pressure_bar": 5.0}).notes


def test_even_states_beyond_the_gas_table_never_raise_the_advice():
    advice = advise(target=400.0, change={"fill_minutes": 0.2, "wall_j_k": 100.0, "start_pressure_bar": 2.0}, **HOT)
    assert advice.stop_pressure_bar <= 320.0
    settled = advice.settles_to_bar
    assert np.isnan(settled) or settled <= 232.0


@pytest.mark.parametrize(
    "change, expected",
    [
        ({}, []),
        ({"inspection_states": ["in_date", "due_soon"]}, []),
        ({"inspection_states": ["in_date", "out_of_date"]}, ["fill_out_of_test"]),
        ({"inspection_states": []}, ["fill_test_unknown"]),
        ({"inspection_states": ["condemned"]}, ["fill_condemned"]),
        ({"withdrawn": True}, ["fill_withdrawn"]),
        ({"open_findings": True}, ["fill_finding_open"]),
        ({"arrival_bar": 1.9}, ["fill_arrived_empty"]),
        ({"arrival_bar": 2.0}, []),
        ({"oxygen_service_needed": True}, ["fill_not_oxygen_clean"]),
        ({"oxygen_service_needed": True, "oxygen_clean": True}, []),
        ({"air_state": "failed"}, ["fill_air_failed"]),
        ({"air_state": "failed", "inspection_states": ["unknown"]}, ["fill_test_unknown", "fill_air_failed"]),
    ],
)
def test_what_may_not_be_filled_is_refused_with_its_reasons(change, expected):
    given = {"inspection_states": ["in_date"]} | change
    assert refusals(given.pop("inspection_states"), **given) == expected


def test_every_limit_is_cited_and_every_rule_set_has_one():
    for code in ("uk", "us", "de", "fr", "au", "adr"):
        rules = filling_rules(code)
        for cited in (rules.settled_citation, rules.oxygen_citation, *(d.citation for d in rules.developed)):
            assert cited.source and cited.edition and cited.verified in ("read", "restated", "memory")
    assert filling_rules("uk").oxygen_limit_pct == 22.0  # scope of EN 13949
    assert filling_rules("us").oxygen_limit_pct == 40.0  # 46 CFR 197.326
    assert filling_rules("uk").reference_c == 15.0
    (eu,) = filling_rules("uk").developed
    assert (eu.temperature_c, eu.of, eu.factor) == (65.0, "test_pressure", 1.0)
    assert not eu.citation.is_verified  # from memory, and said so


def test_a_local_rule_set_is_one_more_file_and_a_bad_one_names_its_line(tmp_path):
    text = (RULES / "filling_us.toml").read_text()
    local = tmp_path / "filling_local.toml"
    local.write_text(text.replace('["us"]', '["island"]').replace("21.0", "27.0"))
    assert load_filling_rules(local)["island"].reference_c == 27.0
    local.write_text(text.replace('of = "working_pressure"', 'of = "hope"'))
    with pytest.raises(RuleError, match="line 1"):
        load_filling_rules(local)
    local.write_text(text.replace("factor = 1.25\n", ""))
    with pytest.raises(RuleError, match="factor"):
        load_filling_rules(local)
