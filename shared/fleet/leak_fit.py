"""Gauges' offsets, units' biases and leak rates of all units at once.

loss = what the two readings have in common with others + bias(unit) + (rate − slowing·emptiness)(unit)·days + error. A
leak slows as the pressure falls, some in proportion and some hardly, so each unit's rate is that of a full cylinder and
its slowing is found beside it. Most units do not leak and a few do, so the prior of a rate has two parts, brought into
the linear model by expectation propagation
(Minka 2001, Expectation propagation for approximate Bayesian inference).
"""

from copy import copy
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
        var = np.zeros(len(self.unit))
        for i, (e, s) in enumerate(zip(self.effect.T, self.sign.T, strict=True)):
            var += s * s * cov[e, e]
            for other, its_sign in zip(self.effect.T[:i], self.sign.T[:i], strict=True):
                var += 2.0 * (s * its_sign) * cov[e, other]
        return np.sqrt(np.maximum(var, 0.0))


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
class Sums:
    """Weighted sums: of units (U, 3, 3) and (U, 3), of units with effects (U, 3, E), of effects (E, E) and (E,)."""

    own: NDArray[np.float64]
    right: NDArray[np.float64]
    cross: NDArray[np.float64]
    weight: NDArray[np.float64]
    loss: NDArray[np.float64]


def sums_of(losses: Losses, units: int, effects: int) -> Sums:
    """What the fit takes of some losses."""
    return Sums(*_of_units(losses, units, effects), *_of_effects(losses, effects))


def _of_units(losses: Losses, units: int, effects: int) -> tuple[NDArray, NDArray, NDArray]:
    w, u, x = 1.0 / losses.sd_bar**2, losses.unit, losses.own.T
    own, right, cross = np.zeros((units, OWN, OWN)), np.zeros((units, OWN)), np.zeros((units, OWN, effects))
    if not len(u):
        return own, right, cross
    for i in range(OWN):
        right[:, i] = np.bincount(u, w * x[i] * losses.loss_bar, units)
        for j in range(i + 1):
            own[:, i, j] = own[:, j, i] = np.bincount(u, w * x[i] * x[j], units)
    for e, s in zip(losses.effect.T, losses.sign.T, strict=True):
        has = np.flatnonzero(s)
        place, weighed = (u * effects + e)[has], (w * s)[has]
        for i in range(OWN):
            cross[:, i] += np.bincount(place, weighed * x[i][has], units * effects).reshape(units, effects)
    return own, right, cross


def _of_effects(losses: Losses, effects: int) -> tuple[NDArray, NDArray]:
    w = 1.0 / losses.sd_bar**2
    weight, loss = np.zeros((effects, effects)), np.zeros(effects)
    if not len(w):
        return weight, loss
    for i, (e, s) in enumerate(zip(losses.effect.T, losses.sign.T, strict=True)):
        loss += np.bincount(e, w * s * losses.loss_bar, effects)
        for j, (other, its_sign) in enumerate(zip(losses.effect.T[: i + 1], losses.sign.T[: i + 1], strict=True)):
            both = np.bincount(e * effects + other, w * s * its_sign, effects**2).reshape(effects, effects)
            weight += both if i == j else both + both.T
    return weight, loss


def own_prior(units: int, bias_sd_bar: float, rate_bar_per_day: NDArray) -> NDArray[np.float64]:
    """Prior precisions of each unit's bias, rate (the wide one) and slowing, which is in proportion to its rate."""
    slowing_sd = SLOWS_SD_SHARE * np.maximum(rate_bar_per_day, LEAST_SLOWING_BAR_PER_DAY)
    prior = np.empty((units, OWN))
    prior[:, 0], prior[:, 1], prior[:, 2] = 1 / bias_sd_bar**2, 1 / RATE_SD_BAR_PER_DAY**2, 1 / slowing_sd**2
    return prior


