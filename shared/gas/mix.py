"""What a mix of nitrogen, oxygen, argon and helium does under pressure: density, pressure, energy.

Real gas by GERG-2008 (`shared.gas.equation`), tabulated per mix (`shared.gas.table`). The functions take
arrays with a mix a row: rows of one mix go through its table together, a handful of states straight
to the equation. Box: 0.5 to 500 bar abs, 230 to 430 K; above 350 bar abs is the equation's extended range.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas import equation
from shared.gas.constants import (
    AIR_O2_PCT,
    ARGON_G_MOL,
    ARGON_IN_BALANCE,
    BREATHABLE_LEAST_O2_PCT,
    BREATHABLE_MOST_AR_PCT,
    HELIUM_G_MOL,
    NITROGEN_G_MOL,
    NITROGEN_IN_BALANCE,
    OXYGEN_G_MOL,
)
from shared.gas.table import GasTable, OutOfRange, impossible_density, outside_box, refuse

__all__ = [
    "AIR",
    "Mix",
    "OutOfRange",
    "density_direct",
    "density_mol_l",
    "enthalpy_j_mol",
    "internal_energy_direct",
    "internal_energy_j_mol",
    "molar_mass_g_mol",
    "outside_box",
    "pressure_bar_abs",
    "pressure_direct",
    "pressure_within_k",
    "shares_pct",
    "table_for",
    "tables_of",
]

TABLES_KEPT = 1024
"""Tables kept, least recently used go first; one is about 5 kB."""

_ARGON_OF_BALANCE = ARGON_IN_BALANCE / (ARGON_IN_BALANCE + NITROGEN_IN_BALANCE)
_MOLAR_MASSES_G_MOL = np.array([NITROGEN_G_MOL, OXYGEN_G_MOL, ARGON_G_MOL, HELIUM_G_MOL])
_NOTHING = math.nan


@dataclass(frozen=True)
class Mix:
    """A dry gas mix, molar per cent; the rest is nitrogen with air's share of argon unless argon is stated.

    Raises
    ------
    OutOfRange
        A share below 0, above 100, not a number, or shares that sum to more than 100.
    """

    o2_pct: float
    he_pct: float = 0.0
    ar_pct: float | None = None

    def __post_init__(self) -> None:
        if self.ar_pct is not None and math.isnan(self.ar_pct):
            object.__setattr__(self, "ar_pct", None)
        shares = (self.o2_pct, self.he_pct, self.ar_pct or 0.0)
        if not all(0.0 <= share <= 100.0 for share in shares) or sum(shares) > 100.0 + 1e-6:
            raise OutOfRange(
                f"no such mix: O2 {self.o2_pct} %, He {self.he_pct} %"
                + (f", Ar {self.ar_pct} %" if self.ar_pct is not None else "")
                + "; shares are 0 to 100 % and sum to 100 % at most"
            )

    @cached_property
    def fractions(self) -> tuple[float, float, float, float]:
        """Molar fractions of nitrogen, oxygen, argon and helium."""
        return tuple(_fractions(self.o2_pct, self.he_pct, _or_nan(self.ar_pct)).tolist())  # type: ignore[return-value]

    @property
    def molar_mass_g_mol(self) -> float:
        """Molar mass, g/mol."""
        return float(np.dot(self.fractions, _MOLAR_MASSES_G_MOL))

    @property
    def breathable(self) -> bool:
        """False for suit gas: argon over 2 % or oxygen under 5 %."""
        return self.fractions[2] * 100 <= BREATHABLE_MOST_AR_PCT and self.o2_pct >= BREATHABLE_LEAST_O2_PCT


AIR = Mix(AIR_O2_PCT)


def _or_nan(value: float | None) -> float:
    return _NOTHING if value is None else value


def _fractions(o2_pct: ArrayLike, he_pct: ArrayLike, ar_pct: ArrayLike) -> NDArray:
    """Molar fractions N2, O2, Ar, He in a last axis of four; NaN argon means air's share of the balance."""
    o2, he, ar = (np.asarray(x, dtype=float) / 100.0 for x in (o2_pct, he_pct, ar_pct))
    balance = np.maximum(1.0 - o2 - he, 0.0)
    argon = np.where(np.isnan(ar), balance * _ARGON_OF_BALANCE, ar)
    nitrogen = np.maximum(balance - argon, 0.0)
    return np.stack(np.broadcast_arrays(nitrogen, o2, argon, he), axis=-1)


