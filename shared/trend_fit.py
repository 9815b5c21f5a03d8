"""Finding what all members share: effects of conditions, scatter, walk, spread between members, slopes.

Restricted maximum likelihood with weak priors. For given ratios of walk and between-member variance to
scatter, the filter whitens the rates and the conditions alike; effects, population mean and scatter
then follow in closed form. Only the two ratios are searched. A dive far off its prediction weighs less.
"""

from dataclasses import dataclass

import numpy as np

from shared.trend import (
    EFFECT_PRIOR_SD,
    Z80,
    Dives,
    Floats,
    SharedModels,
    filter_levels,
    prior_model,
)
from shared.trend_slope import LEAST_DAYS, LEAST_DIVES, WINDOW_DAYS, slopes, window_start

MEAN_PRIOR_SD = 0.2
SCATTER_PRIOR_DIVES = 20.0
WALK_PRIOR_SD_LOG, BETWEEN_PRIOR_SD_LOG = 1.0, 0.5
SCALE_PRIOR_DIVES, TAIL_PRIOR_DIVES = 60.0, 200.0
LEAST_DIVES_TO_FIT = 10


@dataclass(frozen=True)
class _Fit:
    minus_log: float
    scatter_var: float
    coefficients: Floats
    covariance: Floats


def fit_shared(dives: Dives, begin: SharedModels | None = None) -> SharedModels:
    """Fit everything shared from dives of all members; one entry.

    Parameters
    ----------
    dives : Dives
        All dives that may be used, nothing later.
    begin : SharedModels, optional
        An earlier fit to start from; it saves time and weighs nothing.

    Returns
    -------
    SharedModels
        Under 10 dives: the priors.
    """
    prior = prior_model(dives.conditions.shape[1])
    if len(dives) < LEAST_DIVES_TO_FIT:
        return prior
    model = begin if begin is not None else prior
    ratios, fit = np.zeros(2), None
    for _ in range(3 if begin is None else 1):
        weight = filter_levels(dives, model, np.zeros(len(dives), int)).weight
        ratios, fit = _search(dives, weight, model, prior, step=1.0 if begin is None else 0.5)
        model = _model(ratios, fit, model)
    return _calibrated(dives, model, prior)


def _search(dives: Dives, weight: Floats, model: SharedModels, prior: SharedModels, step: float):
    """Pattern search over the two log ratios; every round tries all neighbours in one filter run."""
    centre = np.log([model.walk_var_day[0] / model.scatter_var[0], model.between_var[0] / model.scatter_var[0]])
    tried: dict[tuple[float, float], _Fit] = {}

    def evaluate(points):
        new = [p for p in {tuple(np.round(p, 6)) for p in points} if p not in tried]
        if new:
            tried.update(zip(new, _profile(dives, weight, np.array(new), model, prior), strict=True))
        return min((tuple(np.round(p, 6)) for p in points), key=lambda p: tried[p].minus_log)

    best = tuple(np.round(centre, 6))
    for _ in range(14):
        around = np.array(best) + step * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
        better = evaluate(around)
        if better == best:
            step /= 2
            if step < 0.2:
                break
        best = better
    return np.array(best), tried[best]


def _profile(dives: Dives, weight: Floats, ratios: Floats, model: SharedModels, prior: SharedModels) -> list[_Fit]:
    """Minus twice the restricted log likelihood and the closed-form rest, for C pairs of log ratios."""
    normal, log_spread = _whitened(dives, weight, np.exp(ratios), model.scatter_var[0])
    k = dives.conditions.shape[1]
    n = len(dives)
    prior_var = np.r_[MEAN_PRIOR_SD**2, np.full(k, EFFECT_PRIOR_SD**2)]
    precision = np.diag(model.scatter_var[0] / prior_var)
    mean = np.r_[prior.mean_log[0], np.zeros(k)]
    before = np.log([prior.walk_var_day[0] / prior.scatter_var[0], prior.between_var[0] / prior.scatter_var[0]])
    found = []
    for ratio, sums, logs in zip(ratios, normal, log_spread, strict=True):
        a = sums[1:, 1:] + precision
        b = sums[1:, 0] + precision @ mean
        coefficients = np.linalg.solve(a, b)
        rest = sums[0, 0] + mean @ precision @ mean - b @ coefficients
        scatter = (rest + SCATTER_PRIOR_DIVES * prior.scatter_var[0]) / (n + SCATTER_PRIOR_DIVES)
        minus = (
            (n + SCATTER_PRIOR_DIVES) * np.log(scatter) + logs + np.linalg.slogdet(a)[1]
            + (((ratio - before) / [2 * WALK_PRIOR_SD_LOG, 2 * BETWEEN_PRIOR_SD_LOG]) ** 2).sum()
        )
        found.append(_Fit(float(minus), float(scatter), coefficients, np.linalg.inv(a) * scatter))
    return found


