"""Rules of a dive's record: what counts, what is flagged, and when no rate may be stated."""

import numpy as np
import pandas as pd
import pytest

from pipelines.derive.dives import learning
from pipelines.derive.dives.checks import mod_m
from pipelines.derive.dives.prior import of_fill
from pipelines.derive.dives.step import build_member_dives
from schemas.policy import Policy
from tests.pipelines.dive_frames import C1, SET, build, dive, fills, inputs, one, profile, tank, units


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


def test_a_stage_carried_and_not_breathed_gives_nothing_back():
    carried = tank(
        tank_no=2, role="stage", water_capacity_l=11.0, start_pressure_bar=200.0, end_pressure_bar=200.0
    )  # fmt: skip
    alone = one(build([dive()], [tank()], [profile()]))
    built = build([dive()], [tank(), carried], [profile()])
    stage = built["dive_tank_use"].set_index("tank_no").loc[2]
    assert stage["gas_used_free_l"] == 0.0 == stage["gas_used_low_free_l"]
    assert one(built)["gas_used_free_l"] == pytest.approx(alone["gas_used_free_l"], rel=1e-6)


def test_no_oxygen_is_stated_of_a_dive_with_a_cylinder_whose_record_was_refused():
    lost = tank(tank_no=2, role="stage", unit_id=None)
    for column in ("water_capacity_l", "start_pressure_bar", "end_pressure_bar", "o2_pct"):
        lost[column] = np.nan
    row = one(build([dive()], [tank(), lost], [profile()]))
    assert np.isnan(row["max_ppo2_bar"]) and "gas_missing" in row["flags"]


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
        trace = build([dive()], tanks, [profile(bars={1: (210, 70), 2: (212, 205)})], SET)["dive_trace"]
        assert (trace["one_side_usable_free_l"] == trace["usable_free_l"]).all()  # the other side cannot be had

    @pytest.mark.parametrize(("other_end", "apart"), [(202.0, True), (193.0, False)])
    def test_a_gap_that_grows_by_fifteen_bar_on_a_short_dive_is_seen_and_one_of_six_is_not(self, other_end, apart):
        tanks = [tank(unit_id="s1-l"), tank(unit_id="s1-r", tank_no=2)]
        row = one(build([dive()], tanks, [profile(bars={1: (205, 187), 2: (205, other_end)})], SET))
        assert ("sides_not_joined" in row["flags"]) == apart

    def test_a_transmitter_that_joins_late_hides_no_shut_isolator(self):
        samples = profile(bars={1: (205, 163), 2: (205, 200)})
        samples.loc[samples["t_s"] < 1150, "tank_2_bar"] = np.nan
        tanks = [
            tank(unit_id="s1-l", start_pressure_bar=205.0, end_pressure_bar=163.0),
            tank(unit_id="s1-r", tank_no=2, start_pressure_bar=205.0, end_pressure_bar=200.0),
        ]
        assert "sides_not_joined" in one(build([dive()], tanks, [samples], SET))["flags"]

    def test_gauges_known_from_earlier_dives_show_a_shut_isolator_against_their_offset(self):
        """The second gauge reads 9 bar high: of 25 bar between the sides a stranger would see 16."""

        def gap(second, end=165.0):
            n = 6
            dives = [dive(f"d{k}", f"2031-06-{k + 1:02d} 10:00", air_c=10.0) for k in range(n + 1)]
            joined = [tank(f"d{k}", unit_id="s1", second_gauge_end_bar=79.0) for k in range(n)]
            last = tank(f"d{n}", unit_id="s1", end_pressure_bar=end, second_gauge_end_bar=second)
            samples = [profile(f"d{k}", depth_m=15.0 + k) for k in range(n + 1)]
            built = build(dives, [*joined, last], samples, SET)["dive_consumption"]
            return "sides_not_joined" in built.set_index("dive_id").loc[f"d{n}", "flags"]

        assert gap(165.0 + 9.0 - 25.0) and gap(165.0 + 9.0 + 25.0)
        assert not gap(165.0 + 9.0 + 2.0)

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

    @pytest.mark.parametrize(
        "record, filled, beyond",
        [
            # 36 m; 1.4 bar is 56 m of air, 40 m of 28 %, 33.75 m of 32 %, 28.9 m of 36 % (arithmetic)
            (28.0, {"analysed_o2_pct": 28.0, "max_operating_depth_m": 40.0}, False),
            (36.0, {"analysed_o2_pct": 28.0, "max_operating_depth_m": 40.0}, True),
            (21.0, {"analysed_o2_pct": 32.0, "max_operating_depth_m": 33.7}, True),
            (21.0, {"analysed_o2_pct": 28.0, "max_operating_depth_m": 33.7}, True),  # the other side of the set
            (21.0, {"analysed_o2_pct": np.nan, "target_o2_pct": 36.0, "max_operating_depth_m": np.nan}, True),
            (21.0, {"analysed_o2_pct": 28.0, "target_o2_pct": 36.0, "max_operating_depth_m": 40.0}, False),
            (np.nan, {"analysed_o2_pct": np.nan, "target_o2_pct": np.nan, "max_operating_depth_m": np.nan}, False),
        ],
    )
    def test_the_richest_of_record_fill_and_analysis_limits_the_depth(self, record, filled, beyond):
        made = build([dive()], [tank(unit_id="c1", o2_pct=record, end_pressure_bar=40.0)], [profile(depth_m=36.0)],
                     filled=[filled])  # fmt: skip
        assert ("beyond_mod" in one(made)["flags"]) == beyond

    def test_decompression_gas_may_be_breathed_to_one_point_six_bar(self):
        """1.6 bar of 50 % is 3.2 bar, 22 m; 1.4 bar 18 m (arithmetic). 1.4 and 1.6: common practice, no source."""
        nothing = dict.fromkeys(("fill_analysed_o2_pct", "fill_max_operating_depth_m", "fill_target_o2_pct"), np.nan)
        rows = pd.DataFrame({"role": ["back", "deco"], "o2": 50.0} | nothing)
        assert mod_m(rows, Policy()) == pytest.approx([18.0, 22.0], abs=0.5)

    def test_what_a_fill_says_of_the_start_is_as_wide_as_its_interval(self):
        """80 % of a normal lie within 2.563 deviations: 10.25 bar are 4; 0.8 for what was lost, 0.05 a day leaked."""
        row = {"fill_id": "f1", "capacity_l": 12.0, "o2": 20.95, "he": 0.0, "ar": np.nan, "tank_no": 1}
        bars = {"pressure": 200.0, "low": 194.874, "high": 205.126}
        row |= {f"fill_settled_{name}_bar_15c": bar for name, bar in bars.items()}
        started = pd.Timestamp("2031-06-11", tz="UTC")
        rows = pd.DataFrame([row]).assign(started_at=started, filled_at=started - pd.Timedelta(days=10))
        _, sd, of_bar = of_fill(rows)
        assert sd / of_bar == pytest.approx([(4.0**2 + 0.8**2 + 0.5**2) ** 0.5], rel=1e-3)

    def test_the_partial_pressure_follows_an_analysis_that_is_richer_than_the_record(self):
        """0.32 against 0.21 of 36 m of salt water and one atmosphere (arithmetic)."""
        filled = [{"analysed_o2_pct": 32.0, "max_operating_depth_m": 33.75}]
        for record, share in ((21.0, 0.32), (31.5, 0.315)):
            row = one(
                build([dive()], [tank(unit_id="c1", o2_pct=record, end_pressure_bar=40.0)], [profile(depth_m=36.0)],
                      filled=filled)
            )  # fmt: skip
            assert row["max_ppo2_bar"] == pytest.approx(share * (1.01325 + 36 * 0.10052), rel=1e-3)

    def test_a_cylinder_that_names_no_mix_has_none_and_no_partial_pressure(self):
        """Its rate is computed with air; but 36 m on what may have been 50 % is not said to have been 0.97 bar."""
        made = build([dive()], [tank(o2_pct=np.nan, end_pressure_bar=40.0)], [profile(depth_m=36.0)])
        row = one(made)
        assert "mix_assumed_air" in row["flags"] and np.isnan(row["max_ppo2_bar"]) and row["rmv_l_min"] > 0
        assert made["dive_tank_use"][["o2_pct", "he_pct"]].isna().all(axis=None)

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


