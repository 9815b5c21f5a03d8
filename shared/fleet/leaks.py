"""Leak rates from what was in a cylinder and what is left, without anyone having breathed from it.

Each interval between two readings gives a loss of content per litre of capacity ('bar'). Gauges and ways of reading
carry constant offsets that all units share, and each unit a small bias of its own, so offsets, biases and rates are
estimated together (`shared.fleet.leak_fit`); the scatter of the sound majority says what the readings are worth.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from shared.fleet.leak_fit import (
    SLOWS_SD_SHARE,
    Fit,
    Losses,
    Rates,
    Sums,
    beyond_others,
    effects_without,
    fit_rates,
    own_prior,
    sums_of,
    units_alone,
)
from shared.fleet.no_gain import above_zero, nothing_is_gained

# shorter intervals than asked for a rate still tell the offsets of two readings, once the gas is at rest
LEAST_REST_HOURS = 6.0
# what a unit's own wall, place and habits leave of its readings, the same in all its intervals, bar
BIAS_SD_BAR = 0.3
# weight of the stated reading error against the scatter found, in intervals
SCATTER_PRIOR_INTERVALS = 12.0
# a leak is no clockwork: scatter of one interval's rate, and of what a season makes of it, as a share
RATE_SCATTER_SHARE, SEASON_SHARE = 0.07, 0.03
# falls beyond `unexplained_bar` up to so many times that may still be a leak, where they keep to one rate
STEADY_FALL_TIMES = 2.5
STEADY_FALL_DAYS = 10.0
# or that come to what the unit's other intervals, which leak for sure, let expect
SURE_LEAK_SD, NEAR_EXPECTED_SD = 4.0, 2.5
# a single drop this far beyond what the unit's other intervals let expect is use that nobody logged
LONE_DROP_SD = 3.5
LEAST_LONE_DROP_BAR = 5.0
# a rise beyond the readings' error: somebody topped it up
RISE_SD = 3.0
# runs of the latest intervals looked at beside all of them, so that a new leak is not hidden by a long sound past
RECENT_INTERVALS = (3, 4, 6, 9)
# a leak began where the intervals since say so, against all, by a likelihood of e to this
BEGAN_LOG_ODDS = 3.0
# each may be wrong so many times more seldom than all of them together
WINDOWS_ODDS = 5
# few intervals must agree on one rate: two days of use and a quiet week do not
LEAST_FIT = 0.01
# one or two intervals may be use that nobody logged
LEAST_INTERVALS = 3
# so what is left without the one that stands out most still says so: of all a unit's, and of its latest alone
STILL_SURE, STILL_SHARE = (0.8, 0.9), (0.4, 0.5)
# and what is left without the one that shows most by itself, and of more than three without two: one or two stays of
# unlogged use make no leak of the rest
UNSHOWN_SURE, UNSHOWN_SHARE = 0.9, (1.0, 0.5)


def _ones() -> NDArray[np.float64]:
    return np.ones(0)


@dataclass(frozen=True)
class Intervals:
    """m intervals between readings, in order of their end within each unit.

    unit are positions, days the length, loss_bar the content lost per litre of capacity (free litres a litre), sd_bar
    the stated error of that loss without what is common to many.

    effect, (m,) or (m, k), are positions of what the two readings have in common with those of other intervals: the
    gauges' offsets, how warm the gas was taken to be; `sign` says how each is in the loss (1 where not given).
    `biased` is 1 where the unit's own bias is in the loss (from a fill to an arrival) and 0 where it is not;
    `full_share` the mean pressure as a share of a full cylinder's; `kind` which intervals scatter alike (those of one
    first effect, where not given).
    """

    unit: NDArray[np.int64]
    effect: NDArray[np.int64]
    days: NDArray[np.float64]
    loss_bar: NDArray[np.float64]
    sd_bar: NDArray[np.float64]
    biased: NDArray[np.float64] = field(default_factory=_ones)
    full_share: NDArray[np.float64] = field(default_factory=_ones)
    sign: NDArray[np.float64] = field(default_factory=_ones)
    kind: NDArray[np.int64] = field(default_factory=lambda: np.ones(0, "int64"))


@dataclass(frozen=True)
class LeakRates:
    """A rate for each full unit, bar per day, with its 80 % interval, none below nought.

    NaN where no interval counts, or where the readings would have it that the unit gained gas.
    `probability` that the rate is above zero, `flag` by policy, `intervals` and `span_days` it stands
    on. `use` masks the intervals that counted, `unexplained` those that were use nobody logged.
    """

    rate_bar_per_day: NDArray[np.float64]
    low_bar_per_day: NDArray[np.float64]
    high_bar_per_day: NDArray[np.float64]
    probability: NDArray[np.float64]
    flag: NDArray[np.bool_]
    intervals: NDArray[np.int64]
    span_days: NDArray[np.float64]
    use: NDArray[np.bool_]
    unexplained: NDArray[np.bool_]


def leak_rates(
    intervals: Intervals,
    units: int,
    effect_sd_bar: NDArray[np.float64],
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
    effect_sd_bar : ndarray, (E,)
        Prior SD of each common effect, bar.
    flag_bar_per_day, probability
        The flag asks a pooled rate above the first and P(rate > 0) of at least the second; a run of the
        latest intervals alone asks five times fewer chances of error, for it is one of several looked at.
    least_hours : float
        Shorter intervals say nothing of a rate.
    unexplained_bar : float
        A larger loss is use, not a leak.

    Notes
    -----
    loss = Σ sign·effect + bias(unit) + rate(unit)·days + error, the error scaled by the fleet's own robust scatter
    and wider where a leak's own rate would scatter. A lone large drop among a unit's intervals is taken for use; falls
    beyond `unexplained_bar` are use unless three or more of ten days and longer keep to one rate. No rate is claimed
    that no interval of the unit shows, the effects taken as the other units know them: intervals all alike would else
    trade a gauge's offset for a rate. Contents are compared, not pressures, so that a change of temperature is no leak.
    """
    m = len(intervals.loss_bar)
    unit = np.asarray(intervals.unit, "int64")
    effect = np.asarray(intervals.effect, "int64").reshape(m, -1) if m else np.zeros((0, 1), "int64")
    sign = np.asarray(intervals.sign, float).reshape(effect.shape) if len(intervals.sign) else np.ones(effect.shape)
    kind = np.asarray(intervals.kind, "int64") if len(intervals.kind) else (effect[:, 0] if m else unit)
    days, loss = np.asarray(intervals.days, float), np.asarray(intervals.loss_bar, float)
    sd = np.maximum(np.asarray(intervals.sd_bar, float), 0.05)
    biased, full = (np.asarray(x, float) if len(x) else np.ones(m) for x in (intervals.biased, intervals.full_share))
    empty = np.clip(1.0 - full, 0.0, 1.0)
    effect_sd = np.maximum(np.asarray(effect_sd_bar, float), 1e-3)
    kinds = int(kind.max(initial=-1)) + 1

    finite = np.isfinite(loss) & np.isfinite(days)
    readable = finite & (days * 24 >= least_hours)
    short = finite & ~readable & (days * 24 >= LEAST_REST_HOURS) & (np.abs(loss) < unexplained_bar)
    counted_days = np.where(short, 0.0, days)
    large = readable & (loss > unexplained_bar)
    lone = np.zeros(m, bool)
    use = readable & ~large
    scale, rate = np.ones(kinds), np.zeros(units)
    for _ in range(8):
        on = use | short
        error = np.hypot(sd * scale[kind], RATE_SCATTER_SHARE * rate[unit] * counted_days)
        losses = Losses(unit, effect, sign, counted_days, loss, error, biased, empty)
        sums = sums_of(losses.take(on), units, len(effect_sd))
        fit = fit_rates(sums, effect_sd, BIAS_SD_BAR, rate)
        common_sd = losses.common_sd(fit.effect_cov)
        rate = np.clip(fit.rate, 0.0, None)
        beyond, its_sd = beyond_others(losses, sums, fit, on, common_sd)
        scale = _scatter(scale[kind] * beyond / its_sd, kind, use, kinds)
        off, stood = loss - losses.common(fit.effect), losses.full_days
        fallen = readable & (loss > unexplained_bar)
        most_bar = STEADY_FALL_TIMES * unexplained_bar
        steady = _steady_falls(off, unit, days, stood, error, fallen, units, most_bar)
        steady |= _expected_falls(fit, off, unit, days, stood, error, fallen, most_bar, flag_bar_per_day)
        large = fallen & ~steady
        drop = readable & ~fallen & (beyond > LONE_DROP_SD * its_sd) & (beyond > LEAST_LONE_DROP_BAR)
        # a leak that began is no lone drop; of others one goes at a time
        drop &= ~_leak_that_began(off, unit, stood, error, readable & ~large, units)
        lone = (drop & ~use) | _largest_a_unit(drop & use, beyond / its_sd, unit)
        at_once = np.hypot(error, common_sd)
        short &= np.abs(off) < LONE_DROP_SD * at_once
        again = readable & ~large & ~lone & ~(off < -RISE_SD * at_once)
        settled = np.array_equal(again, use)
        use = again
        if settled:
            break
    error = np.hypot(sd * scale[kind], RATE_SCATTER_SHARE * rate[unit] * counted_days)
    losses = Losses(unit, effect, sign, counted_days, loss, error, biased, empty)
    return _judge(losses, use, short, large | lone, sd, units, effect_sd, rate, flag_bar_per_day, probability)


