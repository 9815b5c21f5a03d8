"""The verdict of a fill: each reason that holds it, marks it or passes it, and how a hold ends."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from fill_frames import BEFORE, CLEAN, COMPATIBLE, COMPRESSOR, CYLINDER, FILL, NITROX, built, one

from pipelines.derive.fills.verdict import _past_check
from schemas.codes import SEVERITIES, all_codes
from schemas.policy import Air, Filling, Policy
from shared.filling.gauges import read_step_bar, read_steps_bar

#: stopped while hot, so that nothing but what a test changes is found
FULL = {"target_pressure_bar": 200.0}


def fill(policy=None, **change):
    return one(policy, **(FULL | change))


def test_a_plain_fill_of_air_has_nothing_found_against_it():
    row = fill()
    assert row["verdict"] == "good"
    assert row["in_test"] and not row["oxygen_clean"] and not row["over_working_pressure"]
    assert row["mix_verdict"] == "not_analysed"  # air from an air source needs no analysis
    assert row["o2_pct"] == 20.95 and row["max_operating_depth_m"] == pytest.approx(56.8, abs=0.1)
    assert pd.isna(row["side_disagreement"])
    assert not row["released"]


TWIN = [
    CYLINDER | {"cylinder_id": "L", "set_id": "T", "set_position": "left", "set_kind": "manifolded"},
    CYLINDER | {"cylinder_id": "R", "set_id": "T", "set_position": "right", "set_kind": "manifolded"},
]
TEST = {
    "compressor_id": "comp",
    "sampled_on": "2031-05-01",
    "o2_pct": 20.9,
    "co_ppm": 1.0,
    "co2_ppm": 400.0,
    "oil_mg_m3": 0.1,
    "water_mg_m3": 20.0,
    "odour": False,
}


@pytest.mark.parametrize(
    "reason, change",
    [
        ("not_in_test", {"CYLINDERS": [CYLINDER | {"manufactured_on": "2020-01-01"}]}),
        ("not_in_test", {"CYLINDERS": [CYLINDER | {"manufactured_on": None}]}),
        ("not_in_test", {"INSPECTIONS": [CLEAN | {"kind": "visual", "result": "fail"}]}),
        ("unit_condemned", {"CYLINDERS": [CYLINDER | {"status": "condemned"}]}),
        ("unit_withdrawn", {"CYLINDERS": [CYLINDER | {"status": "withdrawn"}]}),
        ("settled_above_permitted", {"stop_pressure_bar": 300.0}),
        ("settled_above_permitted", {"CYLINDERS": [CYLINDER | {"valve_pressure_bar": 180.0}]}),
        (
            "mix_out_of_tolerance",
            {**NITROX, "analysed_o2_pct": 33.1, "INSPECTIONS": [CLEAN], "SOURCES": [COMPATIBLE]},
        ),
        ("mix_out_of_tolerance", {**NITROX, "second_analysed_o2_pct": 30.5, "unit_id": "T", "CYLINDERS": TWIN}),
        ("mix_not_analysed", {**NITROX, "analysed_o2_pct": None, "INSPECTIONS": [CLEAN], "SOURCES": [COMPATIBLE]}),
        (
            "mix_not_analysed",
            {"SOURCES": [COMPRESSOR | {"kind": "bank", "o2_pct": 32.0}], "fill_method": "banked_mix"},
        ),
        (
            "sides_analysed_apart",
            {"analysed_o2_pct": 20.9, "second_analysed_o2_pct": 22.1, "unit_id": "T", "CYLINDERS": TWIN},
        ),
        ("oxygen_into_unclean_unit", {**NITROX, "fill_method": "partial_pressure"}),
        ("co_above_limit", {"co_ppm": 6.0}),
        ("air_test_failed", {"AIR_TESTS": [TEST | {"co_ppm": 9.0}]}),
        ("air_test_failed_later", {"AIR_TESTS": [TEST, TEST | {"sampled_on": "2031-06-20", "co_ppm": 9.0}]}),
    ],
)
def test_each_of_these_alone_holds_a_fill(reason, change):
    row = fill(**change)
    assert row["verdict"] == "stop"
    assert reason in row["reasons"]
    assert row["on_hold"]


@pytest.mark.parametrize(
    "reason, change",
    [
        ("may_settle_above_permitted", {"stop_pressure_bar": 275.0, "target_pressure_bar": 232.0}),
        (
            "beyond_qualification",
            {
                **NITROX,
                "INSPECTIONS": [CLEAN],
                "SOURCES": [COMPATIBLE],
                "member_id": "m",
                "MEMBERS": [{"member_id": "m", "display_name": "Ine", "mix_qualification": "air"}],
            },
        ),
        ("side_gauges_differ", {"second_stop_pressure_bar": 212.0, "unit_id": "T", "CYLINDERS": TWIN}),
        ("gauge_past_check", {"GAUGES": [{"gauge_id": "panel", "checked_on": "2030-05-31"}]}),
        ("gauge_drifting", {"GAUGES": [{"gauge_id": "panel", "offset_bar": 9.0}], "stop_pressure_bar": 240.0}),
        ("arrived_empty", {"start_pressure_bar": 1.0}),
        ("air_test_overdue", {"AIR_TESTS": [TEST | {"sampled_on": "2030-05-01"}]}),
        ("suit_gas_only", {"target_o2_pct": 0.0, "target_ar_pct": 100.0, "analysed_o2_pct": 0.0}),
        (
            "permitted_pressure_unknown",
            {
                "CYLINDERS": [
                    CYLINDER | {"working_pressure_bar": None, "valve_pressure_bar": None, "empty_mass_kg": 14.0}
                ]
            },
        ),
        (
            "settled_before_stop",
            {"settled_pressure_bar": 205.0, "settled_c": 15.0, "settled_at": "2031-06-01T09:00:00Z"},
        ),
        (
            "settled_reading_doubtful",
            {"settled_pressure_bar": 90.0, "settled_c": 15.0, "settled_at": "2031-06-02T09:00:00Z"},
        ),
    ],
)
def test_each_of_these_alone_asks_for_a_check(reason, change):
    row = fill(**change)
    assert row["verdict"] == "attention", row["reasons"]
    assert reason in row["reasons"]


def test_a_gauge_is_past_its_check_the_day_after_a_year():
    """Yearly: common practice, no source."""
    days = pd.to_datetime(["2030-06-01", "2030-05-31", None])
    c = pd.DataFrame({"gauge_checked_on": days, "filled_on": pd.Timestamp("2031-06-01")})
    assert _past_check(c).tolist() == [False, True, False]


def test_a_mix_over_the_limit_in_a_unit_not_clean_asks_for_a_check_where_nothing_was_decanted():
    source = COMPRESSOR | {"o2_pct": 21.0}
    row = fill(
        **(NITROX | {"fill_method": "continuous", "target_o2_pct": 22.0, "analysed_o2_pct": 22.6}), SOURCES=[source]
    )
    assert row["verdict"] == "attention" and "mix_above_oxygen_limit" in row["reasons"]


def test_nitrox_in_a_clean_unit_is_good():
    row = fill(**NITROX, INSPECTIONS=[CLEAN], SOURCES=[COMPATIBLE])
    assert row["verdict"] == "good" and row["oxygen_clean"]
    assert row["mix_verdict"] == "in_tolerance" and row["o2_error_pct"] == pytest.approx(0.2)


def test_forty_per_cent_is_the_limit_in_the_united_states():
    us = Policy(rule_set="us")
    rows = {"CYLINDERS": [CYLINDER | {"rule_set": "uk"}]}
    assert "mix_above_oxygen_limit" not in fill(us, **NITROX, **rows)["reasons"]
    assert "mix_above_oxygen_limit" in fill(**NITROX, **rows)["reasons"]


def test_a_continuous_blend_decants_no_oxygen_but_a_rich_mix_still_needs_a_clean_unit():
    """Blended before the compressor: to be looked at, not held; a bank of the same mix is decanted and held."""
    rows = {"CYLINDERS": [CYLINDER | {"rule_set": "uk"}]}
    blended = fill(**NITROX, **rows)
    assert blended["verdict"] == "attention" and "oxygen_into_unclean_unit" not in blended["reasons"]
    banked = fill(**(NITROX | {"fill_method": "banked_mix"}), **rows)
    assert banked["verdict"] == "stop"
    assert {"oxygen_into_unclean_unit", "mix_above_oxygen_limit"} <= set(banked["reasons"])


def test_short_is_judged_on_the_settled_pressure_never_on_the_share():
    assert one()["verdict"] == "short"  # hot at 232, asked for 232
    cold = one(settled_pressure_bar=230.0, settled_c=15.0, settled_at="2031-06-02T10:00:00Z")
    assert cold["verdict"] == "good" and cold["settled_pressure_bar_15c"] == pytest.approx(230.0, abs=0.01)
    perfect = CYLINDER | {"working_pressure_bar": 300.0, "valve_pressure_bar": 300.0}
    row = one(
        CYLINDERS=[perfect],
        target_pressure_bar=300.0,
        stop_pressure_bar=300.0,
        settled_pressure_bar=298.0,
        settled_c=15.0,
        settled_at="2031-06-02T10:00:00Z",
        start_pressure_bar=280.0,
        fill_minutes=400.0,
        analysed_o2_pct=20.9,
    )
    assert row["shortfall_pct"] > 8.5  # 300 bar of air is 9 % under capacity × pressure
    assert row["verdict"] == "good"
    assert one(Policy(filling=Filling(short_bar=60.0)))["verdict"] == "good"


def test_what_was_asked_or_stopped_above_the_permitted_pressure_is_said_and_judged_by_what_is_inside():
    reading = {"settled_pressure_bar": 228.0, "settled_c": 15.0, "settled_at": "2031-06-02T10:00:00Z"}
    row = one(target_pressure_bar=300.0, stop_pressure_bar=240.0, **reading)
    assert {"asked_above_permitted", "stopped_above_permitted"} <= set(row["reasons"]) and row["verdict"] == "attention"
    assert not {"asked_above_permitted", "stopped_above_permitted"} & set(one(**reading)["reasons"])


@pytest.mark.parametrize(
    "offset, stop, said",
    [
        (4.0, 235.0, None),  # reads high: it stopped at 231
        (4.0, 238.0, "stopped_above_permitted"),
        (-4.0, 230.0, "stopped_above_by_offset"),  # reads low: it stopped at 234
        (-4.0, 227.0, None),
        (None, 235.0, "stopped_above_permitted"),
    ],
)
def test_what_it_stopped_at_is_what_the_gauge_read_less_its_stated_offset(offset, stop, said):
    panel = {"gauge_id": "panel", "use": "filling", "offset_bar": offset, "checked_on": "2031-05-01"}
    reasons = set(one(stop_pressure_bar=stop, GAUGES=[panel])["reasons"])
    assert reasons & {"stopped_above_permitted", "stopped_above_by_offset"} == ({said} if said else set())


@pytest.mark.parametrize("second, said", [(236.0, True), (232.0, False), (None, False)])
def test_the_other_gauge_of_a_set_above_the_permitted_pressure_is_said_as_well(second, said):
    row = one(stop_pressure_bar=228.0, second_stop_pressure_bar=second)
    assert ("other_side_above_permitted" in row["reasons"]) == said
    assert "stopped_above_permitted" not in row["reasons"]
    assert row["verdict"] == "attention" or not said


READ_BEFORE = {"settled_pressure_bar": 205.0, "settled_c": 15.0, "settled_at": "2031-05-02T10:00:00Z"}


@pytest.mark.parametrize(
    "station, relief, stop, said",
    [
        ("quay", 330.0, 240.0, False),  # this station overshoots on purpose
        ("quay", 245.0, 240.0, True),  # nearer the relief valve than it may come
        ("lake", 330.0, 240.0, True),  # a station that has no settled reading of its own
    ],
)
def test_a_station_overshoots_by_its_own_settled_readings_and_below_its_relief_valve(station, relief, stop, said):
    hot = Policy(filling=Filling(hot_limit="rule_set", relief_bar=relief, overshoot_least_settled_fills=1))
    read = BEFORE | READ_BEFORE | {"station_id": "quay", "fill_id": "read", "filled_at": "2031-05-01T10:00:00Z"}
    fills = [BEFORE, read, FILL | {"station_id": station, "stop_pressure_bar": stop}]
    row = built(hot, fills=fills)["fill_quality"].set_index("fill_id").loc["f1"]
    assert ("stopped_above_permitted" in row["reasons"]) == said
    late = [BEFORE, read | {"settled_at": "2031-06-02T10:00:00Z"}, fills[2]]  # read after the fill was stopped
    row = built(hot, fills=late)["fill_quality"].set_index("fill_id").loc["f1"]
    assert "stopped_above_permitted" in row["reasons"]


@pytest.mark.parametrize(
    "settled, reason, verdict",
    [
        (226.0, None, "good"),
        (231.9, "may_settle_above_permitted", "attention"),
        (232.6, "likely_above_permitted", "stop"),
        (236.0, "settled_above_permitted", "stop"),
    ],
)
def test_an_overfill_that_is_likely_holds_it_and_one_that_may_be_asks_for_a_check(settled, reason, verdict):
    """A settled reading on a check gauge: ±0.5 bar of class, and half a kelvin."""
    read = {"settled_pressure_bar": settled, "settled_c": 15.0, "settled_at": "2031-06-02T10:00:00Z"}
    row = one(stop_pressure_bar=232.0, **read)
    found = {"may_settle_above_permitted", "likely_above_permitted", "settled_above_permitted"} & set(row["reasons"])
    assert found == ({reason} if reason else set()) and row["verdict"] == verdict


@pytest.mark.parametrize("bar", [207.0, 232.0])
def test_settled_exactly_at_the_permitted_pressure_is_not_above_it(bar):
    row = one(
        CYLINDERS=[CYLINDER | {"working_pressure_bar": bar, "valve_pressure_bar": bar}], target_pressure_bar=bar,
        stop_pressure_bar=bar + 10, settled_pressure_bar=bar, settled_c=15.0, settled_at="2031-06-02T10:00:00Z",
    )  # fmt: skip
    assert row["over_working_pressure"] == False  # noqa: E712
    assert "settled_above_permitted" not in row["reasons"]


@pytest.mark.parametrize(
    "readings, step", [([230.0] * 40, 1.0), ([200.0, 230.0, 300.0] * 9, 1.0), (list(range(180, 235, 5)), 5.0)]
)
def test_stopping_at_one_round_figure_is_no_coarse_gauge(readings, step):
    assert read_step_bar(np.array(readings, float)) == step


def test_steps_read_at_many_places_are_those_read_at_each():
    rng = np.random.default_rng(4)
    step = np.repeat([10.0, 0.1, 5.0, 1.0], 60)
    readings = np.where(rng.random(240) < 0.2, np.nan, step * np.round(rng.uniform(20.0, 300.0, 240) / step))
    after = np.arange(0, 241, 3)
    each = [read_step_bar(readings[max(n - 40, 0) : n]) for n in after.tolist()]
    assert read_steps_bar(readings, after, 40).tolist() == each and {10.0, 5.0, 1.0, 0.1} <= set(each)


def test_the_worst_counts_and_all_reasons_are_listed():
    row = one(start_pressure_bar=0.5, co_ppm=20.0)
    assert row["verdict"] == "stop"
    assert {"co_above_limit", "arrived_empty", "short_fill", "hot_stop"} <= set(row["reasons"])
    order = [SEVERITIES.index(all_codes()[r].severity) for r in row["reasons"]]
    assert order == sorted(order)


def test_a_set_is_in_test_only_if_both_its_cylinders_are():
    old = [TWIN[0], TWIN[1] | {"manufactured_on": "2019-01-01"}]
    assert not fill(unit_id="T", CYLINDERS=old)["in_test"]
    assert fill(unit_id="T", CYLINDERS=TWIN)["in_test"]


def test_sides_that_agree_are_said_to_agree():
    row = fill(unit_id="T", CYLINDERS=TWIN, second_stop_pressure_bar=230.0)
    assert row["side_disagreement"] == False  # noqa: E712
    assert row["verdict"] == "good"


def test_a_release_and_a_new_fill_end_a_hold_and_a_correction_clears_it():
    held = FILL | FULL | {"co_ppm": 20.0}
    release = {"fill_id": "f1", "released_at": "2031-06-01T12:00:00Z", "released_by": "Ine", "reason": "drained"}
    row = built(fills=[BEFORE, held], releases=[release])["fill_quality"].iloc[1]
    assert row["verdict"] == "stop" and row["released"] and not row["on_hold"]
    early = release | {"released_at": "2031-05-30T12:00:00Z"}
    assert built(fills=[BEFORE, held], releases=[early])["fill_quality"].iloc[1]["on_hold"]
    again = held | {"fill_id": "f2", "filled_at": "2031-06-02T10:00:00Z", "co_ppm": 0.0}
    both = built(fills=[BEFORE, held, again])["fill_quality"].set_index("fill_id")
    assert not both.loc["f1", "on_hold"] and not both.loc["f2", "on_hold"]
    assert not built(fills=[BEFORE, held | {"co_ppm": 1.0}])["fill_quality"].iloc[1]["on_hold"]


@pytest.mark.parametrize(
    "found, late",
    [
        ({"AIR_TESTS": [TEST, TEST | {"sampled_on": "2031-06-20", "co_ppm": 9.0}]}, "2031-06-27T12:00:00Z"),
        ({"settled_pressure_bar": 240.0, "settled_c": 15.0, "settled_at": "2031-06-03T10:00:00Z",
          "stop_pressure_bar": 245.0}, "2031-06-03T12:00:00Z"),
        ({"analysed_o2_pct": 27.0, "analysed_at": "2031-06-03T10:00:00Z"}, "2031-06-03T12:00:00Z"),
    ],
)  # fmt: skip
def test_a_release_does_not_lift_what_came_to_light_after_it(found, late):
    early = {"fill_id": "f1", "released_at": "2031-06-01T12:00:00Z", "released_by": "Ine", "reason": "looked at"}
    row = fill(**found, RELEASES=[early])
    assert row["verdict"] == "stop" and not row["released"] and row["on_hold"]
    row = fill(**found, RELEASES=[early, early | {"released_at": late}])
    assert row["released"] and not row["on_hold"]


def test_a_hold_follows_the_cylinders_of_a_set_and_ends_once_each_was_filled_again():
    """The set was filled behind a failed test and taken apart: the side that was not filled since holds that gas."""
    held = FILL | FULL | {"unit_id": "T", "co_ppm": 20.0, "analysed_o2_pct": 20.9}
    left = FILL | FULL | {"fill_id": "f2", "unit_id": "L", "filled_at": "2031-06-05T10:00:00Z", "analysed_o2_pct": 20.9}
    right = left | {"fill_id": "f3", "unit_id": "R"}
    for fills, on_hold in (([held], True), ([held, left], True), ([held, left, right], False)):
        rows = built(fills=fills, cylinders=TWIN)["fill_quality"].set_index("fill_id")
        assert bool(rows.loc["f1", "on_hold"]) == on_hold == bool(rows.loc["f1", "latest_fill"])
    assert rows.loc["f1", "cylinder_ids"] == ["L", "R"] and rows.loc["f2", "cylinder_ids"] == ["L"]


@pytest.mark.parametrize("start, reason", [(150.0, "residue_on_recall"), (1.0, None)])
def test_a_fill_on_gas_that_is_called_back_is_held_as_well(start, reason):
    """The air passed again before it: what failed is inside still, unless it was emptied."""
    tests = [TEST | {"co_ppm": 9.0}, TEST | {"sampled_on": "2031-06-10"}]
    again = FILL | FULL | {"fill_id": "f2", "filled_at": "2031-06-15T10:00:00Z", "start_pressure_bar": start}
    rows = built(fills=[BEFORE, FILL | FULL, again], air_tests=tests)["fill_quality"].set_index("fill_id")
    assert rows.loc["f1", "air_state"] == "failed" and rows.loc["f2", "air_state"] == "passed"
    assert [r for r in rows.loc["f2", "reasons"] if "recall" in r] == ([reason] if reason else [])
    assert (rows.loc["f2", "verdict"] == "stop") == (reason is not None)


def test_a_fill_without_a_source_asks_for_a_check_while_a_compressor_stands_failed():
    """Nine days after the failure, and of the nitrox that follows on it."""
    tests = [TEST | {"sampled_on": "2031-04-01"}, TEST, TEST | {"sampled_on": "2031-05-23", "co_ppm": 9.0}]
    row = fill(source_id=None, AIR_TESTS=tests)
    assert row["verdict"] == "attention" and "source_unknown_air_failed" in row["reasons"]
    assert row["air_state"] == "source_unknown"
    again = FILL | FULL | {"fill_id": "f2", "filled_at": "2031-06-15T10:00:00Z", "start_pressure_bar": 150.0}
    passed = [*tests, TEST | {"sampled_on": "2031-06-10"}]
    rows = built(fills=[BEFORE, FILL | FULL | {"source_id": None}, again], air_tests=passed)["fill_quality"]
    assert "residue_of_unknown_source" in rows["reasons"].iloc[2] and rows["verdict"].iloc[2] == "attention"


@pytest.mark.parametrize("start, said", [(16.0, True), (8.0, False)])
def test_a_twentieth_of_gas_from_nobody_knows_where_is_said_and_less_is_used_up(start, said):
    """By pressure 16 of 232 bar are 7 %, 8 are 3.5 %."""
    tests = [TEST | {"sampled_on": "2031-04-01"}, TEST, TEST | {"sampled_on": "2031-05-23", "co_ppm": 9.0}]
    again = FILL | FULL | {"fill_id": "f2", "filled_at": "2031-06-15T10:00:00Z", "start_pressure_bar": start}
    passed = [*tests, TEST | {"sampled_on": "2031-06-10"}]
    rows = built(fills=[BEFORE, FILL | FULL | {"source_id": None}, again], air_tests=passed)["fill_quality"]
    assert ("residue_of_unknown_source" in rows["reasons"].iloc[2]) is said


def test_a_compressor_that_was_never_tested_asks_for_a_check_where_others_are():
    """A station that keeps no tests at all is not told so with each fill."""
    row = fill(AIR_TESTS=[TEST | {"compressor_id": "another"}])
    assert row["verdict"] == "attention" and "air_test_overdue" in row["reasons"]
    assert "air_test_overdue" not in fill(AIR_TESTS=[])["reasons"]


def test_air_that_was_never_tested_for_carbon_monoxide_asks_for_a_check():
    row = fill(AIR_TESTS=[TEST | {"co_ppm": None}])
    assert row["verdict"] == "attention" and "carbon_monoxide_untested" in row["reasons"]
    part = fill(AIR_TESTS=[TEST | {"water_mg_m3": None}])
    assert part["air_state"] == "partly_tested" and "air_partly_tested" in part["reasons"]


def test_what_people_have_seen_is_never_rewritten():
    first = built(fills=[BEFORE, FILL | FULL])
    published = first["fill_quality"].iloc[1]
    assert published["handed_over_verdict"] == published["verdict"] == "good"
    later = FILL | FULL | {"settled_pressure_bar": 180.0, "settled_c": 15.0, "settled_at": "2031-06-02T09:00:00Z"}
    now = built(fills=[BEFORE, later, FILL | {"fill_id": "f2", "filled_at": "2031-06-03T09:00:00Z"}], previous=first)[
        "fill_quality"
    ].set_index("fill_id")
    assert now.loc["f1", "verdict"] == "short"
    assert now.loc["f1", "handed_over_verdict"] == "good"
    assert now.loc["f1", "handed_over_settled_bar_15c"] == published["settled_pressure_bar_15c"]
    assert now.loc["f2", "handed_over_verdict"] == now.loc["f2", "verdict"]


def test_the_air_behind_a_bank_is_that_of_its_compressor():
    bank = {"source_id": "bank", "kind": "bank", "fed_by": "comp", "o2_pct": 20.95}
    row = fill(source_id="bank", SOURCES=[COMPRESSOR, bank], AIR_TESTS=[TEST | {"co_ppm": 9.0}])
    assert row["air_state"] == "failed" and row["verdict"] == "stop"
    assert fill(source_id="bank", SOURCES=[COMPRESSOR, bank], AIR_TESTS=[TEST])["verdict"] == "good"


def test_the_chosen_limit_of_carbon_monoxide_counts():
    own = replace(Policy(), air=Air(co_limit_ppm=3.0))
    assert "co_above_limit" in fill(own, co_ppm=4.0)["reasons"]
    assert "co_above_limit" not in fill(co_ppm=4.0)["reasons"]


def test_every_reason_has_its_words():
    known = all_codes()
    row = one(start_pressure_bar=0.5, co_ppm=20.0)
    assert len(row["reasons"]) >= 4
    for reason in row["reasons"]:
        assert "?" not in known[reason].words(row.to_dict()).replace("shut?", "")


def test_a_rating_in_psi_and_one_in_whole_bar_are_one_pressure():
    """Other ratings: `tests/shared/test_permitted.py`."""
    psi, bar = 3000.0, 207.0
    in_psi = CYLINDER | {
        "water_capacity_l": 11.1,
        "working_pressure_bar": None,
        "valve_pressure_bar": None,
        "rated_capacity_cuft": 80.0,
        "service_pressure_psi": psi,
    }
    in_bar = CYLINDER | {"working_pressure_bar": bar, "valve_pressure_bar": None}
    for cylinder, asked in ((in_psi, bar), (in_bar, psi * 0.0689475729)):
        row = fill(CYLINDERS=[cylinder], target_pressure_bar=asked, stop_pressure_bar=asked)
        assert not {"asked_above_permitted", "stopped_above_permitted"} & set(row["reasons"])
        more = fill(CYLINDERS=[cylinder], target_pressure_bar=asked + 2, stop_pressure_bar=asked + 2)
        assert {"asked_above_permitted", "stopped_above_permitted"} <= set(more["reasons"])


# --- what a top-up does not undo -----------------------------------------------------------------
TOP_UP = FILL | {"fill_id": "f2", "filled_at": "2031-06-01T14:00:00Z", "start_pressure_bar": 200.0}


def _judged(*fills, **rows):
    return built(fills=[BEFORE, *fills], **rows)["fill_quality"].set_index("fill_id")


@pytest.mark.parametrize(
    "start, read, held",
    [
        (200.0, None, True),  # 50 ppm of which nine tenths are left
        (20.0, None, False),  # 4.5 ppm are left, below the limit of 5
        (30.0, None, True),
        (200.0, 44.0, False),  # measured again, and above the limit by itself
        (200.0, 1.0, True),  # no top-up makes that of 43 ppm
        (30.0, 4.0, False),  # about what must be left
    ],
)
def test_carbon_monoxide_stays_in_what_is_topped_up(start, read, held):
    fills = _judged(FILL | {"co_ppm": 50.0}, TOP_UP | {"start_pressure_bar": start, "co_ppm": read})
    row = fills.loc["f2"]
    assert ("co_in_residue" in row["reasons"]) == held
    assert row["on_hold"] == (held or (read or 0.0) > 5.0)


@pytest.mark.parametrize(("read", "held"), [(1.0, True), (40.0, True), (None, True)])
def test_a_reading_that_no_top_up_makes_clears_none_of_what_follows(read, held):
    """200 of 232 bar are left of 50 ppm twice: 37 ppm, whatever the one reading in between claims."""
    last = TOP_UP | {"fill_id": "f3", "filled_at": "2031-06-01T18:00:00Z"}
    row = _judged(FILL | {"co_ppm": 50.0}, TOP_UP | {"co_ppm": read}, last).loc["f3"]
    assert ("co_in_residue" in row["reasons"]) is held


def test_carbon_monoxide_read_after_a_release_holds_again_and_one_read_before_does_not():
    release = {"fill_id": "f1", "released_by": "M1", "reason": "seen"}
    late = FILL | {"co_ppm": 60.0, "analysed_o2_pct": 20.9, "analysed_at": "2031-06-01T12:00:00Z"}
    for at, holds in (("2031-06-01T11:00:00Z", True), ("2031-06-01T13:00:00Z", False)):
        row = _judged(late, releases=[release | {"released_at": at}]).loc["f1"]
        assert row["on_hold"] == holds and "co_above_limit" in row["reasons"]


@pytest.mark.parametrize("released, holds", [("06-01T15:00", True), ("06-01T17:00", False)])
def test_what_was_read_of_the_fill_below_after_a_release_of_the_one_on_top_holds_it_again(released, holds):
    below = FILL | {"co_ppm": 60.0, "analysed_o2_pct": 20.9, "analysed_at": "2031-06-01T16:00:00Z"}
    release = {"fill_id": "f2", "released_by": "M1", "reason": "seen", "released_at": f"2031-{released}:00Z"}
    row = _judged(below, TOP_UP, releases=[release]).loc["f2"]
    assert "co_in_residue" in row["reasons"] and row["on_hold"] == holds


@pytest.mark.parametrize("released, holds", [("06-05T10:00", True), ("06-12T10:00", False)])
def test_a_release_before_the_result_of_the_gas_below_does_not_lift_the_fill_on_top(released, holds):
    source = [COMPRESSOR, {"source_id": "bank", "kind": "bank", "o2_pct": 20.95, "he_pct": 0.0}]
    test = {"compressor_id": "comp", "sampled_on": "2031-06-03", "co_ppm": 30.0}
    below = FILL | {"filled_at": "2031-06-03T10:00:00Z"}
    top = TOP_UP | {"filled_at": "2031-06-04T10:00:00Z", "source_id": "bank"}
    release = {"fill_id": "f2", "released_by": "M1", "reason": "seen", "released_at": f"2031-{released}:00Z"}
    row = _judged(below, top, releases=[release], sources=source, air_tests=[test],
                  compressors=[{"compressor_id": "comp"}]).loc["f2"]  # fmt: skip
    assert "residue_on_recall" in row["reasons"] and row["on_hold"] == holds


@pytest.mark.parametrize("released, holds", [("06-04T10:00", True), ("06-12T10:00", False)])
def test_who_releases_within_a_week_of_a_sample_did_not_know_its_result(released, holds):
    test = {"compressor_id": "comp", "sampled_on": "2031-06-03", "co_ppm": 30.0}
    release = {"fill_id": "f2", "released_by": "M1", "reason": "seen", "released_at": f"2031-{released}:00Z"}
    for start_bar, below in ((200.0, True), (1.0, False)):  # on gas that is called back as well, and by its own alone
        fill = TOP_UP | {"filled_at": "2031-06-03T14:00:00Z", "start_pressure_bar": start_bar}
        row = _judged(fill, releases=[release], air_tests=[test], compressors=[{"compressor_id": "comp"}]).loc["f2"]
        assert row["verdict"] == "stop" and row["on_hold"] == holds, start_bar
        assert ("residue_on_recall" in row["reasons"]) is below


def test_gas_that_is_called_back_is_followed_through_a_set():
    sides = [CYLINDER | {"cylinder_id": name} for name in ("L", "R")]
    joined = [{"set_id": "T", "cylinder_id": name, "from_on": "2031-01-01"} for name in ("L", "R")]
    bad = {"compressor_id": "comp", "sampled_on": "2031-05-30", "co_ppm": 30.0}
    source = [COMPRESSOR, {"source_id": "bank", "kind": "bank", "o2_pct": 20.95, "he_pct": 0.0}]
    fills = [
        FILL | {"fill_id": "left", "unit_id": "L"},
        FILL | {"fill_id": "both", "unit_id": "T", "source_id": "bank", "filled_at": "2031-06-02T10:00:00Z"},
        FILL | {"fill_id": "right", "unit_id": "R", "source_id": "bank", "filled_at": "2031-06-03T10:00:00Z",
                "start_pressure_bar": 150.0},
        FILL | {"fill_id": "used up", "unit_id": "R", "source_id": "bank", "filled_at": "2031-06-04T10:00:00Z",
                "start_pressure_bar": 5.0},
    ]  # fmt: skip
    made = _judged(*fills, cylinders=[CYLINDER, *sides], set_members=joined, sources=source, air_tests=[bad],
                   compressors=[{"compressor_id": "comp"}])  # fmt: skip
    said = {fill: "residue_on_recall" in made.loc[fill, "reasons"] for fill in ("left", "both", "right", "used up")}
    assert said == {"left": False, "both": True, "right": True, "used up": False}


@pytest.mark.parametrize(
    "analysed, said",
    [(29.2, False), (31.0, False), (20.9, True), (32.0, True), (40.0, True), (None, False)],
)
def test_an_analysis_that_residue_and_source_cannot_make_is_said(analysed, said):
    # 150 bar of 32 % and air on top: by moles 29.2 %, worked by hand with ideal gas 28.1 to 29.5 %
    rich = FILL | NITROX | {"analysed_o2_pct": 32.0}
    air = TOP_UP | {"start_pressure_bar": 150.0, "analysed_o2_pct": analysed, "target_o2_pct": 29.0}
    row = _judged(rich, air).loc["f2"]
    assert ("analysis_unlike_expected" in row["reasons"]) == said
    assert not said or row["verdict"] in ("attention", "stop")
