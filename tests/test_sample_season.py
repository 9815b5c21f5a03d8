"""The sample season, computed: every planted problem is found, and the figures hold against what truly happened.

The season's physics is the maker's own (gas by CoolProp, two-layer walls stepped in time), so a sign, an offset, a
density or a capacity that is wrong in the pipelines shows here. Its truth is made anew and is in no other place.
"""

import tomllib
import zipfile
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from sample_data import make

SAMPLE = Path(make.__file__).parent
PLANTED = tomllib.loads((SAMPLE / "planted.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def made_again(tmp_path_factory):
    """The shipped sample, made once more with its truth."""
    folder = tmp_path_factory.mktemp("made")
    make.make(folder, folder / "truth")
    return folder


@pytest.fixture(scope="module")
def truth(made_again):
    """Truth by table; text where it is an id."""
    ids = dict(fill_id=str, dive_id=str, logged_as=str, member_id=str, unit_id=str)
    tables = {f.stem: pd.read_csv(f, dtype=ids) for f in (made_again / "truth").iterdir()}
    return SimpleNamespace(**tables)


@pytest.fixture(scope="module")
def tables(sample_station):
    """Published tables, read once each."""
    read = {}

    def table(name):
        if name not in read:
            read[name] = sample_station.table(name)
        return read[name].copy()

    return table


def _content(path):
    """A file's bytes; of a workbook the members', since packing depends on the library that packs."""
    if path.suffix != ".xlsx":
        return path.read_bytes()
    with zipfile.ZipFile(path) as book:
        return {name: book.read(name) for name in book.namelist()}


def test_the_shipped_sample_is_what_the_maker_makes(made_again):
    shipped, made = SAMPLE / "inbox", made_again / "inbox"
    names = {f.relative_to(made) for f in made.rglob("*") if f.is_file()}
    assert names == {f.relative_to(shipped) for f in shipped.rglob("*") if f.is_file()}
    different = [str(n) for n in sorted(names) if _content(shipped / n) != _content(made / n)]
    assert not different, "run python -m sample_data.make --to sample_data and commit what changed"


# --- every planted problem


def _has(rows, code, column="reasons"):
    return rows[column].map(lambda codes: code in list(codes)).astype(bool)


def _fills(tables, **wanted):
    fills = tables("fill_quality")
    for column, value in wanted.items():
        fills = fills[fills[column] == value]
    assert len(fills), wanted
    return fills


def _health(tables):
    return tables("cylinder_health").set_index("cylinder_id")


def _day(text):
    return pd.Timestamp(text, tz="UTC")


def _short_hot_fills(tables, where):
    """The pressure at stop less what it settles to."""
    hot = _fills(tables, unit_id=where["units"][0], source_id="bank-air", target_pressure_bar=300)
    assert 28 < (hot["stop_pressure_bar"] - hot["settled_pressure_bar_15c"]).median() < 42
    assert _has(hot, "short_fill").mean() > 0.9
    watch = tables("reserve_watch").set_index("member_id").loc["M03"]
    assert watch["main_cause"] in ("cooling", "started_short")


def _leaker(tables, where):
    health = _health(tables)
    assert list(health.index[health["leak_flag"].fillna(False).astype(bool)]) == where["cylinders"]
    assert 1.2 < health.loc[where["cylinders"][0], "leak_bar_per_day"] < 2.0  # 1.6


def _drifting_gauge(tables, where):
    last = tables("gauge_check").sort_values("month_on").groupby("gauge_id").tail(1).set_index("gauge_id")
    assert list(last.index[last["drifting"].astype(bool)]) == where["gauges"]
    assert last.loc[where["gauges"][0], "offset_high_bar"] < 0


def _gauge_past_check(tables, where):
    fills = _fills(tables)
    late = _has(fills, "gauge_past_check")
    assert set(fills.loc[late, "gauge_id"]) == set(where["gauges"])
    assert late[fills["gauge_id"].isin(where["gauges"])].all()


def _clean_state_ended(tables, where):
    fills = _fills(tables, unit_id=where["cylinders"][0])
    fills = fills[fills["expected_o2_pct"] > 25]
    over = fills["filled_at"] > _day("2026-08-10")
    unclean = _has(fills, "mix_above_oxygen_limit")
    assert over.any()
    assert (unclean == over).all()
    assert (fills.loc[over, "verdict"] == "stop").all()


def _out_of_test(tables, where):
    health = _health(tables)
    for cylinder, unit, lapsed in zip(
        where["cylinders"], ("S12-5", "AL-3", "T12-2"), ("2026-07-10", "2026-08-16", "2026-09-21"), strict=True
    ):
        assert health.loc[cylinder, "inspection_state"] == "out_of_date"
        fills = _fills(tables, unit_id=unit)
        late = fills["filled_at"] >= _day(lapsed)
        assert late.any(), unit
        assert not late.all(), unit
        assert (~fills.loc[late, "in_test"].astype(bool)).all()
        assert (fills.loc[late, "verdict"] == "stop").all()
        assert fills.loc[~late, "in_test"].astype(bool).all()


def _condemned_filled(tables, where):
    cylinder = where["cylinders"][0]
    assert _health(tables).loc[cylinder, "inspection_state"] == "condemned"
    fills = _fills(tables, unit_id=cylinder)
    assert (fills["verdict"] == "stop").all()
    assert _has(fills, "unit_condemned").all()


def _failed_visual(tables, where):
    cylinder = where["cylinders"][0]
    state = _health(tables).loc[cylinder]
    assert state["inspection_state"] == "out_of_date"
    assert "visual_failed" in list(state["score_reasons"])
    fills = _fills(tables, unit_id=cylinder)
    after = fills["filled_at"] > _day("2026-09-06")
    assert after.any()
    assert (fills.loc[after, "verdict"] == "stop").all()
    assert fills.loc[~after, "in_test"].astype(bool).all()


def _unknown_state(tables, where):
    assert _health(tables).loc[where["cylinders"][0], "inspection_state"] == "unknown"


def _closed_isolator(tables, where):
    dives = tables("dive_consumption")
    shut = dives[_has(dives, "sides_not_joined", "flags")]
    assert set(shut["member_id"]) == {where["member"]}
    assert len(shut) == 3
    assert (shut["second_gauge_gap_bar"] > 40).all()


def _thin_diver(tables, where):
    watch = tables("reserve_watch").set_index("member_id")
    assert list(watch.index[watch["state"] == "thin"]) == [where["member"]]


def _falling_rate(tables, where):
    last = tables("consumption_trend").sort_values("started_at").groupby("member_id").tail(1).set_index("member_id")
    called = last["trend"][last["trend"].isin(["rising", "falling"])]
    assert called.get(where["member"]) == "falling"
    assert len(called) <= 2  # at most one of the eleven others by chance


def _wrong_mix(tables, where):
    wrong = _fills(tables, unit_id=where["unit"], mix_verdict="out_of_tolerance")
    wrong = wrong[wrong["he_pct"].fillna(0) == 0]
    assert len(wrong) == 1
    assert wrong["o2_pct"].iloc[0] == pytest.approx(35, abs=1)
    assert wrong["verdict"].iloc[0] == "stop"


def _hypoxic_trimix(tables, where):
    wrong = _fills(tables, unit_id=where["unit"], mix_verdict="out_of_tolerance")
    wrong = wrong[(wrong["he_pct"] > 0) & (wrong["o2_pct"] < 16.5)]
    assert len(wrong) == 1
    assert wrong["he_pct"].iloc[0] == pytest.approx(52, abs=2)
    assert wrong["min_operating_depth_m"].iloc[0] > 0
    assert wrong["verdict"].iloc[0] == "stop"


def _not_analysed(tables, where):
    fills = _fills(tables, unit_id=where["unit"], mix_verdict="not_analysed")
    assert len(fills) == 1
    assert fills["verdict"].iloc[0] == "stop"
    assert fills[["o2_pct", "max_operating_depth_m"]].isna().all(axis=None)


def _sides_analysed_apart(tables, where):
    fills = _fills(tables, unit_id=where["unit"])
    apart = fills[fills["side_disagreement"].fillna(False).astype(bool)]
    assert len(apart) == 1
    assert apart["released"].all()  # a person lifted the hold: releases.csv


def _oxygen_in_unclean(tables, where):
    fills = _fills(tables, unit_id=where["unit"])
    unclean = fills[_has(fills, "oxygen_into_unclean_unit")]
    assert len(unclean) == 1
    assert (unclean["verdict"] == "stop").all()


def _bad_air(tables, where):
    tested = tables("air_quality")
    failed = tested[tested["verdict"] == "fail"]
    assert set(failed["compressor_id"]) == {where["compressor"]}
    assert set(failed["sampled_on"].astype(str).str[:10]) == {"2026-09-16"}
    assert {"co_ppm", "co2_ppm"} <= set(failed["quantity"])
    after = _fills(tables, source_id=where["compressor"])
    after = after[after["filled_at"] > _day("2026-09-16")]
    assert len(after)
    assert (after["verdict"] == "stop").all()
    assert len(tables("recall"))
    state = tables("compressor_health").set_index("compressor_id")["state"]
    assert state[where["compressor"]] == "stop"


def _filter_overdue(tables, where):
    health = tables("compressor_health").set_index("compressor_id").loc[where["compressor"]]
    assert health["filter_hours_left"] < 0
    assert "filter_used_up" in list(health["reasons"])


def _over_working_pressure(tables, where):
    asked = _fills(tables, unit_id=where["unit"], target_pressure_bar=232)
    assert len(asked) == 1
    assert asked["over_working_pressure"].all()
    assert (asked["verdict"] == "stop").all()


def _arrived_empty(tables, where):
    fills = _fills(tables)
    empty = fills[_has(fills, "arrived_empty")]
    assert list(empty["unit_id"]) == [where["unit"]]
    assert (empty["start_pressure_bar"] < 2).all()


def _gas_shared(tables, where):
    dives = tables("dive_consumption")
    shared = dives[_has(dives, "gas_shared", "flags")]
    assert list(shared["member_id"]) == [where["member"]]
    trend = tables("consumption_trend").set_index(["member_id", "dive_id"]).index
    assert (where["member"], shared["dive_id"].iloc[0]) not in trend


def _one_dive_two_computers(tables, where):
    dives = tables("dive_consumption")
    mine = dives[dives["member_id"] == where["member"]]
    assert _has(mine, "recorded_twice", "flags").sum() == 1
    assert "w2-009" not in set(mine["dive_id"])


def _bad_rows(tables, where):
    rejects = tables("rejects")
    fills = rejects[rejects["file"].str.endswith(where["files"][0])]
    assert sorted(fills["rule"]) == sorted(
        ["out_of_bounds"] * 2
        + ["unknown_reference", "not_a_number", "in_the_future", "missing_value"]
        + ["key_conflict"] * 2
    )
    assert set(fills["severity"]) == {"row"}
    others = rejects[~rejects.index.isin(fills.index)]
    by_file = {Path(f).as_posix(): rule for f, rule in zip(others["file"], others["rule"], strict=True)}
    assert by_file == {where["files"][1]: "uddf_not_pascal", where["files"][2]: "uddf_broken"}


def _foreign_log(tables, where):
    files = tables("ingest_files").set_index("file").loc[where["files"][0]]
    assert files["source"] == "compressor_log"
    assert files["rows_read"] == files["rows_accepted"] > 30
    last = pd.read_csv(SAMPLE / "inbox" / where["files"][0])["Counter"].max()
    assert tables("compressor_health").set_index("compressor_id").loc["comp-1", "hours"] == pytest.approx(last)


def _kit_out_of_balance(tables, where):
    light, small_wing = where["members"]
    kits = tables("kit_balance").merge(tables("dive_consumption")[["member_id", "dive_id", "started_at"]])
    floats, sinks = _has(kits, "ballast_short", "flags"), _has(kits, "lift_short", "flags")
    mine, before = kits["member_id"] == light, kits["started_at"] < _day("2026-08-20")
    assert floats[mine & before].all()
    assert floats[mine & ~before].mean() < 0.7  # with the lighter of the cylinders lent it still floats
    margin = kits.loc[mine, "ballast_margin_kg"].groupby(before[mine]).median()
    assert margin[False] - margin[True] == pytest.approx(3, abs=0.8)
    assert set(kits.loc[sinks, "member_id"]) == {small_wing}


def _delivery_falls(tables, where):
    health = tables("compressor_health").set_index("compressor_id").loc[where["compressor"]]
    assert "delivery_falls" in list(health["reasons"])
    assert health["delivery_change_pct"] == pytest.approx(-15, abs=6)


@pytest.mark.parametrize("problem", PLANTED)
def test_a_planted_problem_is_found(tables, problem):
    check = globals().get(f"_{problem}")
    assert check, f"write a check: _{problem}(tables, where)"
    check(tables, PLANTED[problem]["where"])


# --- the season against its truth


@pytest.fixture(scope="module")
def fills(tables, truth):
    """Published fills beside their truth (columns ending in _true), and the errors of the two."""
    both = tables("fill_quality").merge(truth.fills, on="fill_id", suffixes=("", "_true"))
    assert len(both) == len(truth.fills) > 350
    both["settled_error_bar"] = both["settled_pressure_bar_15c"] - both["settled_pressure_bar_15c_true"]
    both["content_error_pct"] = 100 * (both["real_free_l"] / both["usable_free_l"] - 1)
    assert both[["settled_error_bar", "content_error_pct"]].notna().mean().min() > 0.97
    return both


@pytest.fixture(scope="module")
def dives(tables, truth):
    """Published dives beside their truth; the log of a UDDF file names dives otherwise, so by the minute."""
    true = truth.dives.assign(minute=pd.to_datetime(truth.dives["started_at"]).dt.floor("min"))
    computed = tables("dive_consumption")
    both = computed.assign(minute=computed["started_at"].dt.floor("min")).merge(
        true, on=["member_id", "minute"], suffixes=("", "_true")
    )
    assert len(both) == len(computed) == len(true) > 300
    both["rmv_error_pct"] = 100 * (both["rmv_l_min"] / both["rmv_l_min_true"] - 1)
    return both


def _held(rows, low, high, true):
    known = rows[low].notna()
    return ((rows[low] <= rows[true]) & (rows[true] <= rows[high]))[known].mean()


def test_settled_pressures_are_the_true_ones(fills):
    """0.91 bar in the middle when this was written; a gauge's offset with its sign turned is 1 to 10 bar, a reading
    taken as cold while warm 5 to 20, and the season's gauge drift 6."""
    error = fills["settled_error_bar"]
    assert error.abs().median() < 1.1
    assert error.abs().quantile(0.95) < 4
    assert abs(error.median()) < 0.4
    settled = fills["gas_c_basis"] == "settled"
    assert settled.sum() > 50
    assert error[settled].abs().median() < 0.45


@pytest.mark.parametrize("by", ["gauge_id", "source_id", "material"])
def test_no_gauge_source_or_material_settles_wrong_by_itself(fills, tables, by):
    """An offset, a delivery or a wall taken wrong shows in its own group, and may hide in the whole."""
    material = tables("units").set_index("unit_id")["material"]
    grouped = fills.assign(material=fills["unit_id"].map(material)).groupby(by)["settled_error_bar"]
    middle = grouped.median()[grouped.size() >= 25]
    assert len(middle) >= 2
    assert middle.abs().max() < 1.0, middle


def test_content_is_what_the_cylinders_hold(fills):
    """0.40 % in the middle; a water capacity or an atmosphere wrong is 0.5 to 2 %, an ideal gas 8."""
    error = fills["content_error_pct"]
    assert error.abs().median() < 0.55
    assert abs(error.median()) < 0.25
    assert abs(error[fills["target_pressure_bar"] == 300].median()) < 0.6


def test_bands_of_a_fill_hold_what_they_say(fills):
    """80 %; on one station one gauge's offset moves all its fills together, so the bounds are wider than chance."""
    assert 0.72 < _held(fills, "settled_low_bar_15c", "settled_high_bar_15c", "settled_pressure_bar_15c_true") < 0.93
    assert 0.72 < _held(fills, "real_low_free_l", "real_high_free_l", "usable_free_l") < 0.93


def test_the_mix_expected_of_a_fill_is_the_true_one(fills):
    """From what was inside and what was let in: a residue left out is 2 to 5 points in a top-up of nitrox."""
    error = (fills["expected_o2_pct"] - fills["o2_pct_true"]).abs()
    assert error.notna().mean() > 0.75  # what was blended without its amounts, and suit gas, have none
    assert fills["o2_pct"].notna().mean() > 0.95  # every cylinder's first fill is analysed: none starts unknown
    assert error.median() < 0.1
    assert error.quantile(0.9) < 0.4


def test_rates_are_the_true_ones(dives):
    """0.63 % in the middle; without the cooling it is 8 % too much, and 1 % more with fresh water taken for salt."""
    error = dives["rmv_error_pct"]
    assert error.notna().sum() > 295
    assert error.abs().median() < 0.9
    assert abs(error.median()) < 0.6
    traces = dives["method"] == "trace"
    assert error[traces].abs().median() < 0.8
    assert error[~traces].abs().median() < 1.4
    plain = 100 * (dives["ideal_rmv_l_min"] / dives["rmv_l_min_true"] - 1)
    assert plain.median() > 5


def test_bands_of_a_dive_hold_what_they_say(dives):
    assert 0.72 < _held(dives, "rmv_low_l_min", "rmv_high_l_min", "rmv_l_min_true") < 0.94


def test_pressure_around_the_diver_is_the_true_one(dives):
    """Salt water at sea level, but for a trip to a lake: fresh water at 0.866 bar. The one taken for the other is 1.2 %
    of these dives, a forgotten altitude 6."""
    error = 100 * (dives["mean_ambient_bar_abs"] / dives["mean_ambient_bar_abs_true"] - 1)
    logged = dives["method"] == "trace"
    assert error[logged].abs().quantile(0.95) < 0.6
    assert abs(error.median()) < 0.2
    lake = dives["dive_id"].str.startswith("lake")
    assert lake.sum() == 5
    assert error[lake].abs().max() < 0.4
    assert dives.loc[lake, "rmv_error_pct"].abs().max() < 4
    assert abs(dives.loc[lake, "rmv_error_pct"].median()) < 2


def test_margins_and_gas_needed_are_the_true_ones(dives, tables):
    """Within 1 % of the start's content and 0.5 % of what two need, in the middle."""
    key, values = ["member_id", "dive_id"], ["least_margin_free_l", "required_free_l_there"]
    true = dives.loc[dives["joined"].astype(bool), [*key, *values]]
    rows = tables("dive_reserve").merge(true, on=key, suffixes=("", "_true"))
    rows = rows[rows["least_margin_free_l"].notna()]
    assert len(rows) > 250
    error = (rows["least_margin_free_l"] - rows["least_margin_free_l_true"]).abs()
    assert error.median() < 20  # L; the least cylinder holds 2000 at the start
    needed = rows["required_free_l_there"] / rows["required_free_l_there_true"] - 1
    assert needed.abs().median() < 0.005
    lake = rows["dive_id"].str.startswith("lake")  # three divers there
    assert lake.sum() == 5
    assert needed[lake].abs().median() < 0.006


def test_suit_gas_stands_apart(dives):
    with_bottle = dives["suit_gas_free_l_true"] > 0
    assert with_bottle.sum() > 90
    error = (dives["suit_gas_free_l"] - dives["suit_gas_free_l_true"])[with_bottle]
    assert error.abs().median() < 6  # L, of some 40


def test_leaks_are_the_true_ones(tables, truth):
    both = tables("cylinder_health").merge(truth.cylinders, on="cylinder_id", suffixes=("", "_true"))
    error = (both["leak_bar_per_day"] - both["leak_bar_per_day_true"]).dropna()
    assert len(error) >= 25
    assert error.abs().median() < 0.15


def test_gauge_offsets_lie_in_their_bands(tables, truth):
    """At the season's end, on the filling gauges; a sign turned would move the drifting one by 14 bar."""
    last = tables("gauge_check").sort_values("month_on").groupby("gauge_id").tail(1)
    both = last.merge(truth.gauges, on="gauge_id")
    true = both["offset_at_start_bar"] + 7 * both["drift_bar_per_month"]
    assert len(both) == 3
    near = 0.75 * (both["offset_high_bar"] - both["offset_low_bar"])
    assert ((both["offset_bar"] - true).abs() < near).all()
