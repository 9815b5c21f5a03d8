"""How warm the gas in a dived cylinder is: it follows its wall, the wall follows the water, and expansion cools it.

What leaves a cylinder takes the work of pushing it out from the gas that stays, so while it is breathed
the gas runs colder than the water by power over conductance (4 K for the 116 W of a 12 L breathed from 232 to
50 bar in 40 min). The film inside thins with the gas and with a smaller difference of temperature, as natural
convection does.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas import mix as gas
from shared.gas.constants import AIR_O2_PCT

IMMERSED_LAG_MIN = 3.0
"""Time constant of a 12 L steel cylinder under water, minutes; computed, 2 to 4."""

CONDUCTANCE_W_K = 29.0
"""From the gas to its wall for a 12 L at REFERENCE_MOL_L and REFERENCE_K, W/K: 116 W at 4 K."""

REFERENCE_MOL_L, REFERENCE_K = 6.0, 4.0
DENSITY_POWER, DIFFERENCE_POWER = 0.55, 0.2
"""Natural convection, Nu = 0.104·Ra^0.352 (Woodfield 2008), gives 0.7 and 0.35; a film that also feels the diver
move and the gas being drawn off gives less of both. Set between them on simulated dives of several kinds."""

WATER_CONDUCTANCE_W_K = 150.0
"""From the wall of a 12 L to moving water, W/K: some 400 W/(m² K) over 0.37 m²; computed."""

WALL_J_K_L = {"steel": 560.0, "aluminium": 1120.0, "composite": 700.0}
"""Heat of the wall per litre of capacity, J/(K L): 1.15 kg of steel at 490, 1.25 kg of aluminium at 896 J/(kg K)."""

PIVOT_L = 12.0
_NAN = float("nan")
_LEAST_K, _MOST_K = 1.0, 20.0


def immersed_lag_s(cylinder_capacity_l: ArrayLike) -> NDArray:
    """Time constant under water, s, by the capacity of one cylinder in litres: as volume over surface."""
    return 60.0 * IMMERSED_LAG_MIN * np.cbrt(np.asarray(cylinder_capacity_l, float) / PIVOT_L)


def conductance_w_k(
    cylinder_capacity_l: ArrayLike,
    cylinders: ArrayLike = 1,
    density_mol_l: ArrayLike = REFERENCE_MOL_L,
    difference_k: ArrayLike = REFERENCE_K,
) -> NDArray:
    """Conductance from gas to wall, W/K, of so many equal cylinders: as their surface, and by natural convection.

    Parameters
    ----------
    cylinder_capacity_l, cylinders : array_like
        Litres of one cylinder, and how many.
    density_mol_l, difference_k : array_like
        Of the gas; between gas and wall, either sign. Held between 1 and 20 K.

    Notes
    -----
    ∝ ρ^DENSITY_POWER · |ΔT|^DIFFERENCE_POWER.
    """
    thin = np.maximum(np.asarray(density_mol_l, float), 0.03) / REFERENCE_MOL_L
    near = np.clip(np.abs(np.asarray(difference_k, float)), _LEAST_K, _MOST_K) / REFERENCE_K
    return CONDUCTANCE_W_K * _surface(cylinder_capacity_l, cylinders) * thin**DENSITY_POWER * near**DIFFERENCE_POWER


def water_conductance_w_k(cylinder_capacity_l: ArrayLike, cylinders: ArrayLike = 1) -> NDArray:
    """Conductance from the wall to the water, W/K, of so many equal cylinders: as their surface."""
    return WATER_CONDUCTANCE_W_K * _surface(cylinder_capacity_l, cylinders)


def _surface(cylinder_capacity_l: ArrayLike, cylinders: ArrayLike) -> NDArray:
    return np.asarray(cylinders, float) * np.cbrt(np.asarray(cylinder_capacity_l, float) / PIVOT_L) ** 2


def heat_capacity_j_mol_k(he_pct: ArrayLike) -> NDArray:
    """Molar heat capacity at constant volume of a compressed mix, J/(mol K): 5/2 R, of helium 3/2 R, and 1.5 for
    the attraction of dense gas (air at 15 °C: 21.0 at 50 bar, 23 at 250; CoolProp)."""
    helium = np.asarray(he_pct, float) / 100.0
    return 20.8 * (1.0 - helium) + 12.5 * helium + 1.5 * (1.0 - helium)


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
    return expansion_heat_by_slope_j_mol(density, temperature, warm - cold)


def expansion_heat_by_slope_j_mol(density_mol_l: NDArray, temperature_k: NDArray, bar_by_k: NDArray) -> NDArray:
    """As `expansion_heat_j_mol` where (∂P/∂T)ρ, bar/K, is known."""
    return temperature_k * bar_by_k * 100.0 / density_mol_l


def exchange_weights(
    step_s: ArrayLike, gas_per_s: ArrayLike, wall_per_s: ArrayLike, water_per_s: ArrayLike
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """How gas and wall, apart from where they would come to rest, are made of both a step earlier.

    Parameters
    ----------
    step_s : array_like
        Length of the step, s.
    gas_per_s, wall_per_s, water_per_s : array_like
        Conductance from gas to wall over the heat of the gas; the same over the heat of the wall; conductance from
        wall to water over the heat of the wall, 1/s. All broadcast.

    Returns
    -------
    gas_of_gas, gas_of_wall, wall_of_gas, wall_of_wall : ndarray
        All between 0 and 1; each pair sums to at most 1, and what is missing is the water's part.

    Notes
    -----
    Two bodies in a row beside water of one temperature, d(gas)/dt = a·(wall − gas), d(wall)/dt = b·(gas − wall) +
    c·(water − wall): the exponential of a 2 × 2 matrix, exact for what is constant in the step.
    """
    step, a, b, c = (np.asarray(v, float) for v in (step_s, gas_per_s, wall_per_s, water_per_s))
    mean = 0.5 * (a + b + c)
    root = np.sqrt(np.maximum(mean**2 - a * c, 1e-16))
    slow, fast = np.exp((root - mean) * step), np.exp(-(root + mean) * step)
    even, odd = 0.5 * (slow + fast), 0.5 * (slow - fast) / root
    return even + odd * (mean - a), odd * a, odd * b, even + odd * (mean - b - c)
