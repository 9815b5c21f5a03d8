"""Rules of a dive's record: what counts, what is flagged, and when no rate may be stated."""

import numpy as np
import pandas as pd
import pytest

from pipelines.build.dives import build_member_dives, link_fills
from schemas.policy import Policy
from tests.pipelines.dive_frames import dive, fills, inputs, profile, tank, units

C1 = ("c1", None, None, False, 12.0)
SET = [("s1", "s1", None, True, 24.0), ("s1-l", "s1", "left", True, 12.0), ("s1-r", "s1", "right", True, 12.0)]


def build(dives, tanks, samples=(), register=(C1,), filled=(), **more):
    return build_member_dives(
        "m0",
        inputs(dives, tanks, samples),
        units(*register),
        fills(*filled),
        Policy(),
        pd.Timestamp("2031-07-01"),
        **more,
    )


def one(built):
    consumption = built["dive_consumption"]
    assert len(consumption) == 1
    return consumption.iloc[0]


def test_nothing_in_nothing_out():
    built = build([], [])
    assert all(len(frame) == 0 for frame in built.values())
    assert {"rmv_l_min", "flags", "method"} <= set(built["dive_consumption"])


def test_a_dive_with_a_trace_states_a_rate_between_its_bounds():
    row = one(build([dive()], [tank(unit_id="c1")], [profile(bars={1: (210, 70)})]))
    assert row["method"] == "trace"
    assert row["rmv_low_l_min"] < row["rmv_l_min"] < row["rmv_high_l_min"]
    assert row["duration_min"] == pytest.approx(40.0)
    assert row["flags"] == []


def test_two_written_pressures_do_as_well():
    row = one(build([dive()], [tank()], [profile()]))
    assert row["method"] == "ends"
    assert 5 < row["rmv_l_min"] < 30


def test_a_mean_depth_alone_gives_a_wider_rate_and_no_trace():
    with_samples = one(build([dive()], [tank()], [profile()]))
    built = build([dive(duration_min=40.0, mean_depth_m=17.0, max_depth_m=18.0)], [tank()])
    row = one(built)
    assert "mean_depth_only" in row["flags"]
    relative = [(r["rmv_high_l_min"] - r["rmv_low_l_min"]) / r["rmv_l_min"] for r in (row, with_samples)]
    assert relative[0] > relative[1]
    assert built["dive_trace"].empty


def test_the_greatest_depth_alone_gives_no_rate():
    row = one(build([dive(duration_min=40.0, max_depth_m=18.0)], [tank()]))
    assert np.isnan(row["rmv_l_min"]) and "mean_depth_missing" in row["flags"]


@pytest.mark.parametrize(
    "lacks", [{"end_pressure_bar": np.nan}, {"start_pressure_bar": np.nan}, {"water_capacity_l": np.nan}]
)
@pytest.mark.parametrize("role", ["stage", "deco", "bailout"])
def test_a_breathed_cylinder_that_lacks_something_leaves_no_flattering_rate(lacks, role):
    row = one(build([dive()], [tank(), tank(tank_no=2, role=role) | lacks], [profile()]))
    assert np.isnan(row["rmv_l_min"]) and np.isnan(row["gas_used_free_l"]) and "gas_missing" in row["flags"]


def test_a_suit_bottle_is_never_breathed():
    without = one(build([dive()], [tank()], [profile()]))
    row = one(
        build(
            [dive()],
            [
                tank(),
                tank(tank_no=2, role="suit", water_capacity_l=1.5, start_pressure_bar=150.0, end_pressure_bar=110.0),
            ],
            [profile()],
        )
    )
    assert row["suit_gas_free_l"] == pytest.approx(55, rel=0.15)
    assert row["rmv_l_min"] == pytest.approx(without["rmv_l_min"], rel=0.02)
    assert np.isnan(without["suit_gas_free_l"])


@pytest.mark.parametrize("mode", ["closed_circuit", "semi_closed"])
def test_consumption_of_a_rebreather_is_not_computed(mode):
    row = one(build([dive(mode=mode)], [tank(role="diluent"), tank(tank_no=2, role="oxygen")], [profile()]))
    assert np.isnan(row["rmv_l_min"]) and "not_open_circuit" in row["flags"]


