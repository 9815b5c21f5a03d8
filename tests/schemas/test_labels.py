"""A label says what was analysed, rounds to the safe side, and stands on no fill that may have none."""

import pandas as pd

from schemas import labels

AT = pd.Timestamp("2031-05-03T12:05:00Z")
ROW = {
    "unit_id": "S10-4",
    "member_id": "m-anna",
    "o2_pct": 32.14,
    "he_pct": 0.0,
    "analysed_o2_pct": 32.14,
    "analysed_he_pct": 0.0,
    "analysed_by": "m-dora",
    "analysed_at": AT,
    "max_operating_depth_m": 33.96,
    "min_operating_depth_m": 0.2,
    "stop_pressure_bar": 232.0,
    "settled_pressure_bar_15c": 211.3,
    "settled_low_bar_15c": 208.0,
    "settled_high_bar_15c": 214.0,
    "filled_at": AT,
    "reasons": ["short_fill"],
}


def test_depths_round_to_the_safe_side_and_the_analyst_is_named():
    lines = dict(labels.label(ROW, "Europe/Dublin", 1.4, {"m-anna": "Anna", "m-dora": "Dora"}).lines)
    assert lines["Maximum operating depth"] == "33\u00a0m at ppO₂ 1.4 bar"
    assert lines["Least depth"] == "1\u00a0m"
    assert lines["Analysed"] == "O₂ 32.1\u00a0% by Dora, 3 May 2031, 13:05"
    assert lines["At 15 °C"].startswith("211\u00a0bar (208 to 214)")
    assert lines["For"] == "Anna"


def test_suit_gas_gets_no_depth_to_breathe_it_at():
    told = labels.label(ROW | {"reasons": ["suit_gas_only"]}, "UTC", 1.4, {})
    assert told.not_breathable
    assert not {"Maximum operating depth", "Least depth"} & set(dict(told.lines))


def test_a_later_fill_of_the_same_unit_supersedes_the_label():
    hours = [AT, AT + pd.Timedelta(hours=1), AT]
    fills = pd.DataFrame({"unit_id": ["a", "a", "b"], "filled_at": hours})
    assert labels.superseded(fills).tolist() == [True, False, False]