def _scatter(standard: NDArray, kind: NDArray, use: NDArray, kinds: int) -> NDArray:
    """How many times the stated error each kind of interval scatters: the fleet's, drawn to its own as it fills."""

    def spread2(found: NDArray) -> float:
        # the median sees no scatter in coarse steps, so the clipped mean square stands beside it
        return max((1.4826 * np.median(found)) ** 2, np.mean(np.minimum(found, 3.0) ** 2))

    found = np.abs(standard)
    if not use.any():
        return np.ones(kinds)
    n = use.sum()
    fleet2 = (SCATTER_PRIOR_INTERVALS + n * spread2(found[use])) / (SCATTER_PRIOR_INTERVALS + n)
    scale2 = np.full(kinds, fleet2)
    for k in np.unique(kind[use]):
        own = found[use & (kind == k)]
        weight = 2 * SCATTER_PRIOR_INTERVALS
        scale2[k] = (weight * fleet2 + len(own) * spread2(own)) / (weight + len(own))
    return np.sqrt(np.clip(scale2, 0.1, 36.0))


def _leak_that_began(loss, unit, days, sd, counted, units) -> NDArray[np.bool_]:
    """True for a unit's latest intervals where they agree on one rate above zero."""
    at = np.flatnonzero(counted)
    at = at[_ends_later(at, unit, units) < LEAST_INTERVALS]
    u, d, w = unit[at], days[at], 1 / sd[at] ** 2
    a = np.bincount(u, w * d * d, units) + 1.0
    rate = np.bincount(u, w * d * loss[at], units) / a
    misfit = np.bincount(u, w * (loss[at] - rate[u] * d) ** 2, units)
    agrees = (np.bincount(u, minlength=units) == LEAST_INTERVALS) & (rate * np.sqrt(a) > 2.0)
    agrees &= _fits(misfit, LEAST_INTERVALS)
    found = np.zeros(len(loss), bool)
    found[at] = agrees[u]
    return found


