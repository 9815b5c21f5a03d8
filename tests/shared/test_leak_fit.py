"""The fit of all units at once, by shorter ways than the textbook's, comes to the textbook's numbers."""

import numpy as np
import pytest

from shared.fleet.leak_fit import Losses, Rates, beyond_others, effects_without, fit_rates, own_prior, sums_of

UNITS, EFFECTS, M, BIAS_SD = 6, 5, 40, 0.3


@pytest.fixture
def losses():
    rng = np.random.default_rng(3)
    draw = rng.uniform
    return Losses(
        unit=np.sort(rng.integers(0, UNITS, M)),
        effect=rng.integers(0, EFFECTS - 1, (M, 3)),  # one effect is in no loss
        sign=rng.choice([-1.0, 0.0, 0.4, 1.0], (M, 3)),
        days=draw(0.5, 30, M),
        loss_bar=rng.normal(1, 3, M),
        sd_bar=draw(0.5, 2, M),
        biased=rng.choice([0.0, 1.0], M),
        empty=draw(0, 1, M),
    )


EFFECT_SD = np.linspace(0.5, 2.5, EFFECTS)
RATE = np.linspace(0, 1, UNITS)


def test_rates_and_effects_are_those_of_all_unknowns_at_once(losses):
    prior, precision, moment = own_prior(UNITS, BIAS_SD, RATE), np.linspace(1, 90, UNITS), np.linspace(-1, 2, UNITS)
    rates = Rates(sums_of(losses, UNITS, EFFECTS), EFFECT_SD, prior)
    mean, var = rates.posterior(precision, moment)
    effect, cov = rates.effects(precision, moment)
    design = np.zeros((M, 3 * UNITS + EFFECTS))
    for n in range(M):
        design[n, 3 * losses.unit[n] : 3 * losses.unit[n] + 3] = losses.own[n]
        for e, s in zip(losses.effect[n], losses.sign[n], strict=True):
            design[n, 3 * UNITS + e] += s
    before = prior.copy()
    before[:, 1] = precision
    added = np.zeros(3 * UNITS + EFFECTS)
    added[1 : 3 * UNITS : 3] = moment
    w = 1 / losses.sd_bar**2
    whole = np.linalg.inv(design.T @ (w[:, None] * design) + np.diag(np.r_[before.ravel(), 1 / EFFECT_SD**2]))
    known = whole @ (design.T @ (w * losses.loss_bar) + added)
    np.testing.assert_allclose(mean, known[1 : 3 * UNITS : 3], rtol=1e-9)
    np.testing.assert_allclose(var, np.diag(whole)[1 : 3 * UNITS : 3], rtol=1e-9)
    np.testing.assert_allclose(effect, known[3 * UNITS :], rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(cov, whole[3 * UNITS :, 3 * UNITS :], rtol=1e-9, atol=1e-12)
    pairs = cov[losses.effect[:, :, None], losses.effect[:, None, :]]
    common_var = np.einsum("mi,mij,mj->m", losses.sign, pairs, losses.sign)
    np.testing.assert_allclose(losses.common_sd(cov), np.sqrt(common_var), rtol=1e-9)


def test_effects_without_a_unit_are_those_of_a_fit_of_the_others(losses):
    for unit in range(UNITS):
        mine = losses.unit == unit
        rates = Rates(sums_of(losses, UNITS, EFFECTS), EFFECT_SD, own_prior(UNITS, BIAS_SD, RATE))
        without = effects_without(rates, losses.take(mine), unit)
        others = fit_rates(sums_of(losses.take(~mine), UNITS, EFFECTS), EFFECT_SD, BIAS_SD, RATE).effect
        np.testing.assert_allclose(without, others, rtol=1e-9, atol=1e-12)


def test_a_loss_is_held_against_what_the_units_other_losses_say(losses):
    among = np.arange(M) % 3 > 0
    sums = sums_of(losses.take(among), UNITS, EFFECTS)
    fit = fit_rates(sums, EFFECT_SD, BIAS_SD, RATE)
    beyond, sd = beyond_others(losses, sums, fit, among, np.full(M, 0.7))
    left = losses.loss_bar - losses.common(fit.effect)
    for n in range(M):
        others = among & (losses.unit == losses.unit[n]) & (np.arange(M) != n)
        x, w = losses.own[others], 1 / losses.sd_bar[others] ** 2
        cov = np.linalg.inv(x.T @ (w[:, None] * x) + np.diag(fit.prior[losses.unit[n]]))
        expected = losses.own[n] @ cov @ (x.T @ (w * left[others]))
        var = losses.own[n] @ cov @ losses.own[n] + losses.sd_bar[n] ** 2 + 0.7**2
        np.testing.assert_allclose([beyond[n], sd[n]], [left[n] - expected, np.sqrt(var)], rtol=1e-9, atol=1e-12)