def test_loop_gas_on_a_dive_without_a_mode_is_no_open_circuit_dive():
    row = one(build([dive()], [tank(), tank(tank_no=2, role="oxygen")], [profile()]))
    assert np.isnan(row["rmv_l_min"]) and "loop_tanks_recorded" in row["flags"]


def test_argon_is_not_breathed():
    row = one(build([dive()], [tank(o2_pct=1.0, ar_pct=99.0)], [profile()]))
    assert np.isnan(row["rmv_l_min"]) and "not_breathable" in row["flags"]


def test_shared_gas_is_computed_and_named():
    row = one(build([dive(gas_shared=True)], [tank()], [profile()]))
    assert row["rmv_l_min"] > 0 and "gas_shared" in row["flags"]


def test_a_record_that_runs_on_at_the_surface_is_cut():
    short = one(build([dive()], [tank()], [profile()]))
    long_ = one(build([dive()], [tank()], [profile(tail_min=20.0)]))
    assert "surface_tail_cut" in long_["flags"] and "surface_tail_cut" not in short["flags"]
    assert long_["rmv_l_min"] == pytest.approx(short["rmv_l_min"], rel=0.02)


def test_the_registers_size_wins_and_a_difference_is_flagged():
    row = one(build([dive()], [tank(unit_id="c1", water_capacity_l=15.0)], [profile()]))
    same = one(build([dive()], [tank(unit_id="c1", water_capacity_l=12.2)], [profile()]))
    assert "capacity_differs" in row["flags"] and "capacity_differs" not in same["flags"]
    assert row["rmv_l_min"] == pytest.approx(same["rmv_l_min"])


def test_no_temperature_known_is_said_and_widens():
    known = one(build([dive()], [tank()], [profile()]))
    unknown = one(build([dive(air_c=np.nan)], [tank()], [profile()]))
    assert "start_temperature_assumed" in unknown["flags"]
    assert unknown["rmv_high_l_min"] - unknown["rmv_low_l_min"] > known["rmv_high_l_min"] - known["rmv_low_l_min"]


def test_without_water_temperature_the_months_median_stands_in():
    dives = [dive("d1"), dive("d2", "2031-06-03 10:00", water_c=np.nan)]
    built = build(
        dives, [tank("d1"), tank("d2")], [profile("d1", water_c=8.0), profile("d2", water_c=np.nan, depth_m=21.0)]
    )
    flags = built["dive_consumption"].set_index("dive_id")["flags"]
    assert "water_temperature_assumed" in flags["d2"] and "water_temperature_assumed" not in flags["d1"]


def test_an_end_above_the_start_gives_no_rate():
    row = one(build([dive()], [tank(start_pressure_bar=100.0, end_pressure_bar=180.0)], [profile()]))
    assert np.isnan(row["rmv_l_min"]) and "end_above_start" in row["flags"]