@pytest.mark.parametrize("seed", range(12))
def test_whatever_a_record_says_there_is_a_sane_rate_or_none(seed):
    rng = np.random.default_rng(seed)

    def any_of(*values):
        return values[rng.integers(len(values))]

    dives, tanks, samples = [], [], []
    for number in range(4):
        name = f"d{number}"
        dives.append(
            dive(
                name,
                f"2031-06-{rng.integers(1, 28):02d} 10:00",
                mode=any_of(None, None, "open_circuit", "semi_closed"),
                air_c=any_of(np.nan, -10.0, 30.0),
                water_c=any_of(np.nan, 2.0, 28.0),
                duration_min=any_of(np.nan, 0.0, 40.0),
                mean_depth_m=any_of(np.nan, 0.0, 10.0),
                surface_pressure_bar_abs=any_of(np.nan, 0.7),
            )
        )
        bars = {}
        for tank_no in rng.choice(np.arange(1, 9), rng.integers(0, 4), replace=False).tolist():
            tanks.append(
                tank(
                    name,
                    tank_no,
                    unit_id=any_of(None, "c1", "s1", "s1-l", "nobody's"),
                    role=any_of("back", "stage", "suit", "oxygen"),
                    water_capacity_l=any_of(np.nan, 12.0, 0.5),
                    o2_pct=any_of(np.nan, 0.0, 21.0, 60.0),
                    he_pct=any_of(np.nan, 50.0),
                    start_pressure_bar=any_of(np.nan, 0.0, 210.0, 480.0),
                    end_pressure_bar=any_of(np.nan, 0.0, 60.0, 220.0),
                    second_gauge_end_bar=any_of(np.nan, 60.0, 200.0),
                )
            )
            bars[tank_no] = (any_of(210, 10, 0), any_of(60, 0, 250))
        if rng.random() < 0.8:
            frame = profile(
                name,
                any_of(1.0, 18.0, 200.0),
                any_of(1.0, 40.0),
                any_of(2.0, 30.0),
                bars=bars,
                water_c=any_of(np.nan, 35.0),
            )
            for column in frame.columns[5:]:
                frame.loc[rng.random(len(frame)) < any_of(0.0, 0.1, 0.9), column] = any_of(np.nan, 0.0, -3.0, 900.0)
            samples.append(frame)
    consumption = build(dives, tanks, samples, (C1, *SET))["dive_consumption"]
    rate = consumption["rmv_l_min"]
    assert (
        (consumption["rmv_low_l_min"] <= rate) & (rate <= consumption["rmv_high_l_min"]) & (rate > 0) | rate.isna()
    ).all()
    assert (rate.notna() == consumption["method"].notna()).all()


