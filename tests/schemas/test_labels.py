"""A label says what was analysed, rounds to the safe side, and stands on no fill that may have none."""

import pandas as pd
import pytest

from schemas import labels, words

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
    "air_state": "passed",
    "air_failed_on": None,
}


def test_depths_round_to_the_safe_side_and_the_analyst_is_named():
    made = labels.label(ROW, "Europe/Dublin", 1.4, {"m-anna": "Anna", "m-dora": "Dora"})
    lines = dict(made.lines)
    assert made.depth == "Maximum operating depth 33\u00a0m" and lines["That depth"] == "at ppO₂ 1.4 bar"
    assert lines["Minimum depth"] == "1\u00a0m"
    assert lines["Analysed"] == "O₂ 32.1\u00a0% by Dora, 3 May 2031, 13:05"
    assert lines["At 15\u00a0°C"].startswith("211\u00a0bar (208 to 214)")
    assert lines["For"] == "Anna"


def test_suit_gas_gets_no_depth_to_breathe_it_at():
    made = labels.label(ROW | {"reasons": ["suit_gas_only"]}, "UTC", 1.4, {})
    assert made.warning == labels.NOT_BREATHABLE and not made.depth
    assert "Minimum depth" not in dict(made.lines)
    # that nobody analysed it is the lesser thing to know
    unread = ROW | {"reasons": ["suit_gas_only"], "analysed_o2_pct": None}
    assert labels.label(unread, "UTC", 1.4, {}).warning == labels.NOT_BREATHABLE


def test_air_that_nobody_analysed_says_so_and_states_no_depth_and_no_other_gas_passes_for_it():
    air = ROW | {"o2_pct": 20.95, "analysed_o2_pct": None, "analysed_by": None, "analysed_at": None}
    air |= {"mix_verdict": "not_analysed", "verdict": "good", "released": False, "superseded": False}
    made = labels.label(air, "UTC", 1.4, {})
    assert not labels.withheld(air) and made.warning == "NOT ANALYSED" and not made.depth
    assert "by nobody" in dict(made.lines)["Analysed"] and "Minimum depth" not in dict(made.lines)
    for other in ({"o2_pct": 32.0}, {"he_pct": 5.0}, {"o2_pct": None}, {"reasons": ["mix_not_analysed"]},
                  {"reasons": ["residue_unknown"]}):  # fmt: skip
        assert labels.withheld(air | other) == "Not analysed."


def test_a_later_fill_of_the_same_unit_supersedes_the_label():
    hours = [AT, AT + pd.Timedelta(hours=1), AT]
    fills = pd.DataFrame({"unit_id": ["a", "a", "b"], "filled_at": hours})
    assert labels.superseded(fills).tolist() == [True, False, False]


def test_a_label_says_how_the_air_behind_it_stood():
    assert dict(labels.label(ROW, "UTC", 1.4, {}).lines)["Air"] == "passed its test"
    unknown = ROW | {"air_state": "source_unknown", "air_failed_on": pd.Timestamp("2031-04-20")}
    assert "test of 20 Apr 2031" in dict(labels.label(unknown, "UTC", 1.4, {}).lines)["Air"]


def test_what_is_called_back_gets_no_label():
    back = ROW | {
        "verdict": "stop", "released": False, "superseded": False, "mix_verdict": "in_tolerance",
        "reasons": ["air_test_failed_later"], "air_state": "failed_later", "air_failed_on": pd.Timestamp("2031-05-20"),
    }  # fmt: skip
    assert labels.withheld(back) == "Called back: its air failed the next test (test of 20 May 2031)."
    upon = back | {"reasons": ["residue_on_recall"], "air_state": "passed"}
    assert labels.withheld(upon) == "Called back: filled upon gas that is called back."
    assert labels.withheld(back | {"released": True}) == ""


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"verdict": "stop"}, "Held"),
        ({"mix_verdict": "not_analysed", "o2_pct": 32.0}, "Not analysed"),
        ({"mix_verdict": "not_analysed"}, ""),
        ({"superseded": True}, "Filled again"),
        ({}, ""),
        ({"verdict": "stop", "released": True}, ""),
    ],
)
def test_a_label_is_withheld_from_a_held_an_unanalysed_and_a_superseded_fill(change, why):
    row = {"verdict": "good", "mix_verdict": "in_tolerance", "superseded": False, "released": False, "reasons": [],
           "o2_pct": 20.95, "he_pct": 0.0}  # fmt: skip
    row |= change
    assert labels.withheld(row).startswith(why) and bool(labels.withheld(row)) == bool(why)


def test_none_and_hardly_any_are_two_things():
    assert [words.share(v).replace("\u00a0", " ") for v in (0.0, 0.004, 0.01, None)] == [
        "0 %", "under 1 %", "1 %", "not known",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("value", "says"), [(49.4, "49 bar"), (49.6, "49.6 bar"), (49.96, "49.96 bar"), (50.0, "50.00 bar")]
)
def test_a_figure_under_its_limit_never_reads_as_the_limit(value, says):
    assert words.under(value, 50.0, "bar").replace("\u00a0", " ") == says
