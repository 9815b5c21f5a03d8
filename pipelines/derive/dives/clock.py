"""Dives dated to the days at which a dive computer's clock begins again once its battery has died."""

import numpy as np
import pandas as pd

RESETS = ("1970-01-01", "1980-01-01", "1980-01-06", "1990-01-01", "2000-01-01", "2001-01-01")
"""Days at which clocks of computers begin: Unix, DOS, GPS, and round years (from memory; no source)."""
RUNS_ON_DAYS = 31
"""A clock that nobody sets may run on for so long with a new battery."""
FAR_DAYS = 366
"""A member's other dives that far away: nobody dived then."""


def clock_reset(started_at: pd.Series) -> np.ndarray:
    """True where a dive is dated to such days and the member's other dives lie far from it.

    Parameters
    ----------
    started_at : Series
        Begin of one member's dives, UTC.
    """
    day = started_at.to_numpy("datetime64[us]").astype("datetime64[D]")
    resets = np.array(RESETS, "datetime64[D]")
    since = (day[:, None] - resets[None, :]).astype("timedelta64[D]").astype(float)
    # a zone to the west of UTC dates the first hours to the day before
    near = ((since >= -1.0) & (since < RUNS_ON_DAYS)).any(axis=1)
    near |= _long_before_all_on_a_first_of_january(day)
    others = day[~near]
    if not near.any() or not others.size:
        return near
    away = np.abs((day[:, None] - others[None, :]).astype("timedelta64[D]").astype(float)).min(axis=1)
    return near & (away > FAR_DAYS)


def _long_before_all_on_a_first_of_january(day: np.ndarray) -> np.ndarray:
    """Many clocks begin with the year in which they were made: on its first day, long before the first real dive."""
    new_year = day.astype("datetime64[Y]").astype("datetime64[D]")
    next_year = (day.astype("datetime64[Y]") + 1).astype("datetime64[D]")
    first_days = (day - new_year < np.timedelta64(2, "D")) | (next_year - day <= np.timedelta64(1, "D"))
    rest = day[~first_days]
    return first_days & (day < rest.min() - np.timedelta64(FAR_DAYS, "D")) if rest.size else np.zeros(len(day), bool)
