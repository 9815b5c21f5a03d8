"""Trend rows, month by month, from frames."""

import numpy as np
import pandas as pd
import pytest

from pipelines.derive.divers.trend import (
    _water,
    build_condition_effects,
    build_member_trend,
    fit_trend_months,
    trend_rows,
)
from schemas.policy import Policy
from schemas.tables import TABLES
from tests.pipelines.diver_frames import NOON, frames, make_dive

POLICY = Policy()


def season(member_id="M1", dives=24, seed=0, every_days=7.0):
    rng = np.random.default_rng(seed)
    return [
        make_dive(
            f"{member_id}-{i}",
            i * every_days,
            rmv=float(17 * np.exp(rng.normal(0, 0.14))),
            member_id=member_id,
            depth_m=float(rng.uniform(8, 32)),
            water_c=float(rng.uniform(6, 20)),
            step_s=60,
            suit="dry" if rng.random() < 0.4 else "wet",
        )
        for i in range(dives)
    ]


@pytest.fixture(scope="module")
def built():
    f = frames(*season("M1"), *season("M2", seed=1), *season("M3", seed=2, dives=5))
    model = fit_trend_months(f["dive_consumption"], f["dives"])
    return f, model, build_member_trend(f["dive_consumption"], f["dives"], model)["consumption_trend"]


def of(frame, member_id):
    return frame[frame["member_id"] == member_id].reset_index(drop=True)


def test_every_column_of_the_contract_is_there(built):
    _, _, trend = built
    assert list(trend.columns)[: len(TABLES["consumption_trend"].fields)] == list(TABLES["consumption_trend"].fields)
    assert not trend[["level_rmv_l_min", "planning_rmv_l_min", "slope_pct_per_month"]].isna().any().any()
    assert (trend["level_low_l_min"] < trend["level_rmv_l_min"]).all()
    assert (trend["level_rmv_l_min"] < trend["level_high_l_min"]).all()
    assert (trend["planning_rmv_l_min"] > trend["level_rmv_l_min"]).mean() > 0.95


def test_a_member_by_itself_has_the_rows_it_has_among_all(built):
    f, model, trend = built
    alone = build_member_trend(of(f["dive_consumption"], "M2"), of(f["dives"], "M2"), model)
    pd.testing.assert_frame_equal(alone["consumption_trend"], of(trend, "M2"), check_exact=False, rtol=1e-4)


def test_no_row_sees_a_later_dive(built):
    f, _, trend = built
    before = f["dive_consumption"]["started_at"] < NOON + pd.Timedelta(days=100)
    past = f["dive_consumption"][before]
    model = fit_trend_months(past, f["dives"])
    rows = build_member_trend(past, f["dives"], model)["consumption_trend"]
    same = trend[trend["dive_id"].isin(rows["dive_id"])].reset_index(drop=True)
    pd.testing.assert_frame_equal(rows, same, check_exact=False, rtol=1e-4)


def test_a_month_with_the_same_dives_before_it_keeps_its_fit_and_a_late_dive_renews_those_after():
    f = frames(*season("M1"), *season("M2", seed=1))
    first = fit_trend_months(f["dive_consumption"], f["dives"])
    marked = first.assign(model=[m.replace("{", "{ ", 1) for m in first["model"]])
    again = fit_trend_months(f["dive_consumption"], f["dives"], previous=marked)
    assert again["model"].tolist() == marked["model"].tolist()
    late = frames(*season("M1"), *season("M2", seed=1), make_dive("late", 45.0, step_s=60))
    renewed = fit_trend_months(late["dive_consumption"], late["dives"], previous=first)
    month = (NOON + pd.Timedelta(days=45)).tz_localize(None)
    after = renewed["month_on"] > month
    assert (renewed["version"] == first["version"])[~after].all()
    assert (renewed["version"] != first["version"])[after].all()


def test_the_order_of_dives_is_of_no_account(built):
    f, model, trend = built
    shuffled = f["dive_consumption"].sample(frac=1, random_state=3)
    pd.testing.assert_frame_equal(fit_trend_months(shuffled, f["dives"].sample(frac=1, random_state=4)), model)
    rows = build_member_trend(shuffled, f["dives"], model)["consumption_trend"]
    pd.testing.assert_frame_equal(rows, trend)


def test_water_that_nobody_measured_is_that_of_the_last_sixty_days():
    rows = pd.DataFrame({"member_id": list("AAAB"), "day": [0.0, 60.0, 60.1, 1.0], "water_c": [8.0, None, None, None]})
    np.testing.assert_array_equal(_water(rows), [8.0, 8.0, np.nan, np.nan])


def test_dives_with_missing_or_shared_gas_stay_out():
    shared, unknown, flagged = make_dive("X", 40, gas_shared=True), make_dive("Y", 41), make_dive("Z", 42)
    unknown["dive_consumption"]["rmv_l_min"] = np.nan
    flagged["dive_consumption"]["flags"] = ["gas_missing"]
    f = frames(*season("M1", dives=4), shared, unknown, flagged)
    rows = trend_rows(f["dive_consumption"], f["dives"])
    assert rows.set_index("dive_id")["in_trend"].loc[["X", "Y", "Z"]].tolist() == [False, False, False]
    assert rows["in_trend"].sum() == 4


def test_few_dives_are_said_to_be_few_and_still_have_a_level(built):
    _, _, trend = built
    few = of(trend, "M3")
    assert (few["trend"] == "too_few").all() and not few["slope_sure"].any()
    assert few["level_rmv_l_min"].between(11, 25).all()


def test_a_steady_fall_is_seen_and_an_outlier_is_named():
    rng = np.random.default_rng(2)
    rate = 22 * np.exp(-0.03 * np.arange(60) * 3 / 30.44 + rng.normal(0, 0.08, 60))
    falling = [make_dive(f"D{i}", i * 3, rmv=float(r), step_s=60) for i, r in enumerate(rate)]
    falling.append(make_dive("odd", 181, rmv=40.0, step_s=60))
    f = frames(*falling)
    model = fit_trend_months(f["dive_consumption"], f["dives"])
    rows = build_member_trend(f["dive_consumption"], f["dives"], model)["consumption_trend"]
    assert rows["trend"].iloc[-2] == "falling"
    assert rows["slope_low_pct"].iloc[-2] <= -2.96 <= rows["slope_high_pct"].iloc[-2]
    likely = (rows["slope_high_pct"] < 0).to_numpy() & (np.arange(len(rows)) >= 20)
    assert rows["slope_sure"].iloc[-2] and (likely & ~rows["slope_sure"]).any(), "95 % is more than 80 %"
    assert rows["flags"].iloc[-1] == ["outlier_dive"] and rows["flags"].iloc[-2] == []


def test_effects_have_intervals_and_none_are_stated_before_there_are_dives(built):
    _, model, _ = built
    effects = build_condition_effects(model)
    assert (effects["effect_low_pct"] < effects["effect_high_pct"]).all()
    assert not len(build_condition_effects(model.iloc[:1]))
    assert not len(
        build_condition_effects(
            fit_trend_months(*(frames(*season(dives=2))[k].iloc[:0] for k in ("dive_consumption", "dives")))
        )
    )


def test_a_member_without_dives_has_empty_frames():
    f = frames(*season(dives=2))
    made = build_member_trend(
        f["dive_consumption"].iloc[:0],
        f["dives"].iloc[:0],
        fit_trend_months(f["dive_consumption"].iloc[:0], f["dives"].iloc[:0]),
    )
    assert len(made["consumption_trend"]) == 0 and len(made["trend_state"]) == 0