def shares_pct(o2_pct: ArrayLike, he_pct: ArrayLike = 0.0, ar_pct: ArrayLike = _NOTHING) -> NDArray:
    """Oxygen, helium and argon, molar per cent, in a last axis of three; argon always a number."""
    fractions = _fractions(o2_pct, he_pct, ar_pct)
    return 100.0 * fractions[..., [1, 3, 2]]


@lru_cache(maxsize=TABLES_KEPT)
def _table(fractions: tuple[float, ...]) -> GasTable:
    return GasTable(fractions)


def table_for(mix: Mix) -> GasTable:
    """The mix's tables, built lazily and kept; for work that stays with one mix."""
    return _table(mix.fractions)


def tables_of(o2_pct: ArrayLike, he_pct: ArrayLike, ar_pct: ArrayLike) -> tuple[list[GasTable], NDArray]:
    """The tables of rows' mixes, each once, and which of them is each row's: -1 where its shares are impossible.

    `o2_pct`, `he_pct` and `ar_pct` are (rows,), molar per cent.
    """
    shares = [np.asarray(x, dtype=float) for x in (o2_pct, he_pct, ar_pct)]
    fractions = _fractions(*shares)
    fractions[_impossible_mix(*shares)] = np.nan
    mixes, number = np.unique(fractions, axis=0, return_inverse=True)
    known = np.isfinite(mixes).all(axis=1)
    places = np.where(known, np.cumsum(known) - 1, -1)
    return [_table(tuple(mix)) for mix in mixes[known].tolist()], places[number.ravel()]


# A state at a time, by the equation itself


def _direct(function: Callable, first: ArrayLike, temperature_k: ArrayLike, mix: Mix) -> Any:
    first, temperature_k = np.broadcast_arrays(np.asarray(first, float), np.asarray(temperature_k, float))
    return function(first.ravel(), temperature_k.ravel(), mix.fractions).reshape(first.shape)[()]


def density_direct(pressure_bar_abs: ArrayLike, temperature_k: ArrayLike, mix: Mix = AIR) -> Any:
    """Molar density, mol/L, by the equation itself; broadcasts. Raises OutOfRange outside the box."""
    refuse(
        outside_box(np.asarray(pressure_bar_abs, float), np.asarray(temperature_k, float)),
        pressure_bar_abs,
        temperature_k,
        "bar abs",
    )
    return _direct(equation.density_mol_l, pressure_bar_abs, temperature_k, mix)


def pressure_direct(density_mol_l: ArrayLike, temperature_k: ArrayLike, mix: Mix = AIR) -> Any:
    """Absolute pressure, bar, by the equation itself; broadcasts. Raises OutOfRange outside the box."""
    refuse(
        impossible_density(np.asarray(density_mol_l, float), np.asarray(temperature_k, float)),
        density_mol_l,
        temperature_k,
        "mol/L",
    )
    pressure = _direct(equation.pressure_bar_abs, density_mol_l, temperature_k, mix)
    refuse(outside_box(np.asarray(pressure), np.asarray(temperature_k, float)), pressure, temperature_k, "bar abs")
    return pressure


def internal_energy_direct(density_mol_l: ArrayLike, temperature_k: ArrayLike, mix: Mix = AIR) -> Any:
    """Molar internal energy, J/mol, by the equation itself; broadcasts. Raises OutOfRange outside the box."""
    pressure_direct(density_mol_l, temperature_k, mix)
    return _direct(equation.internal_energy_j_mol, density_mol_l, temperature_k, mix)


# Arrays with a mix a row


def density_mol_l(
    pressure_bar_abs: ArrayLike,
    temperature_k: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _NOTHING,
    *,
    strict: bool = True,
) -> Any:
    """Molar density of a mix.

    Parameters
    ----------
    pressure_bar_abs, temperature_k : array_like
        States, bar abs and K; broadcast with each other and with the mix.
    o2_pct, he_pct, ar_pct : array_like
        Molar per cent; argon NaN means air's share of the balance.
    strict : bool
        Outside the box or with impossible shares: raise if true, else NaN there.

    Returns
    -------
    ndarray or float
        mol/L; NaN where any input but argon is NaN.

    Raises
    ------
    OutOfRange
        Names the first offender.

    Notes
    -----
    GERG-2008 (ISO 20765-2), within 1e-5 of the equation.
    """
    return _evaluate("density", pressure_bar_abs, temperature_k, o2_pct, he_pct, ar_pct, strict)


