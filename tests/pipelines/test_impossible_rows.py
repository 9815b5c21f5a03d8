"""What cannot have been is rejected or left out; what hardly can have been is taken, and said."""

import numpy as np
import pandas as pd
import pytest
import small_station as s
from dive_frames import build, dive, profile, tank
from fill_frames import BEFORE, CYLINDER, FILL, TODAY, built, inputs, one

from pipelines.derive.divers.trend import trend_rows
from pipelines.derive.fills.slips import _analysed_before
from pipelines.derive.fills.step import build_fills
from pipelines.derive.units import build_units
from pipelines.intake.impossible_values import leave_out_impossible
from schemas import check
from schemas.frames import conform
from schemas.policy import Policy
from schemas.sources import SOURCES

LATEST = pd.Timestamp("2031-12-01T23:59:59", tz="UTC").as_unit("us")


def checked(source, **row):
    """Clean rows and problems of one row."""
    frame = pd.DataFrame([row])
    fields = SOURCES[source].fields
    for name in frame:
        if fields[name].kind in ("time", "date"):
            frame[name] = pd.to_datetime(frame[name], utc=fields[name].kind == "time")
    frame = conform(frame, fields.values()).assign(row_number=[1], line=[2])
    return check.check(source, frame, LATEST)


# --- rejected: it cannot have been ------------------------------------------------------------
@pytest.mark.parametrize(
    "change, rule",
    [
        ({"working_pressure_bar": 348.0, "test_pressure_bar": 232.0}, "working_above_test"),
        ({"working_pressure_bar": 300.0, "test_pressure_bar": 299.0}, "working_above_test"),
        (
            {"working_pressure_bar": np.nan, "service_pressure_psi": 5000.0, "test_pressure_bar": 300.0},
            "working_above_test",
        ),
        ({"manufactured_on": "2030-01-01", "first_used_on": "2029-12-01"}, "ends_before_start"),
        ({"manufactured_on": "2030-01-01", "service_life_ends_on": "2029-01-01"}, "ends_before_start"),
        (
            {"manufactured_on": None, "first_used_on": "2030-01-01", "service_life_ends_on": "2029-01-01"},
            "ends_before_start",
        ),
        # 3,000 psi is 207 bar; 80 cubic feet at 3,000 psi are 10.9 litres
        ({"working_pressure_bar": 300.0, "service_pressure_psi": 3000.0}, "ratings_contradict"),
        ({"working_pressure_bar": 150.0, "service_pressure_psi": 3000.0}, "ratings_contradict"),
        (
            {"water_capacity_l": 15.0, "rated_capacity_cuft": 80.0, "rated_at_psi": 3000.0},
            "ratings_contradict",
        ),
        ({"valve_pressure_bar": -1.0}, "out_of_bounds"),
        ({"valve_pressure_bar": 0.0}, "out_of_bounds"),
    ],
)
def test_a_cylinder_whose_stamps_cannot_all_be_is_rejected(change, rule):
    clean, problems = checked("cylinders", **(CYLINDER | change))
    assert clean.empty and problems["rule"].tolist() == [rule]
    assert problems["message"].ne("").all() and problems["fix"].ne("").all()


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"working_pressure_bar": 232.0, "test_pressure_bar": 232.4},  # one stamp in psi
        {"manufactured_on": "2030-01-01", "first_used_on": "2030-01-01", "service_life_ends_on": "2045-01-01"},
        {"valve_pressure_bar": 300.0},
        {"working_pressure_bar": 207.0, "service_pressure_psi": 3000.0},
        {"working_pressure_bar": 182.0, "service_pressure_psi": 2400.0, "plus_marked": True},
        {"water_capacity_l": 11.1, "rated_capacity_cuft": 80.0, "rated_at_psi": 3000.0},
    ],
)
def test_a_cylinder_whose_stamps_can_be_is_taken(change):
    clean, problems = checked("cylinders", **(CYLINDER | change))
    assert len(clean) == 1 and problems.empty


