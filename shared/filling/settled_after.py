"""When a filled cylinder is worth reading: once what its gas has still to lose is no more than a gauge can tell."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from shared.gas.constants import AIR_O2_PCT, REFERENCE_C
from shared.gas.cooling import gas_heat_capacity_j_k, time_constant_s
from shared.gas.thermal import density_mol_l, pressure_bar
from shared.gas.walls import surface_m2, wall_heat_capacity_j_k, wall_mass_kg

_NAN = float("nan")


def settled_after_s(
    settled_pressure_bar_15c: ArrayLike,
    together_c: ArrayLike,
    room_c: ArrayLike,
    material: ArrayLike,
    water_capacity_l: ArrayLike,
    working_pressure_bar: ArrayLike,
    cylinders: ArrayLike = 1.0,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _NAN,
    *,
    within_bar: float = 0.5,
) -> Any:
    """Time from stop until the gauge is within so much of what it will read in that room, s.

    Gas and wall have one temperature after some minutes and then go to the room's as one body does; see
    `shared.gas.cooling`.

    Parameters
    ----------
    settled_pressure_bar_15c : array_like
        Gauge pressure of the content at 15 °C, bar.
    together_c, room_c : array_like
        What gas and wall come to together after the stop, and the room, °C.
    material, water_capacity_l, working_pressure_bar, cylinders : array_like
        Of the unit; of a set the capacity of all its cylinders and how many they are.
    o2_pct, he_pct, ar_pct : array_like
        Mix, molar per cent.
    within_bar : float
        What is left to lose, bar; a check gauge's limit of error.

    Returns
    -------
    ndarray or float
        Seconds; 0 where so little is left already, NaN where something is not known or outside the gas engine's box.

    Examples
    --------
    A steel 12 of 232 bar whose gas and wall are 15 K over the room is worth reading after three hours:

    >>> round(float(settled_after_s(220.0, 35.0, 20.0, "steel", 12.0, 232.0)) / 3600.0, 1)
    3.1
    """
    mix = o2_pct, he_pct, ar_pct
    room, number = np.asarray(room_c, float), np.asarray(cylinders, float)
    over_k = np.asarray(together_c, float) - room
    capacity = np.asarray(water_capacity_l, float)
    density = density_mol_l(settled_pressure_bar_15c, REFERENCE_C, *mix, strict=False)
    to_lose_bar = np.abs(
        pressure_bar(density, room + over_k, *mix, strict=False) - pressure_bar(density, room, *mix, strict=False)
    )
    wall = wall_heat_capacity_j_k(material, wall_mass_kg(material, capacity, working_pressure_bar))
    constant = time_constant_s(gas_heat_capacity_j_k(capacity, density, room, *mix), wall, surface_m2(capacity, number))
    with np.errstate(divide="ignore", invalid="ignore"):
        seconds = constant * np.log(to_lose_bar / within_bar)
    seconds = np.where(np.isfinite(seconds) | ~np.isfinite(constant * to_lose_bar), seconds, 0.0)
    made = np.maximum(seconds, 0.0)
    return made if made.ndim and made.size > 1 else float(np.ravel(made)[0])
