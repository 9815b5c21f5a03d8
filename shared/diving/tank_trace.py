"""Gas in a dived cylinder over time, from what its gauge read: many dives and cylinders at once.

The unknowns of a cylinder are its content and gas temperature at the start, how gas and wall follow the
water, the water's offset, gas that went into wing and suit on descent, and the rate of breathing at knots
through the dive. Pressures say what the real gas of that content at that temperature reads. All are fitted
together (Gauss-Newton, normal priors, Student-t weights for the readings), so that readings may be two or
four hundred, stepped, missing or wild; what the readings leave open shows in the interval.
"""

from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from shared.diving.tank_grid import (
    CONTENT,
    DEPARTURES,
    EARLY,
    INFLATION,
    KNOT_WEIGHTS,
    KNOTS,
    RATE,
    SHARED,
    START,
    STEPS,
    USE,
    early_share,
    times,
)
from shared.diving.tank_model import FIRST_APART_K, TankModel
from shared.diving.tank_prior import free_content, without_inflation
from shared.diving.tank_records import TankFits, TankRecords

_NU = 4.0
_ROWS_AT_ONCE = 128
_WIDE = np.full(KNOTS, np.inf)
_LARGEST_STEP = np.array([8.0, 15.0, 0.5, 0.6, 1.0, np.inf, np.inf, 0.5, np.inf, *_WIDE])
_LOW = np.array([-12.0, -25.0, -1.2, -1.5, 0.0, -np.inf, -5.0, -0.9, -np.inf, *-_WIDE])
_HIGH = np.array([12.0, 75.0, 1.2, 1.5, 4.0, np.inf, 40.0, 2.0, np.inf, *_WIDE])


def fit_tanks(
    records: TankRecords, rounds: int = 6, start: NDArray | None = None, likelihood: bool = False
) -> TankFits:
    """Fit each record.

    Parameters
    ----------
    records : TankRecords
        Each row needs two readings apart in time; a row without gets NaN.
    rounds : int
        Gauss-Newton steps; each also reweighs the readings.
    start : ndarray, optional
        `unknowns` of an earlier fit of the same records, to go on from.
    likelihood : bool
        Also say what the readings alone say of the unknowns (`TankFits.information` and `vector`).

    Returns
    -------
    TankFits
        NaN in a row that could not be fitted (too few readings, states outside the gas engine's box).
    """
    parts = []
    for first in range(0, max(len(records), 1), _ROWS_AT_ONCE):
        some = slice(first, first + _ROWS_AT_ONCE)
        parts.append(_fit(records.take(some), rounds, None if start is None else start[some], likelihood))
    return TankFits(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(TankFits)})


def with_shared_prior(fits: TankFits, shared_mean: NDArray, shared_cov: NDArray) -> TankFits:
    """Fits whose likelihood is known, solved with a normal prior of the unknowns SHARED: one linear step.

    Unknowns, spread and prior are found; what is over the grid stays. Content NaN in `shared_mean` keeps its prior.
    """
    fine = np.isfinite(fits.used_free_l)
    mean, precision = fits.prior_mean[fine].copy(), fits.prior_precision[fine].copy()
    stated = shared_mean[fine].copy()
    free = ~np.isfinite(stated[:, CONTENT - START])
    stated[free, CONTENT - START] = mean[free, CONTENT]
    mean[:, SHARED] = stated
    still = precision[:, INFLATION, INFLATION] > 1e5
    precision[:, SHARED, SHARED] = np.linalg.inv(
        free_content(without_inflation(shared_cov[fine], still), free, precision[:, CONTENT, CONTENT] ** -0.5)
    )
    spread = np.linalg.inv(fits.information[fine] + precision)
    found = {f: getattr(fits, f).copy() for f in ("unknowns", "spread", "prior_mean", "prior_precision")}
    found["unknowns"][fine] = times(spread, fits.vector[fine] + times(precision, mean))
    found["spread"][fine], found["prior_mean"][fine], found["prior_precision"][fine] = spread, mean, precision
    return replace(fits, **found)