@pytest.mark.parametrize(
    "source, row",
    [
        ("loans", {"unit_id": "S1", "member_id": "M", "out_at": "2031-05-02", "back_at": "2031-05-01"}),
        ("visits", {"visit_on": "2031-05-02", "capacity": 3, "back_on": "2031-05-01"}),
        ("bookings", {"starts_on": "2031-05-02", "ends_on": "2031-05-01", "cylinders_needed": 2}),
    ],
)
def test_what_ends_before_it_begins_is_rejected(source, row):
    clean, problems = checked(source, **row)
    assert clean.empty and problems["rule"].tolist() == ["ends_before_start"]


def test_the_analysis_of_the_other_side_holds_no_more_than_there_is():
    row = {k: v for k, v in FILL.items() if k in SOURCES["fills"].fields} | {"analysed_he_pct": 60.0}
    clean, problems = checked("fills", **row | {"analysed_o2_pct": 20.0, "second_analysed_o2_pct": 60.0})
    assert clean.empty and problems["rule"].tolist() == ["fractions_over_100"]
    assert checked("fills", **row | {"analysed_o2_pct": 40.1})[1]["rule"].tolist() == ["fractions_over_100"]
    assert checked("fills", **row | {"analysed_o2_pct": 40.0})[1].empty


def test_carbon_monoxide_alone_is_a_reading_and_nothing_at_all_is_none():
    row = {"fill_id": "f1", "read_at": "2031-06-01T12:00:00Z"}
    assert checked("fill_readings", **row | {"co_ppm": 0.0})[1].empty
    assert checked("fill_readings", **row)[1]["rule"].tolist() == ["nothing_read"]


# --- left out: one of two values cannot have been ---------------------------------------------
@pytest.mark.parametrize(
    "source, good, bad, rule, emptied",
    [
        (
            "dives",
            {"mean_depth_m": [12.0, 20.4], "max_depth_m": [12.0, 20.0]},
            {"mean_depth_m": 32.0, "max_depth_m": 12.0},
            "mean_above_greatest",
            ["mean_depth_m", "max_depth_m"],
        ),
        (
            "compressor_log",
            {"pumped_from_bar": [50.0, np.nan], "pumped_to_bar": [232.0, 200.0]},
            {"pumped_from_bar": 232.0, "pumped_to_bar": 50.0},
            "pumped_down",
            ["pumped_from_bar", "pumped_to_bar"],
        ),
        (
            "kits",
            {"suit_buoyancy_at_depth_kg": [2.0, 6.3], "suit_buoyancy_kg": [9.0, 6.0]},
            {"suit_buoyancy_at_depth_kg": 9.0, "suit_buoyancy_kg": 2.0},
            "buoyancy_contradicts",
            ["suit_buoyancy_at_depth_kg", "suit_buoyancy_kg"],
        ),
        (
            "gauges",
            {"step_bar": [2.0, np.nan], "span_bar": [400.0, 300.0]},
            {"step_bar": 20.0, "span_bar": 10.0},
            "step_above_span",
            ["step_bar", "span_bar"],
        ),
        (
            "loans",
            {
                "out_at": pd.to_datetime(["2031-05-01 10:00", "2031-05-01 10:00"], utc=True),
                "due_on": pd.to_datetime(["2031-05-01", None]),
            },
            {"out_at": pd.Timestamp("2031-05-02 10:00", tz="UTC"), "due_on": pd.Timestamp("2031-05-01")},
            "due_before_out",
            ["due_on"],
        ),
    ],
)
def test_two_values_that_contradict_each_other_are_left_out_and_listed_and_the_row_stays(
    source, good, bad, rule, emptied
):
    rows = pd.concat([pd.DataFrame(good), pd.DataFrame([bad])], ignore_index=True)
    rows = conform(rows, SOURCES[source].fields.values()).assign(row_number=[1, 2, 3], line=[2, 3, 4])
    rows["value_flags"] = [[], ["zone_assumed"], []]
    kept, found = leave_out_impossible(source, rows)
    assert len(kept) == 3
    assert [(p.rule, p.severity, p.row_number, p.line) for p in found] == [(rule, "value", 3, 4)]
    assert "left out" in found[0].message and "{" not in found[0].message
    assert kept.loc[2, emptied].isna().all()
    same = [c for c in rows if c not in emptied and c != "value_flags"]
    pd.testing.assert_frame_equal(kept[same], rows[same])
    pd.testing.assert_frame_equal(kept.iloc[:2], rows.iloc[:2])
    assert rows.loc[2, emptied].notna().all(), "the rows given are not changed"


