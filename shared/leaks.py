"""Leak rates from what was in a cylinder and what is left, without anyone having breathed from it.

Each interval between two readings gives a loss of content per litre of capacity ('bar'). Pairs of
gauges and ways of reading carry constant offsets that all cylinders share, so offsets and rates are
estimated together, and the scatter of the sound majority says what the readings are worth.
"""

from dataclasses import dataclass

import numpy as np

Z80 = 1.2815515655446004
# prior spread of a unit's rate: wide, so that a true leak is hardly pulled to the fleet's
RATE_SD_BAR_PER_DAY = 1.0
# of the units that look sound, which tell the offsets apart from leaks
SOUND_SD_BAR_PER_DAY = 0.1
SOUND_BELOW_SD = 2.0
# weight of the stated reading error against the scatter found, in intervals
SCATTER_PRIOR_INTERVALS = 12.0
# falls beyond `unexplained_bar` up to so many times that may still be a leak, where they keep to one rate
STEADY_FALL_TIMES = 2.5
STEADY_FALL_DAYS = 10.0
# or that come to what the unit's other intervals, which leak for sure, foretell
SURE_LEAK_SD, NEAR_FORETOLD_SD = 4.0, 2.5
# a single drop this far from what the unit's other intervals foretell is use that nobody logged
LONE_DROP_SD = 3.5
LEAST_LONE_DROP_BAR = 5.0
# a rise beyond the readings' error: somebody topped it up
RISE_SD = 3.0
# runs of the latest intervals looked at beside all of them, so that a new leak is not hidden by a long sound past
RECENT_INTERVALS = (3, 4, 6, 9)
# few intervals must agree on one rate: two days of use and a quiet week do not
LEAST_FIT = 0.01
# one or two intervals may be use that nobody logged
LEAST_INTERVALS = 3


@dataclass(frozen=True)
class Intervals:
    """m intervals between readings, in order of their end within each unit.

    unit and group are positions (group: the pair of ways of reading), days the length, loss_bar the
    content lost per litre of capacity (free litres a litre), sd_bar the stated error of that loss
    without the offsets.
    """

    unit: np.ndarray
    group: np.ndarray
    days: np.ndarray
    loss_bar: np.ndarray
    sd_bar: np.ndarray


@dataclass(frozen=True)
class LeakRates:
    """A rate for each unit, bar per day, with its 80 % interval; NaN where no interval counts.

    `probability` that the rate is above zero, `flag` by policy, `intervals` and `span_days` it stands
    on. `use` masks the intervals that counted, `unexplained` those that were use nobody logged.
    """

    rate_bar_per_day: np.ndarray
    low_bar_per_day: np.ndarray
    high_bar_per_day: np.ndarray
    probability: np.ndarray
    flag: np.ndarray
    intervals: np.ndarray
    span_days: np.ndarray
    use: np.ndarray
    unexplained: np.ndarray


