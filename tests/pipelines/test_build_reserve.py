"""How near each dive came, why, and what is said of the member."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.derive.divers.reserve import build_member_reserve, with_chances
from pipelines.derive.divers.reserve_chance import fit_corrections
from pipelines.derive.divers.trend import build_member_trend, fit_trend_months
from pipelines.derive.divers.watch import _state, _unsure, _watch, build_watch
from schemas.codes.divers import LOOKS_BACK, WATCH_REASONS
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.diving.reserve import CAUSES
from shared.gas.thermal import amount_free_l
from tests.pipelines.diver_frames import NOON, a_fill, frames, make_dive

POLICY = Policy()


def build(*dives, fills=(), policy=POLICY):
    return reserve_of(frames(*dives, fills=fills), policy)


def reserve_of(f, policy=POLICY):
    model = fit_trend_months(f["dive_consumption"], f["dives"])
    trend = build_member_trend(f["dive_consumption"], f["dives"], model)
    made = build_member_reserve(
        "M1",
        f["dives"],
        f["dive_consumption"],
        f["dive_trace"],
        trend["consumption_trend"],
        f["fill_quality"],
        f["units"],
        policy,
        tank_use=f["dive_tank_use"],
        surfacing=f["dive_surfacing"],
        state=trend["trend_state"],
        model=model,
    )
    last = f["dives"]["started_at"].max()
    correction = fit_corrections(made["reserve_margins"], last.tz_localize(None))
    made["dive_reserve"] = with_chances(made["reserve_margins"], correction)
    return {**f, **trend, **made, "model": model, "correction": correction}


def calm(n=6, **kind):
    return [make_dive(f"C{i}", i * 5, rmv=14.0, depth_m=15.0, minutes=30, **kind) for i in range(n)]


def by_steps(trace, *, team=2, rate=30.0):
    """Least margin of one dive by walking up from every sample in small steps; nothing from the package."""
    least = np.inf
    for row in trace.itertuples():
        t = np.arange(0, row.depth_m / 9.0, 1e-4)
        ambient = 1.01325 + 1025 * 9.80665 * (row.depth_m - 9.0 * t) / 1e5
        bar_min = ambient.sum() * 1e-4 + 1.01325 + 1025 * 9.80665 * row.depth_m / 1e5
        if row.depth_m > 10:
            bar_min += 3 * (1.01325 + 1025 * 9.80665 * 5 / 1e5)
        unusable = float(amount_free_l(12.0, 10.0, row.gas_c))
        least = min(least, row.back_amount_free_l - unusable - team * rate * bar_min)
    return least


def test_the_least_margin_is_that_of_direct_integration():
    made = build(make_dive("D", 0, depth_m=33.0, minutes=36, step_s=30))
    row = made["dive_reserve"].iloc[0]
    content = made["dive_trace"]["back_amount_free_l"].iloc[0]
    assert row["least_margin_free_l"] == pytest.approx(by_steps(made["dive_trace"]), abs=0.005 * content)
    at = made["dive_trace"].set_index("t_s").loc[row["least_margin_at_s"]]
    assert at["depth_m"] == row["least_margin_depth_m"]


@pytest.mark.parametrize(
    "dive, calibration, density_kg_m3",
    [
        ({"water": "salt"}, "water", 1025.0),
        ({"water": "fresh"}, "water", 1000.0),
        ({"water": "fresh", "surface_pressure_bar_abs": 0.79495}, "water", 1000.0),  # ISO 2533: 2000 m
        ({"water": "fresh"}, "en13319", 1e4 / 9.80665),  # EN 13319 (from memory): 10 m are 1 bar
    ],
)
def test_the_gas_required_follows_the_water_the_surface_and_the_depth_gauge(dive, calibration, density_kg_m3):
    policy = replace(POLICY, dives=replace(POLICY.dives, depth_calibration=calibration))
    row = build(make_dive("D", 0, depth_m=33.0, minutes=36, step_s=30, **dive), policy=policy)["dive_reserve"].iloc[0]
    depth = row["least_margin_depth_m"]
    at_surface, per_m = dive.get("surface_pressure_bar_abs", 1.01325), density_kg_m3 * 9.80665 / 1e5
    bar_min = (at_surface + per_m * depth) + depth / 9.0 * (at_surface + per_m * depth / 2)
    bar_min += 3.0 * (at_surface + per_m * 5.0)
    assert depth > 10.0
    assert row["required_free_l_there"] == pytest.approx(2 * 30.0 * bar_min, rel=1e-6)


def test_every_column_of_the_contract_is_there_and_shares_add_to_one():
    made = build(*calm(), make_dive("deep", 40, rmv=20.0, depth_m=38.0, minutes=34))
    reserve = made["dive_reserve"]
    assert list(reserve.columns)[: len(TABLES["dive_reserve"].fields)] == list(TABLES["dive_reserve"].fields)
    assert list(made["dive_profile"].columns) == list(TABLES["dive_profile"].fields)
    deep = reserve.set_index("dive_id").loc["deep"]
    assert deep["below_policy"] and deep["least_margin_free_l"] < 0
    assert set(deep["cause_shares"]) == set(CAUSES)
    assert sum(deep["cause_shares"].values()) == pytest.approx(1.0, abs=1e-12)
    rest = reserve[reserve["dive_id"] != "deep"]
    assert (rest["cause"] == "none").all() and rest["cause_shares"].isna().all()


def test_a_hot_fill_is_cooling_a_stopped_fill_and_an_unfilled_cylinder_are_started_short():
    thin = {"rmv": 14.0, "depth_m": 30.0, "minutes": 30, "start_bar": 165.0, "water_c": 15.0}
    made = build(
        *calm(),
        make_dive("hot", 50, fill="H", **thin),
        make_dive("early", 51, fill="E", **thin),
        make_dive("again", 52, fill=None, dives_since_fill=1, **thin),
        fills=[a_fill("H", 232, 230, 165), a_fill("E", 232, 167, 165)],
    )["dive_reserve"].set_index("dive_id")
    assert made.loc["hot", "cause"] == "cooling"
    assert made.loc["early", "cause"] == "started_short"
    assert made.loc["again", "cause"] == "started_short" and "not_refilled" in made.loc["again", "flags"]
    assert made.loc["hot", "fill_low_bar"] == pytest.approx(67.0)
    assert made.loc["hot", "cause_shares"]["cooling"] > 10 * made.loc["hot", "cause_shares"]["started_short"]


def test_gas_used_after_the_fill_without_a_record_is_no_cooling():
    thin = {"rmv": 14.0, "depth_m": 30.0, "minutes": 30, "start_bar": 140.0, "water_c": 15.0}
    row = build(*calm(), make_dive("used", 50, fill="H", **thin), fills=[a_fill("H", 232, 232, 220)])["dive_reserve"]
    row = row.set_index("dive_id").loc["used"]
    assert row["cause"] == "started_short"
    assert row["cause_shares"]["cooling"] < 0.2 * row["cause_shares"]["started_short"]


def test_breathing_above_the_own_level_is_consumption_and_depth_is_profile():
    heavy = make_dive("heavy", 60, rmv=27.0, depth_m=22.0, minutes=33, start_bar=232.0, fill="F", water_c=15.0)
    deep = make_dive("deep", 61, rmv=14.0, depth_m=45.0, minutes=28, start_bar=232.0, fill="F", water_c=15.0)
    made = build(*calm(10), heavy, deep, fills=[a_fill("F")])["dive_reserve"].set_index("dive_id")
    assert made.loc["heavy", "cause"] == "consumption"
    assert made.loc["deep", "cause"] == "profile"


def test_dives_without_a_direct_ascent_are_never_called_fine():
    made = build(
        make_dive("cave", 0, rmv=12.0, overhead=True),
        make_dive("deco", 1, rmv=12.0, mandatory_stops=True),
        make_dive("thin", 2, rmv=24.0, overhead=True, depth_m=34.0),
        make_dive("open", 3, rmv=12.0),
    )["dive_reserve"].set_index("dive_id")
    assert made["below_policy"].isna().tolist() == [True, True, False, False]
    assert bool(made.loc["thin", "below_policy"]) is True
    assert bool(made.loc["open", "below_policy"]) is False
    assert all("no_direct_ascent" in made.loc[d, "flags"] for d in ("cave", "deco", "thin"))
    assert made.loc["cave", "thirds_margin_free_l"] > 0 and np.isnan(made.loc["open", "thirds_margin_free_l"])
    # the rule of thirds: one third in, one out, one kept (cave diving's common practice)
    usable = make_dive("cave", 0, rmv=12.0, overhead=True)["dive_trace"]["usable_free_l"]
    assert made.loc["cave", "thirds_margin_free_l"] == pytest.approx(usable.iloc[-1] - usable.iloc[0] / 3)


def test_a_gas_not_breathable_at_the_surface_bars_a_direct_ascent():
    dive = make_dive("hypoxic", 0, rmv=12.0)
    dive["dive_tank_use"].update(o2_pct=10.0, he_pct=70.0)
    assert "no_direct_ascent" in build(dive)["dive_reserve"]["flags"].iloc[0]


@pytest.mark.parametrize("other_o2, barred", [(10.0, True), (32.0, False)])
def test_the_leanest_tank_decides_whether_the_surface_may_be_reached_directly(other_o2, barred):
    """32 and 10 % are 21 % on average: the one of 10 % may not be breathed at the surface all the same."""
    f = frames(make_dive("two", 0, rmv=12.0))
    tanks = f["dive_tank_use"].assign(o2_pct=32.0)
    tanks = pd.concat([tanks, tanks.assign(tank_no=2, o2_pct=other_o2)], ignore_index=True)
    model = fit_trend_months(f["dive_consumption"], f["dives"])
    trend = build_member_trend(f["dive_consumption"], f["dives"], model)
    made = build_member_reserve(
        "M1", f["dives"], f["dive_consumption"], f["dive_trace"], trend["consumption_trend"], f["fill_quality"],
        f["units"], POLICY, tank_use=tanks, surfacing=f["dive_surfacing"], state=trend["trend_state"], model=model,
    )  # fmt: skip
    assert ("no_direct_ascent" in made["reserve_margins"]["flags"].iloc[0]) == barred


def test_thirds_are_flagged_when_the_policy_asks():
    policy = replace(POLICY, reserve=replace(POLICY.reserve, thirds=True))
    dive = make_dive("cave", 0, rmv=20.0, depth_m=25.0, minutes=42, overhead=True)
    assert "below_thirds" in build(dive, policy=policy)["dive_reserve"]["flags"].iloc[0]
    assert "below_thirds" not in build(dive)["dive_reserve"]["flags"].iloc[0]


def test_team_size_and_an_own_rate_raise_what_is_required():
    own = replace(POLICY, reserve=replace(POLICY.reserve, stressed_rate="own"))
    heavy = [make_dive(f"H{i}", i * 5, rmv=30.0, depth_m=12.0, minutes=25) for i in range(8)]
    fixed = build(*heavy)["dive_reserve"]["required_free_l_there"].iloc[-1]
    raised = build(*heavy, policy=own)
    planning = raised["consumption_trend"]["planning_rmv_l_min"].iloc[-2]
    assert raised["dive_reserve"]["required_free_l_there"].iloc[-1] / fixed == pytest.approx((1.5 * planning + 30) / 60)
    assert raised["dive_reserve"]["required_free_l_there"].iloc[0] == pytest.approx(fixed, rel=0.2)
    three = build(make_dive("T", 0, team_size=3))["dive_profile"]["required_free_l"].max()
    two = build(make_dive("T", 0))["dive_profile"]["required_free_l"].max()
    assert three / two == pytest.approx(1.5)


def test_surfacing_pressure_and_a_lost_side():
    dive = make_dive("S", 0, rmv=19.0, depth_m=20.0, minutes=42)
    trace = dive["dive_trace"]
    trace["one_side_usable_free_l"] = trace["usable_free_l"] / 2
    made = build(dive)
    row = made["dive_reserve"].iloc[0]
    assert row["surfaced_bar"] < 50 and bool(row["below_surfacing_min"])
    assert row["surfaced_free_l"] == pytest.approx(trace["usable_free_l"].iloc[-1])
    halves = (trace["back_amount_free_l"] - trace["unusable_free_l"]) / 2
    needed = made["dive_profile"].set_index("t_s")["required_free_l"].reindex(trace["t_s"]).to_numpy()
    assert row["least_margin_one_side_free_l"] == pytest.approx(np.nanmin(halves - needed), abs=1e-6)
    assert np.isnan(build(make_dive("S", 0))["dive_reserve"]["least_margin_one_side_free_l"].iloc[0])


def test_of_a_set_found_not_joined_the_one_side_is_the_margin_itself():
    f = frames(make_dive("D", 0, depth_m=30.0))
    trace = f["dive_trace"].assign(one_side_usable_free_l=f["dive_trace"]["usable_free_l"])
    model = fit_trend_months(f["dive_consumption"], f["dives"])
    trend = build_member_trend(f["dive_consumption"], f["dives"], model)
    row = build_member_reserve(
        "M1", f["dives"], f["dive_consumption"], trace, trend["consumption_trend"], f["fill_quality"],
        f["units"], POLICY, tank_use=f["dive_tank_use"], surfacing=f["dive_surfacing"], state=trend["trend_state"],
        model=model,
    )["reserve_margins"].iloc[0]  # fmt: skip
    assert row["least_margin_one_side_free_l"] == pytest.approx(row["least_margin_free_l"], rel=1e-12)


def by_ends(dive_id, day, end_bar, **kind):
    """A dive of which the pressures at both ends are written and nothing else."""
    dive = make_dive(dive_id, day, **kind)
    dive["dive_trace"] = dive["dive_trace"].iloc[:0]
    dive["dive_consumption"].update(method="ends", flags=["mean_depth_only"])
    litres = float(amount_free_l(12.0, end_bar, 12.0) - amount_free_l(12.0, 0.0, 12.0))
    dive["dive_surfacing"].update(surfaced_bar=end_bar, least_bar=end_bar, most_bar=end_bar, surfaced_free_l=litres)
    return dive


EMPTY_WITHOUT_SAMPLES = [
    "least_margin_free_l",
    "least_margin_at_s",
    "least_margin_depth_m",
    "required_free_l_there",
    "least_margin_one_side_free_l",
    "thirds_margin_free_l",
    "below_policy",
    "cause",
    "cause_shares",
    "critical_rmv_l_min",
]


def test_a_dive_with_two_pressures_alone_says_what_it_surfaced_with_and_no_more():
    gone, bare = by_ends("gone", 0, 34.0), by_ends("bare", 1, 50.0)  # at the least pressure, not below it
    gone["dive_consumption"]["flags"] = ["gas_missing"]
    made = build(gone, bare, make_dive("ok", 2))["dive_reserve"].set_index("dive_id")
    assert made.index.tolist() == ["gone", "bare", "ok"]
    assert made.loc[["gone", "bare"], EMPTY_WITHOUT_SAMPLES].isna().all(axis=None)
    assert made["below_surfacing_min"].tolist() == [True, False, False]
    assert made.loc["gone", "surfaced_bar"] == 34.0
    assert made.loc["gone", "surfaced_free_l"] == pytest.approx(411, rel=0.02)
    assert "margin_not_known" in made.loc["bare", "flags"] and "margin_not_known" not in made.loc["ok", "flags"]
    assert len(build(gone, bare)["dive_profile"]) == 0


def test_a_dive_without_an_end_pressure_has_no_row():
    silent = by_ends("silent", 0, 34.0)
    made = frames(silent, make_dive("ok", 2))
    made["dive_surfacing"] = made["dive_surfacing"][made["dive_surfacing"]["dive_id"] == "ok"]
    assert reserve_of(made)["dive_reserve"]["dive_id"].tolist() == ["ok"]


def ends_of_two(mean, least, most, cylinders=2, ends=2):
    return {
        "surfaced_bar": mean, "least_bar": least, "most_bar": most, "back_cylinders": cylinders, "back_ends": ends,
        "apart": True,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("known", "below", "flag"),
    [
        # two cylinders apart, both read: their mean, and the lower one is named
        (ends_of_two(55.0, 25.0, 85.0), False, "one_cylinder_low"),
        # sizes not known: no mean, but both on one side of the line
        (ends_of_two(np.nan, 30.0, 45.0), True, None),
        (ends_of_two(np.nan, 60.0, 85.0), False, None),
        (ends_of_two(np.nan, 50.0, 85.0), False, None),  # at the line is not below it
        (ends_of_two(np.nan, 30.0, 85.0), None, "one_cylinder_low"),
        # one end missing: what is there is not all there was
        (ends_of_two(np.nan, 80.0, 80.0, ends=1), None, "end_pressure_missing"),
        (ends_of_two(np.nan, 30.0, 30.0, ends=1), None, "one_cylinder_low"),
        (ends_of_two(np.nan, np.nan, np.nan, cylinders=0, ends=0), None, "no_back_gas"),
    ],
)
def test_several_cylinders_are_below_the_least_pressure_only_where_that_is_sure(known, below, flag):
    dive = by_ends("D", 0, 60.0)
    dive["dive_surfacing"].update(known)
    row = build(dive)["dive_reserve"].iloc[0]
    assert (None if pd.isna(row["below_surfacing_min"]) else bool(row["below_surfacing_min"])) is below
    assert flag is None or flag in row["flags"]


@pytest.mark.parametrize("flag", ["end_above_start", "not_open_circuit", "loop_tanks_recorded"])
def test_pressures_that_contradict_or_do_not_say_what_was_left_are_never_called_enough(flag):
    for end_bar in (30.0, 180.0):
        dive = by_ends("D", 0, end_bar)
        dive["dive_consumption"]["flags"] = [flag]
        row = build(dive)["dive_reserve"].iloc[0]
        assert pd.isna(row["below_surfacing_min"]) and flag in row["flags"]


def test_surfaced_is_what_stood_there_on_reaching_the_surface_not_after_swimming_on():
    dive = make_dive("D", 0, rmv=19.0, depth_m=20.0, minutes=40)
    trace = dive["dive_trace"]
    on = trace.iloc[[-1] * 12].assign(t_s=trace["t_s"].iloc[-1] + 10.0 * np.arange(1, 13))
    on["tank_bar"] -= np.arange(1, 13)
    on["usable_free_l"] -= 12.0 * np.arange(1, 13)
    dive["dive_trace"] = pd.concat([trace, on], ignore_index=True)
    row = build(dive)["dive_reserve"].iloc[0]
    assert row["surfaced_bar"] == trace["tank_bar"].iloc[-1]
    assert row["surfaced_free_l"] == trace["usable_free_l"].iloc[-1]


def test_a_profile_keeps_its_least_margin_within_400_points():
    made = build(make_dive("long", 0, depth_m=33.0, minutes=90, capacity_l=24.0, step_s=1))
    profile, row = made["dive_profile"], made["dive_reserve"].iloc[0]
    assert len(profile) <= 400
    assert row["least_margin_at_s"] in profile["t_s"].to_list()
    assert profile["margin_free_l"].min() == pytest.approx(row["least_margin_free_l"])
    assert ((profile["usable_free_l"] - profile["required_free_l"]) > profile["margin_free_l"]).all()
    assert profile["depth_m"].max() == made["dive_trace"]["depth_m"].max()


def watch_of(*dives, as_of_days=120, fills=()):
    made = build(*dives, fills=fills)
    as_of = (NOON + pd.Timedelta(days=as_of_days)).tz_localize(None).normalize()
    correction = fit_corrections(made["reserve_margins"], as_of)
    return build_watch(
        with_chances(made["reserve_margins"], correction),
        made["reserve_margins"],
        correction,
        made["trend_state"],
        made["model"],
        POLICY,
        as_of,
    )


def test_a_member_with_room_is_said_to_have_shown_no_thin_dive():
    row = watch_of(*calm(12))["reserve_watch"].iloc[0]
    assert row["state"] == "comfortable" and row["dives_considered"] == 12 and row["main_cause"] == "none"
    assert row["reason"] == "No thin dive seen (12 dives)."


def test_a_member_who_runs_thin_is_shown_why_and_what_would_help():
    kind = {"rmv": 16.0, "depth_m": 28.0, "minutes": 30, "start_bar": 185.0, "water_c": 15.0, "fill": "H"}
    thin = [make_dive(f"T{i}", i * 6, **kind) for i in range(12)]
    row = watch_of(*thin, fills=[a_fill("H", 232, 230, 186)])["reserve_watch"].iloc[0]
    assert row["state"] == "thin" and row["chance_next_below"] > 0.5
    assert row["main_cause"] == "cooling"
    assert "Fixing the fill" in row["reason"] and "46\u00a0bar low" in row["reason"]


def two_pressures(*ends, first_day=0):
    return [by_ends(f"E{first_day + i}", first_day + 6 * i, bar) for i, bar in enumerate(ends)]


def test_a_reserve_is_thin_from_one_in_five_and_to_be_watched_from_one_in_twenty():
    """Common practice, no source."""
    made = pd.DataFrame({"known": [12] * 4 + [4], "chance_next_below": [0.2, 0.19, 0.05, 0.04, 0.9]})
    none = dict.fromkeys(("dives_below_policy", "dives_below_surfacing_min", "dives_not_assessed"), 0)
    found = _state(made.assign(dives_considered=12, **none), POLICY)
    assert found.tolist() == ["thin", "watch", "watch", "comfortable", "too_few"]


def test_more_than_a_tenth_not_assessed_is_unsure():
    made = pd.DataFrame({"dives_not_assessed": [0, 1, 2, 3], "dives_considered": [10, 10, 10, 31]})
    assert _unsure(made).tolist() == [False, False, True, False]


def test_the_watch_is_over_the_dives_of_its_days_and_no_others():
    tomorrow, none = pd.Timestamp("2031-07-01", tz="UTC"), [None] * 4
    before = [
        pd.Timedelta(days=days) for days in (1, 340, POLICY.reserve.watch_days + 1, POLICY.reserve.watch_days + 1.01)
    ]
    dives = pd.DataFrame({"member_id": "M1", "dive_id": list("abcd"), "started_at": [tomorrow - ago for ago in before]})
    known = {
        "least_margin_free_l": 100.0,
        "surfaced_bar": [90.0, 80.0, 70.0, 20.0],
        "below_policy": pd.array([False] * 4, "boolean"),
        "below_surfacing_min": pd.array([False] * 3 + [True], "boolean"),
        "cause": none,
        "cause_shares": none,
        "fill_low_bar": 0.0,
    }
    row = _watch(dives.assign(**known), dives, pd.Series({"M1": 0.01}), POLICY, tomorrow).iloc[0]
    assert (row["dives_considered"], row["least_surfaced_bar"], row["dives_below_surfacing_min"]) == (3, 70.0, 0)


def test_a_novice_known_by_two_pressures_alone_is_seen():
    row = watch_of(*two_pressures(41.0, 36.0, 34.0))["reserve_watch"].iloc[0]
    assert row["state"] == "watch" and np.isnan(row["chance_next_below"])
    assert (row["dives_below_surfacing_min"], row["dives_surfaced_known"]) == (3, 3)
    assert row["least_surfaced_bar"] == 34.0
    assert row["reason"].startswith("3 of 3 dives surfaced below 50\u00a0bar, the lowest with 34\u00a0bar.")
    assert "A margin is known of 0 of the last 3 dives" in row["reason"]


def test_two_pressures_above_the_least_do_not_make_a_member_comfortable():
    row = watch_of(*two_pressures(*[80.0] * 9))["reserve_watch"].iloc[0]
    assert row["state"] == "too_few" and row["dives_not_assessed"] == 9 and row["dives_below_surfacing_min"] == 0


def test_to_be_watched_says_whether_for_what_was_seen_or_for_what_is_to_be_expected():
    once = watch_of(*calm(40), make_dive("deep", 52.5, rmv=20.0, depth_m=38.0, minutes=34), as_of_days=240)
    once = once["reserve_watch"].iloc[0]
    assert once["state"] == "watch" and once["chance_next_below"] < POLICY.reserve.watch_chance
    assert "1 of 41 judged dives went below this policy" in once["reason"]
    assert "To be watched for what was seen, not for what is to be expected" in once["reason"]
    low = watch_of(*calm(12), by_ends("low", 70, 44.0))["reserve_watch"].iloc[0]
    assert low["state"] == "watch" and "1 of 13 dives surfaced below 50\u00a0bar, with 44\u00a0bar." in low["reason"]
    narrow = [make_dive(f"N{i}", i * 5, rmv=15.0, depth_m=24.0, minutes=33 + i % 3) for i in range(14)]
    expected = watch_of(*narrow)["reserve_watch"].iloc[0]
    assert expected["state"] in ("watch", "thin") and expected["dives_below_policy"] == 0
    assert "None went below this policy yet" in expected["reason"]


def test_more_than_a_tenth_not_assessed_is_never_comfortable():
    caves = [make_dive(f"cave{i}", 60 + i, rmv=12.0, depth_m=15.0, minutes=30, overhead=True) for i in range(2)]
    row = watch_of(*calm(9), *caves)["reserve_watch"].iloc[0]
    assert row["dives_not_assessed"] == 2 and row["state"] == "watch"
    assert "2 of 11 dives could not be assessed" in row["reason"]


def test_a_dive_without_a_row_counts_as_not_assessed():
    missing = [make_dive(f"m{i}", 60 + i, rmv=14.0) for i in range(3)]
    for dive in missing:
        dive["dive_trace"] = dive["dive_trace"].iloc[:0]
    row = watch_of(*calm(9), *missing)["reserve_watch"].iloc[0]
    assert row["dives_considered"] == 12 and row["dives_not_assessed"] == 3 and row["state"] == "watch"


def test_four_dives_are_too_few_and_old_dives_do_not_count():
    row = watch_of(*calm(4))["reserve_watch"].iloc[0]
    assert row["state"] == "too_few" and np.isnan(row["chance_next_below"])
    known = "A margin is known of 4 of the last 4 dives; 5 are needed to say what share to expect."
    assert row["reason"].endswith(known)
    assert row["reason"].startswith("None of 4 dives surfaced below 50\u00a0bar; the lowest with ")
    assert len(watch_of(*calm(8), as_of_days=500)["reserve_watch"]) == 0


def test_chances_were_known_before_the_dive_and_their_reliability_counts_each_once():
    rng = np.random.default_rng(5)
    dives = [
        make_dive(
            f"R{i}",
            i * 5,
            rmv=float(17 * np.exp(rng.normal(0, 0.15))),
            depth_m=float(rng.uniform(14, 34)),
            minutes=int(rng.uniform(26, 40)),
            step_s=30,
        )
        for i in range(60)
    ]
    made = build(*dives)
    reserve = made["dive_reserve"]
    part = build(*dives[:30])["dive_reserve"]
    np.testing.assert_allclose(part["chance_before"], reserve["chance_before"].iloc[:30], atol=1e-6)
    assert reserve["chance_before"].iloc[:5].isna().all() and reserve["chance_before"].iloc[5:].between(0, 1).all()
    table = watch_of(*dives, as_of_days=310)["reserve_reliability"]
    assert table["dives"].sum() == 55
    below = (table["dives"] * table["share_below"].fillna(0)).sum()
    assert below == pytest.approx(float(reserve["below_policy"].iloc[5:].sum()))
    assert below / 55 == pytest.approx(reserve["chance_before"].iloc[5:].mean(), abs=0.15)


def test_a_day_in_the_past_does_not_count_the_dives_after_it():
    dives = calm(30)
    whole, before = (watch_of(*dives, as_of_days=day)["reserve_reliability"]["dives"].sum() for day in (160, 61))
    assert (whole, before) == (25, 8)


def test_nothing_is_called_safe():
    for sentence in (*WATCH_REASONS.values(), LOOKS_BACK):
        assert "safe" not in sentence.lower()
