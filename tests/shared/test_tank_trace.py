"""Limit cases of the fit: what a cylinder does that nobody breathes, and what readings can and cannot say."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.diving.tank_grid import (
    CONTENT,
    COOLING,
    RATE,
    SHARED_COUNT,
    START,
    STEPS,
    grid_place,
    grid_share,
    log_steady_precision,
    steady_precision,
)
from shared.diving.tank_records import TankRecords
from shared.diving.tank_trace import fit_tanks, weigh_tanks
from shared.gas.thermal import amount_free_l, settled_pressure_bar

#: films, wall, cooling, content, wing, first minutes: how far dives scatter, and what is said of them
SD = np.array([0.2, 0.3, 0.1, 1.0, 1.0, 0.05])


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
    cooling=1.0,
    content=np.nan,
    content_sd=1.0,
):
    at, bar = np.atleast_2d(np.asarray(reading_at, float)), np.atleast_2d(np.asarray(reading_bar, float))
    n = len(bar)
    one = np.ones(n)
    sd = np.append(start_sd_c, SD)
    sd[CONTENT - START] = content_sd
    sd[COOLING - START] *= max(cooling, 1e-3)
    return TankRecords(
        duration_s=one * 60 * minutes,
        bar_min=one[:, None] * ambient * minutes * grid_share(np.arange(STEPS + 1)),
        ambient_bar_abs=np.full((n, STEPS + 1), ambient),
        water_c=np.full((n, STEPS), water_c),
        water_sd_c=one * 0.3,
        water_capacity_l=one * capacity_l,
        cylinders=one,
        wall_j_k_l=one * 560.0,
        o2_pct=one * 20.95,
        he_pct=0 * one,
        ar_pct=one * np.nan,
        reading_at=at,
        reading_bar=bar,
        reading_sd_bar=np.full(bar.shape, sd_bar),
        rate_sd=one * 0.2,
        rate_lag_s=one * 180.0,
        breathing_share=np.ones((n, STEPS)),
        inflates=np.zeros(n, bool),
        shared_mean=one[:, None] * np.array([start_c, 0.0, 0.0, cooling, content, 0.0, 0.0]),
        shared_cov=np.repeat(np.diag(sd**2)[None], n, axis=0),
    )


def two_bodies(t_s, start_c, water_c, bar, capacity_l=12.0):
    """Gas and wall of a closed cylinder stepped through time: conductances and heats as a 12 L steel has them."""
    gas = wall = start_c
    out, now = [], 0.0
    for until in t_s:
        while now < until:
            step = min(0.5, until - now)
            density = 6.0 * bar / 150.0
            film = 29.0 * (density / 6.0) ** 0.55 * (np.clip(abs(gas - wall), 1.0, 20.0) / 4.0) ** 0.2
            heat = density * capacity_l * 22.3
            gas, wall = (
                gas + film * (wall - gas) * step / heat,
                wall + (film * (gas - wall) + 150.0 * (water_c - wall)) * step / (560.0 * capacity_l),
            )
            now += step
        out.append(gas)
    return np.array(out)


def test_the_grid_is_finer_in_the_first_minutes_and_read_back():
    share = grid_share(np.arange(STEPS + 1))
    assert share[0] == 0.0 and share[-1] == pytest.approx(1.0) and share[1] * STEPS < 0.5
    assert grid_place(share) == pytest.approx(np.arange(STEPS + 1))


def test_a_rate_that_forgets_has_its_correlation():
    from shared.diving.tank_grid import KNOT_SHARES

    apart = np.abs(KNOT_SHARES[:, None] - KNOT_SHARES) * 2400.0
    assert np.linalg.inv(steady_precision(np.array([2400.0]), np.array([200.0]))[0]) == pytest.approx(
        np.exp(-apart / 200.0), abs=1e-9
    )
    minutes, lags = np.array([2400.0, 60.0, 9000.0]), np.array([200.0, 600.0, 60.0])
    assert log_steady_precision(minutes, lags) == pytest.approx(np.linalg.slogdet(steady_precision(minutes, lags))[1])


def test_a_cylinder_nobody_breathes_falls_as_a_closed_one_and_keeps_its_gas():
    at = np.linspace(0, STEPS, 49)
    gas_c = two_bodies(grid_share(at) * 2400.0, 25.0, 8.0, 210.0)
    fit = fit_tanks(records(at, settled_pressure_bar(220.0, 25.0, gas_c)))
    assert fit.used_free_l[0] == pytest.approx(0.0, abs=12.0)  # of 2400
    assert abs(fit.used_free_l[0]) < 2.5 * fit.used_sd_free_l[0]
    assert fit.end_c[0] == pytest.approx(8.0, abs=0.3)


def test_at_the_waters_temperature_the_fit_is_the_isothermal_difference():
    at = np.linspace(0, STEPS, 25)
    bar = 200.0 - 120.0 * grid_share(at)
    still = records(at, bar, start_c=10.0, water_c=10.0, start_sd_c=0.01, cooling=1e-6)
    expected = amount_free_l(12.0, 200.0, 10.0) - amount_free_l(12.0, 80.0, 10.0)
    assert fit_tanks(still).used_free_l[0] == pytest.approx(expected, rel=0.002)


def test_what_was_inside_by_the_fill_says_how_warm_it_was():
    at = np.linspace(0, STEPS, 49)
    bar = 210.0 - 130.0 * grid_share(at)
    content = amount_free_l(12.0, 210.0, 31.0)
    alone, filled = (fit_tanks(records(at, bar, content=c, content_sd=10.0)) for c in (np.nan, content))
    assert abs(filled.start_c[0] - 31.0) < abs(alone.start_c[0] - 31.0)
    assert filled.sd_of(START)[0] < 0.7 * alone.sd_of(START)[0]
    assert filled.used_sd_free_l[0] < alone.used_sd_free_l[0]


def test_readings_weighed_are_the_fit_by_one_linear_step():
    at = np.linspace(0, STEPS, 49)
    r = records(at, 210.0 - 130.0 * grid_share(at), start_c=12.0)
    fit, weighed = fit_tanks(r, rounds=8), weigh_tanks(r, rounds=8)
    off = np.abs(weighed.unknowns - fit.unknowns)[0] / np.sqrt(np.diagonal(fit.spread[0]))
    assert (off[[START, RATE]] < 1.0).all()  # linear elsewhere: near, not equal
    assert weighed.sd_of(START)[0] == pytest.approx(fit.sd_of(START)[0], rel=0.15)


def test_a_fit_from_readings_weighed_under_other_priors_is_the_fit_from_nothing():
    at = np.linspace(0, STEPS, 49)
    bar = [210.0 - 130.0 * grid_share(at), 180.0 - 60.0 * grid_share(at) ** 1.1]
    r = records([at, at], bar, start_c=12.0)
    weighed = weigh_tanks(replace(r, shared_mean=r.shared_mean + 3.0 * np.eye(SHARED_COUNT)[0]))
    whole, soon = fit_tanks(r, rounds=12), fit_tanks(r, rounds=2, start=weighed)
    assert (np.abs(soon.used_free_l - whole.used_free_l) < 0.02 * whole.used_sd_free_l).all()
    assert soon.used_sd_free_l == pytest.approx(whole.used_sd_free_l, rel=2e-2)


def test_ends_by_themselves_are_fitted_as_beside_traces():
    bar = [[210.0, 70.0], [150.0, 90.0]]
    ends = fit_tanks(records([[0, STEPS]] * 2, bar))
    beside = fit_tanks(
        records([[0, STEPS, np.nan]] * 2 + [[0, 32, STEPS]], [[*b, np.nan] for b in bar] + [[200, 150, 90]])
    )
    for name in ("unknowns", "spread", "modelled_bar", "used_free_l", "used_sd_free_l"):
        assert getattr(ends, name) == pytest.approx(getattr(beside, name)[:2], rel=1e-6, abs=1e-7), name


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
