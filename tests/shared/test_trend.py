"""The trend says what it knows at each dive, no more and no less."""

from dataclasses import replace

import numpy as np
import pytest

from shared.trend import (
    DAYS_A_MONTH,
    OUTLIER_Z,
    Z80,
    Dives,
    SharedModels,
    design,
    fields,
    filter_levels,
    level_band,
    prior_model,
    running_mean,
)
from shared.trend_fit import fit_shared
from shared.trend_slope import next_dive, pct_per_month, slope_sums, slopes, too_few, window_start
from tests.shared.season import make_season


def as_dives(season):
    conditions = design(
        season.mean_depth_m, season.water_c, season.suit == "dry", season.suit == "semidry", season.duration_min
    )
    return Dives(season.member, season.day, np.log(season.rmv), conditions, np.full(len(season.day), 0.01**2))


def month_by_month(dives):
    """Each dive under the fit of the dives begun before its month, as the pipeline does it."""
    month = np.floor(dives.day / DAYS_A_MONTH).astype(int)
    fits = [prior_model()]
    for m in range(1, month.max() + 1):
        fits.append(fit_shared(dives.keep(month < m), fits[-1], month[month < m] == m - 1))
    return SharedModels(*(np.concatenate([getattr(f, x.name) for f in fits]) for x in fields(SharedModels))), month


@pytest.fixture(scope="module")
def judged():
    """Four seasons from other processes than the model, pooled: predictions beside what came."""
    kinds = [
        {"seed": 31, "walk_month": 0.03},
        {"seed": 32, "walk_dive": 0.025, "walk_month": 0.0, "scatter": 0.17},
        {"seed": 33, "drift_sd_month": 0.015, "wrong_share": 0.04},
        {"seed": 34, "bend": 0.02, "uneven": 0.3, "median": 21.0},
    ]
    parts = []
    for kind in kinds:
        season = make_season(members=45, most_dives=70, days=600.0, **kind)
        dives = as_dives(season)
        models, month = month_by_month(dives)
        levels = filter_levels(dives, models, month)
        _, low, high = level_band(levels, running_mean(dives), models, month)
        ahead = next_dive(dives, levels, models, month)
        slope, sd = slopes(dives, levels.weight, models, month)
        shift = season.true_mean - season.true_level
        usual = running_mean(Dives(dives.member, dives.day, dives.log_rmv, shift[:, None], dives.measurement_var))[:, 0]
        before = np.flatnonzero(dives.member[1:] == dives.member[:-1])
        parts.append(
            {
                "inside": (season.rmv[before + 1] >= ahead[before, 0]) & (season.rmv[before + 1] <= ahead[before, 1]),
                "over": season.rmv[before + 1] > ahead[before, 1],
                "level": np.abs(season.true_level + usual - np.log(np.sqrt(low * high))) <= np.log(high / low) / 2,
                "known_conditions": np.abs(levels.z[before + 1]) < Z80,
                "slope": (np.abs(slope - season.drift_month / DAYS_A_MONTH) < Z80 * sd)[~too_few(dives)],
                "drifts": season.drift_month.any(),
                "wrong": season.wrong,
                "z": np.abs(levels.z),
            }
        )
    return parts


def pooled(parts, what):
    return float(np.concatenate([p[what] for p in parts]).mean())


def test_bands_of_the_next_dive_hold_four_in_five(judged):
    assert 0.74 <= pooled(judged, "inside") <= 0.87
    assert 0.74 <= pooled(judged, "known_conditions") <= 0.87


def test_one_next_dive_in_ten_exceeds_the_planning_rate(judged):
    assert 0.07 <= pooled(judged, "over") <= 0.13


def test_bands_of_the_level_hold_four_in_five(judged):
    assert 0.74 <= pooled(judged, "level") <= 0.87


