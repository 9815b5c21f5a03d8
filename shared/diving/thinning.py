"""Fewer points of a record for drawing, with its extremes kept."""

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]


def kept_points(start: Ints, shape: list[np.ndarray], extremes: list[np.ndarray], most: int = 400) -> NDArray[np.bool_]:
    """Which samples to keep of each dive so that at most so many remain.

    Parameters
    ----------
    start : ndarray of int, (D,)
        First sample of each dive; the samples lie dive after dive.
    shape : list of ndarray, (n,)
        Curves to keep the shape of: their least and greatest of every stretch stay.
    extremes : list of ndarray, (n,)
        Curves of which the least and the greatest of the whole dive stay.
    most : int
        Points a dive; dives that have fewer keep all.

    Returns
    -------
    ndarray of bool, (n,)
        First and last samples always stay. NaN counts as neither least nor greatest.
    """
    n = len(shape[0])
    count = np.diff(np.r_[start, n])
    dive = np.repeat(np.arange(len(start)), count)
    keep = (count <= most)[dive]
    keep[start] = True
    keep[start + count - 1] = True
    stretches = max((most - 2 - 2 * len(extremes)) // (2 * len(shape)), 1)
    place = np.arange(n) - start[dive]
    stretch = dive * stretches + place * stretches // np.maximum(count[dive], 1)
    begins = np.flatnonzero(np.r_[True, stretch[1:] != stretch[:-1]])
    for curve in shape:
        _keep_ends(keep, curve, begins)
    for curve in extremes:
        _keep_ends(keep, curve, start)
    return keep


def _keep_ends(keep: NDArray[np.bool_], curve: np.ndarray, begins: Ints) -> None:
    group = np.repeat(np.arange(len(begins)), np.diff(np.r_[begins, len(curve)]))
    for sign in (1.0, -1.0):
        value = np.where(np.isnan(curve), np.inf, sign * curve)
        hit = np.flatnonzero(value == np.minimum.reduceat(value, begins)[group])
        keep[hit[np.r_[True, group[hit][1:] != group[hit][:-1]]]] = True
