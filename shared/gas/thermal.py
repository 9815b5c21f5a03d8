"""A closed cylinder whose gas changes temperature, and what it holds, in the units of the filling hose.

Pressures are gauge, bar; temperatures °C; content in free litres. All arguments broadcast, a mix a
row. Amount and volume are constant, so molar density is: GERG-2008 (ISO 20765-2). The cylinder's own
stretch, under 0.1 % in volume, is left out. NaN in, NaN out. Outside the gas engine's box: OutOfRange
where `strict`, else NaN.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas import mix as gas
from shared.gas.constants import AIR_O2_PCT, FREE_LITRE_MOL, LEAST_K, MOST_K, REFERENCE_C
from shared.gas.units import absolute, celsius, gauge, kelvin

_BALANCE = float("nan")


def _array(values: ArrayLike) -> NDArray:
    return np.asarray(values, dtype=float)


def density_mol_l(
    pressure_bar: ArrayLike,
    gas_c: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _BALANCE,
    *,
    strict: bool = True,
) -> Any:
    """Molar density, mol/L, of gas that reads `pressure_bar` at `gas_c`."""
    pressure, temperature_k = absolute(_array(pressure_bar)), kelvin(_array(gas_c))
    return gas.density_mol_l(pressure, temperature_k, o2_pct, he_pct, ar_pct, strict=strict)


def pressure_bar(
    density_mol_l: ArrayLike,
    gas_c: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _BALANCE,
    *,
    strict: bool = True,
) -> Any:
    """Gauge pressure, bar, of gas of a molar density, mol/L, at `gas_c`."""
    return gauge(gas.pressure_bar_abs(density_mol_l, kelvin(_array(gas_c)), o2_pct, he_pct, ar_pct, strict=strict))


def settled_pressure_bar(
    stop_pressure_bar: ArrayLike,
    gas_c: ArrayLike,
    to_c: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _BALANCE,
    *,
    strict: bool = True,
) -> Any:
    """Gauge pressure of a closed cylinder once its gas has come to another temperature.

    Parameters
    ----------
    stop_pressure_bar : array_like
        Gauge reading at stop, bar.
    gas_c, to_c : array_like
        Gas temperature at stop and after settling, °C.
    o2_pct, he_pct, ar_pct : array_like
        Mix, molar per cent; argon NaN means air's share of the balance.

    Returns
    -------
    ndarray or float
        Gauge pressure at `to_c`, bar.

    Raises
    ------
    OutOfRange
        A state outside the gas engine's box, where `strict`; the message names the first offender.

    Examples
    --------
    A fill stopped at 300 bar with its gas at 45 °C, once it is at 15 °C:

    >>> round(float(settled_pressure_bar(300.0, 45.0, 15.0)), 1)
    258.6
    """
    mix = o2_pct, he_pct, ar_pct
    return pressure_bar(density_mol_l(stop_pressure_bar, gas_c, *mix, strict=strict), to_c, *mix, strict=strict)


def stop_pressure_bar(
    target_pressure_bar: ArrayLike,
    gas_c: ArrayLike,
    reference_c: ArrayLike = REFERENCE_C,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _BALANCE,
    *,
    strict: bool = True,
) -> Any:
    """Gauge reading, bar, of gas at `gas_c` that will settle to the target at `reference_c`.

    The inverse of `settled_pressure_bar`. Arithmetic only: no limit of cylinder or valve is known here.

    >>> round(float(stop_pressure_bar(232.0, 40.0)), 1)
    262.3
    """
    return settled_pressure_bar(target_pressure_bar, reference_c, gas_c, o2_pct, he_pct, ar_pct, strict=strict)


def gas_temperature_c(
    pressure_bar: ArrayLike,
    density_mol_l: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _BALANCE,
    *,
    strict: bool = True,
) -> Any:
    """Temperature, °C, at which gas of that molar density, mol/L, reads that gauge pressure, bar.

    At constant density pressure is all but linear in temperature, so a few secant steps reach 1e-6 K.

    Raises
    ------
    OutOfRange
        The temperature lies outside the box, where `strict`.
    """
    mix = o2_pct, he_pct, ar_pct
    shape = np.broadcast_shapes(*(_array(x).shape for x in (density_mol_l, pressure_bar, *mix)))
    density, target = (np.broadcast_to(x, shape) for x in (_array(density_mol_l), absolute(_array(pressure_bar))))

    def off_by(temperature_k: NDArray) -> NDArray:
        return gas.pressure_within_k(density, temperature_k, *mix, strict=strict) - target

    before, now = np.full(shape, 280.0), np.full(shape, 320.0)
    error_before, error = off_by(before), off_by(now)
    for _ in range(12):
        moved = now - before
        slope = (error - error_before) / np.where(moved == 0, 1.0, moved)
        step = np.where(slope > 0, error / np.where(slope > 0, slope, 1.0), 0.0)
        before, error_before = now, error
        now = np.clip(now - step, LEAST_K, MOST_K)
        error = off_by(now)
        if np.nanmax(np.abs(now - before), initial=0.0) < 1e-6:
            break
    missed = (np.abs(error) > 1e-5 * target) | gas.outside_box(target, now)
    if strict and np.any(missed):
        at = int(np.argmax(missed))
        raise gas.OutOfRange(
            f"state {at}: no temperature of {LEAST_K:g} to {MOST_K:g} K makes {density.ravel()[at]:.5g} mol/L "
            f"read {gauge(target.ravel()[at]):.5g} bar"
        )
    return celsius(np.where(missed | np.isnan(error), np.nan, now))[()]


def gas_temperature_at_stop_c(
    stop_pressure_bar: ArrayLike,
    settled_pressure_bar: ArrayLike,
    settled_c: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _BALANCE,
    *,
    strict: bool = True,
) -> Any:
    """Gas temperature at stop, °C, that explains what a closed cylinder read at stop and later at `settled_c`."""
    mix = o2_pct, he_pct, ar_pct
    return gas_temperature_c(
        stop_pressure_bar, density_mol_l(settled_pressure_bar, settled_c, *mix, strict=strict), *mix, strict=strict
    )


def amount_free_l(
    water_capacity_l: ArrayLike,
    pressure_bar: ArrayLike,
    gas_c: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _BALANCE,
    *,
    strict: bool = True,
) -> Any:
    """All gas inside, free litres (1 bar, 15 °C, ideal: 0.0417395 mol).

    Air in 12 L at 232 bar; as an ideal gas it would be 12 · 233 = 2796:

    >>> round(float(amount_free_l(12.0, 232.0, 15.0)))
    2677
    """
    density = density_mol_l(pressure_bar, gas_c, o2_pct, he_pct, ar_pct, strict=strict)
    return _array(water_capacity_l) * density / FREE_LITRE_MOL


def usable_free_l(
    water_capacity_l: ArrayLike,
    pressure_bar: ArrayLike,
    gas_c: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _BALANCE,
    *,
    strict: bool = True,
) -> Any:
    """What comes out down to an empty gauge at the same temperature, free litres."""
    mix = o2_pct, he_pct, ar_pct
    full = amount_free_l(water_capacity_l, pressure_bar, gas_c, *mix, strict=strict)
    return full - amount_free_l(water_capacity_l, 0.0, gas_c, *mix, strict=strict)


def pressure_of_free_l(
    water_capacity_l: ArrayLike,
    amount_free_l: ArrayLike,
    gas_c: ArrayLike,
    o2_pct: ArrayLike = AIR_O2_PCT,
    he_pct: ArrayLike = 0.0,
    ar_pct: ArrayLike = _BALANCE,
    *,
    strict: bool = True,
) -> Any:
    """Gauge pressure, bar, of an amount of gas in free litres: the inverse of `amount_free_l`."""
    density = _array(amount_free_l) * FREE_LITRE_MOL / _array(water_capacity_l)
    return pressure_bar(density, gas_c, o2_pct, he_pct, ar_pct, strict=strict)


def split_shortfall(
    water_capacity_l: ArrayLike,
    target_bar: ArrayLike,
    stop_bar: ArrayLike,
    settled_bar_15c: ArrayLike,
    usable_free_l: ArrayLike,
) -> tuple[Any, Any, Any]:
    """Where capacity × target went, free litres: (stopped early, compressibility, cooling).

    Exact: the three sum to capacity × target less the usable content.
    """
    capacity, stop, settled = _array(water_capacity_l), _array(stop_bar), _array(settled_bar_15c)
    return (
        capacity * (_array(target_bar) - stop),
        capacity * settled - _array(usable_free_l),
        capacity * (stop - settled),
    )
