"""Net weight in water of a diver with cylinders, from the gas inside. Positive floats."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas.constants import ALUMINIUM_KG_M3, SALT_WATER_KG_M3, STEEL_KG_M3

Floats = NDArray[np.float64]

SHELL_KG_M3 = {"steel": STEEL_KG_M3, "aluminium": ALUMINIUM_KG_M3}
"""Density of a cylinder's shell. A composite has none that would hold for all."""


def shell_volume_l(empty_mass_kg: ArrayLike, shell_kg_m3: ArrayLike) -> Floats:
    """Litres of metal in a shell of so many kilograms."""
    return np.asarray(empty_mass_kg, float) / np.asarray(shell_kg_m3, float) * 1000.0


def cylinder_buoyancy_kg(
    water_capacity_l: ArrayLike,
    empty_mass_kg: ArrayLike,
    shell_kg_m3: ArrayLike,
    gas_mass_kg: ArrayLike,
    water_density_kg_m3: ArrayLike = SALT_WATER_KG_M3,
) -> Floats:
    """Kilograms by which a cylinder with its gas floats (positive) or sinks (negative).

    Parameters
    ----------
    water_capacity_l : array_like
        Water capacity, L.
    empty_mass_kg : array_like
        Mass as stamped, without gas and valve, kg; the valve belongs to the rest of the kit.
    shell_kg_m3 : array_like
        Density of the shell: steel 7850, aluminium 2700.
    gas_mass_kg : array_like
        Gas inside, kg.
    water_density_kg_m3 : array_like
        Salt 1025, fresh 1000.

    Returns
    -------
    ndarray
        Water displaced by cavity and shell, less shell and gas, kg (Archimedes).
    """
    displaced_l = np.asarray(water_capacity_l, float) + shell_volume_l(empty_mass_kg, shell_kg_m3)
    water_kg = np.asarray(water_density_kg_m3, float) * displaced_l / 1000.0
    return water_kg - np.asarray(empty_mass_kg, float) - np.asarray(gas_mass_kg, float)


def net_kg(
    cylinders_kg: ArrayLike, suit_buoyancy_kg: ArrayLike, ballast_kg: ArrayLike, other_negative_kg: ArrayLike
) -> Floats:
    """Net of suit, ballast, the rest of the kit and the cylinders, kg; positive floats."""
    return (
        np.asarray(suit_buoyancy_kg, float)
        - np.asarray(ballast_kg, float)
        - np.asarray(other_negative_kg, float)
        + np.asarray(cylinders_kg, float)
    )


def lift_margin_kg(
    lift_capacity_kg: ArrayLike,
    net_start_kg: ArrayLike,
    suit_buoyancy_kg: ArrayLike,
    suit_buoyancy_at_depth_kg: ArrayLike | None = None,
) -> Floats:
    """Lift left at the start, when the kit is heaviest and the suit has lost its buoyancy, kg.

    What the suit keeps at depth counts where it is known; else all of it is taken as lost.
    """
    suit = np.asarray(suit_buoyancy_kg, float)
    kept = 0.0 if suit_buoyancy_at_depth_kg is None else np.nan_to_num(np.asarray(suit_buoyancy_at_depth_kg, float))
    return np.asarray(lift_capacity_kg, float) + np.asarray(net_start_kg, float) - suit + kept


def ballast_margin_kg(net_low_gas_kg: ArrayLike) -> Floats:
    """Kilograms that still hold the diver at a shallow stop when the gas is lowest; negative floats up."""
    return -np.asarray(net_low_gas_kg, float)
