"""The trend's filters against outside figures and full matrices, and what a row may depend on."""

from dataclasses import fields, replace

import numpy as np
import pytest

from shared.trend import filters as trend_filter
from shared.trend.change import (
    change,
    changing_share,
    has_change,
    look_back,
    pct_per_month,
    quantiles,
    slope,
    too_few,
    too_few_for_slope,
)
from shared.trend.filters import CLASSES, Levels, follow, passage, weight_of
from shared.trend.level import (
    DRIFT_LASTS_DAYS,
    DRIFT_VAR_DAY2,
    EFFECT_BETWEEN_SD,
    SCATTER_OF,
    SCATTER_VAR,
    SCATTERS,
    WALK_OF,
    WALK_VAR_DAY,
    WALKS,
    Dives,
    design,
    prior_model,
    running_mean,
)
from shared.trend.next_dive import drawn_rows, level_band, next_dive, window_start
from shared.trend.shared_fit import Learner, fit_shared
from tests.shared.season import make_season
from tests.shared.trend_grades import as_dives, month_by_month

NILE = np.array([
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
], float)  # fmt: skip
"""Yearly flow of the Nile at Aswan 1871 to 1970, 10⁸ m³: Durbin and Koopman's series, from memory."""
NILE_NOISE_VAR, NILE_WALK_VAR = 15099.0, 1469.1


def class_of(walk, scatter):
    named = [w.name for w in WALKS].index(walk) == WALK_OF
    return int(np.flatnonzero(named & (SCATTERS.index(scatter) == SCATTER_OF))[0])


@pytest.fixture
def nile(monkeypatch):
    """The series in the units of one class: its scatter gives the scale, its walk the days in a year."""
    monkeypatch.setattr(trend_filter, "weight_of", np.ones_like)  # the book leaves no year out
    of = class_of("wanders", 0.11)
    scale = np.sqrt(SCATTER_VAR[of] / NILE_NOISE_VAR)
    year = scale**2 * NILE_WALK_VAR / WALK_VAR_DAY[of]
    n = len(NILE)
    dives = Dives(np.zeros(n, int), year * np.arange(n), scale * NILE, np.zeros((n, 5)), np.zeros(n))
    model = replace(prior_model(), between_var=np.array([scale**2 * 1e7]), mean_log=np.zeros(1))
    levels, history = follow(dives, model, np.zeros(n, int))
    return of, scale, year, dives, model, levels, history


def test_the_nile_as_printed(nile):
    """Durbin and Koopman § 2.2 to 2.7 with variances 15099 and 1469.1: filtered variance settles at 4032,
    the last filtered level and forecast is 798.4, the diffuse log likelihood is -632.5 (from memory)."""
    of, scale, _, _, _, _, history = nile
    one = 1.0 - history.level[:, of, 1]
    level = (history.level[:, of, 0] + one * history.start_off[:, of]) / scale
    var = (history.level_var[:, of] + one**2 / history.start_precision[:, of]) / scale**2
    assert level[-1] == pytest.approx(798.37, abs=0.02)
    assert var[-1] == pytest.approx(4032.2, abs=0.5)
    assert level[0] == pytest.approx(NILE[0], rel=2e-3) and var[0] == pytest.approx(NILE_NOISE_VAR, rel=2e-3)
    predicted = np.r_[1e7, var[:-1] + NILE_WALK_VAR]
    error = NILE - np.r_[0.0, level[:-1]]
    total = predicted + NILE_NOISE_VAR
    # the first year, of which nothing was known, is left out
    misfit = np.log(2 * np.pi * total[1:]) + error[1:] ** 2 / total[1:]
    assert -0.5 * misfit.sum() == pytest.approx(-632.54, abs=0.02)


