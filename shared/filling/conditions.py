"""What is taken of a fill where nobody logged it: the wall's mass, the gas that comes in, the minutes.

Asked before a fill and after it, so that advice and table begin with the same figures.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.filling.heat import BANK_BAR, COMPRESSOR_RISE_K, Array
from shared.gas.walls import wall_mass_kg

PLAUSIBLE_RISE_K = (-20.0, 60.0)
ABOVE_STOP_BAR = 20.0
USUAL_FREE_L_MIN = 180.0
USUAL_BANK_BAR_MIN = 40.0
"""Rate of filling where nothing logged says it: a compressor's, and the usual rise of the gauge from a bank (600 psi
a minute: a cylinder inspectors' training note)."""
STAMPED_MASS_SHARE = (0.4, 2.5)
"""A stamped mass outside these shares of what such a cylinder weighs is a slip of the pen, not a lighter cylinder."""


@dataclass(frozen=True)
class WallMass:
    """Empty mass, kg, and whether it is the stamped one; `doubtful` where a stamp was not believed."""

    mass_kg: Array
    stamped: NDArray
    doubtful: NDArray


def believed_wall_mass(
    material: ArrayLike, water_capacity_l: ArrayLike, working_pressure_bar: ArrayLike, stamped_kg: ArrayLike
) -> WallMass:
    """The stamped empty mass, kg, where it can be that of such a cylinder; else the estimate (NaN: not stamped)."""
    stamped = np.asarray(stamped_kg, float)
    estimated = wall_mass_kg(material, water_capacity_l, working_pressure_bar)
    least, most = (share * estimated for share in STAMPED_MASS_SHARE)
    doubtful = (stamped < least) | (stamped > most)
    believed = np.isfinite(stamped) & ~doubtful
    return WallMass(np.where(believed, stamped, estimated), believed, doubtful)


def outlet_rise_k(outlet_c: ArrayLike, ambient_c: ArrayLike) -> float:
    """How much warmer than its surroundings a compressor delivers, K, by its log: the median; NaN where it says nothing
    that can be.
    """
    rise = np.asarray(outlet_c, float) - np.asarray(ambient_c, float)
    known = rise[np.isfinite(rise)]
    middle = float(np.median(known)) if known.size else np.nan
    return middle if PLAUSIBLE_RISE_K[0] <= middle <= PLAUSIBLE_RISE_K[1] else np.nan


def delivery(
    from_bank: ArrayLike, ambient_c: ArrayLike, stop_pressure_bar: ArrayLike, rise_k: ArrayLike = np.nan
) -> tuple[Array, Array]:
    """Temperature, °C, and pressure, bar, of the gas that comes in; the pressure is NaN for a compressor.

    `rise_k` is what the compressor's log says of its outlet; NaN: the usual.
    """
    bank, ambient = np.asarray(from_bank, bool), np.asarray(ambient_c, float)
    rise = np.asarray(rise_k, float)
    rise = np.where(np.isfinite(rise), rise, COMPRESSOR_RISE_K)
    of_bank = np.maximum(np.asarray(stop_pressure_bar, float) + ABOVE_STOP_BAR, BANK_BAR)
    return np.where(bank, ambient, ambient + rise), np.where(bank, of_bank, np.nan)


def usual_minutes(from_bank: ArrayLike, water_capacity_l: ArrayLike, risen_bar: ArrayLike) -> Array:
    """Minutes a fill takes where nothing says it.

    A compressor gives so many litres a minute; from a bank people watch the gauge rise.
    """
    risen = np.maximum(np.asarray(risen_bar, float), 1.0)
    litres = np.asarray(water_capacity_l, float) * risen
    return np.where(np.asarray(from_bank, bool), risen / USUAL_BANK_BAR_MIN, litres / USUAL_FREE_L_MIN)