class TestSuitGas:
    def test_argon_is_stated_and_never_breathed(self):
        suit = tank(
            tank_no=2, role="suit", o2_pct=0.0, ar_pct=100.0, water_capacity_l=1.5,
            start_pressure_bar=150.0, end_pressure_bar=100.0,
        )  # fmt: skip
        built = build([dive()], [tank(), suit], [profile()])
        alone = one(build([dive()], [tank()], [profile()]))
        row = one(built)
        assert row["suit_gas_free_l"] == pytest.approx(80.0, rel=0.08)
        assert built["dive_tank_use"]["gas_used_free_l"].notna().all()
        assert row["rmv_l_min"] == pytest.approx(alone["rmv_l_min"], rel=1e-12) and "not_breathable" not in row["flags"]


class TestWhatIntakeSaid:
    def test_a_tank_lost_on_the_way_in_leaves_no_rate(self):
        made = one(flagged([["tank_rejected"]]))
        assert "gas_missing" in made["flags"] and pd.isna(made["rmv_l_min"])

    def test_a_mode_without_a_word_is_respected(self):
        made = one(flagged([["not_open_circuit"]]))
        assert "not_open_circuit" in made["flags"] and pd.isna(made["rmv_l_min"]) and pd.isna(made["max_ppo2_bar"])

    def test_a_rejected_tank_states_no_mix(self):
        lost = tank(
            tank_no=2, o2_pct=np.nan, water_capacity_l=np.nan, start_pressure_bar=np.nan, end_pressure_bar=np.nan
        )
        built = build([dive()], [tank(), lost], [profile()])
        assert built["dive_tank_use"][["o2_pct", "he_pct"]].iloc[1].isna().all()
        assert "gas_missing" in one(built)["flags"] and "mix_assumed_air" not in one(built)["flags"]


