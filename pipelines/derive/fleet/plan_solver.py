"""Which option to choose for each cylinder or set, as a small integer program (scipy's HiGHS)."""

from dataclasses import dataclass

import numpy as np
from scipy import optimize, sparse

SHORT_COST = 100_000.0  # a booked cylinder missing outweighs everything else
TIME_LIMIT_S = 2.5


@dataclass(frozen=True)
class Options:
    """p options; each item takes exactly one. `cost` in the planner's days.

    places is a p × visits matrix (places an option takes on a visit), absent a p × slices matrix
    (1 where the item is not in service throughout a slice of time under this option).
    """

    item: np.ndarray
    cost: np.ndarray
    places: sparse.csr_array
    absent: sparse.csr_array


@dataclass(frozen=True)
class Demands:
    """q demands: in a slice of time, the bookings of a group together need so many of the items that fit.

    slice_no and needed have length q; fits is q × items (boolean), bookings q × bookings (boolean).
    """

    slice_no: np.ndarray
    needed: np.ndarray
    fits: np.ndarray
    bookings: np.ndarray


@dataclass(frozen=True)
class Solution:
    """Chosen option of each item, missing cylinders of each booking, and whether it is proven best."""

    chosen: np.ndarray
    short: np.ndarray
    cost: float
    optimal: bool


def solve(
    options: Options,
    demands: Demands,
    capacity: np.ndarray,
    items: int,
    bookings: int,
    time_limit_s: float = TIME_LIMIT_S,
) -> Solution:
    """The cheapest choice: bookings first, then no day out of date, then nothing tested too early.

    Parameters
    ----------
    options, demands
    capacity : int array, (visits,)
        Places of each visit.
    items, bookings : int

    Notes
    -----
    Minimise Σ cost·x + SHORT_COST·Σ short subject to one option an item, places within capacity, and for
    each demand: items that fit and are in service + short of its bookings ≥ needed. What only one option
    can do is a constant, so a fleet in date costs nothing. Always feasible where each item has an option
    that takes no place.
    """
    p = len(options.item)
    if p + bookings == 0:
        return Solution(np.empty(0, "int64"), np.empty(0, "int64"), 0.0, True)
    choose = sparse.csr_array((np.ones(p), (options.item, np.arange(p))), shape=(items, p))
    rows = [sparse.hstack([choose, sparse.csr_array((items, bookings))])]
    low, high = [np.ones(items)], [np.ones(items)]
    if len(capacity):
        rows.append(sparse.hstack([options.places.T, sparse.csr_array((len(capacity), bookings))]))
        low.append(np.full(len(capacity), -np.inf))
        high.append(np.asarray(capacity, float))
    if len(demands.needed):
        # in service = all that fit − those absent under their option
        absent = options.absent.T.tocsr()[demands.slice_no]
        mine = sparse.csr_array(absent.multiply(demands.fits[:, options.item]))
        rows.append(sparse.hstack([-mine, sparse.csr_array(demands.bookings.astype(float))]))
        low.append(demands.needed - demands.fits.sum(axis=1))
        high.append(np.full(len(demands.needed), np.inf))
    cost = np.r_[options.cost + 1e-6 * np.arange(p) / max(p, 1), np.full(bookings, SHORT_COST)]
    found = optimize.milp(
        cost,
        constraints=optimize.LinearConstraint(sparse.vstack(rows).tocsr(), np.concatenate(low), np.concatenate(high)),
        integrality=np.r_[np.ones(p), np.ones(bookings)],
        bounds=optimize.Bounds(0, np.r_[np.ones(p), np.full(bookings, np.inf)]),
        options={"time_limit": time_limit_s, "mip_rel_gap": 1e-6},
    )
    if found.x is None:
        return _first_options(options, demands, items, bookings)
    picked = np.flatnonzero(found.x[:p] > 0.5)
    chosen = np.empty(items, "int64")
    chosen[options.item[picked]] = picked
    return Solution(chosen, np.round(found.x[p:]).astype("int64"), float(found.fun), bool(found.status == 0))


def _first_options(options: Options, demands: Demands, items: int, bookings: int) -> Solution:
    """Nothing found in time: each item's first option, which takes no place, and what that leaves short."""
    chosen = np.full(items, -1, "int64")
    for at in range(len(options.item) - 1, -1, -1):
        chosen[options.item[at]] = at
    short = np.zeros(bookings, "int64")
    absent = options.absent[chosen].T.toarray() > 0
    for q in range(len(demands.needed)):
        there = int((demands.fits[q] & ~absent[demands.slice_no[q]]).sum())
        lacking = demands.needed[q] - there - short[demands.bookings[q]].sum()
        if lacking > 0:
            short[np.flatnonzero(demands.bookings[q])[0]] += lacking
    return Solution(chosen, short, float(options.cost[chosen].sum() + SHORT_COST * short.sum()), False)
