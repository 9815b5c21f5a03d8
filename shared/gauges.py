"""How far a pressure gauge may be wrong, as standard deviations the intervals are built from.

EN 837-1 classes state the limit of error as a per cent of span, anywhere on the scale. We take it as a
constant offset of that gauge (normal, SD half the limit), beside a reading error uniform over one step.
"""

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


LEAST_READINGS, LEAST_VARIOUS = 8, 6
"""Readings, and different ones, from which a step coarser than 1 bar is believed. Judgements."""
STEPS_BAR = (10.0, 5.0, 2.0, 1.0, 0.5)
FINEST_STEP_BAR = 0.1


def read_step_bar(readings_bar: ArrayLike) -> float:
    """The step to which somebody reads a gauge, bar, by what their readings are multiples of: one of STEPS_BAR,
    else the finest. Without readings: the usual step.
    """
    readings = np.asarray(readings_bar, float)
    readings = readings[np.isfinite(readings)]
    if not readings.size:
        return DEFAULT_STEP_BAR
    various = len(np.unique(readings))
    for step in STEPS_BAR:
        # one round figure written again and again is where people stop, not how the gauge is read
        if step <= 1.0 or (various >= LEAST_VARIOUS and len(readings) >= LEAST_READINGS):
            off = np.abs(readings / step - np.round(readings / step))
            if np.mean(off < 1e-6) >= (0.9 if step > 1 else 0.8):
                return step
    return FINEST_STEP_BAR