def leak_rates(
    intervals: Intervals,
    units: int,
    group_sd_bar: np.ndarray,
    *,
    flag_bar_per_day: float = 0.5,
    probability: float = 0.995,
    least_hours: float = 12.0,
    unexplained_bar: float = 30.0,
) -> LeakRates:
    """Pooled leak rate of each unit, and whether policy calls it a leak.

    Parameters
    ----------
    intervals : Intervals
    units : int
        Number of units; each gets a rate.
    group_sd_bar : ndarray
        Prior SD of the constant offset of each group, bar.
    flag_bar_per_day, probability
        The flag asks a pooled rate above the first and P(rate > 0) of at least the second; a run of the
        latest intervals alone asks twenty times fewer chances of error, for it is one of several looked at.
    least_hours : float
        Shorter intervals say nothing.
    unexplained_bar : float
        A larger loss is use, not a leak.

    Notes
    -----
    loss = offset(group) + rate(unit)·days + error; offset ~ N(0, group_sd²), rate ~ N(fleet's, 1 bar/day),
    error scaled by the fleet's own robust scatter. Linear and Gaussian, so solved at once. A lone large
    drop among a unit's intervals is taken for use; falls beyond `unexplained_bar` are use unless three or
    more of ten days and longer keep to one rate. Contents are compared, not pressures, so that a change of
    temperature is no leak.
    """
    unit, group = np.asarray(intervals.unit, "int64"), np.asarray(intervals.group, "int64")
    days, loss = np.asarray(intervals.days, float), np.asarray(intervals.loss_bar, float)
    sd = np.maximum(np.asarray(intervals.sd_bar, float), 0.05)
    group_sd = np.maximum(np.asarray(group_sd_bar, float), 1e-3)

    finite = np.isfinite(loss) & np.isfinite(days)
    readable = finite & (days * 24 >= least_hours)
    # too short to tell a leak, yet they tell the offsets of two readings of one content
    short = finite & ~readable & (np.abs(loss) < unexplained_bar)
    days = np.where(short, 0.0, days)
    large = readable & (loss > unexplained_bar)
    lone = np.zeros(len(loss), bool)
    use = readable & ~large
    scale = np.ones(len(group_sd))
    fleet = 0.0
    sound = np.zeros(units, bool)
    for _ in range(8):
        fit = _fit(unit, group, days, loss, sd * scale[group], use | short, units, group_sd, fleet, sound)
        scale = _scatter(fit.residual / (sd * np.sqrt(np.clip(1 - fit.leverage, 0.05, 1))), group, use, len(group_sd))
        error = sd * scale[group]
        beyond, its_sd = _beyond_foretold(fit, unit, days, error, use)
        fallen = readable & (loss > unexplained_bar)
        most_bar = STEADY_FALL_TIMES * unexplained_bar
        steady = _steady_falls(loss - fit.offset[group], unit, days, error, fallen, units, most_bar)
        steady |= _foretold_falls(fit, loss - fit.offset[group], unit, days, error, fallen, most_bar, flag_bar_per_day)
        large = fallen & ~steady
        drop = readable & ~fallen & (beyond > LONE_DROP_SD * its_sd) & (beyond > LEAST_LONE_DROP_BAR)
        # a leak that began is no lone drop; of others one goes at a time
        drop &= ~_leak_that_began(loss - fit.offset[group], unit, days, error, readable & ~large, units)
        lone = (drop & ~use) | _largest_a_unit(drop & use, beyond / its_sd, unit)
        short &= np.abs(fit.residual) < LONE_DROP_SD * np.hypot(error, fit.offset_sd[group])
        rise = loss - fit.offset[group] < -RISE_SD * np.hypot(error, fit.offset_sd[group])
        again = readable & ~large & ~lone & ~rise
        known = fit.sd_rate < 0.5
        fleet = float(np.clip(np.median(fit.rate[known]), 0.0, 0.1)) if known.sum() >= 5 else 0.0
        looks_sound = fit.rate < SOUND_BELOW_SD * fit.sd_rate
        if np.array_equal(again, use) and np.array_equal(looks_sound, sound):
            break
        use, sound = again, looks_sound
    unexplained = large | lone
    error = sd * scale[group]
    # a leak is no clockwork: whether intervals agree is asked of the stated error, where the found one is less
    loose = np.maximum(error, sd)
    return _judge(fit, unit, group, days, loss, error, loose, use, unexplained, units, flag_bar_per_day, probability)


@dataclass(frozen=True)
class _Fit:
    rate: np.ndarray
    sd_rate: np.ndarray
    offset: np.ndarray
    offset_sd: np.ndarray
    offset_cov: np.ndarray
    residual: np.ndarray
    leverage: np.ndarray
    fleet: float


def _fit(unit, group, days, loss, sd, use, units, group_sd, fleet, sound) -> _Fit:
    """Offsets from all units at once, rates eliminated; then each unit's rate on those offsets.

    Units that look sound get a narrow prior while the offsets are found, else a constant offset and a
    fleet of leaks could not be told apart; every rate is then judged under the wide one.
    """
    w = np.where(use, 1 / sd**2, 0.0)
    y = np.where(use, loss, 0.0)
    d = np.where(use, days, 0.0)
    groups = len(group_sd)
    wdd = np.bincount(unit, w * d * d, units)
    wdy = np.bincount(unit, w * d * y, units)
    # c[u, g] = Σ w d over the unit's intervals of that group
    c = np.bincount(unit * groups + group, w * d, units * groups).reshape(units, groups)
    narrow = np.where(sound, 1 / SOUND_SD_BAR_PER_DAY**2, 1 / RATE_SD_BAR_PER_DAY**2)
    a = wdd + narrow
    left = np.diag(np.bincount(group, w, groups) + 1 / group_sd**2) - c.T @ (c / a[:, None])
    right = np.bincount(group, w * y, groups) - c.T @ ((wdy + narrow * fleet) / a)
    cov = np.linalg.inv(left)
    offset = cov @ right

    wide = 1 / RATE_SD_BAR_PER_DAY**2
    own = wdd + wide
    rate = (wdy + wide * fleet - c @ offset) / own
    load = c / own[:, None]
    sd_rate = np.sqrt(1 / own + np.einsum("ug,gh,uh->u", load, cov, load))
    with np.errstate(invalid="ignore"):
        residual = loss - offset[group] - rate[unit] * days
        leverage = np.where(use, w * d * d / own[unit], 0.0)
    return _Fit(rate, sd_rate, offset, np.sqrt(np.diag(cov)), cov, residual, leverage, fleet)