def pressure_bar_abs(
    density_mol_l: ArrayLike,
    temperature_k: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _NOTHING,
    *,
    strict: bool = True,
) -> Any:
    """Absolute pressure, bar, of a mix at a molar density, mol/L, and temperature, K; else as `density_mol_l`."""
    return _evaluate("pressure", density_mol_l, temperature_k, o2_pct, he_pct, ar_pct, strict)


def internal_energy_j_mol(
    density_mol_l: ArrayLike,
    temperature_k: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _NOTHING,
    *,
    strict: bool = True,
) -> Any:
    """Molar internal energy, J/mol, at a molar density, mol/L, and temperature, K; else as `density_mol_l`.

    Zero point: pure ideal gases have no enthalpy at 298.15 K, so energies of unlike mixes may be added.
    """
    return _evaluate("energy", density_mol_l, temperature_k, o2_pct, he_pct, ar_pct, strict)


def enthalpy_j_mol(
    density_mol_l: ArrayLike,
    temperature_k: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _NOTHING,
    *,
    strict: bool = True,
) -> Any:
    """Molar enthalpy, J/mol, u + P/ρ with u as in `internal_energy_j_mol`; else as `density_mol_l`."""
    return _evaluate("enthalpy", density_mol_l, temperature_k, o2_pct, he_pct, ar_pct, strict)


def pressure_within_k(
    density_mol_l: ArrayLike,
    temperature_k: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _NOTHING,
    *,
    strict: bool = True,
) -> Any:
    """As `pressure_bar_abs` but only the temperature is held to the box: a step for solvers, never a result."""
    return _evaluate("pressure", density_mol_l, temperature_k, o2_pct, he_pct, ar_pct, strict, check_pressure=False)


def molar_mass_g_mol(o2_pct: ArrayLike = AIR_O2_PCT, he_pct: ArrayLike = 0.0, ar_pct: ArrayLike = _NOTHING) -> Any:
    """Molar mass, g/mol; broadcasts, NaN argon means air's share of the balance."""
    return (_fractions(o2_pct, he_pct, ar_pct) @ _MOLAR_MASSES_G_MOL)[()]


def _impossible_mix(o2_pct: NDArray, he_pct: NDArray, ar_pct: NDArray) -> NDArray:
    argon = np.where(np.isnan(ar_pct), 0.0, ar_pct)
    return (
        (o2_pct < 0)
        | (o2_pct > 100)
        | (he_pct < 0)
        | (he_pct > 100)
        | (argon < 0)
        | (argon > 100)
        | (o2_pct + he_pct + argon > 100.0 + 1e-6)
    )


def _evaluate(
    what: str,
    first: ArrayLike,
    temperature_k: ArrayLike,
    o2_pct: ArrayLike,
    he_pct: ArrayLike,
    ar_pct: ArrayLike,
    strict: bool,
    check_pressure: bool = True,
) -> Any:
    shares = tuple(np.asarray(x, dtype=float) for x in (o2_pct, he_pct, ar_pct))
    first, temperature_k = np.asarray(first, dtype=float), np.asarray(temperature_k, dtype=float)
    shape = np.broadcast_shapes(first.shape, temperature_k.shape, *(x.shape for x in shares))
    first, temperature_k = (np.broadcast_to(x, shape).ravel() for x in (first, temperature_k))

    bad_mix = _impossible_mix(*shares)
    if strict and np.any(bad_mix):
        at = int(np.argmax(bad_mix.ravel()))
        o2, he, ar = (float(np.broadcast_to(x, bad_mix.shape).ravel()[at]) for x in shares)
        Mix(o2, he, ar)  # raises with its own words
    shares = (np.where(bad_mix, np.nan, shares[0]), *shares[1:])
    bad = outside_box(first, temperature_k) if what == "density" else impossible_density(first, temperature_k)
    if strict:
        refuse(bad, first, temperature_k, "bar abs" if what == "density" else "mol/L")
    if np.any(bad):
        first = np.where(bad, np.nan, first)

    out = np.full(first.shape, np.nan)
    pressure = out if what in ("density", "pressure") else np.full(first.shape, np.nan)
    for rows, fractions in _groups(shares, shape):
        out[rows], pressure[rows] = _one_mix(what, first[rows], temperature_k[rows], fractions)
    if what != "density" and check_pressure:
        bad = outside_box(pressure, temperature_k)
        if strict:
            refuse(bad, pressure, temperature_k, "bar abs")
        out[bad] = np.nan
    return out.reshape(shape)[()]


