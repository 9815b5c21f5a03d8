"""What the back gas read at the end of every dive with an end pressure, with samples or without."""

import numpy as np
import pandas as pd

from pipelines.derive.dives.built import Built
from pipelines.derive.dives.tanks import supplies_of_dives
from shared.gas import thermal
from shared.gas.constants import REFERENCE_C

SAME_BAR = 0.5
"""Pressures this close need no sizes to be averaged."""


def surfacing_table(built: Built) -> pd.DataFrame:
    """A row a dive of which any cylinder's end pressure is known.

    Returns
    -------
    DataFrame
        member_id, dive_id; `surfaced_bar`, the mean of the back cylinders by capacity, gauge: empty where one of
        them lacks its end, or their sizes are needed and not known; `least_bar` and `most_bar` of those that are
        known; `surfaced_free_l`, usable content of all of them; `back_cylinders` and `back_ends` (how many have an
        end); `apart` (supplies of their own: their pressures need not be alike).

    Notes
    -----
    Of a joined set found not joined the breathed side counts, as it does for consumption; a post without a
    gauge is not missing, the other speaks for the set.
    """
    rows, fits, n = built.rows, built.fits, len(built.dives)
    modelled = fits.modelled_bar[:, -1]
    end = rows["end_bar"].to_numpy(float)
    end = np.where(np.isfinite(end), end, modelled)
    dive = built.dive
    any_end = np.bincount(dive[np.isfinite(end)], minlength=n) > 0

    back = rows["back"].to_numpy(bool) & ~built.sides.left_out
    at, bar = dive[back], end[back]
    known = np.isfinite(bar)
    count, ends = np.bincount(at, minlength=n), np.bincount(at[known], minlength=n)
    least, most = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(least, at[known], bar[known])
    np.maximum.at(most, at[known], bar[known])
    capacity = rows["capacity_l"].to_numpy(float)[back]
    with np.errstate(invalid="ignore", divide="ignore"):
        weighted = np.bincount(at, capacity * bar, minlength=n) / np.bincount(at, capacity, minlength=n)
        alike = np.where(most - least <= SAME_BAR, 0.5 * (least + most), np.nan)
    mean = np.where(np.isfinite(weighted), weighted, alike)
    whole = (count > 0) & (ends == count)

    end_c = fits.end_c[back]
    water_c = np.where(np.isfinite(built.water_c), built.water_c, REFERENCE_C)[at]
    gas_c = np.where(np.isfinite(end_c), end_c, water_c)
    mix = tuple(rows[c].to_numpy(float)[back] for c in ("o2", "he", "ar"))
    usable = thermal.amount_free_l(capacity, np.maximum(bar, 0.0), gas_c, *mix, strict=False) - thermal.amount_free_l(
        capacity, 0.0, gas_c, *mix, strict=False
    )
    apart = (supplies_of_dives(rows, back, n) > 1) | np.isin(np.arange(n), list(built.sides.apart))
    made = pd.DataFrame(
        {
            "member_id": built.dives["member_id"],
            "dive_id": built.dives["dive_id"],
            "surfaced_bar": np.where(whole, mean, np.nan),
            "least_bar": np.where(ends > 0, least, np.nan),
            "most_bar": np.where(ends > 0, most, np.nan),
            "surfaced_free_l": np.where(whole, np.bincount(at, usable, minlength=n), np.nan),
            "back_cylinders": count,
            "back_ends": ends,
            "apart": apart,
        }
    )
    return made[any_end].reset_index(drop=True)
