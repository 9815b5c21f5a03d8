"""A mix's equation of state, tabulated: smooth polynomials over a box, read at tens of millions of states a second.

Compressibility over pressure (or density) and reciprocal temperature is so smooth inside the box that
a Chebyshev interpolant of a few hundred coefficients meets the equation to 2e-6 (density) and 1e-7
(pressure). Evaluated as a matrix product and a Horner sum, it outruns a bicubic spline about four
times, is built in under a millisecond, has no kinks, and needs numpy alone.
"""

from collections.abc import Callable, Sequence
from functools import cache, cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.polynomial import chebyshev, polynomial
from numpy.typing import ArrayLike, NDArray

from shared.gas import equation
from shared.gas.constants import LEAST_BAR_ABS, LEAST_K, MOST_BAR_ABS, MOST_K

DENSEST_MOL_L = 25.0
"""Above any density inside the box (oxygen at 500 bar and 230 K: 23.1 mol/L)."""

_SLACK = 1e-5
"""A state found by one table and read by another may miss the box's edge by their error."""

_PAD_BAR_ABS, _PAD_K = 5.0, 2.0
GERG_R_BAR_L = 8.314472 / 100.0
"""GERG-2008's own gas constant, in bar L/(mol K); only the scale of a tabulated ratio."""

FEW = 64
"""Measured: reading a table costs 25 µs a call, building one 0.4 ms, the equation 0.4 to 0.9 µs a state."""

_CHUNK = 1024
"""States evaluated at once: few enough for the cache, and for the matrix library to keep to one thread.
Spread over threads such small products lose many times over on a busy machine."""


class OutOfRange(ValueError):
    """A state or a mix outside what the gas engine covers; the message names the first offender."""


def outside_box(pressure_bar_abs: NDArray, temperature_k: NDArray) -> NDArray:
    """True where a state is outside the box (NaN is not: it stays NaN)."""
    return (
        (pressure_bar_abs < LEAST_BAR_ABS * (1 - _SLACK))
        | (pressure_bar_abs > MOST_BAR_ABS * (1 + _SLACK))
        | (temperature_k < LEAST_K * (1 - _SLACK))
        | (temperature_k > MOST_K * (1 + _SLACK))
    )


def impossible_density(density_mol_l: NDArray, temperature_k: NDArray) -> NDArray:
    """True where no pressure need be computed to know that the state is outside the box."""
    return (
        (density_mol_l <= 0)
        | (density_mol_l > DENSEST_MOL_L)
        | (temperature_k < LEAST_K * (1 - _SLACK))
        | (temperature_k > MOST_K * (1 + _SLACK))
    )


def refuse(bad: NDArray, first: ArrayLike, temperature_k: ArrayLike, unit: str) -> None:
    """Raise OutOfRange if any state is bad; `first` is its pressure or density, in `unit`."""
    if not np.any(bad):
        return
    first, temperature_k, bad = np.broadcast_arrays(np.asarray(first, float), np.asarray(temperature_k, float), bad)
    at = int(np.argmax(bad.ravel()))
    which, of_how_many = (f"state {at}: ", f" ({int(bad.sum())} of {bad.size} states)") if bad.size > 1 else ("", "")
    raise OutOfRange(
        f"{which}{first.ravel()[at]:.6g} {unit} at {temperature_k.ravel()[at]:.5g} K is outside the gas "
        f"table's box, {LEAST_BAR_ABS:g} to {MOST_BAR_ABS:g} bar abs and {LEAST_K:g} to {MOST_K:g} K{of_how_many}"
    )