def test_looking_back_smooths_the_nile_as_full_matrices_do(nile):
    """The level of twenty years before, seen from each year, and its variance."""
    of, scale, year, dives, _, _, history = nile
    past = look_back(dives, history, 20.5 * year)
    for n in (30, 57, 99):
        since = max(n - 20.5, 0.0)
        t = np.arange(n + 1)
        with_level = 1e7 + NILE_WALK_VAR * np.minimum(t, since)
        whole = 1e7 + NILE_WALK_VAR * np.minimum.outer(t, t) + NILE_NOISE_VAR * np.eye(n + 1)
        gain = np.linalg.solve(whole, with_level)
        one = 1.0 - past.level[n, of, 1]
        smoothed = (past.level[n, of, 0] + one * history.start_off[n, of]) / scale
        var = (past.level_var[n, of] + one**2 / history.start_precision[n, of]) / scale**2
        assert smoothed == pytest.approx(gain @ NILE[: n + 1], rel=1e-6)
        assert var == pytest.approx(1e7 + NILE_WALK_VAR * since - gain @ with_level, rel=1e-4)


def one_member(n=40, seed=3, **kind):
    return as_dives(make_season(members=1, least_dives=n, most_dives=n, seed=seed, wrong_share=0.0, **kind))


class Dense:
    """Everything about one class of a member's first dives, written out in full matrices."""

    def __init__(self, dives, weight, g, model):
        t = dives.day - dives.day[0]
        self.t, self.g = t, g
        self.rest = dives.log_rmv - model.mean_log[0] - dives.conditions @ model.effects[0]
        self.x = dives.conditions
        self.start = model.start_var()[0]
        self.cov = model.effects_cov[0] + np.diag(EFFECT_BETWEEN_SD**2)
        self.inverse = np.linalg.inv(self.levels(t, t) + np.diag(SCATTER_VAR[g] / weight + dives.measurement_var))

    def levels(self, a, b):
        """Covariance of the level at two moments: start, walk, and the integral of a drift that lets go."""
        a, b = np.asarray(a, float)[:, None], np.asarray(b, float)[None, :]
        low, T = np.minimum(a, b), DRIFT_LASTS_DAYS
        gone = 1 - np.exp(-a / T) - np.exp(-b / T) + np.exp(-abs(a - b) / T)
        return self.start + WALK_VAR_DAY[self.g] * low + DRIFT_VAR_DAY2[self.g] * T * (2 * low - T * gone)

    def drift_with(self, a, u):
        """Covariance of the level at moments with the drift at one."""
        a, T = np.asarray(a, float), DRIFT_LASTS_DAYS
        m = np.minimum(a, u)
        whole = np.exp(-(u - m) / T) - np.exp(-u / T) + 1 - np.exp(-np.maximum(a - u, 0) / T)
        return DRIFT_VAR_DAY2[self.g] * T * whole

    def figure(self, with_data, own_var):
        """Mean and deviation of something with this covariance to the data."""
        gain = self.inverse @ with_data
        away = gain @ self.x
        return gain @ self.rest, np.sqrt(max(own_var - gain @ with_data + away @ self.cov @ away, 0.0))

    def change(self, days):
        ends = np.array([self.t[-1], max(self.t[-1] - days, 0.0)])
        of = np.array([1.0, -1.0])
        return self.figure(self.levels(self.t, ends) @ of, of @ self.levels(ends, ends) @ of)

    def slope(self, days):
        now, then = self.t[-1], max(self.t[-1] - days, 0.0)
        lack = days - (now - then)
        ends = np.array([now, then])
        of = np.array([1.0, -1.0]) / days
        data = self.levels(self.t, ends) @ of + lack / days * self.drift_with(self.t, then)
        own = of @ self.levels(ends, ends) @ of + 2 * lack / days * of @ self.drift_with(ends, then)
        return self.figure(data, own + (lack / days) ** 2 * DRIFT_VAR_DAY2[self.g])


@pytest.fixture(scope="module")
def filtered():
    dives = one_member(45, seed=8, walk_month=0.02, days=900.0)
    dives = replace(dives, day=np.sort(np.r_[dives.day[:-1], dives.day[20]]))  # two dives at one moment
    model = prior_model()
    model.effects[0] = [0.05, 0.06, 0.04, 0.01, -0.02]
    model.mean_log[0] = 2.6
    at = np.zeros(len(dives), int)
    return dives, model, at, *follow(dives, model, at)


