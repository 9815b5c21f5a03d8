"""How far two settled readings of one closed cylinder may lie apart before one of them must be wrong.

Pure. Each is brought to 15 °C; what is left between them is gauges, thermometers and what seeps away in between.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from shared.gas.constants import AIR_O2_PCT
from shared.gas.thermal import settled_pressure_bar

#: by which the surroundings written down may differ from the gas of a cylinder that lies there (common practice, no
#: source)
THERMOMETER_K = 3.0
#: what a sound valve may let seep away, bar a day (an assumption)
SEEPS_BAR_DAY = 0.05
TO_C = 15.0


def at_15_c(pressure_bar: ArrayLike, at_c: ArrayLike, o2_pct: ArrayLike = AIR_O2_PCT, he_pct: ArrayLike = 0.0) -> Any:
    """A settled reading as it would be at 15 °C, bar; NaN where it cannot be said."""
    p, at, o2, he = np.broadcast_arrays(
        pressure_bar, at_c, np.nan_to_num(o2_pct, nan=AIR_O2_PCT), np.nan_to_num(he_pct)
    )
    out = np.full(p.shape, np.nan)
    known = np.isfinite(p.astype(float)) & np.isfinite(at.astype(float))
    if known.any():
        out[known] = settled_pressure_bar(p[known], at[known], TO_C, o2[known], he[known], strict=False)
    return out[()]


def allowed_bar(at_15_bar: ArrayLike, limit_bar: ArrayLike, step_bar: ArrayLike = 1.0, days: ArrayLike = 0.0) -> Any:
    """By how much two readings may differ at 15 °C, bar.

    Parameters
    ----------
    at_15_bar : array_like
        The larger of them.
    limit_bar : array_like
        Limits of error of their gauges added up; nothing for one gauge read twice.
    step_bar : array_like
        To which both were read.
    days : array_like
        Between them.
    """
    p = np.asarray(at_15_bar, float)
    warm = p - at_15_c(p, np.full(p.shape, TO_C + THERMOMETER_K))
    return (limit_bar + np.asarray(step_bar, float) + warm + SEEPS_BAR_DAY * np.asarray(days, float))[()]
