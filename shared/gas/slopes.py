"""Pressure and how it answers to density and temperature, many states of each of many mixes at once: for solvers.

The polynomials of `shared.gas.table` give their derivatives for little more than their value. A row is a mix with its
states, so that rows need not be put together by mix first.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas.mix import tables_of
from shared.gas.table import GERG_R_BAR_L, impossible_density, outside_box, scaled_reciprocal, scaled_reciprocal_slope


class PressureSlopes:
    """Pressure of rows of states, a mix a row, with its slopes.

    Parameters
    ----------
    o2_pct, he_pct, ar_pct : array_like, (rows,)
        Molar per cent; argon NaN means air's share of the balance. A row whose shares are impossible gives NaN.
    """

    def __init__(self, o2_pct: ArrayLike, he_pct: ArrayLike, ar_pct: ArrayLike):
        tables, number = tables_of(o2_pct, he_pct, ar_pct)
        read = [table.compressibility_of_density for table in tables]
        of_y, of_x = read[0].coefficients.shape if read else (1, 2)
        # by power of temperature: the value's coefficients, then those of its slope with density
        both = np.full((len(read) + 1, 2 * of_y, of_x), np.nan)
        middle, half = np.full((2, len(read) + 1), np.nan)
        for at, one in enumerate(read):
            middle[at], half[at] = 0.5 * (one.x_high + one.x_low), 0.5 * (one.x_high - one.x_low)
            both[at, :of_y] = one.coefficients
            both[at, of_y:, :-1] = one.coefficients[:, 1:] * np.arange(1, of_x) / half[at]
            both[at, of_y:, -1] = 0.0
        self._coefficients, self._of_y = both[number], of_y
        self._middle, self._half = middle[number][:, None], half[number][:, None]

    def __call__(self, density_mol_l: NDArray, temperature_k: NDArray) -> tuple[NDArray, NDArray, NDArray]:
        """Pressure, bar abs; by density, bar L/mol; by temperature, bar/K; NaN outside the gas engine's box.

        `density_mol_l` and `temperature_k` are (rows, states).

        Notes
        -----
        GERG-2008 (ISO 20765-2), pressure within 1e-7 of the equation and slopes within 1e-5, as the table has them.
        """
        rows, states = density_mol_l.shape
        of_y, of_x = self._of_y, self._coefficients.shape[2]
        x, y = (density_mol_l - self._middle) / self._half, scaled_reciprocal(temperature_k)
        powers = np.empty((rows, of_x, states))
        powers[:, 0], powers[:, 1] = 1.0, x
        for power in range(2, of_x):
            np.multiply(powers[:, power // 2], powers[:, power - power // 2], out=powers[:, power])
        by_y = self._coefficients @ powers
        value, by_x, by_t = by_y[:, of_y - 1].copy(), by_y[:, -1].copy(), np.zeros_like(y)
        for power in range(of_y - 2, -1, -1):
            by_t *= y
            by_t += value
            value *= y
            value += by_y[:, power]
            by_x *= y
            by_x += by_y[:, of_y + power]
        by_t *= scaled_reciprocal_slope(temperature_k)
        ideal = GERG_R_BAR_L * temperature_k
        pressure = value * ideal * density_mol_l
        bad = impossible_density(density_mol_l, temperature_k) | outside_box(pressure, temperature_k)
        if bad.any():
            pressure[bad] = np.nan
        return (
            pressure,
            (value + density_mol_l * by_x) * ideal,
            (value + temperature_k * by_t) * (GERG_R_BAR_L * density_mol_l),
        )