def _steady_falls(loss, unit, days, stood, sd, large, units, most_bar) -> NDArray[np.bool_]:
    """True for large falls over many days of a unit that agree on one rate: use does not keep to one."""
    at = np.flatnonzero(large & (loss < most_bar) & (days >= STEADY_FALL_DAYS))
    u, d, w = unit[at], stood[at], 1 / sd[at] ** 2
    a = np.bincount(u, w * d * d, units)
    rate = np.bincount(u, w * d * loss[at], units) / np.maximum(a, 1e-12)
    misfit = np.bincount(u, w * (loss[at] - rate[u] * d) ** 2, units)
    counts = np.bincount(u, minlength=units)
    agrees = (counts >= LEAST_INTERVALS) & _fits(misfit, counts)
    found = np.zeros(len(loss), bool)
    found[at] = agrees[u]
    return found


def _expected_falls(fit: Fit, loss, unit, days, stood, sd, large, most_bar, flag_above) -> NDArray[np.bool_]:
    """True for large falls over many days that come to what the leak seen in the unit's other intervals lets expect."""
    rate, rate_sd = fit.rate[unit], fit.rate_sd[unit]
    leaks = (rate > flag_above) & (rate > SURE_LEAK_SD * rate_sd)
    near = np.abs(loss - rate * stood) < NEAR_EXPECTED_SD * np.hypot(sd, stood * rate_sd)
    return large & leaks & near & (loss < most_bar) & (days >= STEADY_FALL_DAYS)


def _fits(misfit: NDArray, intervals) -> NDArray[np.bool_]:
    """Whether intervals scatter about one rate no more than their error lets expect."""
    from scipy.special import chdtrc

    return chdtrc(np.maximum(np.asarray(intervals, float) - 1, 1), misfit) >= LEAST_FIT


