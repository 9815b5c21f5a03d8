"""Calendar months, and what last happened to each of many things before each of many moments.

Days and moments are numpy datetime64; NaT is unknown.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

MANY_DAYS = 5000


def add_months(day: ArrayLike, months: ArrayLike) -> NDArray:
    """The same day some calendar months later, or the last day of a month that is too short.

    Parameters
    ----------
    day : datetime64[D] array; months : int or int array, broadcast with it.
    """
    day = np.asarray(day, "datetime64[D]")
    months = np.asarray(months, "int64")
    known = ~np.isnat(day)
    if not months.ndim and day.size > MANY_DAYS and known.any():
        begin, end = day[known].min(), day[known].max()
        each = np.arange(begin, end + np.timedelta64(1, "D"))
        if 2 * each.size < day.size:  # many share a day, and each is worked out once
            place = np.where(known, (day - begin).astype("int64"), 0)
            return np.where(known, add_months(each, months)[place], np.datetime64("NaT", "D"))
    first = day.astype("datetime64[M]")
    offset = day - first.astype("datetime64[D]")
    target = first + months.astype("timedelta64[M]")
    length = (target + np.timedelta64(1, "M")).astype("datetime64[D]") - target.astype("datetime64[D]")
    return target.astype("datetime64[D]") + np.minimum(offset, length - np.timedelta64(1, "D"))


def last_event_on(
    event_cylinder: NDArray, event_at: NDArray, cylinder: NDArray, at: NDArray, *, strictly_before: bool = False
) -> NDArray:
    """The last event of each asked cylinder up to each asked moment.

    Parameters
    ----------
    event_cylinder, cylinder : int arrays
        Positions of cylinders, of the events and of the questions.
    event_at, at : datetime64 arrays of one unit
        NaT events are left out.
    strictly_before : bool
        Leave out events at the very moment.

    Returns
    -------
    ndarray
        datetime64 of the unit of `at`, NaT where there is none.
    """
    at = np.asarray(at)
    event_at = np.asarray(event_at).astype(at.dtype)
    event_cylinder = np.asarray(event_cylinder)
    known = ~np.isnat(event_at)
    event_at, event_cylinder = event_at[known], event_cylinder[known]
    found = np.full(at.shape, np.datetime64("NaT"), at.dtype)
    if len(event_at) == 0 or at.size == 0:
        return found
    # ranks of all moments make one sortable key of cylinder and moment without overflow
    moments = np.unique(event_at)
    rank = np.searchsorted(moments, event_at, side="left")
    asked_rank = np.searchsorted(moments, at, side="left" if strictly_before else "right")
    stride = len(moments) + 1
    key = np.asarray(event_cylinder, "int64") * stride + rank
    order = np.argsort(key, kind="stable")
    place = np.searchsorted(key[order], np.asarray(cylinder, "int64") * stride + asked_rank, side="left") - 1
    hit = (place >= 0) & ~np.isnat(at)
    hit[hit] = event_cylinder[order][place[hit]] == np.asarray(cylinder)[hit]
    found[hit] = event_at[order][place[hit]]
    return found


def latest(days: list[np.ndarray]) -> np.ndarray:
    """The latest known of several days, element by element."""
    return np.fmax.reduce(np.stack(days)) if len(days) > 1 else days[0].copy()
