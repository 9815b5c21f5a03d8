"""What settled readings teach: from nothing, from one, from many, and never from a rogue."""

import numpy as np
import pytest

from shared.settling import SettlingFit, SettlingFits, Term, design, growing_blocks


def lessons(rng, n, units=8, gauge_bar=4.0, thermal_bar=-2.0, noise_bar=1.0, drift_bar_month=0.0, months=6):
    """Fills on one gauge; error = −gauge offset × share + warmth × its lever + the unit's own + noise."""
    unit = rng.integers(0, units, n)
    lever = rng.uniform(0.5, 1.5, n)
    step = np.sort(rng.integers(0, months, n))
    one = np.zeros(n, int)
    terms = [
        Term("gauge", one, ["g"], -0.87 * np.ones(n), 3.2),
        Term("gauge_walk", one, ["g"], -0.87 * np.ones(n), 1.0, step=step),
        Term("warmth", one, ["s"], lever, 2.0),
    ]
    own = Term("own", unit, [f"u{i}" for i in range(units)], np.ones(n), 0.7)
    own_true = rng.normal(0, 0.7, units)
    truth = -0.87 * (gauge_bar + drift_bar_month * step) + thermal_bar * lever + own_true[unit]
    return design(terms, own), truth, truth + rng.normal(0, noise_bar, n)


def test_nothing_known_is_the_prior():
    rows, _, _ = lessons(np.random.default_rng(0), 20)
    fit = SettlingFit(rows)
    told = fit.correct(rows)
    assert np.abs(told.mean_bar).max() < 1e-12
    expected = np.sqrt(
        (0.87 * 3.2) ** 2
        + rows.per[2] ** 2 * 4.0
        + 0.49
        + (0.87 * 0.2) ** 2 * (1 + np.maximum(rows.index[1] - rows.index[1].min(), 0))
    )
    np.testing.assert_allclose(told.sd_bar, expected, rtol=0.02)


def test_the_closed_form_is_the_textbook_regression():
    """Against the plain Bayesian linear regression with every number in one matrix (no elimination)."""
    rng = np.random.default_rng(1)
    rows, _, error = lessons(rng, 60, noise_bar=0.6)
    fit = SettlingFit(rows)
    x = np.zeros((60, len(rows.prior_pull) + len(rows.own_levels)))
    for i, v in zip(rows.index, rows.per, strict=True):
        x[np.arange(60), i] += v
    x[np.arange(60), len(rows.prior_pull) + rows.own] = rows.own_per
    prior = np.zeros((x.shape[1], x.shape[1]))
    p = len(rows.prior_pull)
    prior[:p, :p] = rows.prior_information + rows.walk_information / 0.04
    prior[p:, p:] = np.eye(len(rows.own_levels)) / rows.own_sd**2
    fit._add(rows, error, np.full(60, 1 / 0.36))
    fit._solve()
    covariance = np.linalg.inv(prior + x.T @ x / 0.36)
    mean = covariance @ (x.T @ error) / 0.36
    told = fit.correct(rows)
    np.testing.assert_allclose(told.mean_bar, x @ mean, atol=1e-8)
    np.testing.assert_allclose(told.sd_bar, np.sqrt(np.einsum("ij,jk,ik->i", x, covariance, x)), atol=1e-8)


@pytest.mark.parametrize("known, at_most_bar", [(1, 2.2), (5, 1.3), (50, 0.6), (5000, 0.15)])
def test_more_readings_come_nearer(known, at_most_bar):
    off = []
    for seed in range(8):
        rows, truth, error = lessons(np.random.default_rng(seed), known + 200)
        taught = np.sort(np.random.default_rng(seed).permutation(known + 200)[:known])
        fit = SettlingFit(rows)
        fit.learn(rows.rows(taught), error[taught], np.full(known, 1.0))
        off.append(np.median(np.abs(fit.correct(rows).mean_bar - truth)))
    assert np.median(off) < at_most_bar


def test_a_rogue_reading_does_not_move_the_model():
    for seed in range(5):
        rows, _, error = lessons(np.random.default_rng(seed), 60)
        sane, fooled = SettlingFit(rows), SettlingFit(rows)
        sane.learn(rows.rows(np.arange(40)), error[:40], np.ones(40))
        wild = error.copy()
        wild[7] += 60.0
        fooled.learn(rows.rows(np.arange(40)), wild[:40], np.ones(40))
        moved = np.abs(fooled.correct(rows).mean_bar - sane.correct(rows).mean_bar)
        assert np.median(moved) < 0.3


def test_a_rogue_after_others_hardly_counts_even_when_it_comes_alone():
    rows, _, error = lessons(np.random.default_rng(3), 60)
    fit = SettlingFit(rows)
    fit.learn(rows.rows(np.arange(30)), error[:30], np.ones(30))
    before = fit.correct(rows).mean_bar
    fit.learn(rows.rows(np.array([31])), error[31:32] - 80.0, np.ones(1))
    assert np.abs(fit.correct(rows).mean_bar - before).max() < 1.0


def test_the_noise_is_found():
    for true in (0.5, 1.0, 2.0):
        rows, _, error = lessons(np.random.default_rng(4), 800, noise_bar=true)
        fit = SettlingFit(rows)
        fit.learn(rows, error, np.ones(800))
        assert fit.noise_scale == pytest.approx(true, rel=0.12)


def test_order_of_readings_hardly_matters():
    rows, _, error = lessons(np.random.default_rng(5), 120)
    at_once, one_by_one = SettlingFit(rows), SettlingFit(rows)
    at_once.learn(rows, error, np.ones(120))
    for i in range(0, 120, 10):
        part = np.arange(i, i + 10)
        one_by_one.learn(rows.rows(part), error[part], np.ones(10))
    np.testing.assert_allclose(at_once.correct(rows).mean_bar, one_by_one.correct(rows).mean_bar, atol=0.25)


def test_a_drifting_gauge_is_followed_and_a_steady_one_is_not_blamed():
    for drift, mobile in ((0.0, False), (1.0, True)):
        rows, truth, error = lessons(np.random.default_rng(6), 400, drift_bar_month=drift, months=12)
        fits = SettlingFits(rows)
        for i in range(0, 400, 20):
            part = np.arange(i, i + 20)
            fits.score(rows.rows(part), error[part], np.ones(20))
            fits.learn(rows.rows(part), error[part], np.ones(20))
        assert (fits.weight[1] > 0.5) == mobile
        last = np.arange(380, 400)
        assert np.abs(fits.foretell(rows.rows(last), np.ones(20)).mean_bar - truth[last]).mean() < 0.6


def test_one_tells_another_fill_of_the_same_unit_more():
    rows, _, _ = lessons(np.random.default_rng(7), 40)
    fit = SettlingFit(rows)
    before = fit.correct(rows).sd_bar
    fit.learn(rows.rows(np.array([0])), np.array([1.0]), np.array([0.3]))
    gain = before - fit.correct(rows).sd_bar
    same = (rows.own == rows.own[0]) & (np.arange(40) > 0)
    assert (gain > 0).all()
    assert gain[same].mean() > gain[~same].mean()


def test_blocks_grow_so_that_fits_stay_few():
    known = np.arange(100_000)
    starts = growing_blocks(known)
    assert starts[0] == 0 and len(starts) < 80
    assert (np.diff(starts[:6]) == 1).all()
    assert len(growing_blocks(np.zeros(50, int))) == 1
    assert len(growing_blocks(np.zeros(0, int))) == 1