def _ends_later(at: NDArray, unit: NDArray, units: int) -> NDArray[np.int64]:
    """How many of the given intervals of the same unit end later than each."""
    counts = np.bincount(unit[at], minlength=units)
    order = np.argsort(unit[at], kind="stable")
    start = np.r_[0, np.cumsum(counts)[:-1]]
    later = np.empty(len(at), "int64")
    later[order] = counts[unit[at][order]] - 1 - (np.arange(len(at)) - start[unit[at][order]])
    return later


def _largest_a_unit(lone: NDArray, outlying: NDArray, unit: NDArray) -> NDArray[np.bool_]:
    """Of the marked intervals of each unit only the one that lies out farthest."""
    picked = np.zeros_like(lone)
    at = np.flatnonzero(lone)
    if len(at):
        order = at[np.lexsort((-outlying[at], unit[at]))]
        first = np.r_[True, unit[order][1:] != unit[order][:-1]]
        picked[order[first]] = True
    return picked


def _judge(
    losses: Losses, use, short, unexplained, stated_sd, units: int, effect_sd, so_far, flag_above: float, probability
) -> LeakRates:
    """All intervals of each unit, and its latest runs, against the policy."""
    unit, days, stood = losses.unit, losses.days, losses.full_days
    on = use | short
    sums = sums_of(losses.take(on), units, len(effect_sd))
    fit = fit_rates(sums, effect_sd, BIAS_SD_BAR, so_far)
    common_sd = losses.common_sd(fit.effect_cov)
    at = np.flatnonzero(use)
    counts = np.bincount(unit[at], minlength=units)
    later = _ends_later(at, unit, units)
    strict = 1 - (1 - probability) / WINDOWS_ODDS
    # a leak is no clockwork: whether intervals agree is asked of the stated error, where the found one is less
    loose = np.maximum(losses.sd_bar, stated_sd)
    off = losses.loss_bar - losses.common(fit.effect)

    def misfit(which: NDArray, rate: NDArray) -> NDArray:
        u = unit[which]
        slows = SLOWS_SD_SHARE * np.maximum(rate[u], 0.0) * days[which] * losses.empty[which]
        return np.bincount(u, (off - rate[unit] * stood)[which] ** 2 / (loose[which] ** 2 + slows**2), units)

    def says_so(which: NDArray, its_rate: NDArray, its_sd: NDArray, chance: float, latest: int) -> NDArray:
        sure = (its_rate > flag_above) & (above_zero(its_rate, its_sd) >= chance)
        return (
            sure & _more_than_one_says_so(losses, fit, common_sd, which, units, flag_above, latest)
            if sure.any()
            else sure
        )

    rate, rate_sd = np.where(counts > 0, fit.rate, np.nan), fit.rate_sd.copy()
    window = np.full(units, np.iinfo("int64").max)
    flag = (counts >= LEAST_INTERVALS) & says_so(at, rate, rate_sd, probability, 0)
    flag &= (counts > RECENT_INTERVALS[-1]) | _fits(misfit(at, fit.rate), counts)
    for k in RECENT_INTERVALS:
        recent = at[later < k]
        its_rate, its_sd = units_alone(losses.take(recent), fit, units, BIAS_SD_BAR)
        found = ~flag & (counts > k) & _fits(misfit(recent, its_rate), k)
        found &= says_so(recent, its_rate, its_sd, strict, 1)
        flag |= found
        window = np.where(found, k, window)
    window = np.where(flag, _since_it_leaks(losses, off, at, later, window), window)
    of_rate = at[later < window[unit[at]]]
    its_rate, its_sd = units_alone(losses.take(of_rate), fit, units, BIAS_SD_BAR)
    began = flag & (window < counts)
    rate, rate_sd = np.where(began, its_rate, rate), np.where(began, its_sd, rate_sd)
    rate, rate_sd = _as_shown(losses, sums, on, of_rate, rate, rate_sd, effect_sd, so_far)
    flag &= (rate > flag_above) & (above_zero(rate, rate_sd) >= probability)
    n = np.bincount(unit[of_rate], minlength=units)
    span: NDArray[np.float64] = np.bincount(unit[of_rate], days[of_rate], units).astype(float)
    shown, low, high = nothing_is_gained(rate, np.hypot(rate_sd, SEASON_SHARE * np.nan_to_num(rate)))
    return LeakRates(
        rate_bar_per_day=shown,
        low_bar_per_day=low,
        high_bar_per_day=high,
        probability=np.where(counts > 0, above_zero(rate, rate_sd), np.nan),
        flag=flag,
        intervals=n,
        span_days=span,
        use=use,
        unexplained=unexplained,
    )


