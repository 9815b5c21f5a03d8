"""How far a pressure gauge may be wrong, as standard deviations the intervals are built from.

EN 837-1 classes state the limit of error as a per cent of span, anywhere on the scale. We take it as a
constant offset of that gauge (normal, SD half the limit), beside a reading error uniform over one step.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

DEFAULT_CLASS = 1.6
DEFAULT_SPAN_BAR = 400.0
DEFAULT_STEP_BAR = 1.0
"""A gauge nobody described. Class and span are a filling panel's usual ones; the step is an assumption."""


def limit_of_error_bar(accuracy_class: ArrayLike = DEFAULT_CLASS, span_bar: ArrayLike = DEFAULT_SPAN_BAR) -> Any:
    """Limit of error, bar, either way and anywhere on the scale (EN 837-1): class per cent of span."""
    return (np.asarray(accuracy_class, float) / 100.0 * np.asarray(span_bar, float))[()]


def offset_sd_bar(accuracy_class: ArrayLike = DEFAULT_CLASS, span_bar: ArrayLike = DEFAULT_SPAN_BAR) -> Any:
    """SD of a gauge's constant offset, bar: half its limit of error."""
    return offset_sd_of_limit_bar(limit_of_error_bar(accuracy_class, span_bar))


def offset_sd_of_limit_bar(limit_bar: ArrayLike) -> Any:
    """SD of the offset of a gauge whose limit of error is stated in bar, such as a check gauge."""
    return (np.asarray(limit_bar, float) / 2.0)[()]


def reading_sd_bar(step_bar: ArrayLike = DEFAULT_STEP_BAR) -> Any:
    """SD of one reading, bar: uniform over one step of the scale."""
    return (np.asarray(step_bar, float) / np.sqrt(12.0))[()]


STEPS_BAR = (10.0, 5.0, 2.0, 1.0, 0.5)
FINEST_STEP_BAR = 0.1
LEAST_READINGS, LEAST_VARIOUS = 8, 6
COARSE_BAR, ON_COARSE, ON_FINE = 1.0, 0.9, 0.8
"""So many readings, of so many different figures, tell a step coarser than a bar; and the share of them on its marks.
One round figure written again and again is where people stop, not how the gauge is read."""


def step_seen_bar(gauge: ArrayLike, reading_bar: ArrayLike, *, otherwise_bar: float = FINEST_STEP_BAR) -> Any:
    """Step to which each reading's gauge is read, bar, as the readings up to and with it show.

    Parameters
    ----------
    gauge : array_like of int
        Number of each reading's gauge.
    reading_bar : array_like
        In the order of time; NaN where nothing was read.
    otherwise_bar : float
        Where no step of `STEPS_BAR` fits, or nothing was read yet.

    Returns
    -------
    ndarray
        10, 5, 2, 1, 0.5 or otherwise_bar.
    """
    gauge, reading = np.asarray(gauge, int).ravel(), np.asarray(reading_bar, float).ravel()
    order = np.argsort(gauge, kind="stable")
    g, r = gauge[order], reading[order]
    read = np.isfinite(r)
    begins = np.flatnonzero(np.diff(g, prepend=g[:1] - 1)) if g.size else np.empty(0, int)
    group = np.cumsum(np.isin(np.arange(g.size), begins)) - 1

    def so_far(what: np.ndarray) -> np.ndarray:
        total = np.cumsum(what)
        return total - (total[begins] - what[begins])[group] if g.size else total

    count = so_far(read.astype(float))
    # the first time each gauge showed a figure
    by_figure = np.lexsort((np.arange(g.size), np.nan_to_num(r, nan=-1.0), g))
    fresh = np.zeros(g.size)
    fresh[by_figure[np.flatnonzero(_changes(g[by_figure]) | _changes(np.nan_to_num(r, nan=-1.0)[by_figure]))]] = 1.0
    various = so_far(fresh * read)
    on = (so_far((read & _on_marks(r, candidate)).astype(float)) for candidate in STEPS_BAR)
    step = _coarsest(count, various, on, float(otherwise_bar))
    out = np.empty(g.size)
    out[order] = step
    return out


def _changes(values: np.ndarray) -> np.ndarray:
    """True for the first value, and for each that differs from the one before."""
    return np.concatenate([[True], values[1:] != values[:-1]])[: values.size]


def _on_marks(reading_bar: np.ndarray, step_bar: float) -> np.ndarray:
    return np.abs(reading_bar / step_bar - np.round(reading_bar / step_bar)) < 1e-6


def _coarsest(count: np.ndarray, various: np.ndarray, on: Iterable[np.ndarray], otherwise_bar: float) -> np.ndarray:
    """The coarsest of STEPS_BAR that so many readings, so many different and so many `on` its marks, speak for."""
    step = np.full(count.shape, np.nan)
    for candidate, on_it in zip(STEPS_BAR, on, strict=True):
        share = on_it / np.maximum(count, 1.0)
        coarse = candidate > COARSE_BAR
        enough = (count >= LEAST_READINGS) & (various >= LEAST_VARIOUS) if coarse else count > 0
        # the first that fits is the coarsest
        step = np.where(np.isnan(step) & enough & (share >= (ON_COARSE if coarse else ON_FINE)), candidate, step)
    return np.where(np.isnan(step), otherwise_bar, step)


def read_steps_bar(readings_bar: ArrayLike, after: ArrayLike, lately: int) -> np.ndarray:
    """`read_step_bar` of the last readings before each of several places.

    Parameters
    ----------
    readings_bar : array_like, (n,)
        In the order of time; NaN where nothing was read.
    after : array_like of int, (places,)
        Readings before this one are looked at,
    lately : int
        and no more than so many.
    """
    reading, after = np.asarray(readings_bar, float), np.asarray(after, int)
    read = np.isfinite(reading)
    # how far back the same figure was read last: it is new to a window that begins later
    order = np.lexsort((np.arange(reading.size), np.where(read, reading, np.inf)))
    again = np.full(reading.size, -1)
    same = reading[order[1:]] == reading[order[:-1]]
    again[order[1:][same]] = order[:-1][same]
    begins = np.maximum(after - lately, 0)
    window = begins[:, None] + np.arange(lately)
    inside = window < after[:, None]
    window = np.minimum(window, max(reading.size - 1, 0))
    various = (inside & read[window] & (again[window] < begins[:, None])).sum(axis=1)

    def within(what: np.ndarray) -> np.ndarray:
        total = np.concatenate([[0], np.cumsum(what)])
        return total[after] - total[begins]

    count = within(read)
    step = _coarsest(count, various, (within(read & _on_marks(reading, c)) for c in STEPS_BAR), FINEST_STEP_BAR)
    return np.where(count > 0, step, DEFAULT_STEP_BAR)


def read_step_bar(readings_bar: ArrayLike) -> float:
    """The step to which somebody reads a gauge, bar, by what their readings are multiples of: one of STEPS_BAR,
    else the finest. Without readings: the usual step.
    """
    readings = np.asarray(readings_bar, float)
    readings = readings[np.isfinite(readings)]
    if not readings.size:
        return DEFAULT_STEP_BAR
    return float(step_seen_bar(np.zeros(readings.size, int), readings)[-1])