@pytest.mark.parametrize("rows", [1, 2, 9, 30, 45])
def test_each_class_is_the_conditional_normal_distribution(filtered, rows):
    """Level, share, change over a year and slope against the textbook formula for jointly normal variables."""
    dives, model, at, levels, history = filtered
    part = dives.keep(slice(0, rows))
    moved, sloped = change(dives, history, model, at), slope(dives, history, model, at)
    log_share = np.empty(CLASSES)
    for g in range(CLASSES):
        dense = Dense(part, levels.weight[:rows], g, model)
        log_share[g] = model.class_log_share()[0, g] - 0.5 * dense.rest @ dense.inverse @ dense.rest
        log_share[g] += 0.5 * np.linalg.slogdet(dense.inverse)[1]
        mean, sd = dense.change(365.0)
        assert moved.mean[rows - 1, g] == pytest.approx(mean, abs=1e-9)
        assert moved.sd[rows - 1, g] == pytest.approx(max(sd, 1e-6), rel=1e-5)
        mean, sd = dense.slope(180.0)
        assert sloped.mean[rows - 1, g] == pytest.approx(mean, abs=1e-10)
        assert sloped.sd[rows - 1, g] == pytest.approx(max(sd, 1e-6), rel=1e-4, abs=2e-8)
    share = np.exp(log_share - log_share.max())
    assert history.share[rows - 1] == pytest.approx(share / share.sum(), abs=1e-9)


def test_the_level_is_that_of_the_classes_weighed(filtered):
    dives, model, _, levels, history = filtered
    mean, var, seen_in = [], [], []
    for g in range(CLASSES):
        dense = Dense(dives, levels.weight, g, model)
        data = dense.levels(dense.t, dense.t[-1:])[:, 0]
        gain = dense.inverse @ data
        mean.append(model.mean_log[0] + gain @ dense.rest)
        var.append(dense.levels(dense.t[-1:], dense.t[-1:])[0, 0] - gain @ data)
        seen_in.append(gain @ dives.conditions)
    share = history.share[-1]
    assert levels.level[-1] == pytest.approx(share @ mean, abs=1e-9)
    assert levels.level_var[-1] == pytest.approx(share @ (np.array(var) + (mean - share @ mean) ** 2), rel=1e-6)
    assert levels.level_conditions[-1] == pytest.approx(share @ np.array(seen_in), abs=1e-9)


def test_time_passes_alike_in_one_gap_and_in_many():
    """Two gaps one after another are one long gap, to the third order that tiny gaps cancel to."""
    for first, then in ((0.02, 0.05), (3.0, 40.0), (200.0, 900.0)):
        one, other, whole = passage(np.array(first)), passage(np.array(then)), passage(np.array(first + then))
        var = one.level_var + 2 * other.reach * one.level_drift + other.reach**2 * one.drift_var + other.level_var
        assert var == pytest.approx(whole.level_var, rel=1e-7)
        assert other.carried * (one.level_drift + other.reach * one.drift_var) + other.level_drift == pytest.approx(
            whole.level_drift, rel=1e-7
        )
        assert one.reach + other.reach * one.carried == pytest.approx(whole.reach, rel=1e-12)


def test_a_row_is_the_same_whatever_comes_later_and_whoever_else_dives():
    season = make_season(members=6, most_dives=40, seed=4, kinds={"steady": 1, "drift": 1})
    dives = as_dives(season)
    models, month = month_by_month(dives)
    whole, kept = follow(dives, models, month)
    mine = dives.member == 2
    cut = mine & (dives.day <= np.median(dives.day[mine]))
    part = dives.keep(cut)
    alone, own = follow(part, models, month[cut])
    for f in fields(Levels):
        np.testing.assert_array_equal(getattr(alone, f.name), getattr(whole, f.name)[cut])
    for figure in (change, slope):
        both = figure(dives, kept, models, month), figure(part, own, models, month[cut])
        shares = changing_share(kept, models, month), changing_share(own, models, month[cut])
        among, by_itself = (quantiles(m, s, (0.1, 0.9), 1e-7) for m, s in zip(both, shares, strict=True))
        np.testing.assert_array_equal(by_itself, among[cut])
    ahead = next_dive(dives, whole, models, month)
    np.testing.assert_array_equal(next_dive(part, alone, models, month[cut]), ahead[cut])


