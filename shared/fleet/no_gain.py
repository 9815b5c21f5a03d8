"""Rates of cylinders that cannot gain gas: what a normal belief says above nought."""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from shared.gas.constants import Z80

# readings that give less of a chance that nothing was gained contradict each other: no rate is known
LEAST_CHANCE = 0.001


def nothing_is_gained(rate: NDArray, sd: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Rate and 80 % interval of a cylinder that cannot gain gas; NaN where its readings would have it that it did.

    The interval's ends are the normal's own, the lower not below nought, the upper that of the normal cut off there.
    """
    loses = above_zero(rate, sd)
    with np.errstate(invalid="ignore"):
        rate = np.where(loses >= LEAST_CHANCE, rate, np.nan)
        high = rate + sd * ndtri(1.0 - 0.1 * loses)
        return np.maximum(rate, 0.0), np.maximum(rate - Z80 * sd, 0.0), high


def above_zero(rate: NDArray, sd: NDArray) -> NDArray[np.float64]:
    """P(rate > 0) of a normal."""
    with np.errstate(invalid="ignore"):
        return ndtr(rate / sd)
