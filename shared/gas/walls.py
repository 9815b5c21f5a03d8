"""The wall of a cylinder: how heavy it is, what heat it holds, how much surface it has."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas.constants import ALUMINIUM_J_KG_K, STEEL_J_KG_K

Array = NDArray[np.float64]

COMPOSITE_J_KG_K = 920.0
"""Aluminium liner with carbon fibre in resin, J/(kg K): an engineering value from memory."""

HEAT_CAPACITY_J_KG_K = {"steel": STEEL_J_KG_K, "aluminium": ALUMINIUM_J_KG_K, "composite": COMPOSITE_J_KG_K}
MASS_KG_PER_L_BAR = {"steel": 0.0051, "aluminium": 0.0062, "composite": 0.0021}
"""Empty mass over capacity × working pressure: steel 12 L 232 bar about 14 kg, aluminium 11.1 L 207 bar
14.2 kg (both as in common catalogues, from memory), composite 6.8 L 300 bar about 4.3 kg (from memory)."""

RESISTANCE_M2_K_W = {"composite": 0.0024}
"""From the inside of a wall to where its heat is held, m² K/W: a third of 7 mm of carbon fibre in resin at
0.9 W/(m K) (from memory); of metals under 0.0001, taken as none."""

AREA_FACTOR = 6.2
"""Surface over (volume)^(2/3) of a cylinder three diameters long."""


def wall_mass_kg(material: ArrayLike, water_capacity_l: ArrayLike, working_pressure_bar: ArrayLike) -> Array:
    """Estimated empty mass, kg, by material, capacity (L) and working pressure (bar); NaN for another material.

    Notes
    -----
    A wall that carries pressure p over volume V weighs in proportion to p·V (thin shell). Estimates are good
    to about 8 %; a stamped empty mass is better.
    """
    factor = np.array([MASS_KG_PER_L_BAR.get(m, np.nan) for m in np.asarray(material, dtype=object).ravel()])
    return factor * np.asarray(water_capacity_l, float) * np.asarray(working_pressure_bar, float)


def wall_heat_capacity_j_k(material: ArrayLike, mass_kg: ArrayLike) -> Array:
    """Heat capacity of the wall, J/K."""
    factor = np.array([HEAT_CAPACITY_J_KG_K.get(m, np.nan) for m in np.asarray(material, dtype=object).ravel()])
    return factor * np.asarray(mass_kg, float)


def wall_resistance_m2_k_w(material: ArrayLike) -> Array:
    """Resistance of the wall itself to heat from inside, m² K/W; none for metals."""
    return np.array([RESISTANCE_M2_K_W.get(m, 0.0) for m in np.asarray(material, dtype=object).ravel()])


def surface_m2(water_capacity_l: ArrayLike, cylinders: ArrayLike = 1.0) -> Array:
    """Surface of a unit of one or more equal cylinders, m²."""
    each_m3 = np.asarray(water_capacity_l, float) / np.asarray(cylinders, float) / 1000.0
    return np.asarray(cylinders, float) * AREA_FACTOR * np.cbrt(each_m3) ** 2


def diameter_m(water_capacity_l: ArrayLike, cylinders: ArrayLike = 1.0) -> Array:
    """Inner diameter of each of one or more equal cylinders three diameters long, m."""
    each_m3 = np.asarray(water_capacity_l, float) / np.asarray(cylinders, float) / 1000.0
    return np.cbrt(4.0 * each_m3 / (3.0 * np.pi))
