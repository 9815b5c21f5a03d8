"""What a dive surfaced with, from records of every kind, through the dives' step and the reserve's."""

import numpy as np
import pandas as pd
import pytest
from CoolProp.CoolProp import PropsSI

from pipelines.derive.divers.reserve import build_member_reserve
from pipelines.derive.divers.trend import build_member_trend, fit_trend_months
from pipelines.derive.dives.sides import _share_of
from schemas.frames import empty
from schemas.policy import Policy
from schemas.tables import TABLES
from tests.pipelines.dive_frames import C1, SET, build, dive, inputs, profile, tank, units
from tests.pipelines.dive_simulator import simulate

POLICY = Policy()
OF_SET = {"unit_id": "s1", "water_capacity_l": np.nan}


def reserve_of(made, dives, of_units):
    """The reserve step on what the dives' step made."""
    of_units = of_units.assign(permitted_bar=232.0)
    model = fit_trend_months(made["dive_consumption"], dives)
    trend = build_member_trend(made["dive_consumption"], dives, model)
    return build_member_reserve(
        "m0", dives, made["dive_consumption"], made["dive_trace"], trend["consumption_trend"],
        empty(TABLES["fill_quality"].fields.values()), of_units, POLICY, tank_use=made["dive_tank_use"],
        surfacing=made["dive_surfacing"], state=trend["trend_state"], model=model,
    )["reserve_margins"]  # fmt: skip


def rows_of(dives, tanks, samples=()):
    made = build(dives, tanks, samples, register=(C1, *SET))
    return reserve_of(made, inputs(dives, tanks)["dives"], units(C1, *SET))


def one_of(dives, tanks, samples=()):
    rows = rows_of(dives, tanks, samples)
    assert len(rows) == 1
    row = rows.iloc[0]
    below = None if pd.isna(row["below_surfacing_min"]) else bool(row["below_surfacing_min"])
    return row, below


def usable_free_l(capacity_l, gauge_bar, gas_c):
    """CoolProp's air down to an empty gauge, free litres at 1 bar and 15 °C."""
    rho = [PropsSI("Dmolar", "P", (p + 1.01325) * 1e5, "T", gas_c + 273.15, "Air") for p in (gauge_bar, 0.0)]
    return capacity_l * (rho[0] - rho[1]) / 1000.0 / (1e5 / (8.314462618 * 288.15) / 1000.0)


def test_two_written_pressures_without_samples_duration_or_depth():
    row, below = one_of([dive()], [tank(end_pressure_bar=36.0)])
    assert row["surfaced_bar"] == 36.0 and below is True
    assert row["surfaced_free_l"] == pytest.approx(usable_free_l(12.0, 36.0, 10.0), rel=0.01)
    assert np.isnan(row["least_margin_free_l"]) and pd.isna(row["cause"])


def test_an_end_pressure_alone_is_enough_and_none_gives_no_row():
    row, below = one_of([dive()], [tank(start_pressure_bar=np.nan, end_pressure_bar=41.0)])
    assert (row["surfaced_bar"], below) == (41.0, True)
    row, below = one_of([dive()], [tank(water_capacity_l=np.nan, end_pressure_bar=44.0)])
    assert (row["surfaced_bar"], below) == (44.0, True) and np.isnan(row["surfaced_free_l"])
    assert not len(rows_of([dive()], [tank(end_pressure_bar=np.nan)]))


def test_of_a_joined_set_the_mean_of_its_posts_and_a_post_without_gauge_is_not_missing():
    posts = [tank(**OF_SET, end_pressure_bar=60.0), tank(tank_no=2, **OF_SET, end_pressure_bar=58.0)]
    row, below = one_of([dive()], posts)
    assert row["surfaced_bar"] == pytest.approx(59.0) and below is False and "one_cylinder_low" not in row["flags"]
    silent = [posts[0], tank(tank_no=2, **OF_SET, start_pressure_bar=np.nan, end_pressure_bar=np.nan)]
    row, below = one_of([dive()], silent)
    assert row["surfaced_bar"] == 60.0 and below is False


def test_of_a_set_with_its_isolator_shut_the_breathed_side():
    row, below = one_of([dive()], [tank(**OF_SET, end_pressure_bar=40.0, second_gauge_end_bar=205.0)])
    assert row["surfaced_bar"] == 40.0 and below is True
    two = [tank(**OF_SET, end_pressure_bar=40.0), tank(tank_no=2, **OF_SET, end_pressure_bar=206.0)]
    row, below = one_of([dive()], two)
    assert row["surfaced_bar"] == 40.0 and below is True


