"""Where a member's rate is heading: slope over a window, and the rate of the next dive."""

from dataclasses import dataclass

import numpy as np

from shared.trend import DAYS_A_MONTH, Z80, Dives, Floats, Ints, Levels, SharedModels, effects_var

WINDOW_DAYS = 180.0
LEAST_DIVES, LEAST_DAYS = 8, 60.0
RECENT_DIVES, RECENT_DAYS = 20, 365.0
HALF_AS_LIKELY_DAYS = 45.0


def window_start(dives: Dives, days: float | None = None, most: int | None = None) -> Ints:
    """First row, for each row, of the same member that is at most so many days (and rows) older, (n,)."""
    if not len(dives):
        return np.zeros(0, int)
    first = np.r_[True, dives.member[1:] != dives.member[:-1]]
    begin = np.maximum.accumulate(np.where(first, np.arange(len(dives)), 0))
    start = begin
    if days is not None:
        # members lie on one axis, each in its own stretch, so that one sorted search serves all
        start = np.maximum(start, _searched(dives, first, days))
    if most is not None:
        start = np.maximum(start, np.arange(len(dives)) - most + 1)
    return start


def _searched(dives: Dives, first: np.ndarray, days: float) -> Ints:
    width = float(np.ptp(dives.day)) + 2 * days + 1.0
    rank = np.cumsum(first) - 1
    axis = rank * width + dives.day
    return np.searchsorted(axis, axis - days - 1e-9, side="left")


@dataclass(frozen=True)
class SlopeSums:
    """Sums over a window of whitened columns, in the order rate, time, conditions; (n, …)."""

    products: Floats
    log_spread: Floats

    @property
    def time_time(self) -> Floats:
        return self.products[:, 1, 1]

    def time_rate(self, effects: Floats) -> Floats:
        """Time with the rate corrected for conditions; `effects` (K,) or (n, K)."""
        return self.products[:, 1, 0] - (self.products[:, 1, 2:] * effects).sum(axis=1)

    def rate_rate(self, effects: Floats) -> Floats:
        """Corrected rate with itself; `effects` (K,)."""
        by = np.r_[1.0, 0.0, -effects]
        return np.einsum("nij,i,j->n", self.products, by, by)


def slope_sums(
    dives: Dives,
    weight: Floats,
    models: SharedModels,
    model_of: Ints,
    rows: Ints,
    window_days: float = WINDOW_DAYS,
    whole: bool = True,
) -> SlopeSums:
    """Whiten rate, time and conditions over the window that ends with each of these rows.

    Every column runs through the filter of walk and scatter with a free start; regression on the
    whitened columns is generalised least squares (de Jong's augmented filter; Durbin and Koopman § 6.2,
    from memory). Days count back from each row. `whole=False` fills only the products with time.
    """
    n, k = len(rows), dives.conditions.shape[1]
    start = window_start(dives, window_days)[rows]
    length = rows - start + 1
    order = np.argsort(-length, kind="stable")
    start, length, fit, last_day = start[order], length[order], model_of[order], dives.day[rows[order]]
    scatter, share = models.scatter_var[fit], models.slope_walk_share[fit]
    walk, jump = models.walk_var_day[fit] * share, models.walk_var_dive[fit] * share
    state, var = np.zeros((n, 2 + k)), np.zeros(n)
    products, logs = np.zeros((n, 2 + k, 2 + k)), np.zeros(n)
    for step in range(int(length[0]) if n else 0):
        active = int(np.searchsorted(-length, -step, side="left"))
        row = start[:active] + step
        value = np.concatenate(
            [dives.log_rmv[row][:, None], (dives.day[row] - last_day[:active])[:, None], dives.conditions[row]], axis=1
        )
        noise = scatter[:active] / weight[row] + dives.measurement_var[row]
        if step == 0:
            state[:active], var[:active] = value, noise
            continue
        gap = np.maximum(dives.day[row] - dives.day[row - 1], 0.0)
        before = var[:active] + walk[:active] * gap + jump[:active]
        total = before + noise
        error = value - state[:active]
        if whole:
            products[:active] += error[:, :, None] * (error / total[:, None])[:, None, :]
            logs[:active] += np.log(total)
        else:
            products[:active, 1] += error * (error[:, 1] / total)[:, None]
        gain = before / total
        state[:active] += gain[:, None] * error
        var[:active] = before * (1.0 - gain)
    back = np.argsort(order, kind="stable")
    return SlopeSums(products[back], logs[back])


def slopes(
    dives: Dives, weight: Floats, models: SharedModels, model_of: Ints, window_days: float = WINDOW_DAYS
) -> tuple[Floats, Floats]:
    """Generalised least squares slope of corrected log rate on days over the window before each dive.

    Parameters
    ----------
    dives : Dives
    weight : ndarray, (n,)
        Weight of each dive when it was first seen; an outlier's scatter is taken as larger by 1/weight.
    models, model_of
        As in `shared.trend.filter_levels`.

    Returns
    -------
    slope, slope_sd : ndarray, (n,)
        Log rate per day. The covariance is that of random walk and scatter, the intercept is free, the
        slope has the prior N(0, slope_var); the effects' uncertainty is in the deviation.
    """
    sums = slope_sums(dives, weight, models, model_of, np.arange(len(dives)), window_days, whole=False)
    precision = sums.time_time + 1.0 / models.slope_var[model_of]
    lean = sums.products[:, 1, 2:] / precision[:, None]
    slope = sums.time_rate(models.effects[model_of]) / precision
    return slope, np.sqrt(1.0 / precision + effects_var(lean, models, model_of))