def test_slope_intervals_hold_where_members_drift_and_never_fail_where_they_do_not(judged):
    drifting = [p for p in judged if p["drifts"]]
    assert 0.70 <= pooled(drifting, "slope") <= 0.92
    assert pooled([p for p in judged if not p["drifts"]], "slope") >= 0.90


def test_wrong_records_are_named_and_right_ones_are_not(judged):
    wrong, z = (np.concatenate([p[k] for p in judged]) for k in ("wrong", "z"))
    assert (z[wrong] > OUTLIER_Z).mean() > 0.6
    assert (z[~wrong] > OUTLIER_Z).mean() < 0.02


def one_member(n=40, seed=3, **kind):
    return as_dives(make_season(members=1, most_dives=n, seed=seed, wrong_share=0.0, **kind))


def dense(dives, model):
    """Covariance of the rates of one member, written out; no recursion."""
    steps = np.minimum.outer(np.arange(len(dives)), np.arange(len(dives)))
    days = np.minimum.outer(dives.day, dives.day) - dives.day[0]
    walk = model.walk_var_day[0] * days + model.walk_var_dive[0] * steps
    return walk, np.diag(model.scatter_var[0] + dives.measurement_var)


def test_the_filter_is_the_conditional_normal_distribution():
    """Against the textbook formula for jointly normal variables, in full matrices."""
    dives = one_member(30, seed=8, scatter=0.05, walk_month=0.01)
    model = prior_model()
    model.effects[0] = [0.05, 0.06, 0.04, 0.01, -0.02]
    levels = filter_levels(dives, model, np.zeros(len(dives), int))
    assert (levels.weight == 1).all()
    walk, noise = dense(dives, model)
    level = walk + model.between_var[0]
    gain = np.linalg.solve(level + noise, level[:, -1])
    expected = model.mean_log[0] + gain @ (dives.log_rmv - dives.conditions @ model.effects[0] - model.mean_log[0])
    assert levels.level[-1] == pytest.approx(expected, abs=1e-10)
    assert levels.level_var[-1] == pytest.approx(level[-1, -1] - gain @ level[:, -1], rel=1e-9)
    assert levels.lean[-1] == pytest.approx(gain @ dives.conditions, abs=1e-10)


def test_the_slope_is_generalised_least_squares():
    """Against the normal equations with the whole covariance matrix and a prior on the slope."""
    dives = one_member(25, seed=5, days=170.0)
    model = prior_model()
    slope, sd = slopes(dives, np.ones(len(dives)), model, np.zeros(len(dives), int))
    walk, noise = dense(dives, model)
    inverse = np.linalg.inv(walk * model.slope_walk_share[0] + noise)
    x = np.column_stack([np.ones(len(dives)), dives.day - dives.day[-1]])
    precision = x.T @ inverse @ x + np.diag([0.0, 1 / model.slope_var[0]])
    by_rate = np.linalg.solve(precision, x.T @ inverse @ dives.log_rmv)[1]
    lean = np.linalg.solve(precision, x.T @ inverse @ dives.conditions)[1]
    assert slope[-1] == pytest.approx(by_rate, rel=1e-8)
    own = np.linalg.inv(precision)[1, 1] + lean @ model.effects_cov[0] @ lean
    assert sd[-1] == pytest.approx(np.sqrt(own), rel=1e-8)
    sums = slope_sums(dives, np.ones(len(dives)), model, np.zeros(1, int), np.array([len(dives) - 1]))
    precision = sums.time_time[0] + 1 / model.slope_var[0]
    assert sums.time_rate(np.zeros(5))[0] / precision == pytest.approx(by_rate, rel=1e-8)


