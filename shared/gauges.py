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
