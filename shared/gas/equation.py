"""The one place that talks to the library behind the equation of state.

GERG-2008 (ISO 20765-2; Kunz and Wagner 2012, J. Chem. Eng. Data 57(11), 3032–3091) for nitrogen, oxygen,
argon and helium through pyaga8, a state at a time: right, and slow enough (about a microsecond a
state) that bulk work goes through the tables of `shared.gas.mix`. Another library could stand here; nothing else
would change. States are given in bar abs, K and mol/L.
"""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

KPA_PER_BAR = 100.0

Fractions = Sequence[float]
"""Molar fractions in the order nitrogen, oxygen, argon, helium; they sum to one."""


def _equation(fractions: Fractions) -> Any:
    import pyaga8  # only where a state is computed: the calculator's start-up counts

    composition = pyaga8.Composition()
    composition.nitrogen, composition.oxygen, composition.argon, composition.helium = (float(x) for x in fractions)
    equation = pyaga8.Gerg2008()
    equation.set_composition(composition)
    return equation


def _each(
    fractions: Fractions, first: NDArray, temperature_k: NDArray, solve: Callable[[Any, float, float], float]
) -> NDArray:
    """One number for each state; NaN where the state is NaN."""
    equation = _equation(fractions)
    out = np.full(first.shape, np.nan)
    known = np.isfinite(first) & np.isfinite(temperature_k)
    states = zip(first[known].tolist(), temperature_k[known].tolist(), strict=True)
    out[known] = [solve(equation, value, temperature) for value, temperature in states]
    return out


def _solve_density(equation: Any, pressure_kpa: float, temperature_k: float) -> float:
    equation.pressure, equation.temperature = pressure_kpa, temperature_k
    equation.calc_density(0)
    return equation.d


def _solve_pressure(equation: Any, density_mol_l: float, temperature_k: float) -> float:
    equation.d, equation.temperature = density_mol_l, temperature_k
    return equation.calc_pressure()


def _solve_energy(equation: Any, density_mol_l: float, temperature_k: float) -> float:
    equation.d, equation.temperature = density_mol_l, temperature_k
    equation.calc_properties()
    return equation.u


def density_mol_l(pressure_bar_abs: NDArray, temperature_k: NDArray, fractions: Fractions) -> NDArray:
    """Molar density, mol/L, of 1-d arrays of states; NaN where the state is NaN."""
    return _each(fractions, pressure_bar_abs * KPA_PER_BAR, temperature_k, _solve_density)


def pressure_bar_abs(density_mol_l: NDArray, temperature_k: NDArray, fractions: Fractions) -> NDArray:
    """Absolute pressure, bar, of 1-d arrays of states; NaN where the state is NaN."""
    return _each(fractions, density_mol_l, temperature_k, _solve_pressure) / KPA_PER_BAR


def internal_energy_j_mol(density_mol_l: NDArray, temperature_k: NDArray, fractions: Fractions) -> NDArray:
    """Molar internal energy, J/mol, of 1-d arrays of states; NaN where the state is NaN.

    Zero point: each pure ideal gas has no enthalpy at 298.15 K, so energies of different mixes add up.
    """
    return _each(fractions, density_mol_l, temperature_k, _solve_energy)