def pct_per_month(slope_per_day: Floats) -> Floats:
    """Slope of log rate per day as per cent a month of 30.44 days."""
    return 100.0 * np.expm1(DAYS_A_MONTH * np.asarray(slope_per_day))


def too_few(dives: Dives, window_days: float = WINDOW_DAYS) -> np.ndarray:
    """Whether fewer than 8 dives, or less than 60 days, stand behind each row's slope, (n,) bool."""
    start = window_start(dives, window_days)
    count = np.arange(len(dives)) - start + 1
    return (count < LEAST_DIVES) | (dives.day - dives.day[start] < LEAST_DAYS)


def next_dive(
    dives: Dives,
    levels: Levels,
    models: SharedModels,
    model_of: Ints,
    chances: tuple[float, ...] = (0.1, 0.9),
) -> Floats:
    """Percentiles of the rate of the dive that follows each row, L/min, (n, len(chances)).

    The next dive's conditions are drawn from the member's last 20 dives within 365 days, the newer the
    likelier (half for every 45 days older), since water and habits have their season; its rate at each
    follows from the level, the walk over the usual gap, the scatter and what is uncertain. Errors
    above and below are stretched by what past one-step errors showed.
    """
    n = len(dives)
    if n == 0:
        return np.empty((0, len(chances)))
    rows, share = drawn_rows(dives)
    measured = (share * dives.measurement_var[rows]).sum(axis=1)
    mean, sd = rate_of_next(levels, dives.conditions[rows], measured, usual_gap(dives), models, model_of)
    up, down = models.z_high[model_of] / Z80, -models.z_low[model_of] / Z80
    return np.exp(
        np.stack([mixture_quantile(mean, sd, share, up if c > 0.5 else down, c) for c in chances], axis=1)
    )


def recent_rows(dives: Dives, most: int = RECENT_DIVES, days: float | None = RECENT_DAYS) -> tuple[Ints, np.ndarray]:
    """Rows of each row's last dives, itself included, (n, most), and which of the places are filled."""
    start = window_start(dives, days, most)
    rows = np.arange(len(dives))[:, None] - np.arange(most)[None, :]
    known = rows >= start[:, None]
    return np.where(known, rows, np.arange(len(dives))[:, None]), known


def drawn_rows(dives: Dives) -> tuple[Ints, Floats]:
    """Rows that each row's next dive is drawn from, and with what share, (n, 20); the shares sum to one."""
    rows, known = recent_rows(dives)
    share = np.where(known, 0.5 ** ((dives.day[:, None] - dives.day[rows]) / HALF_AS_LIKELY_DAYS), 0.0)
    return rows, share / share.sum(axis=1, keepdims=True)


def usual_gap(dives: Dives, most: int = RECENT_DIVES) -> Floats:
    """Median days between a member's last dives, 7 where there is one dive only, (n,)."""
    rows, known = recent_rows(dives, most, None)
    first = np.r_[True, dives.member[1:] != dives.member[:-1]]
    gap = np.where(first, np.nan, np.diff(np.r_[np.nan, dives.day]))
    gaps = np.where(known, gap[rows], np.nan)
    empty = ~np.isfinite(gaps).any(axis=1)
    gaps[empty, 0] = 7.0
    return np.nanmedian(gaps, axis=1)


def rate_of_next(
    levels: Levels,
    at_conditions: Floats,
    measurement_var: Floats,
    gap_days: Floats,
    models: SharedModels,
    model_of: Ints,
) -> tuple[Floats, Floats]:
    """Mean and deviation of log rate of a dive so many days on, at each of several conditions.

    `at_conditions` is (n, J, K); the results are (n, J).
    """
    effects = models.effects[model_of]
    mean = levels.level[:, None] + np.einsum("njk,nk->nj", at_conditions, effects)
    away = at_conditions - levels.lean[:, None, :]
    walked = models.walk_var_day[model_of] * gap_days + models.walk_var_dive[model_of]
    common = levels.level_var + walked + models.scatter_var[model_of] + measurement_var
    return mean, np.sqrt(common[:, None] + effects_var(away, models, model_of[:, None]))


def mixture_quantile(mean: Floats, sd: Floats, share: Floats, stretch: Floats, chance: float) -> Floats:
    """Quantile of a mixture of normals with these shares, row by row, (n, J) → (n,); by bisection.

    It lies between the least and the greatest quantile of the parts, which leaves little to halve.
    """
    from scipy.special import ndtr, ndtri

    spread = sd * stretch[:, None]
    own = mean + ndtri(chance) * spread
    low = np.where(share > 0, own, np.inf).min(axis=1)
    high = np.where(share > 0, own, -np.inf).max(axis=1)
    # row by row until it is narrow, so that a row's answer does not hang on what else is asked
    while (wide := high - low > 1e-5).any():
        middle = (low + high) / 2
        under = (share * ndtr((middle[:, None] - mean) / spread)).sum(axis=1) < chance
        low, high = np.where(wide & under, middle, low), np.where(wide & ~under, middle, high)
    return (low + high) / 2