def test_a_station_lists_what_it_left_out_and_counts_every_row(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", [*s.CYLINDERS, s.CYLINDERS[0] | {"cylinder_id": "C9", "test_pressure_bar": "150"}])
    swapped = s.fill(2, start_pressure_bar="230", stop_pressure_bar="50")
    s.drop(station, "fills.csv", [s.fill(1), swapped])
    deep = {"duration_min": "40", "mean_depth_m": "32", "max_depth_m": "12"}
    s.drop(station, "dives.csv", [s.dive(1, **deep), s.dive(2, duration_min="40", mean_depth_m="12", max_depth_m="20")])
    s.drop(station, "dive_tanks.csv", [s.tank(1), s.tank(2)])
    s.run(station)
    files = s.ask(station, "SELECT * FROM ingest_files")
    assert (files["rows_read"] == files["rows_accepted"] + files["rows_rejected"]).all()
    assert files["rows_rejected"].sum() == 1
    rejects = s.ask(station, "SELECT * FROM rejects ORDER BY source")
    assert sorted(zip(rejects["rule"], rejects["severity"], strict=True)) == [
        ("mean_above_greatest", "value"),
        ("working_above_test", "row"),
    ]
    tables = s.published(station)
    dives = tables["dive_consumption"].set_index("dive_id")
    assert "depths_contradict" in dives.loc["D1", "flags"] and np.isnan(dives.loc["D1", "rmv_l_min"])
    assert np.isnan(dives.loc["D1", "max_depth_m"]), "which of the two is wrong nobody knows"
    assert dives.loc["D2", "rmv_l_min"] > 0
    fills = tables["fill_quality"].set_index("fill_id")
    assert "stop_below_start" in fills.loc["F2", "reasons"]
    assert "stop_below_start" not in fills.loc["F1", "reasons"]


# --- flagged: it hardly can have been ---------------------------------------------------------
DAY_AFTER = "2031-06-02T09:00:00Z"


@pytest.mark.parametrize(
    "code, change",
    [
        ("stop_below_start", {"start_pressure_bar": 200.0, "stop_pressure_bar": 50.0}),
        ("analysed_before_stop", {"analysed_o2_pct": 20.9, "analysed_at": "2031-06-01T08:00:00Z"}),
        # 225 bar is 21 K warmer than 200 of the same content
        (
            "settled_reading_doubtful",
            {"stop_pressure_bar": 200.0, "settled_pressure_bar": 225.0, "settled_c": 20.0, "settled_at": DAY_AFTER},
        ),
        ("settled_reading_doubtful", {"stop_pressure_bar": 200.0, "settled_pressure_bar": 250.0}),
    ],
)
def test_figures_of_a_fill_that_hardly_go_together_are_looked_at_first(code, change):
    row = one(target_pressure_bar=200.0, **change)
    assert code in row["reasons"] and row["verdict"] == "attention"


@pytest.mark.parametrize(
    "change",
    [
        {"start_pressure_bar": 200.0, "stop_pressure_bar": 199.0},
        {"analysed_o2_pct": 20.9, "analysed_at": "2031-06-01T09:50:00Z"},
        {"analysed_o2_pct": 20.9, "analysed_at": "2031-06-01T18:00:00Z"},
        {"settled_pressure_bar": 210.0, "settled_c": 20.0, "settled_at": DAY_AFTER},
        {"start_pressure_bar": 190.0, "stop_pressure_bar": 200.0, "fill_minutes": 1.0},
    ],
)
def test_what_may_well_have_been_is_not_doubted(change):
    row = one(**({"target_pressure_bar": 200.0} | change))
    doubts = {"stop_below_start", "analysed_before_stop", "settled_reading_doubtful", "fill_rate_doubtful"}
    assert not doubts & set(row["reasons"])


DIVE = {"dive_id": "d1", "member_id": "M1", "started_at": "2031-06-01T09:40:00Z", "duration_min": 45.0}
TANK = {"dive_id": "d1", "member_id": "M1", "tank_no": 1, "role": "back", "unit_id": "S1"}


@pytest.mark.parametrize(
    "code, fills, rows",
    [
        ("filled_before_manufacture", [FILL | {"filled_at": "2029-12-31T10:00:00Z"}], {}),
        ("filled_twice_at_once", [FILL, FILL | {"fill_id": "f2", "stop_pressure_bar": 100.0}], {}),
        ("filled_during_dive", [FILL], {"dives": [DIVE], "dive_tanks": [TANK]}),
    ],
)
def test_a_fill_at_a_moment_at_which_it_cannot_have_been_is_looked_at_first(code, fills, rows):
    found = built(fills=fills, **rows)["fill_quality"].set_index("fill_id").loc["f1"]
    assert code in found["reasons"] and found["verdict"] in ("attention", "stop")


@pytest.mark.parametrize(
    "fills, rows",
    [
        ([FILL, FILL | {"fill_id": "f2", "unit_id": "other"}], {}),
        ([FILL, FILL | {"fill_id": "f2", "filled_at": "2031-06-01T10:01:00Z"}], {}),
        ([FILL], {"dives": [DIVE | {"started_at": "2031-06-01T09:50:00Z"}], "dive_tanks": [TANK]}),
        ([FILL], {"dives": [DIVE | {"started_at": "2031-06-01T08:50:00Z"}], "dive_tanks": [TANK]}),
        ([FILL], {"dives": [DIVE], "dive_tanks": [TANK | {"unit_id": "other"}]}),
        ([FILL], {"dives": [DIVE | {"duration_min": None}], "dive_tanks": [TANK]}),
    ],
)
def test_a_fill_at_a_moment_at_which_it_may_have_been_is_not_doubted(fills, rows):
    found = built(fills=fills, **rows)["fill_quality"].set_index("fill_id").loc["f1"]
    assert not {"filled_before_manufacture", "filled_twice_at_once", "filled_during_dive"} & set(found["reasons"])


def test_fills_of_a_day_whose_hour_nobody_wrote_are_not_at_once():
    given = inputs(fills=[FILL, FILL | {"fill_id": "f2"}], dives=[DIVE], dive_tanks=[TANK])
    given["fills"]["value_flags"] = [["date_without_time"]] * 2
    made = build_fills(given, build_units(given, TODAY)["units"], Policy(), TODAY)["fill_quality"]
    assert not {"filled_twice_at_once", "filled_during_dive"} & {r for reasons in made["reasons"] for r in reasons}


@pytest.mark.parametrize(
    ("marks", "analysed", "early"),
    [
        ([], "2031-06-01T09:00Z", True),
        ([], "2031-06-01T09:59Z", False),  # clocks differ
        (["date_without_time"], "2031-06-01T01:00Z", False),  # of that day, and nobody wrote which hour
        (["date_without_time"], "2031-05-31T21:00Z", True),
    ],
)
def test_an_analysis_before_its_fill_is_one_by_the_hour_or_by_the_day_where_no_hour_was_written(marks, analysed, early):
    c = pd.DataFrame({"filled_at": pd.to_datetime(["2031-06-01T10:00Z"]), "analysed_at": pd.to_datetime([analysed])})
    c = c.assign(filled_on=pd.Timestamp("2031-06-01"), marks=[marks])
    assert _analysed_before(c, "Europe/Lisbon").tolist() == [early]


def test_minutes_in_which_no_panel_fills_are_said_beside_the_verdict():
    row = one(target_pressure_bar=200.0, fill_minutes=0.3)
    assert "fill_rate_doubtful" in row["reasons"]


def test_a_rise_that_no_gauge_shows_teaches_no_rate_and_breaks_nothing():
    """Within every bound: 50 to 50.00001 bar in 600 minutes, and then a fill whose minutes nobody wrote."""
    slow = FILL | {"stop_pressure_bar": 50.00001, "target_pressure_bar": 51.0, "fill_minutes": 600.0}
    after = FILL | {"fill_id": "f2", "filled_at": "2031-06-02T10:00:00Z", "fill_minutes": None}
    tables = built(fills=[slow, after])
    fill = tables["fill_quality"].set_index("fill_id").loc["f2"]
    alone = built(fills=[after])["fill_quality"].set_index("fill_id").loc["f2"]
    assert fill["settled_pressure_bar_15c"] == pytest.approx(alone["settled_pressure_bar_15c"], abs=0.5)


# --- dives ------------------------------------------------------------------------------------
SHORT = {"duration_min": 40.0, "mean_depth_m": 15.0, "max_depth_m": 20.0}


def flags_of(*dives, tanks=None, samples=()):
    tables = build(list(dives), tanks or [tank(d["dive_id"]) for d in dives], samples)
    return tables["dive_consumption"].set_index("dive_id")


def test_a_rate_that_nobody_breathes_at_is_not_stated():
    """2,700 minutes on one cylinder is 0.2 L/min: the minutes are wrong."""
    rows = flags_of(dive("d1", **SHORT | {"duration_min": 2700.0}), dive("d2", "2031-06-05 10:00", **SHORT))
    assert "rate_doubtful" in rows.loc["d1", "flags"] and np.isnan(rows.loc["d1", "rmv_l_min"])
    assert "rate_doubtful" not in rows.loc["d2", "flags"] and 10 < rows.loc["d2", "rmv_l_min"] < 30


def test_gas_that_was_lost_is_stated_but_teaches_no_rate():
    wild = dive("d1", **SHORT | {"duration_min": 2.0})
    rows = flags_of(wild, dive("d2", "2031-06-05 10:00", **SHORT))
    assert "rate_doubtful" in rows.loc["d1", "flags"] and rows.loc["d1", "rmv_l_min"] > 150
    trend = trend_rows(rows.reset_index(), pd.DataFrame([wild, dive("d2")])).set_index("dive_id")
    assert not trend.loc["d1", "in_trend"] and trend.loc["d2", "in_trend"]


def _spiked(depth_m):
    found = profile(bars={1: (210.0, 70.0)})
    found.loc[60, "depth_m"] = depth_m
    return found


@pytest.mark.parametrize(
    "code, change, tanks, samples",
    [
        ("depth_jumps", {}, {}, [_spiked(300.0)]),
        ("no_depth", {}, {}, [profile(depth_m=0.0, bars={1: (210.0, 70.0)})]),
        ("no_depth", SHORT | {"mean_depth_m": 0.0, "max_depth_m": 0.0}, {}, []),
        ("start_pressure_doubtful", SHORT, {"start_pressure_bar": 440.0}, []),
        (None, {}, {}, [_spiked(19.0)]),
        (None, SHORT, {"start_pressure_bar": 300.0}, []),
    ],
)
def test_figures_of_a_dive_that_cannot_have_been_teach_nothing(code, change, tanks, samples):
    known = tank("d1", unit_id="c1", **tanks)
    made = build([dive("d1", **change)], [known], samples)["dive_consumption"]
    doubts = {"depth_jumps", "no_depth", "start_pressure_doubtful"} & set(made["flags"][0])
    assert doubts == ({code} if code else set())
    trend = trend_rows(made, pd.DataFrame([dive("d1", **change)]))
    assert trend["in_trend"].tolist() == [code is None]


@pytest.mark.parametrize("known", [SHORT, {}])
def test_two_dives_in_one_second_are_said_to_overlap(known):
    other = known | ({"max_depth_m": 31.0, "mean_depth_m": 24.0} if known else {})
    rows = flags_of(
        dive("d1", **known),
        dive("d2", **other),
        dive("d3", "2031-06-05 10:00", **SHORT),
        tanks=[tank("d1", unit_id="c1"), tank("d2", unit_id="c9"), tank("d3")],
    )
    assert "overlaps_another_dive" in rows.loc["d1", "flags"] and "overlaps_another_dive" in rows.loc["d2", "flags"]
    assert "overlaps_another_dive" not in rows.loc["d3", "flags"]


@pytest.mark.parametrize(
    "started, reset",
    [
        ("2000-01-01 00:12", True),
        ("1999-12-31 23:30", True),
        ("2000-01-20 10:00", True),
        ("1970-01-01 00:03", True),
        ("2015-01-01 00:20", True),
        ("2009-12-31 23:20", True),
        ("2015-01-03 10:00", False),
        ("2015-07-01 00:20", False),
        ("2000-03-01 10:00", False),
        ("2031-01-01 10:00", False),
    ],
)
def test_a_dive_dated_by_a_clock_that_began_again_is_not_believed(started, reset):
    rows = flags_of(dive("d1", started, **SHORT), dive("d2", "2031-06-05 10:00", **SHORT))
    assert ("clock_reset" in rows.loc["d1", "flags"]) is reset
    assert "clock_reset" not in rows.loc["d2", "flags"]
    trend = trend_rows(rows.reset_index(), pd.DataFrame([dive("d1"), dive("d2")])).set_index("dive_id")
    assert trend.loc["d1", "in_trend"] == (not reset)


def test_somebody_who_dived_in_those_years_is_believed():
    rows = flags_of(dive("d1", "2000-01-02 10:00", **SHORT), dive("d2", "1999-08-05 10:00", **SHORT))
    assert "clock_reset" not in rows.loc["d1", "flags"]


def test_a_trace_wins_over_depths_that_contradict_each_other():
    sampled = profile(bars={1: (210.0, 70.0)})
    rows = flags_of(dive("d1"), tanks=[tank("d1", unit_id="c1")], samples=[sampled])
    assert rows.loc["d1", "rmv_l_min"] > 0


# --- a fill that ends below its start: which of the two it ended with nobody knows ------------
TURNED = {"start_pressure_bar": 200.0, "stop_pressure_bar": 50.0}


def test_of_a_fill_that_ends_below_its_start_no_figure_is_given_and_what_was_written_stays():
    row = one(target_pressure_bar=200.0, **TURNED)
    computed = row[["settled_pressure_bar_15c", "settled_high_bar_15c", "gas_c", "cooling_bar", "real_free_l",
                    "gas_mass_kg", "shortfall_free_l", "cooling_free_l", "stopped_early_free_l", "added_free_l",
                    "fill_rate_bar_min"]]  # fmt: skip
    assert computed.isna().all(), computed
    assert (row["start_pressure_bar"], row["stop_pressure_bar"]) == (200.0, 50.0)
    assert not {"stopped_early", "short_fill", "hot_stop"} & set(row["reasons"])


def test_a_settled_reading_says_what_is_inside_whatever_was_written_at_stop():
    read = {"settled_pressure_bar": 190.0, "settled_c": 15.0, "settled_at": DAY_AFTER}
    row = one(target_pressure_bar=200.0, **TURNED, **read)
    assert row["gas_c_basis"] == "settled" and row["settled_pressure_bar_15c"] == pytest.approx(190.0, abs=0.1)
    assert np.isnan(row["cooling_bar"]) and np.isnan(row["gas_c"])
    # air at 190 bar and 15 °C: 1.0163 times the Z at 1 bar (CoolProp)
    assert row["real_free_l"] == pytest.approx(12.0 * 190.0 / 1.0163, rel=0.001)


def test_the_next_fill_is_not_held_for_gas_from_elsewhere_and_a_leak_is_not_made_of_it():
    later = FILL | {"fill_id": "f2", "filled_at": "2031-06-03T10:00:00Z", "start_pressure_bar": 120.0}
    fills = built(fills=[BEFORE, FILL | TURNED, later])["fill_quality"].set_index("fill_id")
    assert "residue_unknown" not in fills.loc["f2", "reasons"], "air on top of air is air, whichever way round"
    assert fills.loc["f2", "verdict"] == fills.loc["before", "verdict"] == "short", "hot, as each fill here"
    above = later | {"start_pressure_bar": 215.0}
    fills = built(fills=[BEFORE, FILL | TURNED, above])["fill_quality"].set_index("fill_id")
    assert "residue_unknown" in fills.loc["f2", "reasons"], "215 bar is more than either of the two"


def test_the_mix_of_a_fill_that_ends_below_its_start_is_known_only_where_both_gases_are_the_same():
    bank = {"source_id": "B32", "kind": "bank", "o2_pct": 32.0, "he_pct": 0.0}
    rich = {"source_id": "B32", "fill_method": "banked_mix", "target_o2_pct": 32.0}
    later = FILL | {"fill_id": "f2", "filled_at": "2031-06-03T10:00:00Z", "start_pressure_bar": 120.0}
    fills = built(fills=[BEFORE, FILL | TURNED | rich, later | rich], sources=[bank])["fill_quality"]
    fills = fills.set_index("fill_id")
    assert np.isnan(fills.loc["f1", "expected_o2_pct"]), "drained it holds air, swapped it holds mostly nitrox"
    assert "residue_unknown" in fills.loc["f2", "reasons"] and fills.loc["f2", "verdict"] == "stop"