@pytest.mark.parametrize(("second", "surfaced"), [(130.0, 100.0), (165.0, 70.0), (205.0, 70.0)])
def test_of_a_shut_set_both_sides_count_where_the_lesser_fell_by_two_fifths_of_the_other(second, surfaced):
    """From 210 bar one side fell by 140, the other by 80, 45 or 5, of which 12 may be cooling alone."""
    row, _ = one_of([dive()], [tank(**OF_SET, end_pressure_bar=70.0, second_gauge_end_bar=second)])
    assert row["surfaced_bar"] == pytest.approx(surfaced)


def test_of_two_cylinders_apart_the_mean_by_size_and_the_low_one_named():
    pair = [
        tank(water_capacity_l=12.0, end_pressure_bar=30.0),
        tank(tank_no=2, water_capacity_l=7.0, end_pressure_bar=110.0),
    ]
    row, below = one_of([dive()], pair)
    assert row["surfaced_bar"] == pytest.approx((12 * 30 + 7 * 110) / 19) and below is False
    assert "one_cylinder_low" in row["flags"]
    pair[1] |= {"end_pressure_bar": np.nan}
    row, below = one_of([dive()], pair)
    assert np.isnan(row["surfaced_bar"]) and below is None and "end_pressure_missing" in row["flags"]


def test_a_stage_or_suit_bottle_is_not_what_a_dive_surfaced_with():
    carried = [tank(end_pressure_bar=45.0), tank(tank_no=2, role="stage", end_pressure_bar=120.0)]
    row, below = one_of([dive()], carried)
    assert (row["surfaced_bar"], below) == (45.0, True)
    row, below = one_of([dive()], [tank(role="stage", end_pressure_bar=120.0)])
    assert np.isnan(row["surfaced_bar"]) and below is None and "no_back_gas" in row["flags"]


@pytest.mark.parametrize(
    ("of_dive", "of_tank"),
    [
        ({"mode": "closed_circuit"}, {}),
        ({}, {"role": "oxygen"}),
        # start and end exchanged: which of them it surfaced with is not known
        ({}, {"start_pressure_bar": 60.0, "end_pressure_bar": 205.0}),
    ],
)
def test_where_the_pressures_do_not_say_what_was_left_nothing_is_called_enough(of_dive, of_tank):
    _, below = one_of([dive(**of_dive)], [tank(end_pressure_bar=80.0) | of_tank])
    assert below is None


@pytest.mark.parametrize("tail_min", [0.0, 2.5, 12.0])
def test_a_surface_tail_changes_nothing_of_what_was_surfaced_with(tail_min):
    samples = profile(minutes=40.0, tail_min=tail_min, bars={1: (210.0, 52.0)})
    last = samples["t_s"] > 2400.0
    samples.loc[last, "tank_1_bar"] = 52.0 - (samples.loc[last, "t_s"] - 2400.0) / 60.0  # breathed on at the surface
    row, below = one_of([dive()], [tank(start_pressure_bar=np.nan, end_pressure_bar=np.nan)], [samples])
    assert row["surfaced_bar"] == pytest.approx(52.0, abs=1.2) and below is False


def test_the_leanest_back_gas_bars_a_direct_ascent_not_the_mean():
    lean = [tank(o2_pct=16.0, he_pct=50.0), tank(tank_no=2, o2_pct=21.0)]
    assert "no_direct_ascent" in one_of([dive()], lean)[0]["flags"]
    rich = [tank(o2_pct=18.0, he_pct=50.0), tank(tank_no=2, o2_pct=21.0)]
    assert "no_direct_ascent" not in one_of([dive()], rich)[0]["flags"]


@pytest.mark.parametrize("world", [{}, {"trace": False}, {"sidemount": 0.5, "stage": 0.3}], ids=str)
def test_the_least_margin_is_that_of_the_simulated_dive(world):
    """Within 1 % of the start's content at the median, on dives with CoolProp's gas and a wall of its own."""
    season = simulate(24, seed=31, **world)
    made = build_of(season)
    rows = reserve_of(made, season.inputs["dives"], season.units).merge(season.truth, on="dive_id")
    known = rows[rows["least_margin_free_l"].notna()]
    off = (known["least_margin_free_l"] - known["true_least_margin_free_l"]) / known["start_free_l"]
    assert len(known) > 20 and off.abs().median() < 0.01 and off.abs().max() < 0.04
    assert (known["surfaced_bar"] - known["true_surfaced_bar"]).abs().median() < 1.5


def build_of(season):
    from pipelines.derive.dives.step import build_member_dives

    return build_member_dives("m0", season.inputs, season.units, season.fills, POLICY)


def test_of_a_shut_isolator_a_gap_is_asked_that_cooling_alone_does_not_make():
    """A side that fell by 100 bar, of which cold water took none, 60 bar, or all: the more it took, the less shows."""
    warm, cold, still = _share_of(np.array([100.0] * 3), np.array([0.0, 60.0, 100.0]))
    assert warm > cold > still == 0.0
    assert cold <= 100.0 - 60.0  # no more than what was breathed from it
