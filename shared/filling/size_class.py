"""Classes of size that fills of like cylinders are learned in."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

UPPER_L = (5.0, 8.5, 11.0, 13.5, 16.0)
CLASSES = ("under 5 L", "5 to 8.5 L", "8.5 to 11 L", "11 to 13.5 L", "13.5 to 16 L", "over 16 L")
"""Each holds its upper edge."""


def size_class(water_capacity_l: ArrayLike) -> Any:
    """Class of a water capacity, litres; '' where it is not known."""
    capacity = np.asarray(water_capacity_l, float)
    found = np.array(CLASSES, dtype=object)[np.searchsorted(UPPER_L, capacity).clip(0, len(UPPER_L))]
    return np.where(np.isnan(capacity), "", found)[()]