def fit_rates(sums: Sums, effect_sd_bar: NDArray, bias_sd_bar: float, rate_bar_per_day: NDArray) -> Fit:
    """Fit all units together.

    Parameters
    ----------
    sums : Sums
        Of the losses that count.
    effect_sd_bar : ndarray, (E,)
        Prior SD of each common effect, bar.
    bias_sd_bar : float
        Prior SD of each unit's bias, bar.
    rate_bar_per_day : ndarray, (U,)
        What each unit is so far taken to lose, by which its slowing may differ.
    """
    prior = own_prior(len(sums.own), bias_sd_bar, rate_bar_per_day)
    rates = Rates(sums, effect_sd_bar, prior)
    precision, moment = _sites(rates)
    mean, var = rates.posterior(precision, moment)
    effect, cov = rates.effects(precision, moment)
    # each unit is judged by all that is known but its own prior, under the wide one
    rate_var = 1.0 / (np.maximum(1.0 / var - precision, 1e-9) + prior[:, 1])
    return Fit(rate_var * (mean / var - moment), np.sqrt(rate_var), effect, cov, prior)


def _sites(rates: "Rates") -> tuple[NDArray, NDArray]:
    """Precision and moment by which the prior of each rate, in its two parts, stands in the linear model, (U,)."""
    units, there = len(rates.own), rates.there
    # from the sound side a whole fleet's leak would be called an offset, so the first sweep starts between
    precision, moment = np.full(units, 0.1 / SOUND_SD_BAR_PER_DAY**2), np.zeros(units)
    share = LEAKING_SHARE
    for sweep in range(SWEEPS):
        before = precision
        mean, var = rates.posterior(precision, moment)
        left = np.maximum(1.0 / var - precision, 1e-6)
        cavity_mean = (mean / var - moment) / left
        new_mean, new_var, leaks = _two_parts(cavity_mean, 1.0 / left, share)
        share = (UNITS_OF_PRIOR * LEAKING_SHARE + leaks[there].sum()) / (UNITS_OF_PRIOR + there.sum())
        step = 0.7 if sweep else 1.0
        precision = step * np.clip(1.0 / new_var - left, 1e-3, 1e6) + (1 - step) * precision
        moment = step * (new_mean / new_var - cavity_mean * left) + (1 - step) * moment
        if sweep and np.allclose(precision, before, rtol=0.02):
            break
    return precision, moment


class Rates:
    """Rates and effects alone: biases and slowings, whose priors stay, are taken out once for all sweeps of a fit."""

    def __init__(self, sums: Sums, effect_sd_bar: NDArray, prior: NDArray):
        bias, slowing = sums.own[:, 0, 0] + prior[:, 0], sums.own[:, 2, 2] + prior[:, 2]
        between, of_bias, of_slowing = sums.own[:, 0, 2], sums.own[:, 1, 0], sums.own[:, 1, 2]
        scale = bias * slowing - between**2
        # the inverse of the two others' matrix, and what it makes of the rate's part with each
        inverse = np.stack([slowing, -between, -between, bias], axis=1).reshape(-1, 2, 2) / scale[:, None, None]
        gain = np.einsum("uij,uj->ui", inverse, np.stack([of_bias, of_slowing], axis=1))
        cross, right = sums.cross[:, ::2], sums.right[:, ::2]
        self.others, self.known, self.others_right = cross, inverse @ cross, right
        weight, loss = self._of_others(slice(None))
        self.weight, self.loss = sums.weight + np.diag(1.0 / effect_sd_bar**2) - weight, sums.loss - loss
        self.own = np.maximum(sums.own[:, 1, 1] - gain[:, 0] * of_bias - gain[:, 1] * of_slowing, 0.0)
        self.cross = sums.cross[:, 1] - np.einsum("ui,uie->ue", gain, cross)
        self.right = sums.right[:, 1] - (gain * right).sum(axis=1)
        self.there = sums.own[:, 1, 1] > 0

    def _of_others(self, units: slice) -> tuple[NDArray, NDArray]:
        """What effects lose, in precision and right, by biases and slowings of some units that are not known."""
        effects = self.others.shape[2]
        flat, known = self.others[units].reshape(-1, effects), self.known[units].reshape(-1, effects)
        return flat.T @ known, known.T @ self.others_right[units].ravel()

    def without(self, losses: Losses, unit: int) -> "Rates":
        """The same of all units but one, whose losses these are."""
        made = copy(self)
        weight, loss = _of_effects(losses, len(self.loss))
        its_weight, its_loss = self._of_others(slice(unit, unit + 1))
        made.weight, made.loss = self.weight - weight + its_weight, self.loss - loss + its_loss
        for name in ("own", "cross", "right", "there"):
            setattr(made, name, getattr(self, name).copy())
            getattr(made, name)[unit] = 0
        return made

    def _both(self, precision: NDArray, moment: NDArray) -> tuple[NDArray, NDArray, NDArray, NDArray]:
        """Variance and mean of each rate with the effects known, and the effects' precision (E, E) and right (E,)."""
        var = 1.0 / (self.own + precision)
        mean = var * (self.right + moment)
        scaled = self.cross * np.sqrt(var)[:, None]
        return var, mean, self.weight - scaled.T @ scaled, self.loss - self.cross.T @ mean

    def posterior(self, precision: NDArray, moment: NDArray) -> tuple[NDArray, NDArray]:
        """Mean and variance of each rate, (U,)."""
        from scipy.linalg import cholesky, solve_triangular

        var, mean, weight, loss = self._both(precision, moment)
        root = cholesky(weight, lower=True, overwrite_a=True, check_finite=False)
        both = np.concatenate([self.cross.T, loss[:, None]], axis=1)
        solved = solve_triangular(root, both, lower=True, overwrite_b=True, check_finite=False)
        load, known = solved[:, :-1], solved[:, -1]
        return mean - var * (known @ load), var + var**2 * np.einsum("eu,eu->u", load, load)

    def effect(self, precision: NDArray, moment: NDArray) -> NDArray[np.float64]:
        """The effects, (E,)."""
        _, _, weight, loss = self._both(precision, moment)
        return np.linalg.solve(weight, loss)

    def effects(self, precision: NDArray, moment: NDArray) -> tuple[NDArray, NDArray]:
        """The effects, (E,), and their covariance, (E, E)."""
        _, _, weight, loss = self._both(precision, moment)
        cov = np.linalg.inv(weight)
        return cov @ loss, cov


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
    own, right, cross = _of_units(losses, units, len(fit.effect))

    def alone(prior: NDArray) -> tuple[NDArray, NDArray]:
        inverse = np.linalg.inv(own + _diagonal(prior))
        load = np.einsum("ub,ube->ue", inverse[:, 1, :], cross)
        rate = np.einsum("ub,ub->u", inverse[:, 1, :], right) - load @ fit.effect
        return rate, np.sqrt(inverse[:, 1, 1] + ((load @ fit.effect_cov) * load).sum(axis=1))

    # some intervals may leak where all together do not, and a faster leak may slow by more
    return alone(own_prior(units, bias_sd_bar, alone(fit.prior)[0]))


