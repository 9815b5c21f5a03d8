"""The rate of the next dive, from what is known after each dive."""

import numpy as np
from scipy.special import ndtr, ndtri

from shared.gas.constants import Z80
from shared.trend.filters import Levels, passage
from shared.trend.level import Bools, Dives, Floats, Ints, SharedModels, effects_var

RECENT_DIVES, RECENT_DAYS = 20, 365.0
HALF_AS_LIKELY_DAYS = 45.0
GAP_OF_THE_FIRST_DAYS = 7.0
A_MOMENT = 1e-6
"""Days by which moments may differ and be one: what is rounded away hangs on who else is computed."""


def window_start(dives: Dives, days: float | None = None, most: int | None = None) -> Ints:
    """First row, for each row, of the same member that is at most so many days (and rows) older, (n,)."""
    if not len(dives):
        return np.zeros(0, int)
    start = dives.first_row()
    if days is not None:
        # members lie on one axis, each in its own stretch, so that one sorted search serves all
        width = float(np.ptp(dives.day)) + 2 * days + 1.0
        axis = (np.cumsum(dives.first_of_member()) - 1) * width + dives.day
        start = np.maximum(start, np.searchsorted(axis, axis - days - A_MOMENT, side="left"))
    if most is not None:
        start = np.maximum(start, np.arange(len(dives)) - most + 1)
    return start


def recent_rows(dives: Dives, most: int = RECENT_DIVES, days: float | None = RECENT_DAYS) -> tuple[Ints, Bools]:
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
    gap = np.where(dives.first_of_member(), np.nan, np.diff(np.r_[np.nan, dives.day]))
    gaps = np.where(known, gap[rows], np.nan)
    empty = ~np.isfinite(gaps).any(axis=1)
    gaps[empty, 0] = GAP_OF_THE_FIRST_DAYS
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
    way = passage(gap_days, levels.walk_var_day[:, None], levels.drift_var_day2[:, None])
    reach = way.reach[:, 0]
    mean = levels.level + reach * levels.drift
    mean = mean[:, None] + np.einsum("njk,nk->nj", at_conditions, models.effects[model_of])
    away = at_conditions - (levels.level_conditions + reach[:, None] * levels.drift_conditions)[:, None, :]
    common = levels.level_var + reach * (2 * levels.level_drift + reach * levels.drift_var) + way.level_var[:, 0]
    common = common + levels.scatter_var + measurement_var
    return mean, np.sqrt(common[:, None] + effects_var(away, models.member_effects_cov()[model_of][:, None]))


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
    follows from level, drift, the usual gap, the scatter and what is uncertain. Errors above and below
    are stretched by what past one-step errors showed.
    """
    n = len(dives)
    if n == 0:
        return np.empty((0, len(chances)))
    rows, share = drawn_rows(dives)
    measured = (share * dives.measurement_var[rows]).sum(axis=1)
    mean, sd = rate_of_next(levels, dives.conditions[rows], measured, usual_gap(dives), models, model_of)
    up, down = models.z_high[model_of] / Z80, -models.z_low[model_of] / Z80
    return np.exp(
        np.stack([mixture_quantile(mean, sd * (up if c > 0.5 else down)[:, None], share, c) for c in chances], axis=1)
    )


def place_of_next(
    dives: Dives, levels: Levels, models: SharedModels, model_of: Ints, rows: Ints, drawn: tuple[Ints, Floats]
) -> Floats:
    """Where the dive after each of these rows fell in what was predicted of it, as a normal deviate.

    `levels` and `model_of` are of these rows, `drawn` is `drawn_rows` of all dives.
    """
    places, share = drawn[0][rows], drawn[1][rows]
    measured = (share * dives.measurement_var[places]).sum(axis=1)
    gap = np.maximum(dives.day[rows + 1] - dives.day[rows], 0.0)
    mean, sd = rate_of_next(levels, dives.conditions[places], measured, gap, models, model_of)
    place = (share * ndtr((dives.log_rmv[rows + 1][:, None] - mean) / sd)).sum(axis=1)
    return ndtri(np.clip(place, 1e-6, 1 - 1e-6))


def level_band(
    levels: Levels, at_conditions: Floats, models: SharedModels, model_of: Ints
) -> tuple[Floats, Floats, Floats]:
    """Rate of a member at given conditions with its 80 % band, L/min, each (n,)."""
    mean = levels.level + (at_conditions * models.effects[model_of]).sum(axis=1)
    away = at_conditions - levels.level_conditions
    sd = np.sqrt(levels.level_var + effects_var(away, models.member_effects_cov()[model_of]))
    return np.exp(mean), np.exp(mean - Z80 * sd), np.exp(mean + Z80 * sd)


def mixture_quantile(mean: Floats, sd: Floats, share: Floats, chance: float, close: float = 1e-5) -> Floats:
    """Quantile of a mixture of normals with these shares, row by row, (n, J) → (n,); by bisection.

    It lies between the least and the greatest quantile of the parts, which leaves little to halve.
    """
    own = mean + ndtri(chance) * sd
    low = np.where(share > 1e-9, own, np.inf).min(axis=1)
    high = np.where(share > 1e-9, own, -np.inf).max(axis=1)
    # row by row until it is narrow, so that a row's answer does not hang on what else is asked
    while (wide := high - low > close).any():
        middle = (low + high) / 2
        under = (share * ndtr((middle[:, None] - mean) / sd)).sum(axis=1) < chance
        low, high = np.where(wide & under, middle, low), np.where(wide & ~under, middle, high)
    return (low + high) / 2