def _beyond_foretold(fit: _Fit, unit, days, sd, use) -> tuple[np.ndarray, np.ndarray]:
    """How far each loss lies above what the unit's other intervals foretell, and the SD of that."""
    rest = np.clip(1 - fit.leverage, 0.02, 1)
    beyond = np.where(use, fit.residual / rest, fit.residual)
    return beyond, np.where(use, sd / np.sqrt(rest), np.hypot(sd, days * fit.sd_rate[unit]))


def _scatter(standard: np.ndarray, group: np.ndarray, use: np.ndarray, groups: int) -> np.ndarray:
    """How many times the stated error each group scatters: the fleet's, drawn to its own as it fills."""

    def spread2(found: np.ndarray) -> float:
        # the median sees no scatter in coarse steps, so the clipped mean square stands beside it
        return max((1.4826 * np.median(found)) ** 2, np.mean(np.minimum(found, 3.0) ** 2))

    found = np.abs(standard)
    if not use.any():
        return np.ones(groups)
    n = use.sum()
    fleet2 = (SCATTER_PRIOR_INTERVALS + n * spread2(found[use])) / (SCATTER_PRIOR_INTERVALS + n)
    scale2 = np.full(groups, fleet2)
    for g in np.unique(group[use]):
        own = found[use & (group == g)]
        weight = 2 * SCATTER_PRIOR_INTERVALS
        scale2[g] = (weight * fleet2 + len(own) * spread2(own)) / (weight + len(own))
    return np.sqrt(np.clip(scale2, 0.25, 36.0))


def _leak_that_began(loss, unit, days, sd, counted, units) -> np.ndarray:
    """True for a unit's latest intervals where they agree on one rate above zero."""
    at = np.flatnonzero(counted)
    at = at[_ends_later(at, unit, units) < LEAST_INTERVALS]
    u, d, w = unit[at], days[at], 1 / sd[at] ** 2
    a = np.bincount(u, w * d * d, units) + 1 / RATE_SD_BAR_PER_DAY**2
    rate = np.bincount(u, w * d * loss[at], units) / a
    misfit = np.bincount(u, w * (loss[at] - rate[u] * d) ** 2, units)
    agrees = (np.bincount(u, minlength=units) == LEAST_INTERVALS) & (rate * np.sqrt(a) > SOUND_BELOW_SD)
    agrees &= _fits(misfit, LEAST_INTERVALS)
    found = np.zeros(len(loss), bool)
    found[at] = agrees[u]
    return found


def _steady_falls(loss, unit, days, sd, large, units, most_bar) -> np.ndarray:
    """True for large falls over many days of a unit that agree on one rate: use does not keep to one."""
    at = np.flatnonzero(large & (loss < most_bar) & (days >= STEADY_FALL_DAYS))
    u, d, w = unit[at], days[at], 1 / sd[at] ** 2
    a = np.bincount(u, w * d * d, units)
    rate = np.bincount(u, w * d * loss[at], units) / np.maximum(a, 1e-12)
    misfit = np.bincount(u, w * (loss[at] - rate[u] * d) ** 2, units)
    counts = np.bincount(u, minlength=units)
    agrees = (counts >= LEAST_INTERVALS) & _fits(misfit, counts)
    found = np.zeros(len(loss), bool)
    found[at] = agrees[u]
    return found


def _foretold_falls(fit: _Fit, loss, unit, days, sd, large, most_bar, flag_above) -> np.ndarray:
    """True for large falls over many days that come to what the leak seen in the unit's other intervals foretells."""
    rate, rate_sd = fit.rate[unit], fit.sd_rate[unit]
    leaks = (rate > flag_above) & (rate > SURE_LEAK_SD * rate_sd)
    near = np.abs(loss - rate * days) < NEAR_FORETOLD_SD * np.hypot(sd, days * rate_sd)
    return large & leaks & near & (loss < most_bar) & (days >= STEADY_FALL_DAYS)


