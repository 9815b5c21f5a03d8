"""Limit cases of the fit: what a cylinder does that nobody breathes, and what readings can and cannot say."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.tank_learning import likeliest, pool_spread, without_prior
from shared.tank_trace import STEPS, TankRecords, fit_tanks
from shared.thermal import amount_free_l, settled_pressure_bar


def records(
    reading_at,
    reading_bar,
    *,
    start_c=25.0,
    water_c=8.0,
    minutes=40.0,
    ambient=2.5,
    sd_bar=0.2,
    capacity_l=12.0,
    start_sd_c=3.0,
):
    at, bar = np.atleast_2d(np.asarray(reading_at, float)), np.atleast_2d(np.asarray(reading_bar, float))
    n = len(bar)
    one = np.ones(n)
    return TankRecords(
        duration_s=one * 60 * minutes,
        bar_min=one[:, None] * np.linspace(0, ambient * minutes, STEPS + 1),
        ambient_bar_abs=np.full((n, STEPS + 1), ambient),
        water_c=np.full((n, STEPS), water_c),
        water_sd_c=one * 0.3,
        start_c=one * start_c,
        start_sd_c=one * start_sd_c,
        water_capacity_l=one * capacity_l,
        cylinders=one,
        o2_pct=one * 20.95,
        he_pct=0 * one,
        ar_pct=one * np.nan,
        reading_at=at,
        reading_bar=bar,
        reading_sd_bar=np.full(bar.shape, sd_bar),
        rate_sd=one * 0.2,
        rate_lag_s=one * 180.0,
        duty=np.ones((n, STEPS)),
        inflates=np.zeros(n, bool),
        wall_share=0.3 * one,
        lag_ln=0 * one,
        lag_ln_sd=one * 0.2,
        chill=one,
        chill_sd=one * 0.3,
        inflation_l=0 * one,
        inflation_sd_l=one,
    )


def test_a_cylinder_nobody_breathes_falls_as_a_closed_one_and_keeps_its_gas():
    at = np.linspace(0, STEPS, 49)
    t = at / STEPS * 2400.0
    gas_c = 8.0 + 17.0 * (0.7 * np.exp(-t / 105.0) - 0.3 * np.exp(-t / 45.0)) / 0.4
    fit = fit_tanks(records(at, settled_pressure_bar(220.0, 25.0, gas_c)))
    assert fit.used_free_l[0] == pytest.approx(0.0, abs=12.0)  # of 2400
    assert abs(fit.used_free_l[0]) < 2.5 * fit.used_sd_free_l[0]
    assert fit.end_c[0] == pytest.approx(8.0, abs=0.3)


def test_at_the_waters_temperature_the_fit_is_the_isothermal_difference():
    at = np.linspace(0, STEPS, 25)
    bar = np.linspace(200.0, 80.0, 25)
    r = records(at, bar, start_c=10.0, water_c=10.0, start_sd_c=0.01)
    still = r.__class__(**{**vars(r), "chill": np.zeros(1), "chill_sd": np.full(1, 1e-3)})
    expected = amount_free_l(12.0, 200.0, 10.0) - amount_free_l(12.0, 80.0, 10.0)
    assert fit_tanks(still).used_free_l[0] == pytest.approx(expected, rel=0.002)


def test_two_readings_are_met_exactly():
    fit = fit_tanks(records([0, STEPS], [210.0, 70.0]), rounds=4)
    assert fit.modelled_bar[0, [0, -1]] == pytest.approx([210.0, 70.0], abs=0.1)


def test_used_is_start_less_end():
    fit = fit_tanks(records([[0, STEPS], [0, STEPS]], [[210.0, 70.0], [180.0, 120.0]]))
    assert fit.used_free_l == pytest.approx(fit.amount_free_l[:, 0] - fit.amount_free_l[:, -1])


def test_one_reading_is_not_enough():
    fit = fit_tanks(records([0, np.nan], [210.0, np.nan]))
    assert np.isnan(fit.used_free_l[0])


def test_less_known_of_the_start_is_a_wider_interval():
    sure, unsure = (fit_tanks(records([0, STEPS], [210.0, 70.0], start_sd_c=sd)).used_sd_free_l[0] for sd in (1.0, 8.0))
    assert unsure > 3 * sure


@settings(max_examples=15, deadline=None)
@given(st.integers(3, 45), st.floats(-80, 150))
def test_one_wild_reading_moves_the_estimate_within_its_interval(which, by_bar):
    at = np.linspace(0, STEPS, 49)
    bar = settled_pressure_bar(210.0, 15.0, 9.0) - 2.5 * np.arange(49)
    wild = bar.copy()
    wild[which] += by_bar
    fit = fit_tanks(records([at, at], [bar, wild], start_c=10.0, water_c=9.0))
    assert abs(np.diff(fit.used_free_l)[0]) < 1.2816 * fit.used_sd_free_l[0]


def test_rows_do_not_disturb_one_another():
    alone = fit_tanks(records([0, STEPS], [210.0, 70.0])).used_free_l[0]
    beside = fit_tanks(
        records([[0, STEPS], [0, np.nan], [0, STEPS]], [[210.0, 70.0], [90.0, np.nan], [1.0, 400.0]])
    ).used_free_l
    assert beside[0] == pytest.approx(alone) and np.isnan(beside[1])


class TestLearning:
    def test_nothing_known_is_the_usual(self):
        assert pool_spread([], []) == pytest.approx(1.0, rel=0.15)
        assert pool_spread([5.0, np.nan], [np.inf, 1.0]) == pool_spread([], [])

    def test_it_finds_the_spread_of_many(self):
        rng = np.random.default_rng(1)
        seen = 0.4 * rng.standard_normal(300) + 0.3 * rng.standard_normal(300)
        assert pool_spread(seen, np.full(300, 0.3)) == pytest.approx(0.4, abs=0.05)

    def test_one_wild_dive_widens_little(self):
        rng = np.random.default_rng(2)
        seen = 0.5 * rng.standard_normal(60)
        assert pool_spread(np.append(seen, 1e6), np.full(61, 0.1)) < 1.8 * pool_spread(seen, np.full(60, 0.1))

    def test_the_likeliest_values_are_found(self):
        def evidence(at):
            return -40 * (at[0] - 0.7) ** 2 - 25 * (at[1] + 0.3) ** 2 + 10 * (at[0] - 0.7) * (at[1] + 0.3)

        found = likeliest(evidence, (0, 0), (0, 0), (5, 5), (0.5, 0.5), (-2, -2), (2, 2), sweeps=3)
        assert found == pytest.approx((0.7, -0.3), abs=0.06)

    def test_a_prior_taken_out_again(self):
        mean, sd = without_prior(np.array([1.0]), np.array([np.sqrt(0.5)]), np.array([0.0]), np.array([1.0]))
        assert (mean[0], sd[0]) == pytest.approx((2.0, 1.0))
