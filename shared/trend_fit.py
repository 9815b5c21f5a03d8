"""Finding what all members share: effects of conditions, scatter, walk, spread between members, slopes.

Restricted maximum likelihood with weak priors. For given ratios of both walks and the between-member
variance to the scatter, the filter whitens the rates and the conditions alike; effects, population mean
and scatter then follow in closed form. Only the three ratios are searched. A dive far off its
prediction weighs less. At the end everything is scaled so that past one-step errors are as wide as said.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, ndtri

from shared.trend import (
    EFFECT_PRIOR_SD,
    SURPRISE_EDGES,
    Z80,
    Dives,
    Floats,
    Levels,
    SharedModels,
    filter_levels,
    prior_model,
)
from shared.trend_slope import (
    LEAST_DAYS,
    LEAST_DIVES,
    WINDOW_DAYS,
    drawn_rows,
    rate_of_next,
    slope_sums,
    window_start,
)

MEAN_PRIOR_SD = 0.2
SCATTER_PRIOR_DIVES = 20.0
RATIO_PRIOR_SD_LOG = np.array([1.0, 1.0, 0.5])
SLOPE_PRIOR_SD_LOG = 1.0
SCALE_PRIOR_DIVES, TAIL_PRIOR_DIVES = 60.0, 100.0
SLOPE_WALK_SHARES = (0.05, 0.1, 0.2, 0.35, 0.6, 1.0)
LEAST_DIVES_TO_FIT, LEAST_WINDOWS = 10, 5


@dataclass(frozen=True)
class _Fit:
    minus_log: float
    scatter_var: float
    coefficients: Floats
    covariance: Floats


def fit_shared(dives: Dives, begin: SharedModels | None = None, fresh: np.ndarray | None = None) -> SharedModels:
    """Fit everything shared from dives of all members; one entry.

    Parameters
    ----------
    dives : Dives
        All dives that may be used, nothing later.
    begin : SharedModels, optional
        The fit before, to start from.
    fresh : ndarray of bool, optional
        Dives that `begin` had not seen: how far they fell from its predictions is counted, so that the
        width of predictions rests on errors made before the answer was known. Default: all.

    Returns
    -------
    SharedModels
        Under 10 dives: the priors.
    """
    prior = prior_model(dives.conditions.shape[1])
    model = begin if begin is not None else prior
    one = np.zeros(len(dives), int)
    first_time = not model.surprises.any()
    levels = filter_levels(dives, model, one)
    model = _counted(dives, levels, model, np.ones(len(dives), bool) if fresh is None else fresh)
    if len(dives) < LEAST_DIVES_TO_FIT:
        return model
    for _ in range(3 if first_time else 1):
        ratios, fit = _search(dives, levels.weight, model, prior, step=1.0 if first_time else 0.5)
        model = _model(ratios, fit, model)
        levels = filter_levels(dives, model, one)
    return _calibrated(dives, levels, model, prior)


def _counted(dives: Dives, levels: Levels, model: SharedModels, fresh: np.ndarray) -> SharedModels:
    """The same fit with the surprises of fresh dives added, and the percentiles that follow."""
    counts = model.surprises[0] + np.histogram(_next_surprises(dives, levels, model, fresh), SURPRISE_EDGES)[0]
    with_prior = counts + TAIL_PRIOR_DIVES * np.diff(ndtr(SURPRISE_EDGES))
    z_low, z_high = np.interp([0.1, 0.9], np.cumsum(with_prior) / with_prior.sum(), SURPRISE_EDGES[1:])
    return replace(model, surprises=counts[None], z_low=np.array([z_low]), z_high=np.array([z_high]))


def _log_ratios(model: SharedModels) -> Floats:
    parts = np.array([model.walk_var_day[0], model.walk_var_dive[0], model.between_var[0]])
    return np.log(parts / model.scatter_var[0])


def _search(dives: Dives, weight: Floats, model: SharedModels, prior: SharedModels, step: float):
    """Pattern search over the log ratios; every round tries all neighbours in one filter run."""
    tried: dict[tuple[float, ...], _Fit] = {}
    best = tuple(np.round(_log_ratios(model), 6))
    sides = np.concatenate([np.zeros((1, 3)), np.eye(3), -np.eye(3)])
    for _ in range(14):
        around = [tuple(p) for p in np.round(np.array(best) + step * sides, 6)]
        new = [p for p in around if p not in tried]
        if new:
            tried.update(zip(new, _profile(dives, weight, np.array(new), model, prior), strict=True))
        better = min(around, key=lambda p: tried[p].minus_log)
        if better == best:
            step /= 2
            if step < 0.2:
                break
        best = better
    return np.array(best), tried[best]


def _profile(dives: Dives, weight: Floats, ratios: Floats, model: SharedModels, prior: SharedModels) -> list[_Fit]:
    """Minus twice the restricted log likelihood and the closed-form rest, for C rows of log ratios."""
    normal, log_spread = _whitened(dives, weight, np.exp(ratios), model.scatter_var[0])
    k = dives.conditions.shape[1]
    n = len(dives)
    prior_var = np.r_[MEAN_PRIOR_SD**2, np.full(k, EFFECT_PRIOR_SD**2)]
    precision = np.diag(model.scatter_var[0] / prior_var)
    mean = np.r_[prior.mean_log[0], np.zeros(k)]
    expected = _log_ratios(prior)
    found = []
    for ratio, sums, logs in zip(ratios, normal, log_spread, strict=True):
        a = sums[1:, 1:] + precision
        b = sums[1:, 0] + precision @ mean
        coefficients = np.linalg.solve(a, b)
        rest = sums[0, 0] + mean @ precision @ mean - b @ coefficients
        scatter = (rest + SCATTER_PRIOR_DIVES * prior.scatter_var[0]) / (n + SCATTER_PRIOR_DIVES)
        minus = (n + SCATTER_PRIOR_DIVES) * np.log(scatter) + logs + np.linalg.slogdet(a)[1]
        minus += (((ratio - expected) / RATIO_PRIOR_SD_LOG) ** 2).sum()
        found.append(_Fit(float(minus), float(scatter), coefficients, np.linalg.inv(a) * scatter))
    return found


def _whitened(dives: Dives, weight: Floats, ratios: Floats, scatter_var: float) -> tuple[Floats, Floats]:
    """Cross products of whitened rate, one, conditions, (C, 2+K, 2+K), and sums of log variance, (C,)."""
    k = dives.conditions.shape[1]
    c = len(ratios)
    starts, counts = dives.layout()
    walk, jump, between = ratios.T
    columns = np.concatenate([dives.log_rmv[:, None], np.ones((len(dives), 1)), dives.conditions], axis=1)
    noise = 1.0 / weight + dives.measurement_var / scatter_var
    state = np.zeros((c, len(starts), 2 + k))
    var = np.repeat(between[:, None], len(starts), axis=1)
    normal = np.zeros((c, 2 + k, 2 + k))
    logs = np.zeros(c)
    for step in range(int(counts[0])):
        active = int(np.searchsorted(-counts, -step, side="left"))
        row = starts[:active] + step
        state, var = state[:, :active], var[:, :active]
        if step:
            var = var + walk[:, None] * np.maximum(dives.day[row] - dives.day[row - 1], 0.0) + jump[:, None]
        total = var + noise[row]
        error = columns[row] - state
        white = error / np.sqrt(total)[..., None]
        normal += np.swapaxes(white, 1, 2) @ white
        logs += np.log(total).sum(axis=1)
        gain = var / total
        state = state + gain[..., None] * error
        var = var * (1.0 - gain)
    return normal, logs


def _model(ratios: Floats, fit: _Fit, old: SharedModels) -> SharedModels:
    walk, jump, between = np.exp(ratios) * fit.scatter_var
    return replace(
        old,
        mean_log=fit.coefficients[:1],
        between_var=np.array([between + fit.covariance[0, 0]]),  # the mean itself is not known better
        scatter_var=np.array([fit.scatter_var]),
        walk_var_day=np.array([walk]),
        walk_var_dive=np.array([jump]),
        effects=fit.coefficients[None, 1:],
        effects_cov=fit.covariance[None, 1:, 1:],
    )


def _calibrated(dives: Dives, levels: Levels, model: SharedModels, prior: SharedModels) -> SharedModels:
    """Scale all variances so that the middle 80 % of one-step surprises is where it should be."""
    low, high = np.quantile(levels.z, [0.1, 0.9])
    n = len(dives)
    scale = ((n * (high - low) / (2 * Z80) + SCALE_PRIOR_DIVES) / (n + SCALE_PRIOR_DIVES)) ** 2
    scaled = replace(
        model,
        between_var=model.between_var * scale,
        scatter_var=model.scatter_var * scale,
        walk_var_day=model.walk_var_day * scale,
        walk_var_dive=model.walk_var_dive * scale,
        effects_cov=model.effects_cov * scale,
    )
    slope_var, share = _slope_prior(dives, levels.weight, scaled, prior)
    return replace(scaled, slope_var=slope_var, slope_walk_share=share)


def _next_surprises(dives: Dives, levels: Levels, model: SharedModels, fresh: np.ndarray) -> Floats:
    """Where fresh dives fell in what was predicted of them with conditions unknown, as normal deviates."""
    one = np.zeros(len(dives), int)
    rows, share = drawn_rows(dives)
    follows = np.flatnonzero((dives.member[1:] == dives.member[:-1]) & fresh[1:])
    rows, share = rows[follows], share[follows]
    measured = (share * dives.measurement_var[rows]).sum(axis=1)
    gap = np.maximum(dives.day[follows + 1] - dives.day[follows], 0.0)
    mean, sd = rate_of_next(levels.pick(follows), dives.conditions[rows], measured, gap, model, one[follows])
    place = (share * ndtr((dives.log_rmv[follows + 1][:, None] - mean) / sd)).sum(axis=1)
    return ndtri(np.clip(place, 1e-6, 1 - 1e-6))


def _slope_prior(dives: Dives, weight: Floats, model: SharedModels, prior: SharedModels) -> tuple[Floats, Floats]:
    """Variance of true slopes, and how much of the walk is left about them.

    Maximum likelihood, with weak priors on both, over windows of 180 days that do not overlap: what a
    steady drift explains is not the walk's.
    """
    start = window_start(dives, WINDOW_DAYS)
    enough = (np.arange(len(dives)) - start + 1 >= LEAST_DIVES) & (dives.day - dives.day[start] >= LEAST_DAYS)
    first = np.r_[True, dives.member[1:] != dives.member[:-1]]
    origin = dives.day[np.maximum.accumulate(np.where(first, np.arange(len(dives)), 0))]
    window = np.floor((dives.day - origin) / WINDOW_DAYS)
    last = np.r_[(dives.member[1:] != dives.member[:-1]) | (window[1:] != window[:-1]), True]
    rows = np.flatnonzero(enough & last)
    if len(rows) < LEAST_WINDOWS:
        return prior.slope_var, prior.slope_walk_share
    grid = prior.slope_var[0] * np.exp(np.linspace(-4.0, 3.0, 57))
    beyond = (np.log(grid / prior.slope_var[0]) / (2 * SLOPE_PRIOR_SD_LOG)) ** 2
    best = (np.inf, prior.slope_var, prior.slope_walk_share)
    near = np.argsort(np.abs(np.log(np.array(SLOPE_WALK_SHARES) / model.slope_walk_share[0])))
    for share in np.array(SLOPE_WALK_SHARES)[near[:3]]:  # from month to month it moves by a step at most
        shared = replace(model, slope_walk_share=np.array([share]))
        sums = slope_sums(dives, weight, shared, np.zeros(len(rows), int), rows)
        rate_time, time_time = sums.time_rate(model.effects[0]), sums.time_time
        precision = time_time + 1.0 / grid[:, None]
        minus = np.log(grid[:, None] * precision) - rate_time**2 / precision
        minus = minus.sum(axis=1) + sums.log_spread.sum() + sums.rate_rate(model.effects[0]).sum()
        minus = minus + beyond + ((share - prior.slope_walk_share[0]) / 0.5) ** 2
        at = int(np.argmin(minus))
        if minus[at] < best[0]:
            best = (float(minus[at]), grid[[at]], np.array([share]))
    return best[1], best[2]