def beyond_others(losses: Losses, sums: Sums, fit: Fit, among: NDArray, common_sd: NDArray) -> tuple[NDArray, NDArray]:
    """How far each loss lies above what the unit's other intervals let expect, and the SD of that, (m,).

    `among` masks the intervals that count as others, whose sums these are; `common_sd` is the SD of what effects make
    of each loss.
    """
    own, right = sums.own + _diagonal(fit.prior), sums.right - sums.cross @ fit.effect
    x, u = losses.own.T, losses.unit
    w = np.where(among, 1.0 / losses.sd_bar**2, 0.0)
    y = losses.loss_bar - losses.common(fit.effect)
    # what is left of each unit without the interval, as L D Lᵀ: three numbers each are quicker written out
    (a, _, _), (b, c, _), (d, e, f) = ([own[u, i, j] - w * x[i] * x[j] for j in range(OWN)] for i in range(OWN))
    left = [right[u, i] - w * y * x[i] for i in range(OWN)]
    l10, l20 = b / a, d / a
    second = c - l10 * b
    l21 = (e - l20 * b) / second
    pivots = (a, second, f - l20 * d - l21 * (e - l20 * b))

    def forward(v) -> tuple[NDArray, NDArray, NDArray]:
        one = v[1] - l10 * v[0]
        return v[0], one, v[2] - l20 * v[0] - l21 * one

    its, others = forward(x), forward(left)
    expected = sum(p * q / pivot for p, q, pivot in zip(its, others, pivots, strict=True))
    var = sum(p * p / pivot for p, pivot in zip(its, pivots, strict=True)) + losses.sd_bar**2 + common_sd**2
    return y - expected, np.sqrt(var)


def effects_without(rates: Rates, its: Losses, unit: int) -> NDArray[np.float64]:
    """The common effects as all units but one know them, (E,); nought where no other unit was read so.

    `rates` are those of all, `its` the one's losses among them.
    """
    others = rates.without(its, unit)
    return others.effect(*_sites(others))