class TestSides:
    def test_a_shut_isolator_is_found_from_a_gauge_read_by_hand(self):
        row = one(
            build([dive()], [tank(unit_id="s1", water_capacity_l=24.0, second_gauge_end_bar=200.0)], [profile()], SET)
        )
        assert "sides_not_joined" in row["flags"] and row["second_gauge_gap_bar"] == pytest.approx(130.0)
        single = one(build([dive()], [tank()], [profile()]))
        assert row["rmv_l_min"] == pytest.approx(single["rmv_l_min"], rel=0.03)

    def test_the_breathed_side_may_be_the_one_read_by_hand(self):
        row = one(
            build([dive()], [tank(unit_id="s1", end_pressure_bar=200.0, second_gauge_end_bar=70.0)], [profile()], SET)
        )
        single = one(build([dive()], [tank()], [profile()]))
        assert "sides_not_joined" in row["flags"]
        assert row["rmv_l_min"] == pytest.approx(single["rmv_l_min"], rel=0.03)

    def test_two_gauges_that_differ_by_their_calibration_say_nothing(self):
        row = one(build([dive()], [tank(unit_id="s1", second_gauge_end_bar=76.0)], [profile()], SET))
        assert "sides_not_joined" not in row["flags"]

    def test_two_transmitters_a_constant_gap_is_calibration(self):
        tanks = [tank(unit_id="s1"), tank(unit_id="s1", tank_no=2)]
        row = one(build([dive()], tanks, [profile(bars={1: (210, 140), 2: (218, 148)})], SET))
        assert "sides_not_joined" not in row["flags"]
        whole = one(build([dive()], [tank(unit_id="s1")], [profile(bars={1: (210, 140)})], SET))
        assert row["rmv_l_min"] == pytest.approx(whole["rmv_l_min"], rel=0.04)

    def test_two_transmitters_a_growing_gap_is_a_shut_isolator(self):
        tanks = [tank(unit_id="s1-l"), tank(unit_id="s1-r", tank_no=2)]
        row = one(build([dive()], tanks, [profile(bars={1: (210, 70), 2: (212, 205)})], SET))
        assert "sides_not_joined" in row["flags"]

    def test_a_sidemount_pair_is_never_judged(self):
        register = [("a", "p", "left", False, 12.0), ("b", "p", "right", False, 12.0)]
        tanks = [tank(unit_id="a"), tank(unit_id="b", tank_no=2, end_pressure_bar=205.0)]
        row = one(build([dive()], tanks, [profile(bars={1: (210, 70), 2: (210, 205)})], register))
        assert "sides_not_joined" not in row["flags"]


class TestAgainstItsFill:
    def test_the_mix_analysed_and_the_mix_set(self):
        filled = [{"analysed_o2_pct": 32.0, "max_operating_depth_m": 33.0}]
        row = one(build([dive()], [tank(unit_id="c1", o2_pct=28.0)], [profile()], filled=filled))
        assert row["fill_id"] == "f1" and "set_mix_differs" in row["flags"]

    def test_deeper_than_the_mod_of_the_fill(self):
        filled = [{"analysed_o2_pct": 32.0, "max_operating_depth_m": 33.7}]
        row = one(
            build(
                [dive()],
                [tank(unit_id="c1", o2_pct=32.0, end_pressure_bar=40.0)],
                [profile(depth_m=36.0)],
                filled=filled,
            )
        )
        assert "beyond_mod" in row["flags"] and row["max_ppo2_bar"] == pytest.approx(
            0.32 * (1.01325 + 36 * 0.10052), rel=1e-3
        )

    def test_filled_out_of_test(self):
        row = one(build([dive()], [tank(unit_id="c1")], [profile()], filled=[{"in_test": False}]))
        assert "filled_out_of_test" in row["flags"]

    def test_the_mix_comes_from_the_dive_then_the_analysis_then_the_target(self):
        filled = [{"analysed_o2_pct": 32.0, "target_o2_pct": 33.0}]
        use = [
            build([dive()], [tank(unit_id="c1", o2_pct=o2)], [profile()], filled=f)["dive_tank_use"]["o2_pct"].iloc[0]
            for o2, f in (
                (28.0, filled),
                (np.nan, filled),
                (np.nan, [{"analysed_o2_pct": np.nan, "target_o2_pct": 33.0}]),
            )
        ]
        assert use == [28.0, 32.0, 33.0]