def _one_mix(
    what: str, first: NDArray, temperature_k: NDArray, fractions: tuple[float, ...]
) -> tuple[NDArray, NDArray]:
    """The quantity, and for energies the pressure beside it, by whichever way is quicker."""
    table = _table(fractions)
    if not table.worth_reading(first.size):
        if what == "density":
            density = equation.density_mol_l(first, temperature_k, fractions)
            return density, density
        pressure = equation.pressure_bar_abs(first, temperature_k, fractions)
        energy = pressure if what == "pressure" else equation.internal_energy_j_mol(first, temperature_k, fractions)
    elif what == "density":
        density = table.density_unchecked(first, temperature_k)
        return density, density
    else:
        pressure = table.pressure_unchecked(first, temperature_k)
        energy = pressure if what == "pressure" else table.energy_unchecked(first, temperature_k)
    return (energy + 100.0 * pressure / first if what == "enthalpy" else energy), pressure


def _groups(shares: tuple[NDArray, ...], shape: tuple[int, ...]) -> Iterator[tuple[slice | NDArray, tuple[float, ...]]]:
    """Rows of each distinct mix, and its fractions; rows whose mix is not known are in none."""
    if all(x.size == 1 for x in shares):
        fractions = _fractions(*(x.reshape(()) for x in shares))
        if not np.isnan(fractions).any():
            yield slice(None), tuple(fractions.tolist())
        return
    rows = np.stack([np.broadcast_to(x, shape).ravel() for x in shares])
    rows[2] = np.where(np.isnan(rows[2]), -1.0, rows[2])  # NaN equals nothing, itself included
    if rows.shape[1] == 0:
        return
    # Samples of a dive come in runs of one mix: where they do, sort the runs, not the samples.
    starts = _starts_of_runs(rows)
    if starts.size == 1:
        fractions = _fractions(rows[0, :1], rows[1, :1], np.where(rows[2, :1] < 0, np.nan, rows[2, :1]))
        if not np.isnan(fractions).any():
            yield slice(None), tuple(fractions[0].tolist())
        return
    if starts.size > rows.shape[1] // 4:
        starts = np.arange(rows.shape[1])
    order, first_of_mix = _together(rows[:, starts])
    mixes = rows[:, starts[order[first_of_mix]]]
    fractions = _fractions(mixes[0], mixes[1], np.where(mixes[2] < 0, np.nan, mixes[2]))
    if starts.size < rows.shape[1]:
        number = np.empty(starts.size, dtype=np.uint32)
        number[order] = np.repeat(np.arange(first_of_mix.size), np.diff(np.append(first_of_mix, starts.size)))
        row_number = np.repeat(number, np.diff(np.append(starts, rows.shape[1])))
        # A stable sort of 16-bit numbers takes time in proportion to the rows.
        order = np.argsort(row_number.astype(np.uint16) if first_of_mix.size < 65536 else row_number, kind="stable")
        first_of_mix = np.concatenate(([0], np.cumsum(np.bincount(row_number))[:-1]))
    ends = np.append(first_of_mix[1:], order.size)
    known = ~np.isnan(fractions).any(axis=1)
    for at in np.flatnonzero(known):
        whole = first_of_mix.size == 1
        yield slice(None) if whole else order[first_of_mix[at] : ends[at]], tuple(fractions[at].tolist())


def _starts_of_runs(rows: NDArray) -> NDArray:
    return np.concatenate(([0], np.flatnonzero((rows[:, 1:] != rows[:, :-1]).any(axis=0)) + 1))


def _together(rows: NDArray) -> tuple[NDArray, NDArray]:
    """An order that puts equal columns next to each other, and where in it each new one starts.

    Sorted by a 64-bit mixture of the three numbers' bits, many times quicker than by the numbers in
    turn. Should two mixes ever share a key they come out as more groups, not as one.
    """
    bits = np.ascontiguousarray(rows).view(np.uint64)
    key = bits[0] * np.uint64(0x9E3779B97F4A7C15)
    for number in bits[1:]:
        key = (key ^ (key >> np.uint64(31)) ^ number) * np.uint64(0xD6E8FEB86659FD93)
    order = np.argsort(key ^ (key >> np.uint64(32)))
    return order, _starts_of_runs(rows[:, order])
