"""Gas in a dived cylinder over time, from what its gauge read: many dives and cylinders at once.

The unknowns of a cylinder are its content and gas temperature at the start, how gas and wall follow the
water, the water's offset, gas that went into wing and suit on descent, and the rate of breathing at knots
through the dive. Pressures say what the real gas of that content at that temperature reads. All are fitted
together (Gauss-Newton, normal priors, Student-t weights for the readings), so that readings may be two or
four hundred, stepped, missing or wild; what the readings leave open shows in the interval.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from shared.diving.tank_grid import (
    CONTENT,
    DEPARTURES,
    EARLY,
    KNOT_WEIGHTS,
    KNOTS,
    RATE,
    START,
    STEPS,
    USE,
    early_share,
    times,
)
from shared.diving.tank_model import FIRST_APART_K, Course, Reading, TankModel
from shared.diving.tank_records import TankFits, TankRecords

_NU = 4.0
_FEW = 3
_ROWS_AT_ONCE = 128
_WIDE = np.full(KNOTS, np.inf)
_LARGEST_STEP = np.array([8.0, 15.0, 0.5, 0.6, 1.0, np.inf, np.inf, 0.5, np.inf, *_WIDE])
_LOW = np.array([-12.0, -25.0, -1.2, -1.5, 0.0, -np.inf, -5.0, -0.9, -np.inf, *-_WIDE])
_HIGH = np.array([12.0, 75.0, 1.2, 1.5, 4.0, np.inf, 40.0, 2.0, np.inf, *_WIDE])


def fit_tanks(records: TankRecords, rounds: int = 6, start: TankFits | None = None) -> TankFits:
    """Fit each record.

    Parameters
    ----------
    records : TankRecords
        Each row needs two readings apart in time; a row without gets NaN.
    rounds : int
        Gauss-Newton steps; in each the readings are reweighed twice.
    start : TankFits, optional
        What `weigh_tanks` found of the same readings, to go on from.

    Returns
    -------
    TankFits
        NaN in a row that could not be fitted (too few readings, states outside the gas engine's box).
    """
    return _in_parts(records, start, lambda r, begun: _fit(r, rounds, begun))


def weigh_tanks(records: TankRecords, rounds: int = 2) -> TankFits:
    """Find what the readings of each record alone say of the unknowns: `TankFits.information` and `vector`.

    Unknowns and their spread are those with the records' priors, by one linear step; what is over the grid is of the
    Gauss-Newton steps before it. Parameters as of `fit_tanks`.
    """
    return _in_parts(records, None, lambda r, _: _weigh(r, rounds))


def tanks_at(records: TankRecords, unknowns: NDArray, spread: NDArray) -> TankFits:
    """What cylinders do at unknowns that were found otherwise, with their spread; see `TankFits` for the shapes."""
    model = TankModel(records)
    x = np.where(np.isfinite(unknowns), unknowns, model.centre)
    apart_k = model.course(x, np.full((STEPS, len(x)), FIRST_APART_K)).apart_k
    course = model.course(x, apart_k)
    now = model.reading(course)
    return _found(model, x, spread, course, now, _weights(model, now.residual, now.seen, scaled=True).weight)


def _in_parts(
    records: TankRecords,
    start: TankFits | None,
    fit: Callable[[TankRecords, TankFits | None], TankFits],
) -> TankFits:
    """Few rows at once, so that what they need stays in the cache."""
    parts = []
    for first in range(0, max(len(records), 1), _ROWS_AT_ONCE):
        some = slice(first, first + _ROWS_AT_ONCE)
        begun = None if start is None else start.take(some)
        parts.append(fit(records.take(some), begun))
    if len(parts) == 1:
        return parts[0]
    return TankFits(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(TankFits)})


@dataclass(frozen=True)
class _Weights:
    """How much each reading is believed, and the root of that over its standard deviation; slots first, rows last."""

    weight: NDArray
    root: NDArray


def _weights(model: TankModel, residual: NDArray, seen: NDArray, *, scaled: bool) -> _Weights:
    """Student-t weights, standard deviations scaled by the readings' own scatter once the fit is near enough to ask."""
    scale: NDArray | float = 1.0
    if scaled:
        off = np.where(seen, np.abs(residual) / model.sd, np.nan)
        scale = np.clip(1.4826 * np.nan_to_num(_median(off), nan=1.0), 1.0, 20.0)
    sd = model.sd * scale
    few = model.readings.known.sum(axis=0) <= _FEW
    weight = np.where(few, 1.0, (_NU + 1) / (_NU + (residual / sd) ** 2))
    weight = np.where(seen, weight, 0.0)
    return _Weights(weight, np.sqrt(weight) / sd)


def _rounds(model: TankModel, x: NDArray, rounds: int, *, begun: bool) -> tuple[NDArray, NDArray]:
    """Unknowns after so many Gauss-Newton steps from `x`, and how far apart gas and wall are by then."""
    prior, centre = model.prior, model.centre
    apart_k = model.course(x, np.full((STEPS, len(x)), FIRST_APART_K)).apart_k
    few = bool((model.readings.known.sum(axis=0) <= _FEW).all())  # believed as they are
    for turn in range(rounds):
        course = model.course(x, apart_k, nudged=True)
        now, apart_k = model.reading(course), course.apart_k
        root = _weights(model, now.residual, now.seen, scaled=begun or turn > 0).root
        j = model.jacobian(x, course, now, root)
        step = np.zeros_like(x)
        for again in range(1 if few else 2):
            if again:  # weights hang on the residuals: they follow the step, along the straight line
                with np.errstate(divide="ignore", invalid="ignore"):
                    left = np.where(now.seen, now.residual - times(j, step).T / root, 0.0)
                    root, before = _weights(model, left, now.seen, scaled=True).root, root
                    j *= np.where(now.seen, root / before, 0.0).T[:, :, None]
            turned = j.transpose(0, 2, 1)
            pulled = times(turned, (now.residual * root).T) + times(prior, centre - x)
            step = np.nan_to_num(np.linalg.solve(turned @ j + prior, pulled[:, :, None])[:, :, 0])
            step = np.clip(step, -_LARGEST_STEP, _LARGEST_STEP)
        x = np.clip(x + step, _LOW, _HIGH)
    return x, apart_k


def _fit(r: TankRecords, rounds: int, start: TankFits | None) -> TankFits:
    model = TankModel(r)
    x, apart_k = _rounds(model, _beginning(model, start), rounds, begun=start is not None)
    course = model.course(x, apart_k, nudged=True)
    now = model.reading(course)
    weights = _weights(model, now.residual, now.seen, scaled=start is not None or rounds > 0)
    j = model.jacobian(x, course, now, weights.root)
    spread = np.linalg.inv(j.transpose(0, 2, 1) @ j + model.prior)
    return _found(model, x, spread, course, now, weights.weight)


def _weigh(r: TankRecords, rounds: int) -> TankFits:
    model = TankModel(r)
    x, apart_k = _rounds(model, _beginning(model, None), rounds, begun=False)
    course = model.course(x, apart_k)
    now = model.reading(course)
    weights = _weights(model, now.residual, now.seen, scaled=True)
    information, vector = _likelihood(model, x, weights.root)
    spread = np.linalg.inv(information + model.prior)
    x = times(spread, vector + times(model.prior, model.centre))
    return _found(model, x, spread, course, now, weights.weight, information, vector)


def _beginning(model: TankModel, start: TankFits | None) -> NDArray:
    """Unknowns to begin with: those given, or as readings weighed before have them under these priors.

    Else as the priors have them, with the content that is read first.
    """
    x = model.centre.copy()
    if start is None:
        if np.isfinite(model.records.shared_mean[:, CONTENT - START]).any():
            x[:, CONTENT] = model.content_as_read(x)
    else:
        fine = np.isfinite(start.information).all(axis=(1, 2))
        prior, vector = model.prior[fine], start.vector[fine] + times(model.prior[fine], x[fine])
        found = np.linalg.solve(start.information[fine] + prior, vector[:, :, None])[:, :, 0]
        x[fine] = np.clip(found, _LOW, _HIGH)
    return x


def _found(
    model: TankModel,
    x: NDArray,
    spread: NDArray,
    course: Course,
    now: Reading,
    weight: NDArray,
    information: NDArray | None = None,
    vector: NDArray | None = None,
) -> TankFits:
    r, known = model.records, model.known
    to_used = model.answers.taken[-1].T
    variance = (to_used * times(spread[:, USE, USE], to_used)).sum(axis=1)
    modelled = model.modelled_bar(course)
    enough = (known.sum(axis=1) >= 2) & (np.ptp(np.where(known, model.at, model.at[:, :1]), axis=1) > 0)
    fine = enough & np.isfinite(modelled).all(axis=0) & np.isfinite(variance)

    def kept(values: NDArray | None, like: NDArray = x) -> NDArray:
        if values is None:
            return np.full_like(like, np.nan)
        return np.where(fine.reshape(-1, *[1] * (values.ndim - 1)), values, np.nan)

    rate = x[:, RATE, None] + x[:, DEPARTURES] @ KNOT_WEIGHTS.T
    rate += (x[:, EARLY] * model.reference_rate)[:, None] * early_share(r.duration_s)
    return TankFits(
        unknowns=kept(x),
        spread=kept(spread),
        prior_mean=kept(model.centre),
        prior_precision=kept(model.prior),
        information=kept(information, spread),
        vector=kept(vector),
        reference_rate_l_min=kept(model.reference_rate),
        used_free_l=kept(course.used.sum(axis=0)),
        used_sd_free_l=kept(np.sqrt(np.maximum(variance, 0.0))),
        amount_free_l=kept(course.amount.T),
        gas_c=kept(course.gas_c.T),
        modelled_bar=kept(modelled.T),
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
    course = model.course(at, before.apart_k, nudged=True)
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
