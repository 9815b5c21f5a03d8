"""Several cylinders breathed in turns on one dive: none has a steady rate, but together they do.

Each cylinder is first fitted by itself with a rate that may switch on and off. Then the rates are made
to add up to one diver's: a linear observation, so one Kalman step over the dive's cylinders together.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shared.diving.tank_grid import DEPARTURES, EARLY, INFLATION, KNOT_SHARES, KNOT_WEIGHTS, RATE, STEPS, UNKNOWNS
from shared.diving.tank_records import TankFits, TankRecords
from shared.diving.tank_trace import tanks_at

WIDENED = 1.1
"""When each cylinder was breathed is estimated too, and air and water are common to all; set on simulated dives."""

_FREE_MEAN = 5.0
_AT_KNOTS = np.round(np.linspace(0, STEPS - 1, KNOT_SHARES.size)).astype(int)
_OFF, _ON = 0.2, 0.8
_LEAST_SHARE, _STILL_SHARE = 0.02, 0.001


def breathing_shares(fits: TankFits, dive: NDArray) -> NDArray:
    """(rows, STEPS) which of a dive's cylinders is breathed when, from their fits by themselves.

    Shares under a fifth are taken as not breathed and over four fifths as breathed alone.
    """
    rate = np.maximum(np.nan_to_num(fits.rate_l_min), 0.0)
    numbers, of = np.unique(dive, return_inverse=True)
    total = np.zeros((numbers.size, rate.shape[1]))
    np.add.at(total, of, rate)
    share = rate / np.maximum(total[of], 1.0)
    return np.clip((share - _OFF) / (_ON - _OFF), _LEAST_SHARE, 1.0)


def late_breathing_shares(
    bar_min: NDArray, ambient_bar_abs: NDArray, used: NDArray, deco: NDArray, o2_pct: NDArray, ppo2_bar: float
) -> NDArray:
    """When the cylinders of one dive were breathed where only their ends are known, (cylinders, STEPS) shares of it.

    Parameters
    ----------
    bar_min, ambient_bar_abs : ndarray, (STEPS + 1,)
        Integral of ambient pressure over the dive, bar·min; ambient pressure, bar abs.
    used : ndarray, (cylinders,)
        What each gave, in any one unit; less than nothing counts as nothing.
    deco : ndarray of bool, (cylinders,)
        Decompression gas: breathed last, the richest last of all, and never where it exceeds `ppo2_bar`.
    o2_pct : ndarray, (cylinders,)
        Oxygen, molar per cent.

    Notes
    -----
    One diver's rate is taken to be steady, so each gas lasts for its share of the integral of pressure.
    """
    left = np.diff(bar_min)
    whole = np.maximum(left, 1e-12)
    middle = 0.5 * (ambient_bar_abs[1:] + ambient_bar_abs[:-1])
    share = np.maximum(np.nan_to_num(used), 0.0) / max(np.maximum(np.nan_to_num(used), 0.0).sum(), 1e-9)
    wanted = share * left.sum()
    part = np.zeros((len(used), len(left)))
    for row in np.flatnonzero(deco)[np.argsort(-o2_pct[deco], kind="stable")]:
        too_rich = np.flatnonzero(middle * o2_pct[row] / 100.0 > ppo2_bar)
        may = np.where(np.arange(len(left)) > (too_rich[-1] if too_rich.size else -1), left, 0.0)
        later = np.cumsum(may[::-1])[::-1] - may
        given = np.clip(wanted[row] - later, 0.0, may)
        part[row], left = given / whole, left - given
    part[~deco] = left / whole
    return np.clip(part, _STILL_SHARE, 1.0)


def share_breathing(
    fits: TankFits, records: TankRecords, dive: NDArray, rate_sd: NDArray, rate_lag_s: NDArray
) -> tuple[TankFits, dict[int, float]]:
    """Fits of cylinders whose rates add up to one diver's.

    Parameters
    ----------
    fits, records : TankFits, TankRecords
        A row a cylinder, fitted by itself.
    dive : ndarray of int, (rows,)
        Which dive each belongs to; all cylinders breathed on it must be there.
    rate_sd, rate_lag_s : ndarray, (rows,)
        How steady the diver is: scatter of the rate as a share, and how long it is remembered.

    Returns
    -------
    TankFits
        The same rows.
    dict of int to float
        Standard deviation of each dive's sum of used gas, free litres: the rows' errors are no longer independent.
    """
    unknowns, used_sd, sums = fits.unknowns.copy(), fits.used_sd_free_l.copy(), {}
    to_used = uses_of(records)
    for number in np.unique(dive):
        rows = np.flatnonzero(dive == number)
        if rows.size < 2 or not np.isfinite(fits.used_free_l[rows]).all():
            continue
        x, spread = fits.unknowns[rows], fits.spread[rows]
        part = records.breathing_share[rows][:, _AT_KNOTS]
        total = (part * (x[:, RATE, None] + x[:, DEPARTURES])).sum(axis=0)
        mean = max(float(total.mean()), 1.0)
        apart = np.abs(KNOT_SHARES[:, None] - KNOT_SHARES) * records.duration_s[rows[0]]
        steady = np.exp(-apart / rate_lag_s[rows[0]])
        noise = (mean * rate_sd[rows[0]]) ** 2 * steady + (_FREE_MEAN * mean) ** 2
        # spread · Hᵀ with H = (rate + departure at each knot)
        to_knots = (spread[:, :, RATE, None] + spread[:, :, DEPARTURES]) * part[:, None, :]
        innovation = noise + (part[:, :, None] * (to_knots[:, RATE, None, :] + to_knots[:, DEPARTURES, :])).sum(axis=0)
        unknowns[rows] = x - to_knots @ np.linalg.solve(innovation, total - mean)
        gained = np.einsum("ij,ijk->ik", to_used[rows], to_knots)
        gain = np.linalg.solve(innovation, gained.T)
        own = np.einsum("ij,ijk,ik->i", to_used[rows], spread, to_used[rows])
        covariance = np.diag(own) - gained @ gain
        used_sd[rows] = WIDENED * np.sqrt(np.maximum(np.diag(covariance), 0.0))
        sums[int(number)] = WIDENED * float(np.sqrt(max(covariance.sum(), 0.0)))
    again = tanks_at(records, unknowns, fits.spread)
    return replace(again, used_sd_free_l=used_sd), sums


def uses_of(records: TankRecords) -> NDArray:
    """(rows, unknowns) how the gas used depends on the unknowns, free litres."""
    breath = np.diff(records.bar_min, axis=1) * records.breathing_share
    out = np.zeros((len(records), UNKNOWNS))
    out[:, INFLATION] = np.maximum(np.diff(records.ambient_bar_abs, axis=1), 0.0).sum(axis=1)
    out[:, RATE] = breath.sum(axis=1)
    out[:, EARLY] = 0.0  # cylinders breathed in turns have no haste of their own
    out[:, DEPARTURES] = breath @ KNOT_WEIGHTS
    return out
