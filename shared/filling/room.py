"""The temperature of a filling room, from what was logged at each fill: less noise than any single log has.

Fills come in sessions, and a room changes slowly. Each log is weighed with those just before it, as far as the
room's own logs show that neighbours agree. Only earlier logs are used, so that nothing sees the future.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

THERMOMETER_SD_K = 0.8
"""A log to a degree or so: between uniform ±1 K (0.58) and normal with SD 1 K. What neighbours differ by beyond that
is the room's."""
AT_ONCE_H, SAME_DAY_H = 0.75, 12.0
"""Logs so near to each other tell the thermometer's noise; within a day, how fast the room changes."""
NOISE_PRIOR_PAIRS, ROOM_K2_H = 8.0, 0.5
"""So many pairs' worth of belief that neighbours differ a lot, and in how fast a room changes, K² an hour: until the
logs say otherwise each stands for itself."""
APART_SD = 3.5
"""A log this far from what was expected of it begins anew."""
NEIGHBOURS_AT_FIRST_K2, MOST_K2, LEAST_K2_H = 4.0, 36.0, 0.02


def filtered_c(hours: ArrayLike, logged_c: ArrayLike) -> tuple[Array, Array, Array]:
    """Room temperature at each log, °C, its SD, and how fast the room changes, from that log and those before it.

    Parameters
    ----------
    hours : array_like
        Moments in the order of time, hours.
    logged_c : array_like
        NaN where nothing was logged.

    Returns
    -------
    room_c, sd_k : ndarray
        NaN where nothing was logged.
    walk_k2_h : ndarray
        Variance that the room's temperature gains in an hour, K², by the logs so far.

    Notes
    -----
    Local level model: the room walks (variance in proportion to time), each log adds noise. Half the mean square of
    what neighbours differ by at once is that noise; up to the thermometer's it counts as noise, the rest as a true
    difference of that moment. Both are found from the logs so far. Kalman filter of one number (Kalman 1960).
    """
    room: list[float] = []
    sds: list[float] = []
    walks: list[float] = []
    noise_sum, noise_pairs = NOISE_PRIOR_PAIRS * NEIGHBOURS_AT_FIRST_K2, NOISE_PRIOR_PAIRS
    walk_sum, walk_hours = NOISE_PRIOR_PAIRS * ROOM_K2_H, NOISE_PRIOR_PAIRS
    level = variance = last_hour = last_c = math.nan
    apart_sds2, thermometer_k2 = APART_SD**2, THERMOMETER_SD_K**2
    # numbers of Python and conditions: arrays, and min and max, take several times as long one by one
    for hour, value in zip(np.asarray(hours, float).tolist(), np.asarray(logged_c, float).tolist(), strict=True):
        if value != value or hour != hour:
            walk = walk_sum / walk_hours
            room.append(math.nan)
            sds.append(math.nan)
            walks.append(LEAST_K2_H if walk < LEAST_K2_H else walk)
            continue
        apart = hour - last_hour
        nugget = noise_sum / noise_pairs
        if apart <= SAME_DAY_H:
            square = (value - last_c) ** 2
            square = MOST_K2 if square > MOST_K2 else square
            if apart <= AT_ONCE_H:
                noise_sum, noise_pairs = noise_sum + 0.5 * square, noise_pairs + 1.0
            else:
                more = square - 2.0 * nugget
                least = -2.0 * nugget
                walk_sum, walk_hours = walk_sum + (least if more < least else more), walk_hours + apart
        noise = thermometer_k2 if nugget > thermometer_k2 else nugget
        moment = nugget - noise
        walk = walk_sum / walk_hours
        walk = LEAST_K2_H if walk < LEAST_K2_H else walk
        walks.append(walk)
        ahead = variance + walk * (apart if apart > 0.0 else 0.0)
        if (value - level) ** 2 <= apart_sds2 * (ahead + nugget):
            gain = (ahead + moment) / (ahead + moment + noise)
            room.append(level + gain * (value - level))
            sds.append(math.sqrt(gain * noise))
            gain = ahead / (ahead + nugget)
            level, variance = level + gain * (value - level), (1.0 - gain) * ahead
        else:
            # the first log, or one that has nothing to do with the last: a door opened, or a slip of the pen
            room.append(value)
            sds.append(math.sqrt(noise))
            level, variance = value, nugget
        last_hour, last_c = hour, value
    return np.array(room), np.array(sds), np.array(walks)