def test_a_row_is_the_same_whatever_comes_later_and_whoever_else_dives():
    season = make_season(members=6, most_dives=40, seed=4)
    dives = as_dives(season)
    models, month = month_by_month(dives)
    whole = filter_levels(dives, models, month)
    slope, _ = slopes(dives, whole.weight, models, month)
    ahead = next_dive(dives, whole, models, month)
    mine = dives.member == 2
    cut = mine & (dives.day <= np.median(dives.day[mine]))
    part = dives.keep(cut)
    alone = filter_levels(part, models, month[cut])
    for name in ("level", "level_var", "lean", "z"):
        np.testing.assert_allclose(getattr(alone, name), getattr(whole, name)[cut], atol=1e-12)
    np.testing.assert_allclose(slopes(part, alone.weight, models, month[cut])[0], slope[cut], atol=1e-12)
    np.testing.assert_allclose(next_dive(part, alone, models, month[cut]), ahead[cut], rtol=1e-4)


def test_three_dives_give_a_wide_but_sane_band():
    dives = Dives(np.zeros(3, int), np.array([0.0, 1, 8]), np.log([22.0, 24, 21]), np.zeros((3, 5)), np.full(3, 1e-4))
    levels = filter_levels(dives, prior_model(), np.zeros(3, int))
    level, low, high = level_band(levels, running_mean(dives), prior_model(), np.zeros(3, int))
    assert 16 < level[0] < 22  # one dive alone is drawn to the population
    assert 20 < level[2] < 24
    assert 1.15 < high[2] / low[2] < 1.6
    assert too_few(dives).all()


def test_one_wrong_record_moves_the_level_little():
    dives = one_member(40, seed=3)
    spoilt = dives.log_rmv.copy()
    spoilt[-1] += 1.5
    at = np.zeros(len(dives), int)
    right = filter_levels(dives, prior_model(), at).level[-1]
    wrong = filter_levels(replace(dives, log_rmv=spoilt), prior_model(), at)
    assert wrong.weight[-1] < 0.3
    assert abs(wrong.level[-1] - right) < 0.15


def test_effects_are_found_within_their_intervals():
    season = make_season(members=60, most_dives=70, seed=12, depth=0.06, cold=0.08, dry=0.07, duration=-0.02)
    fit = fit_shared(as_dives(season))
    z = (fit.effects[0] - [0.06, 0.08, 0.07, 0.4 * 0.07, -0.02]) / np.sqrt(np.diag(fit.effects_cov[0]))
    assert (np.abs(z) < 3).all()
    assert fit.effects[0][0] == pytest.approx(0.06, abs=0.02)


def test_scatter_walk_and_spread_are_found():
    season = make_season(members=120, most_dives=70, seed=13, wrong_share=0.0, uneven=0.0, scatter=0.13, between=0.3)
    fit = fit_shared(as_dives(season))
    assert np.sqrt(fit.scatter_var[0]) == pytest.approx(0.13, rel=0.08)
    assert np.sqrt(fit.between_var[0]) == pytest.approx(0.3, rel=0.25)
    assert np.exp(fit.mean_log[0]) == pytest.approx(17.0, rel=0.10)


def test_without_dives_there_are_only_the_priors():
    nothing = Dives(np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros((0, 5)), np.zeros(0))
    assert fit_shared(nothing).mean_log[0] == pytest.approx(np.log(16.0))
    none, at = prior_model(), np.zeros(0, int)
    levels = filter_levels(nothing, none, at)
    assert len(levels.level) == len(slopes(nothing, np.zeros(0), none, at)[0]) == 0
    assert next_dive(nothing, levels, none, at).size == 0


def test_the_window_reaches_back_so_many_days_of_the_same_member():
    day = np.array([0.0, 100, 200, 50, 60])
    dives = Dives(np.array([0, 0, 0, 1, 1]), day, np.zeros(5), np.zeros((5, 5)), np.zeros(5))
    assert window_start(dives, 150).tolist() == [0, 0, 1, 3, 3]
    assert window_start(dives, None, 2).tolist() == [0, 0, 1, 3, 3]


def test_slopes_read_as_per_cent_a_month():
    assert pct_per_month(np.log(1.01) / 30.44) == pytest.approx(1.0)
