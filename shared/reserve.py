"""Gas that would bring a team to the surface, and how near a logged dive came to it.

Everything here looks back at a recorded dive. It is a yardstick, not a gas plan: no decompression, no
allowance for stress, cold or a buddy beyond the rate and the team size that the policy names.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.constants import ATM_BAR, GRAVITY_M_S2, SALT_WATER_KG_M3

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class AscentPolicy:
    """The ascent that the gas is counted for; the defaults are those of the policy file."""

    minutes_before_ascent: float = 1.0
    ascent_m_min: float = 9.0
    stop_depth_m: float = 5.0
    stop_min: float = 3.0
    stop_below_m: float = 10.0


def ascent_bar_min(
    depth_m: ArrayLike,
    surface_pressure_bar_abs: ArrayLike = ATM_BAR,
    water_density_kg_m3: ArrayLike = SALT_WATER_KG_M3,
    ascent: AscentPolicy | None = None,
) -> Floats:
    """Integral of ambient pressure over time from leaving a depth to the surface, bar·min.

    Parameters
    ----------
    depth_m : array_like
        Depth at which the ascent is decided, m; below zero counts as zero.
    surface_pressure_bar_abs, water_density_kg_m3 : array_like
        Surface pressure, bar absolute, and density of the water, kg/m³; broadcast with the depth.
    ascent : AscentPolicy, optional
        Minutes before the ascent, its rate, and the stop.

    Returns
    -------
    ndarray
        ∫P dt, bar·min, of the broadcast shape; NaN where an input is.

    Notes
    -----
    P = P_surface + ρ·g·depth is linear in depth and the ascent is at one rate, so the integral is closed:
    the mean pressure of the ascent is that at half the depth. The stop counts when the diver is deeper
    than `stop_below_m` at that moment; it adds time and takes nothing from the ascent. The ascent rate
    of about 9 m/min is that of the US Navy Diving Manual Rev. 4 Change A § 8-2.2.1 (30 ft/min).
    """
    a = ascent or AscentPolicy()
    depth = np.asarray(depth_m, float)
    depth = np.where(depth < 0, 0.0, depth)
    surface = np.asarray(surface_pressure_bar_abs, float)
    bar_per_m = np.asarray(water_density_kg_m3, float) * GRAVITY_M_S2 / 1e5
    at_depth = a.minutes_before_ascent * (surface + bar_per_m * depth)
    rising = depth / a.ascent_m_min * (surface + bar_per_m * depth / 2)
    stop = a.stop_min * (surface + bar_per_m * a.stop_depth_m)
    return at_depth + rising + np.where(depth > a.stop_below_m, stop, 0.0)


def required_free_l(
    depth_m: ArrayLike,
    surface_pressure_bar_abs: ArrayLike = ATM_BAR,
    water_density_kg_m3: ArrayLike = SALT_WATER_KG_M3,
    stressed_rmv_l_min: ArrayLike = 30.0,
    team_size: ArrayLike = 2,
    *,
    member_rmv_l_min: ArrayLike | None = None,
    ascent: AscentPolicy | None = None,
) -> Floats:
    """Free litres that bring a team up from each depth on one supply.

    Parameters
    ----------
    depth_m, surface_pressure_bar_abs, water_density_kg_m3, ascent
        As in `ascent_bar_min`.
    stressed_rmv_l_min : array_like
        Rate of each diver, L/min at ambient pressure.
    team_size : array_like
        Divers who breathe from this supply, the member included.
    member_rmv_l_min : array_like, optional
        The member's own stressed rate where it is not that of the others.

    Returns
    -------
    ndarray
        Free litres (1 bar, 15 °C) of the broadcast shape.
    """
    team_rmv = team_rmv_l_min(stressed_rmv_l_min, team_size, member_rmv_l_min)
    return team_rmv * ascent_bar_min(depth_m, surface_pressure_bar_abs, water_density_kg_m3, ascent)


def team_rmv_l_min(
    stressed_rmv_l_min: ArrayLike, team_size: ArrayLike, member_rmv_l_min: ArrayLike | None = None
) -> Floats:
    """Sum of the stressed rates of a team, L/min at ambient pressure; the member's own may differ."""
    others = np.asarray(stressed_rmv_l_min, float)
    member = others if member_rmv_l_min is None else np.asarray(member_rmv_l_min, float)
    return member + (np.asarray(team_size, float) - 1.0) * others