class TestFillLinks:
    def link(self, dive_times, fill_times, unit="c1", register=(C1,), days=60):
        dives = [dive(f"d{i}", t) for i, t in enumerate(dive_times)]
        frames = inputs(dives, [tank(f"d{i}", unit_id=unit) for i in range(len(dives))])
        filled = fills(
            *[{"fill_id": f"f{i}", "filled_at": pd.Timestamp(t, tz="UTC")} for i, t in enumerate(fill_times)]
        )
        return link_fills(frames["dive_tanks"], frames["dives"], filled, units(*register), days).set_index("dive_id")

    def test_the_last_fill_before_the_dive(self):
        links = self.link(["2031-06-03 10:00"], ["2031-06-01 10:00", "2031-06-02 10:00", "2031-06-04 10:00"])
        assert links.at["d0", "fill_id"] == "f1" and links.at["d0", "dives_since_fill"] == 0

    def test_another_dive_between_takes_the_link_away(self):
        links = self.link(["2031-06-03 10:00", "2031-06-03 14:00"], ["2031-06-02 10:00"])
        assert (
            links.at["d0", "fill_id"] == "f0"
            and pd.isna(links.at["d1", "fill_id"])
            and links.at["d1", "dives_since_fill"] == 1
        )

    def test_sixty_days_are_too_long(self):
        links = self.link(["2031-08-03 10:00"], ["2031-06-01 10:00"])
        assert pd.isna(links.at["d0", "fill_id"]) and pd.isna(links.at["d0", "dives_since_fill"])

    def test_order_of_rows_changes_nothing(self):
        dives = [dive(f"d{i}", f"2031-06-0{i + 1} 10:00") for i in range(5)]
        tanks = [tank(f"d{i}", unit_id="c1") for i in range(5)]
        filled = [
            {"fill_id": f"f{i}", "filled_at": pd.Timestamp(f"2031-06-0{i + 1} 06:00", tz="UTC")} for i in range(0, 5, 2)
        ]
        a, b = inputs(dives, tanks), inputs(dives[::-1], tanks[::-1])
        links = [
            link_fills(f["dive_tanks"], f["dives"], fills(*k), units(C1)) for f, k in ((a, filled), (b, filled[::-1]))
        ]
        pd.testing.assert_frame_equal(*links)


class TestDuplicates:
    def test_two_computers_on_one_diver_are_one_dive(self):
        dives = [dive("a"), dive("b", "2031-06-01 10:01")]
        other = (
            profile("b", wobble_m=1.5)
            .query("t_s >= 60")
            .assign(t_s=lambda s: s["t_s"] - 60, depth_m=lambda s: s["depth_m"] * 1.01 + 0.1)
        )
        samples = [profile("a", wobble_m=1.5, bars={1: (210, 70)}), other]
        built = build(dives, [tank("a"), tank("b")], samples)
        assert built["dive_consumption"]["dive_id"].tolist() == ["a"]
        assert "recorded_twice" in one(built)["flags"]
        assert built["dive_duplicates"][["dive_id", "kept_dive_id", "reason"]].to_numpy().tolist() == [
            ["b", "a", "duplicate_dive"]
        ]

    def test_a_surface_interval_makes_two_dives(self):
        dives = [dive("a"), dive("b", "2031-06-01 11:30")]
        built = build(
            dives, [tank("a"), tank("b", start_pressure_bar=200.0, end_pressure_bar=90.0)], [profile("a"), profile("b")]
        )
        assert len(built["dive_consumption"]) == 2

    def test_the_same_export_with_a_wrong_clock_is_found_by_profile_and_pressures(self):
        dives = [dive("a"), dive("b", "2031-06-01 11:00")]
        samples = [profile(i, wobble_m=1.5, bars={1: (210, 70)}) for i in "ab"]
        assert len(build(dives, [tank("a"), tank("b")], samples)["dive_duplicates"]) == 1

    def test_two_unlike_dives_at_one_time_are_both_kept_and_named(self):
        dives = [dive("a"), dive("b", "2031-06-01 10:10")]
        built = build(dives, [tank("a"), tank("b")], [profile("a", depth_m=30.0), profile("b", depth_m=9.0)])
        assert all("overlaps_another_dive" in f for f in built["dive_consumption"]["flags"])


class TestTrace:
    def test_the_trace_starts_and_ends_with_what_the_tanks_hold(self):
        built = build([dive()], [tank(unit_id="c1")], [profile(bars={1: (210, 70)})])
        trace, row = built["dive_trace"], one(built)
        assert trace["back_amount_free_l"].iloc[0] - trace["back_amount_free_l"].iloc[-1] == pytest.approx(
            row["gas_used_free_l"], rel=1e-6
        )
        assert trace["tank_bar"].iloc[0] == pytest.approx(210, abs=1.0) and trace["tank_bar"].iloc[-1] == pytest.approx(
            70, abs=1.0
        )
        assert trace["one_side_usable_free_l"].isna().all()
        assert len(trace) == 241

    def test_a_joined_set_gives_half_when_one_side_is_lost(self):
        trace = build([dive()], [tank(unit_id="s1")], [profile()], SET)["dive_trace"]
        assert np.allclose(trace["one_side_usable_free_l"], trace["usable_free_l"] / 2)

    def test_an_independent_pair_gives_the_lesser_alone(self):
        tanks = [tank(), tank(tank_no=2, end_pressure_bar=150.0)]
        trace = build([dive()], tanks, [profile()])["dive_trace"]
        assert (trace["one_side_usable_free_l"] < trace["usable_free_l"] / 2).iloc[-1]


