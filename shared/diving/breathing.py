"""What a diver breathes: ambient pressure, its integral over a dive, and the rates that follow.

Rates are at ambient pressure (RMV, L/min): free litres used over the integral of ambient pressure. The
ideal figure beside it is the sum every diver does, capacity × pressure drop, without temperature or
compressibility.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas.constants import ATM_BAR, BAR_PER_METRE_EN13319, GRAVITY_M_S2, SALT_WATER_KG_M3

EN13319_KG_M3 = BAR_PER_METRE_EN13319 * 1e5 / GRAVITY_M_S2
"""Density at which 10 m of water is 1 bar, kg/m³."""

LEAST_RMV_L_MIN, MOST_RMV_L_MIN = 3.0, 150.0
"""Outside this no diver breathes over a whole dive (a judgement: at rest 12.4 ± 4.7 L/min, 118 sport divers): such a
rate says something of its record, not of its diver."""


def rate_doubtful(rmv_l_min: ArrayLike) -> Any:
    """Whether a dive's rate, L/min, is no diver's; False where it is not known."""
    rate = np.asarray(rmv_l_min, float)
    return ((rate < LEAST_RMV_L_MIN) | (rate > MOST_RMV_L_MIN))[()]


def ambient_bar_abs(
    depth_m: ArrayLike,
    surface_pressure_bar_abs: ArrayLike = ATM_BAR,
    water_density_kg_m3: ArrayLike = SALT_WATER_KG_M3,
) -> Any:
    """Absolute pressure around the diver, bar.

    Parameters
    ----------
    depth_m : array_like
        Depth, m.
    surface_pressure_bar_abs, water_density_kg_m3 : array_like
        Bar absolute and kg/m³; broadcast with the depth.

    Returns
    -------
    ndarray or float
        Bar absolute, of the broadcast shape.

    Notes
    -----
    P = P_surface + ρ·g·depth, g = 9.80665 m/s². Water is taken as incompressible and of one density.
    """
    bar_per_m = np.asarray(water_density_kg_m3, float) * (GRAVITY_M_S2 / 1e5)
    return (np.asarray(surface_pressure_bar_abs, float) + bar_per_m * np.asarray(depth_m, float))[()]


def cumulative_bar_min(t_s: ArrayLike, ambient_bar_abs: ArrayLike, starts: ArrayLike = (0,)) -> NDArray:
    """Integral of ambient pressure over time from the first sample of each dive, bar·min.

    Parameters
    ----------
    t_s, ambient_bar_abs : array_like, (n,)
        Samples of one or more dives one behind the other, time rising within each; straight lines between.
    starts : array_like of int, (dives,)
        Position of each dive's first sample; the first is 0.

    Returns
    -------
    ndarray, (n,)
        0 at each dive's first sample.
    """
    t, ambient = np.asarray(t_s, float), np.asarray(ambient_bar_abs, float)
    first = np.asarray(starts, int)
    steps = np.zeros(t.size)
    steps[1:] = 0.5 * (ambient[1:] + ambient[:-1]) * np.diff(t) / 60.0
    steps[first] = 0.0
    total = np.cumsum(steps)
    return total - np.repeat(total[first], np.diff(np.append(first, t.size)))


def rmv_l_min(gas_used_free_l: ArrayLike, bar_min: ArrayLike) -> Any:
    """Respiratory minute volume at ambient pressure, L/min, from free litres used and ∫P dt in bar·min.

    NaN where the integral is not positive. The free litre is at 1 bar and 15 °C, so that the rate is
    stated at 15 °C. 45 min at 2.5 bar with 2,045 free litres gone:

    >>> round(float(rmv_l_min(2045.0, 2.5 * 45.0)), 1)
    18.2
    """
    used, integral = np.asarray(gas_used_free_l, float), np.asarray(bar_min, float)
    return np.divide(
        used, integral, out=np.full(np.broadcast_shapes(used.shape, integral.shape), np.nan), where=integral > 0
    )[()]


def ideal_used_free_l(water_capacity_l: ArrayLike, start_pressure_bar: ArrayLike, end_pressure_bar: ArrayLike) -> Any:
    """Capacity × pressure drop, free litres: an ideal gas that does not change its temperature."""
    drop = np.asarray(start_pressure_bar, float) - np.asarray(end_pressure_bar, float)
    return (np.asarray(water_capacity_l, float) * drop)[()]
