"""How a closed cylinder comes to the temperature of the still air around it. One law, for fills and for dives.

Two bodies: the gas hands its heat to the wall through a film, the wall hands it to the room. Gas and wall come
together within minutes and then cool as one, the slower the heavier the wall and the more heat a kilogram of
it holds: an aluminium 11 takes half as long again as a steel 12. Temperatures °C, heat capacities J/K.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas import mix as gas
from shared.gas.constants import AIR_O2_PCT
from shared.gas.units import kelvin

Array = NDArray[np.float64]

STILL_AIR_W_M2_K = 9.0
"""From the wall to still air, radiation included: 8 to 10 for a 171 mm cylinder 5 to 20 K above air at 20 °C
(Churchill–Chu with radiation, computed). Settled fills correct it."""
GAS_AT_REST_W_M2_K = 100.0
"""From gas at rest to its wall: 50 to 120 at 200 bar and 0.3 to 3 K by Nu = 0.104·Ra^0.352 (Woodfield 2008,
doi 10.1299/jtst.3.241, as restated; not opened)."""

_NAN = float("nan")


def gas_heat_capacity_j_k(
    water_capacity_l: ArrayLike,
    density_mol_l: ArrayLike,
    gas_c: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _NAN,
) -> Any:
    """Heat capacity at constant volume of the gas in a cylinder, J/K; NaN outside the gas engine's box."""
    density, at_k = np.asarray(density_mol_l, float), kelvin(np.asarray(gas_c, float))
    warm, cold = (
        gas.internal_energy_j_mol(density, at_k + off, o2_pct, he_pct, ar_pct, strict=False) for off in (1.0, -1.0)
    )
    return np.asarray(water_capacity_l, float) * density * (warm - cold) / 2.0


def gas_and_wall_c(gas_c: ArrayLike, wall_c: ArrayLike, gas_j_k: ArrayLike, wall_j_k: ArrayLike) -> Any:
    """What gas and wall come to together, before the room has taken any heat, °C."""
    of_gas, of_wall = np.asarray(gas_j_k, float), np.asarray(wall_j_k, float)
    return (of_gas * np.asarray(gas_c, float) + of_wall * np.asarray(wall_c, float)) / (of_gas + of_wall)


def time_constant_s(
    gas_j_k: ArrayLike,
    wall_j_k: ArrayLike,
    surface_m2: ArrayLike,
    still_air_w_m2_k: ArrayLike = STILL_AIR_W_M2_K,
    at_rest_w_m2_k: ArrayLike = GAS_AT_REST_W_M2_K,
) -> Any:
    """Time constant of gas and wall together, s: 53 min for a steel 12 at 232 bar, 90 for an aluminium 11.1 at 207."""
    return 1.0 / _modes(gas_j_k, wall_j_k, surface_m2, still_air_w_m2_k, at_rest_w_m2_k)[0]


def cooled_c(
    gas_c: ArrayLike,
    together_c: ArrayLike,
    room_c: ArrayLike,
    elapsed_s: ArrayLike,
    gas_j_k: ArrayLike,
    wall_j_k: ArrayLike,
    surface_m2: ArrayLike,
    still_air_w_m2_k: ArrayLike = STILL_AIR_W_M2_K,
    at_rest_w_m2_k: ArrayLike = GAS_AT_REST_W_M2_K,
) -> tuple[Any, Any]:
    """Gas temperature some time after it and its wall had given ones, in a room of one temperature.

    Parameters
    ----------
    gas_c, together_c : array_like
        Of the gas, and what it and its wall come to together (`gas_and_wall_c`), to begin with.
    room_c, elapsed_s : array_like
    gas_j_k, wall_j_k, surface_m2 : array_like
        Heat capacities and outer surface (see `shared.gas.walls`).
    still_air_w_m2_k, at_rest_w_m2_k : array_like
        Films outside and inside, W/(m² K).

    Returns
    -------
    gas_c, together_c : ndarray or float
        The same two after that time; nan where there is no gas.

    Notes
    -----
    Exact for two linear bodies: Cg·dTg/dt = −H·(Tg − Tw), Cw·dTw/dt = H·(Tg − Tw) − L·(Tw − T_room). The two
    decays are the roots of s² − (H/Cg + H/Cw + L/Cw)·s + H·L/(Cg·Cw) = 0.
    """
    of_gas, of_wall = np.asarray(gas_j_k, float), np.asarray(wall_j_k, float)
    of_gas = np.where(of_gas > 0.0, of_gas, np.nan)
    room, elapsed = np.asarray(room_c, float), np.asarray(elapsed_s, float)
    slow, fast = _modes(of_gas, of_wall, surface_m2, still_air_w_m2_k, at_rest_w_m2_k)
    exchange = np.asarray(at_rest_w_m2_k, float) * np.asarray(surface_m2, float) / of_gas
    gas_over = np.asarray(gas_c, float) - room
    wall_c = (np.asarray(together_c, float) * (of_gas + of_wall) - of_gas * np.asarray(gas_c, float)) / of_wall
    rate = -exchange * (gas_over - (wall_c - room))
    # gas − room = a·exp(−slow·t) + b·exp(−fast·t), from its value and slope at the start
    a = (rate + fast * gas_over) / (fast - slow)
    b = gas_over - a
    late, early = a * np.exp(-slow * elapsed), b * np.exp(-fast * elapsed)
    gas_then = late + early
    wall_then = gas_then - (slow * late + fast * early) / exchange
    return room + gas_then, gas_and_wall_c(room + gas_then, room + wall_then, of_gas, of_wall)


def _modes(gas_j_k, wall_j_k, surface_m2, still_air_w_m2_k, at_rest_w_m2_k) -> tuple[Any, Any]:
    """The slow and the fast decay of two linear bodies, 1/s."""
    of_gas, of_wall, area, outside, inside = (
        np.asarray(v, float) for v in (gas_j_k, wall_j_k, surface_m2, still_air_w_m2_k, at_rest_w_m2_k)
    )
    of_gas = np.where(of_gas > 0.0, of_gas, np.nan)
    total = inside * area / of_gas + (inside + outside) * area / of_wall
    product = inside * outside * area**2 / (of_gas * of_wall)
    fast = 0.5 * (total + np.sqrt(total**2 - 4.0 * product))
    return product / fast, fast
