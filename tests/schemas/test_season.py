"""A season in few figures: what was short, by cause; one cylinder beside the other; what is not known is said."""

import json

import pandas as pd
import pytest

from schemas import season, trend_words

AS_OF = pd.Timestamp("2031-06-30")
IDS = ["d0", "d1", "d2", "d3"]
DIVES = pd.DataFrame(
    {
        "dive_id": IDS,
        "started_at": pd.to_datetime(["2029-01-01", "2031-05-01", "2031-06-01", "2031-06-29"], utc=True),
        "rmv_l_min": [10.0, 16.0, 18.0, None],
    }
)
RESERVE = pd.DataFrame(
    {
        "dive_id": IDS,
        "started_at": pd.NaT,
        "surfaced_bar": [20.0, 60.0, 40.0, None],
        "least_margin_free_l": [-900.0, -300.0, -100.0, 50.0],
        "below_policy": [True, True, True, False],
        "cause_shares": [{"profile": 1.0}, {"cooling": 1.0}, json.dumps({"cooling": 0.2, "consumption": 0.8}), None],
        "fill_low_bar": [30.0, 20.0, 0.0, None],
    }
)
TANKS = pd.DataFrame(
    {
        "dive_id": ["d1", "d2", "d2", "d2", "d3"],
        "unit_id": ["C1", "C2", "C1", "S1", None],
        "role": ["back", "back", "back", "stage", "back"],
    }
)
TREND = pd.DataFrame(
    {
        "started_at": pd.to_datetime(["2030-01-01", "2031-06-29"], utc=True),
        "trend": "falling",
        "chance_risen": 0.04,
        "change_12m_pct": -12.0,
        "change_12m_low_pct": -17.0,
        "change_12m_high_pct": -6.0,
        "planning_rmv_l_min": 18.4,
        "level_rmv_l_min": 16.0,
        "level_low_l_min": 15.2,
        "level_high_l_min": 16.9,
    }
)


def made(reserve=RESERVE, trend=TREND):
    return season.season(DIVES, trend, reserve, TANKS, None, AS_OF, 365, 50.0, 0.9)


def test_a_dive_counts_by_its_own_shortfall_and_those_of_earlier_years_do_not():
    year = made()
    # 300 L by cooling; 100 L, a fifth of it by cooling
    assert dict(year.causes)["Cooling after the fill"] == pytest.approx(320 / 400)
    assert sum(share for _, share in year.causes) == pytest.approx(1.0)
    assert year.shortfall.startswith("2 dives went below this policy, by 400\u00a0L in all")
    assert [share for _, share in year.causes] == sorted((share for _, share in year.causes), reverse=True)
    # below the policy by what was left at the surface, with gas to spare at depth: nothing was short
    spare = RESERVE.copy()
    spare.loc[3, ["least_margin_free_l", "below_policy"]] = [400.0, True]
    spare["cause_shares"] = [*RESERVE["cause_shares"].iloc[:3], {"profile": 1.0}]
    assert made(spare).causes == year.causes


def test_no_shortfall_and_no_judgement_are_two_things():
    none = RESERVE.assign(below_policy=False, cause_shares=None)
    assert "None of 3 judged dives" in made(none).shortfall and made(none).causes == ()
    unknown = RESERVE.assign(below_policy=pd.array([pd.NA] * 4, dtype="boolean"), cause_shares=None)
    assert made(unknown).shortfall.startswith("Not known yet")


def test_what_was_on_the_back_stands_beside_each_other():
    rows = made().cylinders
    assert [(row[0], row[1]) for row in rows] == [("C1", "1"), ("C1 + C2", "1")]
    assert rows[0][2:] == ("16.0\u00a0L/min", "20\u00a0bar", "\u2212300\u00a0L", "60\u00a0bar")
    assert rows[1][3] == "nothing"
    again = pd.concat([DIVES, DIVES.iloc[[2]].assign(dive_id="d4")])
    tanks = pd.concat([TANKS, TANKS.iloc[1:3].assign(dive_id="d4")])
    assert season.by_cylinder(again, tanks, RESERVE)["unit_id"].tolist() == ["C1 + C2", "C1"]  # dived most first


def test_the_year_is_one_sentence_with_its_uncertainty():
    assert made().change == (
        "Over the last 12 months the rate fell by 12\u00a0% (6 to 17), 80 % interval; chance that it fell: 96\u00a0%."
    )
    assert "not known yet" in made(trend=TREND.assign(trend="too_few")).change
    assert "not known yet" in made(trend=TREND.iloc[:0]).change
    steady = trend_words.year_sentence(TREND.iloc[-1].to_dict() | {"chance_risen": 0.4}, TREND["started_at"].iloc[0])
    assert "no clear change" in steady and "may be chance" in steady


def test_rates_lie_on_the_strip_from_old_to_new_and_few_make_none():
    assert season.strip(DIVES.tail(3), 100, 10) == []
    rates = DIVES.assign(rmv_l_min=[10.0, 16.0, 18.0, 10.0])
    places = season.strip(rates, 100, 10)
    assert places[0] == (0.0, 10.0) and places[-1] == (100.0, 10.0) and min(y for _, y in places) == 0.0


def test_a_dive_below_policy_of_which_nobody_knows_why_is_never_none():
    no_cause = RESERVE.assign(cause_shares=None)
    assert made(no_cause).shortfall == "2 dives went below this policy; by how much and why is not known."
    one = RESERVE.assign(cause_shares=[None, {"cooling": 1.0}, None, None])
    assert made(one).shortfall.startswith("2 dives went below this policy; of 1 it is known why, short by 300\u00a0L")
    unjudged = RESERVE.assign(below_policy=pd.array([None, False, False, None], dtype="boolean"))
    assert made(unjudged).shortfall.endswith("1 dive could not be judged.")


def test_a_year_goes_back_as_far_as_the_watch_over_reserves_does():
    """As of 30 June 365 days go back to the begin of 30 June of the year before."""
    at = pd.to_datetime(["2030-06-29T23:59Z", "2030-06-30T00:00Z", "2031-06-30T23:59Z", "2031-07-01T00:00Z"])
    rows = pd.DataFrame({"dive_id": list("abcd"), "started_at": at})
    assert season.of_last_year(rows, AS_OF, 365)["dive_id"].tolist() == ["b", "c"]