def _whitened(dives: Dives, weight: Floats, ratios: Floats, scatter_var: float) -> tuple[Floats, Floats]:
    """Cross products of whitened rate, one, conditions, (C, 2+K, 2+K), and sums of log variance, (C,)."""
    k = dives.conditions.shape[1]
    c = len(ratios)
    starts, counts = dives.layout()
    walk, between = ratios[:, 0], ratios[:, 1]
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
            var = var + walk[:, None] * np.maximum(dives.day[row] - dives.day[row - 1], 0.0)
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
    return SharedModels(
        mean_log=fit.coefficients[:1],
        between_var=np.array([np.exp(ratios[1]) * fit.scatter_var]),
        scatter_var=np.array([fit.scatter_var]),
        walk_var_day=np.array([np.exp(ratios[0]) * fit.scatter_var]),
        slope_var=old.slope_var,
        effects=fit.coefficients[None, 1:],
        effects_cov=fit.covariance[None, 1:, 1:],
        z_low=old.z_low,
        z_high=old.z_high,
    )


def _calibrated(dives: Dives, model: SharedModels, prior: SharedModels) -> SharedModels:
    """Scale all variances so that the middle 80 % of one-step surprises is where it should be."""
    one = np.zeros(len(dives), int)
    z = filter_levels(dives, model, one).z
    low, high = np.quantile(z, [0.1, 0.9])
    scale = (len(z) * (high - low) / (2 * Z80) + SCALE_PRIOR_DIVES) / (len(z) + SCALE_PRIOR_DIVES)
    scaled = SharedModels(
        mean_log=model.mean_log,
        between_var=model.between_var * scale**2,
        scatter_var=model.scatter_var * scale**2,
        walk_var_day=model.walk_var_day * scale**2,
        slope_var=model.slope_var,
        effects=model.effects,
        effects_cov=model.effects_cov * scale**2,
        z_low=model.z_low,
        z_high=model.z_high,
    )
    levels = filter_levels(dives, scaled, one)
    low, high = np.quantile(levels.z, [0.1, 0.9])
    share = len(z) / (len(z) + TAIL_PRIOR_DIVES)
    tails = SharedModels(**{
        **scaled.__dict__,
        "slope_var": _slope_var(dives, levels.weight, scaled, prior),
        "z_low": np.array([-Z80 + share * (low + Z80)]),
        "z_high": np.array([Z80 + share * (high - Z80)]),
    })
    return tails


def _slope_var(dives: Dives, weight: Floats, model: SharedModels, prior: SharedModels) -> Floats:
    """Variance of true slopes by maximum likelihood over windows that do not overlap, with a weak prior."""
    one = np.zeros(len(dives), int)
    flat = SharedModels(**{**model.__dict__, "slope_var": np.array([1e6])})  # no prior: plain estimates
    start = window_start(dives, WINDOW_DAYS)
    enough = (np.arange(len(dives)) - start + 1 >= LEAST_DIVES) & (dives.day - dives.day[start] >= LEAST_DAYS)
    first = np.r_[True, dives.member[1:] != dives.member[:-1]]
    origin = dives.day[np.maximum.accumulate(np.where(first, np.arange(len(dives)), 0))]
    window = np.floor((dives.day - origin) / WINDOW_DAYS)
    last = np.r_[(dives.member[1:] != dives.member[:-1]) | (window[1:] != window[:-1]), True]
    rows = np.flatnonzero(enough & last)
    if len(rows) < 5:
        return prior.slope_var
    slope, sd = slopes(dives, weight, flat, one)
    slope, sd = slope[rows], sd[rows]
    grid = prior.slope_var[0] * np.exp(np.linspace(-3.0, 3.0, 61))
    total = grid[:, None] + sd**2
    score = (np.log(total) + slope**2 / total).sum(axis=1) + (np.log(grid / prior.slope_var[0]) / 1.5) ** 2
    return grid[[np.argmin(score)]]