def test_used_is_start_less_end_and_tanks_sum_to_the_dive():
    tanks = [
        tank(),
        tank(
            tank_no=2, role="stage", water_capacity_l=7.0, start_pressure_bar=200.0, end_pressure_bar=120.0, o2_pct=32.0
        ),
    ]
    built = build([dive()], tanks, [profile()])
    assert built["dive_tank_use"]["gas_used_free_l"].sum() == pytest.approx(one(built)["gas_used_free_l"])


def test_a_dropout_changes_the_estimate_within_its_interval():
    whole = profile(bars={1: (210, 70)})
    holed = whole.copy()
    holed.loc[(holed["t_s"] > 900) & (holed["t_s"] < 1500), "tank_1_bar"] = np.nan
    a, b = (
        one(build([dive()], [tank(start_pressure_bar=np.nan, end_pressure_bar=np.nan)], [s])) for s in (whole, holed)
    )
    assert a["rmv_low_l_min"] < b["rmv_l_min"] < a["rmv_high_l_min"]


def test_spikes_and_zeros_do_not_move_the_rate():
    clean = profile(bars={1: (210, 70)})
    wild = clean.copy()
    wild.loc[[20, 90, 91, 150], "tank_1_bar"] = [0.0, 400.0, 12.0, 250.0]
    a, b = (one(build([dive()], [tank()], [s])) for s in (clean, wild))
    assert b["rmv_l_min"] == pytest.approx(a["rmv_l_min"], rel=0.005)


def test_a_free_flow_is_counted_and_seen_where_it_was():
    smooth = profile(bars={1: (210, 90)})
    flowed = smooth.copy()
    flowed["tank_1_bar"] -= 30.0 * np.clip((flowed["t_s"] - 1200) / 40.0, 0, 1)
    built = build([dive()], [tank(start_pressure_bar=np.nan, end_pressure_bar=np.nan)], [flowed])
    row, trace = one(built), built["dive_trace"].set_index("t_s")
    plain = one(build([dive()], [tank(start_pressure_bar=np.nan, end_pressure_bar=np.nan)], [smooth]))
    assert row["gas_used_free_l"] - plain["gas_used_free_l"] == pytest.approx(12 * 30, rel=0.15)
    apart = abs(trace["tank_bar"] - flowed.set_index("t_s")["tank_1_bar"])
    assert apart.max() < 12.0 and apart[abs(apart.index - 1220) > 120].max() < 2.5


def test_transmitters_exchanged_in_mid_dive_are_put_back():
    tanks = [tank(), tank(tank_no=2, start_pressure_bar=200.0, end_pressure_bar=160.0)]
    right = profile(bars={1: (210, 70), 2: (200, 160)})
    wrong = right.copy()
    late = wrong["t_s"] > 1500
    wrong.loc[late, ["tank_1_bar", "tank_2_bar"]] = wrong.loc[late, ["tank_2_bar", "tank_1_bar"]].to_numpy()
    a, b = (one(build([dive()], tanks, [s])) for s in (right, wrong))
    assert "transmitters_swapped" in b["flags"] and "transmitters_swapped" not in a["flags"]
    assert b["rmv_l_min"] == pytest.approx(a["rmv_l_min"], rel=0.01)


def test_order_of_dives_changes_nothing():
    dives = [dive(f"d{i}", f"2031-06-0{i + 1} 10:00") for i in range(6)]
    tanks = [tank(f"d{i}", end_pressure_bar=60.0 + 5 * i) for i in range(6)]
    samples = [profile(f"d{i}", depth_m=12.0 + 3 * i, bars={1: (210, 60 + 5 * i)}) for i in range(6)]
    a = build(dives, tanks, samples)["dive_consumption"]
    b = build(dives[::-1], tanks[::-1], samples[::-1])["dive_consumption"]
    pd.testing.assert_frame_equal(a, b)