def flagged(value_flags):
    """One dive of which intake had something to say."""
    frames = inputs([dive()], [tank()], [profile()])
    frames["dives"]["value_flags"] = pd.Series(value_flags, dtype="object")
    return build_member_dives("m0", frames, units(C1), fills(), Policy())


class TestAirOfOtherDays:
    def start(self, *ambients, air_c=np.nan):
        filled = [
            {"fill_id": f"f{i}", "unit_id": "c9", "filled_at": pd.Timestamp(day, tz="UTC"), "ambient_c": c}
            for i, (day, c) in enumerate(ambients)
        ]
        return one(build([dive(air_c=air_c)], [tank()], [profile()], filled=filled))

    def test_the_eve_is_better_than_nothing(self):
        near = self.start(("2031-05-31 18:00", 27.0), ("2031-05-29 18:00", 5.0))
        assert "air_of_other_days" in near["flags"] and "start_temperature_assumed" not in near["flags"]
        known, unknown = self.start(air_c=27.0), self.start()
        assert near["rmv_l_min"] == pytest.approx(known["rmv_l_min"], rel=2e-3)
        widths = [r["rmv_high_l_min"] - r["rmv_low_l_min"] for r in (known, near, unknown)]
        assert widths[0] < widths[1] < widths[2]

    def test_then_the_months_and_at_last_fifteen(self):
        month = self.start(("2031-06-20 18:00", 27.0))
        assert "air_of_other_days" in month["flags"]
        assert month["rmv_l_min"] == pytest.approx(self.start(air_c=27.0)["rmv_l_min"], rel=2e-3)
        nothing = self.start(("2031-01-20 18:00", 27.0))
        assert "start_temperature_assumed" in nothing["flags"] and "air_of_other_days" not in nothing["flags"]


class TestLostTransmitter:
    def run_dry(self, end_bar):
        samples = profile(bars={1: (150.0, -60.0)})
        samples["tank_1_bar"] = samples["tank_1_bar"].where(samples["tank_1_bar"] > 20.0)
        return build([dive()], [tank(start_pressure_bar=150.0, end_pressure_bar=end_bar)], [samples])

    def test_nothing_is_stated_where_the_end_is_unknown(self):
        built = self.run_dry(np.nan)
        row = one(built)
        assert {"gas_missing", "may_have_run_empty"} <= set(row["flags"]) and pd.isna(row["gas_used_free_l"])
        assert not len(built["dive_trace"]) and built["dive_tank_use"]["end_pressure_bar"].isna().all()

    def test_content_stops_at_an_empty_gauge(self):
        built = self.run_dry(0.0)
        trace, row = built["dive_trace"], one(built)
        assert (trace["usable_free_l"] >= 0).all() and trace["tank_bar"].notna().all()
        assert row["gas_used_free_l"] == pytest.approx(trace["usable_free_l"].iloc[0], rel=1e-3)
        assert "may_have_run_empty" in row["flags"]


def test_a_mean_depth_to_the_metre_is_less_sure_than_one_to_the_tenth():
    def width(depth, minutes):
        row = one(build([dive(duration_min=minutes, mean_depth_m=depth, max_depth_m=20.0)], [tank()]))
        return (row["rmv_high_l_min"] - row["rmv_low_l_min"]) / row["rmv_l_min"]

    assert width(14.0, 40.0) > width(14.1, 40.5)


def test_what_dives_teach_has_eight_digits_of_the_greatest_in_a_row():
    unit = np.array([0.5, 2.0, 0.1])
    rows = np.array([[3.0e5, -1.23456789012e-2, 0.0], [0.0, 0.0, 0.0], [1.0e-9, 2.0e-9, 3.00000000004e-9]])
    found = learning._eight_digits(rows, unit)
    np.testing.assert_array_equal(found, learning._eight_digits(rows * (1.0 + 3e-15), unit))
    greatest = np.abs(rows * unit).max(axis=1, keepdims=True)
    assert (np.abs(found - rows) * unit <= 5.1e-8 * greatest).all()
    assert found[0, 1] != rows[0, 1] and found[0, 2] == 0.0 and not found[1].any()
    squares = rows[:, :, None] * rows[:, None, :]
    found = learning._eight_digits(squares, unit[:, None] * unit)
    np.testing.assert_array_equal(found, found.transpose(0, 2, 1))
