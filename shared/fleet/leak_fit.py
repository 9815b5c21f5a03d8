"""Gauges' offsets, units' biases and leak rates of all units at once.

loss = what the two readings have in common with others + bias(unit) + (rate − slowing·emptiness)(unit)·days + error. A
leak slows as the pressure falls, some in proportion and some hardly, so each unit's rate is that of a full cylinder and
its slowing is found beside it. Most units do not leak and a few do, so the prior of a rate has two parts, brought into
the linear model by expectation propagation
(Minka 2001, Expectation propagation for approximate Bayesian inference).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: rate of a sound unit, bar per day: what temperature and small use nobody logged leave of nought
SOUND_SD_BAR_PER_DAY = 0.08
#: rate of one that leaks: a half normal
LEAK_SD_BAR_PER_DAY = 1.5
#: share of units taken to leak before anything is known
LEAKING_SHARE = 0.1
#: prior spread under which a unit's rate is judged: wide, so that a true leak is hardly pulled to nought
RATE_SD_BAR_PER_DAY = 2.0
#: that share is believed as if so many units had shown it
UNITS_OF_PRIOR = 10.0
SWEEPS = 12
#: how far a leak slows from full to empty, as a share of its rate: between not at all and in proportion to the square
SLOWS_SHARE, SLOWS_SD_SHARE = 0.65, 0.4
#: under this rate a leak's slowing is nothing to be found, bar per day
LEAST_SLOWING_BAR_PER_DAY = 0.05
OWN = 3


@dataclass(frozen=True)
class Losses:
    """m intervals as the fit takes them: arrays of length m; sd_bar without what is common to many.

    `effect` (m, k) are places among what readings have in common (a gauge's offset, how warm the gas was taken to be),
    `sign` (m, k) how each is in the loss: 1 in the first reading, -1 in the last, 0 not at all. `biased` is 1 where the
    unit's own bias is in the loss, else 0. `empty` is how far below full the cylinder stood, 0 to 1.
    """

    unit: NDArray[np.int64]
    effect: NDArray[np.int64]
    sign: NDArray[np.float64]
    days: NDArray[np.float64]
    loss_bar: NDArray[np.float64]
    sd_bar: NDArray[np.float64]
    biased: NDArray[np.float64]
    empty: NDArray[np.float64]

    @property
    def full_days(self) -> NDArray[np.float64]:
        """Days in which a full cylinder would have lost as much, (m,)."""
        return self.days * (1.0 - SLOWS_SHARE * self.empty)

    @property
    def own(self) -> NDArray[np.float64]:
        """What a unit's bias, rate and further slowing make of each loss, (m, 3)."""
        return np.stack([self.biased, self.full_days, self.days * self.empty], axis=1)

    def take(self, which: NDArray) -> "Losses":
        """Some of the intervals."""
        return Losses(*(getattr(self, f)[which] for f in self.__dataclass_fields__))

    def common(self, effects: NDArray) -> NDArray[np.float64]:
        """What the effects make of each loss, (m,)."""
        return np.sum(self.sign * effects[self.effect], axis=1)

    def common_sd(self, cov: NDArray) -> NDArray[np.float64]:
        """The SD of that, (m,)."""
        pairs = cov[self.effect[:, :, None], self.effect[:, None, :]]
        return np.sqrt(np.maximum(np.einsum("mi,mij,mj->m", self.sign, pairs, self.sign), 0.0))


@dataclass(frozen=True)
class Fit:
    """What the losses say: rates by unit under the wide prior, and the common effects with their covariance.

    `prior` (U, 3) are the prior precisions of each unit's bias, rate and slowing that it was found with.
    """

    rate: NDArray[np.float64]
    rate_sd: NDArray[np.float64]
    effect: NDArray[np.float64]
    effect_cov: NDArray[np.float64]
    prior: NDArray[np.float64]


@dataclass(frozen=True)
class _Sums:
    """Weighted sums: of units (U, 3, 3) and (U, 3), of units with effects (U, 3, E), of effects (E, E) and (E,)."""

    own: NDArray[np.float64]
    right: NDArray[np.float64]
    cross: NDArray[np.float64]
    weight: NDArray[np.float64]
    loss: NDArray[np.float64]


def _sums(losses: Losses, units: int, effects: int) -> _Sums:
    w = 1.0 / losses.sd_bar**2
    u, x, y = losses.unit, losses.own, losses.loss_bar
    own, right = np.zeros((units, OWN, OWN)), np.zeros((units, OWN))
    cross, weight, loss = np.zeros((units, OWN, effects)), np.zeros((effects, effects)), np.zeros(effects)
    if not len(u):
        return _Sums(own, right, cross, weight, loss)
    for i in range(OWN):
        right[:, i] = np.bincount(u, w * x[:, i] * y, units)
        for j in range(OWN):
            own[:, i, j] = np.bincount(u, w * x[:, i] * x[:, j], units)
    for e, s in zip(losses.effect.T, losses.sign.T, strict=True):
        for i in range(OWN):
            cross[:, i] += np.bincount(u * effects + e, w * x[:, i] * s, units * effects).reshape(units, effects)
        loss += np.bincount(e, w * s * y, effects)
        for other, its_sign in zip(losses.effect.T, losses.sign.T, strict=True):
            weight += np.bincount(e * effects + other, w * s * its_sign, effects**2).reshape(effects, effects)
    return _Sums(own, right, cross, weight, loss)


def own_prior(units: int, bias_sd_bar: float, rate_bar_per_day: NDArray) -> NDArray[np.float64]:
    """Prior precisions of each unit's bias, rate (the wide one) and slowing, which is in proportion to its rate."""
    slowing_sd = SLOWS_SD_SHARE * np.maximum(rate_bar_per_day, LEAST_SLOWING_BAR_PER_DAY)
    prior = np.empty((units, OWN))
    prior[:, 0], prior[:, 1], prior[:, 2] = 1 / bias_sd_bar**2, 1 / RATE_SD_BAR_PER_DAY**2, 1 / slowing_sd**2
    return prior


def fit_rates(losses: Losses, units: int, effect_sd_bar: NDArray, bias_sd_bar: float, rate_bar_per_day: NDArray) -> Fit:
    """Fit all units together.

    Parameters
    ----------
    losses : Losses
        Those that count.
    units : int
    effect_sd_bar : ndarray, (E,)
        Prior SD of each common effect, bar.
    bias_sd_bar : float
        Prior SD of each unit's bias, bar.
    rate_bar_per_day : ndarray, (U,)
        What each unit is so far taken to lose, by which its slowing may differ.
    """
    sums = _sums(losses, units, len(effect_sd_bar))
    there = sums.own[:, 1, 1] > 0
    prior = own_prior(units, bias_sd_bar, rate_bar_per_day)
    # from the sound side a whole fleet's leak would be called an offset, so the first sweep starts between
    precision, moment = np.full(units, 0.1 / SOUND_SD_BAR_PER_DAY**2), np.zeros(units)
    share = LEAKING_SHARE

    def posterior():
        sited = prior.copy()
        sited[:, 1] = precision
        return _posterior(sums, effect_sd_bar, sited, moment)

    for sweep in range(SWEEPS):
        before = precision
        mean, var, _, _ = posterior()
        left = np.maximum(1.0 / var - precision, 1e-6)
        cavity_mean = (mean / var - moment) / left
        new_mean, new_var, leaks = _two_parts(cavity_mean, 1.0 / left, share)
        share = (UNITS_OF_PRIOR * LEAKING_SHARE + leaks[there].sum()) / (UNITS_OF_PRIOR + there.sum())
        step = 0.7 if sweep else 1.0
        precision = step * np.clip(1.0 / new_var - left, 1e-3, 1e6) + (1 - step) * precision
        moment = step * (new_mean / new_var - cavity_mean * left) + (1 - step) * moment
        if sweep and np.allclose(precision, before, rtol=0.02):
            break
    mean, var, effect, cov = posterior()
    # each unit is judged by all that is known but its own prior, under the wide one
    rate_var = 1.0 / (np.maximum(1.0 / var - precision, 1e-9) + prior[:, 1])
    return Fit(rate_var * (mean / var - moment), np.sqrt(rate_var), effect, cov, prior)


def _posterior(sums: _Sums, effect_sd, prior: NDArray, site_moment):
    """Mean and variance of each rate, and the effects with their covariance."""
    inverse = np.linalg.inv(sums.own + _diagonal(prior))
    right = sums.right.copy()
    right[:, 1] += site_moment
    # of three factors einsum would add up every product by itself
    known = inverse @ sums.cross
    flat, known_flat = (part.reshape(-1, len(effect_sd)) for part in (sums.cross, known))
    cov = np.linalg.inv(sums.weight + np.diag(1.0 / effect_sd**2) - flat.T @ known_flat)
    effect = cov @ (sums.loss - known_flat.T @ right.ravel())
    load = known[:, 1, :]
    mean = np.einsum("ub,ub->u", inverse[:, 1, :], right) - load @ effect
    var = inverse[:, 1, 1] + ((load @ cov) * load).sum(axis=1)
    return mean, var, effect, cov


def _diagonal(prior: NDArray) -> NDArray[np.float64]:
    return prior[:, :, None] * np.eye(OWN)


def _two_parts(mean: NDArray, var: NDArray, share: float) -> tuple[NDArray, NDArray, NDArray]:
    """Mean and variance of a rate of this cavity under the prior of two parts, and the probability that it leaks."""
    from scipy.special import expit, log_ndtr

    def product(own_sd: float) -> tuple[NDArray, NDArray, NDArray]:
        whole = var + own_sd**2
        return mean * own_sd**2 / whole, var * own_sd**2 / whole, -0.5 * (np.log(whole) + mean**2 / whole)

    sound_mean, sound_var, log_sound = product(SOUND_SD_BAR_PER_DAY)
    leak_mean, leak_var, log_leak = product(LEAK_SD_BAR_PER_DAY)
    z = leak_mean / np.sqrt(leak_var)
    leaks = expit(np.log(2 * share) + log_leak + log_ndtr(z) - np.log1p(-share) - log_sound)
    # moments of a normal cut off below nought
    ratio = np.exp(-0.5 * z**2 - 0.5 * np.log(2 * np.pi) - log_ndtr(z))
    cut_mean = leak_mean + np.sqrt(leak_var) * ratio
    cut_var = np.maximum(leak_var * (1 - z * ratio - ratio**2), 1e-9)
    both = (1 - leaks) * sound_mean + leaks * cut_mean
    square = (1 - leaks) * (sound_var + sound_mean**2) + leaks * (cut_var + cut_mean**2)
    return both, np.maximum(square - both**2, 1e-9), leaks


def units_alone(losses: Losses, fit: Fit, units: int, bias_sd_bar: float) -> tuple[NDArray, NDArray]:
    """Rate of each unit and its SD from some of its intervals, the effects as a fit of all has them."""
    sums = _sums(losses, units, len(fit.effect))

    def alone(prior: NDArray) -> tuple[NDArray, NDArray]:
        inverse = np.linalg.inv(sums.own + _diagonal(prior))
        load = np.einsum("ub,ube->ue", inverse[:, 1, :], sums.cross)
        rate = np.einsum("ub,ub->u", inverse[:, 1, :], sums.right) - load @ fit.effect
        return rate, np.sqrt(inverse[:, 1, 1] + ((load @ fit.effect_cov) * load).sum(axis=1))

    # some intervals may leak where all together do not, and a faster leak may slow by more
    return alone(own_prior(units, bias_sd_bar, alone(fit.prior)[0]))


def beyond_others(losses: Losses, fit: Fit, units: int, among: NDArray) -> tuple[NDArray, NDArray]:
    """How far each loss lies above what the unit's other intervals let expect, and the SD of that, (m,).

    `among` masks the intervals that count as others.
    """
    sums = _sums(losses.take(among), units, len(fit.effect))
    own, right = sums.own + _diagonal(fit.prior), sums.right - np.einsum("uae,e->ua", sums.cross, fit.effect)
    x = losses.own
    w = np.where(among, 1.0 / losses.sd_bar**2, 0.0)
    y = losses.loss_bar - losses.common(fit.effect)
    rest = np.linalg.inv(own[losses.unit] - w[:, None, None] * x[:, :, None] * x[:, None, :])
    expected = np.einsum("ma,mab,mb->m", x, rest, right[losses.unit] - (w * y)[:, None] * x)
    var = np.einsum("ma,mab,mb->m", x, rest, x) + losses.sd_bar**2 + losses.common_sd(fit.effect_cov) ** 2
    return y - expected, np.sqrt(var)


def effects_without(
    losses: Losses, units: int, effect_sd_bar: NDArray, bias_sd_bar: float, rate_bar_per_day: NDArray, unit: int
) -> NDArray[np.float64]:
    """The common effects as all units but one know them, (E,); nought where no other unit was read so."""
    others = losses.take(losses.unit != unit)
    return fit_rates(others, units, effect_sd_bar, bias_sd_bar, rate_bar_per_day).effect