class _Interpolant(NamedTuple):
    """Polynomial in (x, y), both scaled to [-1, 1]; x is pressure or density, y is 1/T."""

    coefficients: NDArray  # (powers of y, powers of x)
    x_low: float
    x_high: float

    def __call__(self, x: NDArray, temperature_k: NDArray) -> NDArray:
        x = (x - 0.5 * (self.x_high + self.x_low)) * (2.0 / (self.x_high - self.x_low))
        y = scaled_reciprocal(temperature_k)
        of_y, of_x = self.coefficients.shape
        if x.size and x[0] == x[-1] and (x == x[0]).all():  # of one pressure, as of an empty gauge
            return polynomial.polyval(y, self.coefficients @ x[0] ** np.arange(of_x))
        out = np.empty(x.shape)
        powers = np.empty((of_x, min(_CHUNK, max(x.size, 1))))
        for start in range(0, x.size, _CHUNK):
            part = slice(start, start + _CHUNK)
            y_part, total = y[part], out[part]
            rows = powers[:, : total.size]
            rows[0] = 1.0
            rows[1] = x[part]
            for power in range(2, of_x):
                np.multiply(rows[power // 2], rows[power - power // 2], out=rows[power])
            by_power_of_y = self.coefficients @ rows
            total[:] = by_power_of_y[-1]
            for power in range(of_y - 2, -1, -1):
                total *= y_part
                total += by_power_of_y[power]
        return out


_Y_LOW, _Y_HIGH = 1.0 / (MOST_K + _PAD_K), 1.0 / (LEAST_K - _PAD_K)


def scaled_reciprocal(temperature_k: NDArray) -> NDArray:
    """Reciprocal of temperatures, K, brought to [-1, 1] over the box."""
    return (1.0 / temperature_k - 0.5 * (_Y_HIGH + _Y_LOW)) * (2.0 / (_Y_HIGH - _Y_LOW))


def scaled_reciprocal_slope(temperature_k: NDArray) -> NDArray:
    """How `scaled_reciprocal` moves with temperature, 1/K."""
    return (-2.0 / (_Y_HIGH - _Y_LOW)) / temperature_k**2


@cache
def _to_powers(count: int) -> tuple[NDArray, NDArray]:
    """Chebyshev nodes, and the matrix that takes values there to coefficients of powers.

    Powers on [-1, 1] cost half as much to evaluate as Chebyshev polynomials; at these degrees they
    lose no more than 1e-11. A few more nodes than coefficients damp the aliases of the last ones.
    """
    nodes = np.cos(np.pi * (np.arange(count + 4) + 0.5) / (count + 4))
    weights = np.full(count, 2.0 / nodes.size)
    weights[0] /= 2.0
    powers = np.zeros((count, count))
    for degree in range(count):
        powers[degree, : degree + 1] = chebyshev.cheb2poly(np.eye(count)[degree])[: degree + 1]
    return nodes, powers.T @ (chebyshev.chebvander(nodes, count - 1) * weights).T


def _interpolant(
    function: Callable[[NDArray, NDArray], NDArray], x_low: float, x_high: float, of_x: int, of_y: int
) -> _Interpolant:
    """Interpolate function(x, T) with `of_x` by `of_y` coefficients."""
    (x_nodes, from_x), (y_nodes, from_y) = _to_powers(of_x), _to_powers(of_y)
    y, x = np.meshgrid(y_nodes, x_nodes, indexing="ij")
    temperature_k = 1.0 / (0.5 * (_Y_HIGH + _Y_LOW) + 0.5 * (_Y_HIGH - _Y_LOW) * y.ravel())
    values = function(0.5 * (x_high + x_low) + 0.5 * (x_high - x_low) * x.ravel(), temperature_k).reshape(x.shape)
    return _Interpolant(from_y @ values @ from_x.T, x_low, x_high)


class GasTable:
    """Tables of one mix, each built when it is first asked for.

    They answer with the equation's values: density within 2e-6, pressure within 1e-7, relative; energies
    within 0.001 J/mol.
    """

    def __init__(self, fractions: equation.Fractions):
        self.fractions = tuple(float(x) for x in fractions)

    def worth_reading(self, states: int) -> bool:
        """True when so many states are read from the table rather than asked of the equation.

        The number alone decides, never what was asked before: the same states then give the same bits,
        whatever a process has computed until then.
        """
        return states >= FEW

    @cached_property
    def compressibility_of_pressure(self) -> _Interpolant:
        def function(pressure_bar_abs: NDArray, temperature_k: NDArray) -> NDArray:
            density = equation.density_mol_l(pressure_bar_abs, temperature_k, self.fractions)
            return pressure_bar_abs / (density * GERG_R_BAR_L * temperature_k)

        return _interpolant(function, 0.4, MOST_BAR_ABS + _PAD_BAR_ABS, 19, 13)

    @cached_property
    def _densest_mol_l(self) -> float:
        return float(
            equation.density_mol_l(
                np.array([MOST_BAR_ABS + _PAD_BAR_ABS]), np.array([LEAST_K - _PAD_K]), self.fractions
            )[0]
        )

    @cached_property
    def compressibility_of_density(self) -> _Interpolant:
        def function(density_mol_l: NDArray, temperature_k: NDArray) -> NDArray:
            pressure = equation.pressure_bar_abs(density_mol_l, temperature_k, self.fractions)
            return pressure / (density_mol_l * GERG_R_BAR_L * temperature_k)

        return _interpolant(function, 0.0, self._densest_mol_l, 14, 10)

    @cached_property
    def energy_of_density(self) -> _Interpolant:
        def function(density_mol_l: NDArray, temperature_k: NDArray) -> NDArray:
            return equation.internal_energy_j_mol(density_mol_l, temperature_k, self.fractions)

        return _interpolant(function, 0.0, self._densest_mol_l, 14, 10)

    # Unchecked, for `shared.gas.mix`, which checks first: 1-d arrays of equal length.

    def density_unchecked(self, pressure_bar_abs: NDArray, temperature_k: NDArray) -> NDArray:
        return pressure_bar_abs / (
            self.compressibility_of_pressure(pressure_bar_abs, temperature_k) * (GERG_R_BAR_L * temperature_k)
        )

    def pressure_unchecked(self, density_mol_l: NDArray, temperature_k: NDArray) -> NDArray:
        return (
            self.compressibility_of_density(density_mol_l, temperature_k)
            * density_mol_l
            * (GERG_R_BAR_L * temperature_k)
        )

    def energy_unchecked(self, density_mol_l: NDArray, temperature_k: NDArray) -> NDArray:
        return self.energy_of_density(density_mol_l, temperature_k)

    # For callers that stay with one mix: broadcast, and raise OutOfRange outside the box.

    def density_mol_l(self, pressure_bar_abs: ArrayLike, temperature_k: ArrayLike) -> Any:
        """Molar density, mol/L, from absolute pressure, bar, and temperature, K."""
        pressure, temperature, shape = _flat(pressure_bar_abs, temperature_k)
        refuse(outside_box(pressure, temperature), pressure, temperature, "bar abs")
        return self.density_unchecked(pressure, temperature).reshape(shape)[()]

    def pressure_bar_abs(self, density_mol_l: ArrayLike, temperature_k: ArrayLike) -> Any:
        """Absolute pressure, bar, from molar density, mol/L, and temperature, K."""
        density, temperature, shape = _flat(density_mol_l, temperature_k)
        return self._pressure(density, temperature).reshape(shape)[()]

    def internal_energy_j_mol(self, density_mol_l: ArrayLike, temperature_k: ArrayLike) -> Any:
        """Molar internal energy, J/mol; zero point as in `shared.gas.equation`."""
        density, temperature, shape = _flat(density_mol_l, temperature_k)
        self._pressure(density, temperature)
        return self.energy_unchecked(density, temperature).reshape(shape)[()]

    def enthalpy_j_mol(self, density_mol_l: ArrayLike, temperature_k: ArrayLike) -> Any:
        """Molar enthalpy, J/mol: u + P/ρ."""
        density, temperature, shape = _flat(density_mol_l, temperature_k)
        flow_work = 100.0 * self._pressure(density, temperature) / density
        return (self.energy_unchecked(density, temperature) + flow_work).reshape(shape)[()]

    def _pressure(self, density_mol_l: NDArray, temperature_k: NDArray) -> NDArray:
        refuse(impossible_density(density_mol_l, temperature_k), density_mol_l, temperature_k, "mol/L")
        pressure = self.pressure_unchecked(density_mol_l, temperature_k)
        refuse(outside_box(pressure, temperature_k), pressure, temperature_k, "bar abs")
        return pressure


class TablesOfMixes:
    """Tables of several mixes, read together: the first `sizes[0]` states are of the first mix, and so on.

    Unchecked, as `GasTable.density_unchecked` and its like.
    """

    def __init__(self, tables: Sequence[GasTable], sizes: Sequence[int]):
        ends = np.cumsum(sizes)
        self._tables, self._sizes = tables, sizes
        self._parts = [(t, slice(end - size, end)) for t, size, end in zip(tables, sizes, ends, strict=True)]

    def repeated(self, times: int) -> "TablesOfMixes":
        """Of states that each stand so many times, one after the other."""
        return TablesOfMixes(self._tables, [size * times for size in self._sizes])

    def density_unchecked(self, pressure_bar_abs: NDArray, temperature_k: NDArray) -> NDArray:
        """Molar density, mol/L."""
        return self._each(GasTable.density_unchecked, pressure_bar_abs, temperature_k)

    def pressure_unchecked(self, density_mol_l: NDArray, temperature_k: NDArray) -> NDArray:
        """Absolute pressure, bar."""
        return self._each(GasTable.pressure_unchecked, density_mol_l, temperature_k)

    def energy_unchecked(self, density_mol_l: NDArray, temperature_k: NDArray) -> NDArray:
        """Molar internal energy, J/mol."""
        return self._each(GasTable.energy_unchecked, density_mol_l, temperature_k)

    def _each(self, read: Callable[[GasTable, NDArray, NDArray], NDArray], x: NDArray, kelvin: NDArray) -> NDArray:
        if len(self._parts) == 1:
            return read(self._tables[0], x, kelvin)
        return np.concatenate([read(table, x[part], kelvin[part]) for table, part in self._parts])


def _flat(first: ArrayLike, temperature_k: ArrayLike) -> tuple[NDArray, NDArray, tuple[int, ...]]:
    first, temperature_k = np.broadcast_arrays(np.asarray(first, float), np.asarray(temperature_k, float))
    return first.ravel(), temperature_k.ravel(), first.shape