def _fit(r: TankRecords, rounds: int, start: NDArray | None, likelihood: bool) -> TankFits:
    model = TankModel(r)
    known, sd, centre, prior = model.readings.known, model.sd, model.centre, model.prior
    few = known.sum(axis=0) <= 3
    enough = (known.sum(axis=0) >= 2) & (np.ptp(np.where(model.known, model.at, model.at[:, :1]), axis=1) > 0)
    x = centre.copy() if start is None else np.where(np.isfinite(start), start, centre)
    if start is None and np.isfinite(r.shared_mean[:, CONTENT - START]).any():
        x[:, CONTENT] = model.content_as_read(x)
    scale = np.ones(len(r))
    apart_k = np.full((STEPS, len(r)), FIRST_APART_K)
    for turn in range(rounds + 1):
        course = model.course(x, apart_k)
        now, apart_k = model.reading(course), course.apart_k
        if turn >= 2 or start is not None:
            off = np.where(now.seen, np.abs(now.residual) / sd, np.nan)
            scale = np.clip(1.4826 * np.nan_to_num(_median(off), nan=1.0), 1.0, 20.0)
        weight = (_NU + 1) / (_NU + (now.residual / (sd * scale)) ** 2)
        weight = np.where(now.seen, np.where(few, 1.0, weight), 0.0)
        root = np.sqrt(weight) / (sd * scale)
        j = model.jacobian(x, course, now, root)
        turned = j.transpose(0, 2, 1)
        hessian = turned @ j + prior
        if turn == rounds:
            break
        pulled = times(turned, (now.residual * root).T) + times(prior, centre - x)
        step = np.nan_to_num(np.linalg.solve(hessian, pulled[:, :, None])[:, :, 0])
        x = np.clip(x + np.clip(step, -_LARGEST_STEP, _LARGEST_STEP), _LOW, _HIGH)

    spread = np.linalg.inv(hessian)
    to_used = model.answers.taken[-1].T
    variance = (to_used * times(spread[:, USE, USE], to_used)).sum(axis=1)
    fine = enough & np.isfinite(now.modelled_bar).all(axis=0) & np.isfinite(variance)

    def kept(values: NDArray) -> NDArray:
        return np.where(fine.reshape(-1, *[1] * (values.ndim - 1)), values, np.nan)

    information, vector = np.full_like(spread, np.nan), np.full_like(x, np.nan)
    if likelihood:
        information, vector = _likelihood(model, x, root)
    rate = x[:, RATE, None] + x[:, DEPARTURES] @ KNOT_WEIGHTS.T
    rate += (x[:, EARLY] * model.reference_rate)[:, None] * early_share(r.duration_s)
    return TankFits(
        unknowns=kept(x),
        spread=kept(spread),
        prior_mean=kept(centre),
        prior_precision=kept(prior),
        information=kept(information),
        vector=kept(vector),
        reference_rate_l_min=kept(model.reference_rate),
        used_free_l=kept(course.used.sum(axis=0)),
        used_sd_free_l=kept(np.sqrt(np.maximum(variance, 0.0))),
        amount_free_l=kept(course.amount.T),
        gas_c=kept(course.gas_c.T),
        modelled_bar=kept(now.modelled_bar.T),
        rate_l_min=kept(r.breathing_share * rate),
        residual_bar=model.readings.back(now.residual, np.nan),
        weight=model.readings.back(np.minimum(weight, 1.0), 0.0),
    )


def _likelihood(model: TankModel, x: NDArray, root: NDArray) -> tuple[NDArray, NDArray]:
    """What the readings, so weighted, say of the unknowns: information, and information times mean.

    Linear at what was said beforehand, with a steady rate, not at what the fit made of the readings: how a reading
    answers to lag or cooling hangs on how warm the gas was and on what was drawn. Taken where the readings themselves
    would have these, chance in the breathing would choose the answer and its weight, and hundreds of dives would agree
    on a wrong one; taken at what was said, chance averages out.
    """
    at = model.centre.copy()
    at[:, CONTENT] = np.where(np.isfinite(x[:, CONTENT]), x[:, CONTENT], at[:, CONTENT])
    before = model.course(at, np.full((STEPS, len(at)), FIRST_APART_K))
    course = model.course(at, before.apart_k)
    now = model.reading(course)
    j = model.jacobian(at, course, now, root * now.seen)
    turned = j.transpose(0, 2, 1)
    return turned @ j, times(turned, (now.residual * root).T + times(j, at))


def _median(values: NDArray) -> NDArray:
    """Median of each column over what is known; NaN where nothing is."""
    ordered = np.sort(values, axis=0)
    count = np.isfinite(values).sum(axis=0)
    index = np.arange(values.shape[1])
    low, high = np.maximum((count - 1) // 2, 0), np.maximum(count // 2, 0)
    high = np.minimum(high, len(values) - 1)
    middle = 0.5 * (ordered[low, index] + ordered[high, index])
    return np.where(count > 0, middle, np.nan)