def test_a_fit_is_the_same_whether_its_dives_came_at_once_or_by_month():
    dives = as_dives(make_season(members=8, seed=6))
    month = np.floor(dives.day / 30.44).astype(int)
    by_month, at_once = Learner(dives), Learner(dives)
    model = prior_model()
    for m in np.unique(month):
        by_month.take(np.flatnonzero(month == m), model)
    at_once.take(np.arange(len(dives)), model)
    for name in ("effects", "walk_share", "scatter_share", "mean_log"):
        one, other = (getattr(fit_shared(x.tracks, model), name) for x in (by_month, at_once))
        assert one == pytest.approx(other, abs=1e-9)


def test_each_end_of_what_the_next_dive_may_be_is_stretched_by_its_own_past_errors():
    """Errors below were twice as wide as said, those above as said: the tenth percentile moves away from the median."""
    dives = Dives(np.zeros(3, int), np.array([0.0, 1, 8]), np.log([22.0, 24, 21]), np.zeros((3, 5)), np.full(3, 1e-4))
    at, as_said = np.zeros(3, int), prior_model()
    levels, _ = follow(dives, as_said, at)
    usual = np.log(next_dive(dives, levels, as_said, at, (0.1, 0.5, 0.9)))
    wider = np.log(next_dive(dives, levels, replace(as_said, z_low=2 * as_said.z_low), at, (0.1, 0.5, 0.9)))
    assert usual[:, 1] - wider[:, 0] == pytest.approx(2 * (usual[:, 1] - usual[:, 0]), rel=1e-3)
    assert wider[:, 2] == pytest.approx(usual[:, 2], rel=1e-9)


def test_three_dives_give_a_wide_but_sane_band():
    dives = Dives(np.zeros(3, int), np.array([0.0, 1, 8]), np.log([22.0, 24, 21]), np.zeros((3, 5)), np.full(3, 1e-4))
    at = np.zeros(3, int)
    levels, _ = follow(dives, prior_model(), at)
    level, low, high = level_band(levels, running_mean(dives), prior_model(), at)
    assert 16 < level[0] < 22  # one dive alone is drawn to the population
    assert 20 < level[2] < 24
    assert 1.15 < high[2] / low[2] < 1.6
    assert too_few(dives).all()


@pytest.mark.parametrize("off", [0.5, 1.0, 2.5])
def test_one_wrong_record_moves_the_level_little(off):
    dives = one_member(40, seed=3)
    at = np.zeros(len(dives), int)
    spoilt = dives.log_rmv.copy()
    spoilt[-1] += off
    right, _ = follow(dives, prior_model(), at)
    wrong, _ = follow(replace(dives, log_rmv=spoilt), prior_model(), at)
    assert wrong.weight[-1] < 1
    assert abs(wrong.level[-1] - right.level[-1]) < 0.06


def test_weights_fall_without_a_step():
    z = np.linspace(-8, 8, 3201)
    w = weight_of(z)
    assert (w[np.abs(z) <= 2] == 1).all() and (np.abs(np.diff(w)) < 0.01).all()
    assert weight_of(np.array([3.0]))[0] == pytest.approx(2 / 3)


def test_effects_are_found_within_their_intervals():
    season = make_season(members=40, most_dives=70, seed=12, depth=0.06, cold=0.08, dry=0.07, duration=-0.02)
    models, _ = month_by_month(as_dives(season))
    z = (models.effects[-1] - [0.06, 0.08, 0.07, 0.4 * 0.07, -0.02]) / np.sqrt(np.diag(models.effects_cov[-1]))
    assert (np.abs(z) < 3).all()
    assert models.effects[-1][0] == pytest.approx(0.06, abs=0.02)


