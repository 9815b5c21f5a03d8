"""How warm the gas in a dived cylinder is: it follows the water, and expansion pulls it down.

One lag stands for gas and wall together. What leaves a cylinder takes the work of pushing it out from
the gas that stays, so while it is breathed the gas runs colder than the water by power over conductance
(4 K for the 116 W of a 12 L breathed from 232 to 50 bar in 40 min).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared import gas
from shared.constants import AIR_O2_PCT

IMMERSED_LAG_MIN = 3.0
"""Time constant of a 12 L steel cylinder under water, minutes; computed, 2 to 4."""

STILL_AIR_LAG_MIN = 50.0
"""Time constant in still air, minutes; computed: (7 + 2.2) kJ/K over 3 W/K."""

WALL_SHARE = 0.2
"""Part of the immersed lag that is the wall's: 7 kJ/K of steel behind 130 to 300 W/K of water film are 25 to 50 s."""

CONDUCTANCE_W_K = 29.0
"""From the gas to the water for a 12 L, W/K: 116 W at 4 K."""

_PIVOT_L = 12.0
_NAN = float("nan")


def immersed_lag_s(cylinder_capacity_l: ArrayLike) -> NDArray:
    """Time constant under water, s, by the capacity of one cylinder in litres: as volume over surface."""
    return 60.0 * IMMERSED_LAG_MIN * np.cbrt(np.asarray(cylinder_capacity_l, float) / _PIVOT_L)


def still_air_lag_s(cylinder_capacity_l: ArrayLike) -> NDArray:
    """Time constant in still air, s, by the capacity of one cylinder in litres."""
    return 60.0 * STILL_AIR_LAG_MIN * np.cbrt(np.asarray(cylinder_capacity_l, float) / _PIVOT_L)


def conductance_w_k(cylinder_capacity_l: ArrayLike, cylinders: ArrayLike = 1) -> NDArray:
    """Conductance from gas to water, W/K, of so many equal cylinders: as their surface."""
    return (
        CONDUCTANCE_W_K * np.asarray(cylinders, float) * np.cbrt(np.asarray(cylinder_capacity_l, float) / _PIVOT_L) ** 2
    )


def expansion_heat_j_mol(
    density_mol_l: ArrayLike,
    temperature_k: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _NAN,
) -> NDArray:
    """Heat that holds the gas at its temperature while one mol leaves, J/mol: T·(∂P/∂T)ρ/ρ.

    From n·c_v·dT = −dn·[(h − u) − ρ·(∂u/∂ρ)_T] + heat; both terms together are T·(∂P/∂T)_ρ/ρ. An ideal
    gas: R·T. NaN outside the gas engine's box.
    """
    temperature, density = np.asarray(temperature_k, float), np.asarray(density_mol_l, float)
    mix = o2_pct, he_pct, ar_pct
    warm = gas.pressure_bar_abs(density, temperature + 0.5, *mix, strict=False)
    cold = gas.pressure_bar_abs(density, temperature - 0.5, *mix, strict=False)
    return temperature * (warm - cold) * 100.0 / density


def relaxed_c(start_c: ArrayLike, surroundings_c: ArrayLike, elapsed_s: ArrayLike, lag_s: ArrayLike) -> NDArray:
    """Temperature, °C, some time after `start_c` in surroundings of one temperature."""
    surroundings = np.asarray(surroundings_c, float)
    gap = np.asarray(start_c, float) - surroundings
    return surroundings + gap * np.exp(-np.asarray(elapsed_s, float) / np.asarray(lag_s, float))


def lag_weights(
    step_s: ArrayLike, lag_s: ArrayLike, steps: int, wall_share: ArrayLike = WALL_SHARE
) -> tuple[NDArray, NDArray, NDArray]:
    """How the gas temperature at the nodes of an even grid is made of its start and what drives it.

    Parameters
    ----------
    step_s, lag_s : array_like, (rows,)
        Length of a step and time constant, s.
    steps : int
        Steps m of the grid; it has m + 1 nodes.
    wall_share : array_like, (rows,) or a number
        Part of the lag that lies between water and wall, over 0 and under a half; the rest lies between
        wall and gas.

    Returns
    -------
    of_start : ndarray, (rows, m + 1)
        Weight of the starting temperature at each node.
    of_water : ndarray, (rows, m + 1, m)
        Weight at each node of the water's temperature in each step. Rows of both sum to one.
    of_pull : ndarray, (rows, m + 1, m)
        The same for what cools the gas itself and does not have to pass the wall.

    Notes
    -----
    Two lags one behind the other, exact for what is constant in each step: the water reaches the gas
    after the wall. The answer to a step is 1 − (a·exp(−t/a) − b·exp(−t/b))/(a − b).
    """
    lag, share = np.asarray(lag_s, float)[:, None], np.reshape(np.asarray(wall_share, float), (-1, 1))
    node = np.arange(steps + 1)
    elapsed = np.asarray(step_s, float)[:, None] * node
    inner = np.exp(-elapsed / ((1.0 - share) * lag))
    outer = np.exp(-elapsed / (share * lag))
    left = ((1.0 - share) * inner - share * outer) / (1.0 - 2.0 * share)
    return left, _steps_to_nodes(left), _steps_to_nodes(inner)


def _steps_to_nodes(left: NDArray) -> NDArray:
    """Weights of each step at each node, from what is left of a change by the time since it."""
    steps = left.shape[1] - 1
    weights = np.zeros((left.shape[0], steps + 1, steps))
    fresh = left[:, :-1] - left[:, 1:]
    behind = np.arange(steps + 1)[:, None] - np.arange(1, steps + 1)
    below = behind >= 0
    weights[:, below] = fresh[:, behind[below]]
    return weights