def _since_it_leaks(losses: Losses, off: NDArray, at, later, window) -> NDArray[np.int64]:
    """How many of each unit's latest intervals its rate stands on: those since it leaks, where it did not before.

    Of all beginnings the one that the intervals fit best, none lost before it: ln of the likelihood is (Σwdy)²/2Σwd².
    """
    if not len(at):
        return window
    order = at[np.lexsort((later, losses.unit[at]))]
    unit, days = losses.unit[order], losses.full_days[order]
    w = 1.0 / losses.sd_bar[order] ** 2
    begins = np.r_[True, unit[1:] != unit[:-1]]

    def summed(values: NDArray) -> NDArray:
        total = np.cumsum(values)
        return total - np.repeat((total - values)[begins], np.diff(np.r_[np.flatnonzero(begins), len(values)]))

    fits = np.maximum(summed(w * days * off[order]), 0.0) ** 2 / (2.0 * summed(w * days**2))
    taken = summed(np.ones(len(order))).astype("int64")
    best = window.copy()
    for u in np.unique(unit).tolist():
        mine = np.flatnonzero((unit == u) & (taken >= LEAST_INTERVALS) & (taken <= window[u]))
        if len(mine) and fits[mine].max() > fits[mine[-1]] + BEGAN_LOG_ODDS:
            best[u] = taken[mine[np.argmax(fits[mine])]]
    return best


def _more_than_one_says_so(
    losses: Losses, fit: Fit, common_sd, of_rate, units: int, flag_above: float, latest: int
) -> NDArray[np.bool_]:
    """Whether a unit leaks also without the intervals that carry most of it: they may be use nobody logged."""
    among = np.zeros(len(losses.unit), bool)
    among[of_rate] = True

    def says_so(without: NDArray, sure: float, share: float) -> NDArray[np.bool_]:
        rate, rate_sd = units_alone(losses.take(among & ~without), fit, units, BIAS_SD_BAR)
        return (rate > share * flag_above) & (above_zero(rate, rate_sd) >= sure)

    sums = sums_of(losses.take(among), units, len(fit.effect))
    beyond, its_sd = beyond_others(losses, sums, fit, among, common_sd)
    out = _largest_a_unit(among, beyond / its_sd, losses.unit)
    leaks = says_so(out, STILL_SURE[latest], STILL_SHARE[latest])
    # what each shows by itself, beyond its rounding and warmth and all that it shares with others
    own_sd = np.sqrt(losses.sd_bar**2 + common_sd**2 + (BIAS_SD_BAR * losses.biased) ** 2)
    shows = (losses.loss_bar - losses.common(fit.effect)) / own_sd
    first = _largest_a_unit(among, shows, losses.unit)
    second = first | _largest_a_unit(among & ~first, shows, losses.unit)
    leaks &= says_so(first, UNSHOWN_SURE, UNSHOWN_SHARE[0])
    few = np.bincount(losses.unit[of_rate], minlength=units) <= LEAST_INTERVALS
    return leaks & (few | says_so(second, UNSHOWN_SURE, UNSHOWN_SHARE[1]))


def _as_shown(losses: Losses, sums: Sums, on, of_rate, rate, rate_sd, effect_sd, so_far) -> tuple[NDArray, NDArray]:
    """No rate above what the fastest of the unit's intervals shows, effects as the other units know them."""
    unit, days = losses.unit[of_rate], losses.days[of_rate]
    shown = np.full(len(rate), -np.inf)
    np.maximum.at(shown, unit, losses.loss_bar[of_rate] / days)
    rate, rate_sd = rate.copy(), rate_sd.copy()
    doubted = np.flatnonzero(rate > shown).tolist()
    if not doubted:
        return rate, rate_sd
    rates = Rates(sums, effect_sd, own_prior(len(rate), BIAS_SD_BAR, so_far))
    for u in doubted:
        its = losses.take(on & (losses.unit == u))
        effect = effects_without(rates, its, u)
        mine = losses.take(of_rate[unit == u])
        most = np.max((mine.loss_bar - mine.common(effect)) / mine.days)
        if most < rate[u]:
            rate_sd[u] = np.hypot(rate_sd[u], rate[u] - most)
            rate[u] = most
    return rate, rate_sd