@pytest.mark.parametrize("duration", [-0.02, 0.0, 0.02])
def test_the_effect_of_duration_is_found_where_the_gas_ends_the_dives(duration):
    """There duration answers to the rate; taken for a cause it would look like -0.15 and more."""
    season = make_season(
        members=20, least_dives=40, seed=21, duration=duration, ended_by_gas=1.0, kinds={"steady": 2, "drift": 1}
    )
    models, _ = month_by_month(as_dives(season))
    assert models.effects[-1][-1] == pytest.approx(duration, abs=0.012)


def test_how_common_drifts_and_scatters_are_is_found():
    many = month_by_month(as_dives(make_season(members=24, least_dives=50, seed=13, kinds={"drift": 1})))[0]
    none = month_by_month(as_dives(make_season(members=24, least_dives=50, seed=13, scatter=0.07, uneven=0.0)))[0]
    drifting = np.array([w.drift_sd > 0.01 for w in WALKS])
    assert many.walk_share[-1][drifting].sum() > 0.6 > 0.25 > none.walk_share[-1][drifting].sum()
    assert none.scatter_share[-1][SCATTERS.index(0.075)] > 0.7
    assert np.exp(none.mean_log[-1]) == pytest.approx(17.0, rel=0.10)


def test_without_dives_there_are_only_the_priors():
    nothing = Dives(np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros((0, 5)), np.zeros(0))
    assert Learner(nothing).next_fit(prior_model()).mean_log[0] == pytest.approx(np.log(16.0))
    none, at = prior_model(), np.zeros(0, int)
    levels, history = follow(nothing, none, at)
    assert len(levels.level) == len(change(nothing, history, none, at).mean) == 0
    assert len(slope(nothing, history, none, at).mean) == next_dive(nothing, levels, none, at).size == 0


def test_the_window_reaches_back_so_many_days_of_the_same_member():
    day = np.array([0.0, 100, 200, 50, 60])
    dives = Dives(np.array([0, 0, 0, 1, 1]), day, np.zeros(5), np.zeros((5, 5)), np.zeros(5))
    assert window_start(dives, 150).tolist() == [0, 0, 1, 3, 3]
    assert window_start(dives, None, 2).tolist() == [0, 0, 1, 3, 3]


def test_a_change_needs_90_days_and_a_call_8_dives_beside():
    day = np.array([0.0, 89.9, 90.0, 91, 92, 93, 94, 95, 96])
    dives = Dives(np.zeros(9, int), day, np.zeros(9), np.zeros((9, 5)), np.zeros(9))
    assert has_change(dives).tolist() == [False, False] + [True] * 7
    assert too_few(dives).tolist() == [True] * 7 + [False] * 2
    assert too_few_for_slope(dives).tolist() == [True] * 7 + [False] * 2


def test_a_slope_needs_8_dives_over_60_of_the_last_180_days():
    eight = np.zeros(8, int), np.zeros(8), np.zeros((8, 5)), np.zeros(8)
    for first, few in ((59.9, True), (60.0, False), (89.0, False), (180.1, True)):
        day = np.array([0.0, *np.linspace(first - 6.0, first, 7)])
        assert too_few_for_slope(Dives(eight[0], day, *eight[1:])).tolist() == [True] * 7 + [few], first


def test_slopes_read_as_per_cent_a_month():
    assert pct_per_month(np.log(1.01) / 30.44) == pytest.approx(1.0)


def test_conditions_that_are_unknown_stand_at_their_reference():
    unknown, no = np.array([np.nan]), np.array([False])
    assert not design(unknown, unknown, no, no, unknown).any()


def test_a_dive_half_a_season_older_is_half_as_likely_to_come_again():
    """45 days: a judgement, no source."""
    day = np.array([0.0, 400.0, 445.0, 490.0])
    rows, share = drawn_rows(Dives(np.zeros(4, int), day, np.zeros(4), np.zeros((4, 5)), np.zeros(4)))
    assert rows[3, :3].tolist() == [3, 2, 1] and share[3, :3] == pytest.approx(np.array([4, 2, 1]) / 7)
    assert share[3, 3:].sum() == 0.0, "a year ago is another season"
