"""What a cylinder and its valve may hold, and when a pressure is above it. One tolerance, here.

A marked pressure limits the settled pressure at a reference temperature (15 °C; 21 °C under US rules), so gas
that is colder than that may fill a cylinder too far while its gauge still reads below the mark.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from shared.gas import thermal
from shared.gas.constants import AIR_O2_PCT

SAME_MARK_BAR = 0.5
"""Marks and readings this near are one pressure. They are stamped in whole bar or in round psi (3365 psi is
232.01 bar, 3000 psi is 206.84 and stamped as 207), so half of the last figure shown is no difference."""


def above_permitted(pressure_bar: ArrayLike, permitted_bar: ArrayLike) -> Any:
    """Whether a pressure is above a permitted one, both gauge bar; False where either is not known (NaN)."""
    return (np.asarray(pressure_bar, float) > np.asarray(permitted_bar, float) + SAME_MARK_BAR)[()]


def most_at_bar(
    permitted_bar: float,
    gas_c: float,
    reference_c: float,
    o2_pct: float = AIR_O2_PCT,
    he_pct: float = 0.0,
    ar_pct: float = float("nan"),
) -> float:
    """Most that a gauge may read, bar, while the gas is at `gas_c` °C.

    The lesser of the mark itself and of what gas that settles to the mark at the reference temperature reads now:
    below the mark where the gas is colder than the reference.

    Raises
    ------
    OutOfRange
        A state outside the gas engine's box.
    """
    if gas_c >= reference_c:
        return permitted_bar
    reads = thermal.stop_pressure_bar(permitted_bar, gas_c, reference_c, o2_pct, he_pct, ar_pct)
    return min(permitted_bar, float(reads))