def _fits(misfit: np.ndarray, intervals) -> np.ndarray:
    """Whether intervals scatter about one rate no more than their error lets expect."""
    from scipy.special import chdtrc

    return chdtrc(np.maximum(np.asarray(intervals, float) - 1, 1), misfit) >= LEAST_FIT


def _ends_later(at: np.ndarray, unit: np.ndarray, units: int) -> np.ndarray:
    """How many of the given intervals of the same unit end later than each."""
    counts = np.bincount(unit[at], minlength=units)
    order = np.argsort(unit[at], kind="stable")
    start = np.r_[0, np.cumsum(counts)[:-1]]
    later = np.empty(len(at), "int64")
    later[order] = counts[unit[at][order]] - 1 - (np.arange(len(at)) - start[unit[at][order]])
    return later


def _largest_a_unit(lone: np.ndarray, outlying: np.ndarray, unit: np.ndarray) -> np.ndarray:
    """Of the marked intervals of each unit only the one that lies out farthest."""
    picked = np.zeros_like(lone)
    at = np.flatnonzero(lone)
    if len(at):
        order = at[np.lexsort((-outlying[at], unit[at]))]
        first = np.r_[True, unit[order][1:] != unit[order][:-1]]
        picked[order[first]] = True
    return picked


def _judge(fit, unit, group, days, loss, sd, loose, use, unexplained, units, flag_above, probability) -> LeakRates:
    """All intervals of each unit, and its latest runs, against the policy."""
    at = np.flatnonzero(use)
    counts = np.bincount(unit[at], minlength=units)
    later = _ends_later(at, unit, units)
    strict = 1 - (1 - probability) / 20

    best_rate = np.where(counts > 0, fit.rate, np.nan)
    best_sd = fit.sd_rate.copy()
    best_n, best_span = counts.copy(), np.bincount(unit[at], days[at], units)
    off = ((loss - fit.offset[group] - fit.rate[unit] * days)[at] / loose[at]) ** 2
    misfit = np.bincount(unit[at], off, units)
    flag = (counts >= LEAST_INTERVALS) & (best_rate > flag_above) & (_above_zero(best_rate, best_sd) >= probability)
    flag &= (counts > RECENT_INTERVALS[-1]) | _fits(misfit, counts)
    for k in RECENT_INTERVALS:
        window = at[later < k]
        rate, rate_sd, span, misfit = _window(fit, unit, group, days, loss, sd, loose, window, units)
        found = ~flag & (counts > k) & (rate > flag_above) & (_above_zero(rate, rate_sd) >= strict) & _fits(misfit, k)
        flag |= found
        best_rate, best_sd = np.where(found, rate, best_rate), np.where(found, rate_sd, best_sd)
        best_n, best_span = np.where(found, k, best_n), np.where(found, span, best_span)
    half = Z80 * best_sd
    return LeakRates(
        rate_bar_per_day=best_rate,
        low_bar_per_day=np.where(counts > 0, best_rate - half, np.nan),
        high_bar_per_day=np.where(counts > 0, best_rate + half, np.nan),
        probability=np.where(counts > 0, _above_zero(best_rate, best_sd), np.nan),
        flag=flag,
        intervals=best_n,
        span_days=best_span,
        use=use,
        unexplained=unexplained,
    )


def _window(fit, unit, group, days, loss, sd, loose, window, units):
    """Rate of each unit from some of its intervals, the offsets as fitted on all; SD, days, misfit."""
    groups = len(fit.offset)
    u, g, d = unit[window], group[window], days[window]
    w = 1 / sd[window] ** 2
    prior = 1 / RATE_SD_BAR_PER_DAY**2
    a = np.bincount(u, w * d * d, units) + prior
    rate = (np.bincount(u, w * d * (loss[window] - fit.offset[g]), units) + prior * fit.fleet) / a
    load = np.bincount(u * groups + g, w * d, units * groups).reshape(units, groups) / a[:, None]
    rate_sd = np.sqrt(1 / a + np.einsum("ug,gh,uh->u", load, fit.offset_cov, load))
    misfit = np.bincount(u, ((loss[window] - fit.offset[g] - rate[u] * d) / loose[window]) ** 2, units)
    return rate, rate_sd, np.bincount(u, d, units), misfit


def _above_zero(rate: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """P(rate > 0) of a normal."""
    from scipy.special import ndtr

    with np.errstate(invalid="ignore"):
        return ndtr(rate / sd)
