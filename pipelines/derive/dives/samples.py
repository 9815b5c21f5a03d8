"""A member's samples as arrays: dives one behind the other, cut, cleaned and laid on a grid."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.links import unknown_as_nan
from schemas.policy import Policy
from shared.diving.breathing import EN13319_KG_M3, ambient_bar_abs, cumulative_bar_min
from shared.diving.tank_grid import STEPS, grid_place, grid_share
from shared.gas.constants import ATM_BAR, FRESH_WATER_KG_M3, SALT_WATER_KG_M3

TANKS = 6
AT_SURFACE_M = 0.8
"""Shallower than this a diver is taken to be at the surface."""

_WINDOW = 7
_FREE_FLOW_BAR_S = 0.4


@dataclass
class Samples:
    """Samples of all dives that have any; `dive` is the dive's place in the frame of dives."""

    dive: NDArray
    t_s: NDArray
    depth_m: NDArray
    water_c: NDArray
    ambient_bar_abs: NDArray
    bar_min: NDArray
    bars: NDArray  # (samples, 6), NaN where nothing believable was read
    starts: NDArray  # first sample of each dive that has samples
    has: NDArray  # (dives,) whether it has samples
    place: NDArray  # (dives,) its place among `starts`, -1 without
    tail_cut: NDArray  # (dives,)
    midway: NDArray  # (dives,) surfaced and went down again
    swapped: NDArray  # (dives,)
    step_bar: NDArray  # (dives, 6) step of each transmitter's readings

    def reduce(self, function: np.ufunc, values: NDArray) -> NDArray:
        """A value a dive, NaN for dives without samples."""
        out = np.full(self.has.size, np.nan)
        if self.starts.size:
            out[self.dive[self.starts]] = function.reduceat(values, self.starts)
        return out

    def at(self, which: str) -> NDArray:
        """Times of each dive's first or last sample, s; NaN without."""
        return self.reduce(np.minimum if which == "first" else np.maximum, self.t_s)


@dataclass(frozen=True)
class Logged:
    """Samples as they were logged, by dive and time; `dive` is the dive's place in the frame of dives."""

    dive: NDArray
    t_s: NDArray
    depth_m: NDArray
    water_c: NDArray
    bars: NDArray  # (samples, 6)

    def of(self, dives: NDArray) -> "Logged":
        """Those of some of the dives (a mask), which are numbered anew."""
        if dives.all():
            return self
        mine = dives[self.dive]
        dive = (np.cumsum(dives) - 1)[self.dive[mine]]
        return Logged(dive, self.t_s[mine], self.depth_m[mine], self.water_c[mine], self.bars[mine])


def as_logged(dives: pd.DataFrame, samples: pd.DataFrame) -> Logged:
    """The samples of these dives that have a time and a depth; equal times stay in the order they came in."""
    t, depth, water = (unknown_as_nan(samples[c]) for c in ("t_s", "depth_m", "water_c"))
    dive = places_of(samples["dive_id"], dives["dive_id"])
    keep = np.flatnonzero((dive >= 0) & np.isfinite(t) & np.isfinite(depth))
    keep = keep[np.lexsort((t[keep], dive[keep]))]
    bars = np.empty((keep.size, TANKS))
    for column in range(TANKS):
        bars[:, column] = unknown_as_nan(samples[f"tank_{column + 1}_bar"])[keep]
    return Logged(dive[keep], t[keep], depth[keep], water[keep], bars)


def places_of(ids: pd.Series, among: pd.Series) -> NDArray:
    """Place of each id among others that are all different, -1 where it is not there; each text is looked up once."""
    codes, names = pd.factorize(ids)
    return np.append(pd.Index(among).get_indexer(names), -1)[codes]


def first_places(keys: NDArray, among: NDArray) -> NDArray:
    """Place of the first of `among` that equals each key, -1 where none does."""
    order = np.argsort(among, kind="stable")
    if not order.size:
        return np.full(len(keys), -1)
    at = order[np.minimum(np.searchsorted(among[order], keys), order.size - 1)]
    return np.where(among[at] == keys, at, -1)


def water_density(water: pd.Series, policy: Policy) -> NDArray:
    """kg/m³ by the dive's water; salt unless fresh. Calibrated depths have a density of their own."""
    if policy.dives.depth_calibration == "en13319":
        return np.full(len(water), EN13319_KG_M3)
    return np.where(water.eq("fresh").fillna(False), FRESH_WATER_KG_M3, SALT_WATER_KG_M3).astype(float)


def arrange(dives: pd.DataFrame, logged: Logged, policy: Policy) -> Samples:
    """Cut the surface tail, and integrate ambient pressure; of samples at one time the last counts."""
    count = len(dives)
    dive, t, depth = logged.dive, logged.t_s, np.maximum(logged.depth_m, 0.0)
    again = np.zeros(dive.size, bool)
    again[:-1] = (dive[1:] == dive[:-1]) & (t[1:] == t[:-1])
    keep = np.flatnonzero(~again)
    dive, t, depth = dive[keep], t[keep], depth[keep]
    lonely = np.bincount(dive, minlength=count) < 2 if count else np.zeros(0, bool)

    # what is later than the last moment under water by more than the policy allows goes, from surfacing on
    order = np.arange(dive.size)
    under = depth > AT_SURFACE_M
    last_under = np.full(count, -1)
    np.maximum.at(last_under, dive[under], order[under])
    last = np.full(count, -1)
    np.maximum.at(last, dive, order)
    surfaced = np.minimum(last_under + 1, last)
    tail_s = np.where(last_under >= 0, t[last] - t[surfaced], 0.0) if dive.size else np.zeros(count)
    tail_cut = tail_s > policy.dives.surface_tail_min * 60.0
    drop = (tail_cut[dive] & (order > surfaced[dive])) | lonely[dive] if dive.size else np.zeros(0, bool)
    keep, dive, t, depth = keep[~drop], dive[~drop], t[~drop], depth[~drop]

    starts = np.flatnonzero(np.diff(dive, prepend=-1) != 0)
    has = np.zeros(count, bool)
    has[dive[starts]] = True
    place = np.full(count, -1)
    place[dive[starts]] = np.arange(starts.size)

    surface = unknown_as_nan(dives["surface_pressure_bar_abs"])
    surface = np.where(np.isfinite(surface), surface, ATM_BAR)
    ambient = ambient_bar_abs(depth, surface[dive], water_density(dives["water"], policy)[dive])
    arranged = Samples(
        dive,
        t,
        depth,
        _carried(logged.water_c[keep], dive),
        ambient,
        cumulative_bar_min(t, ambient, starts) if t.size else t,
        logged.bars[keep],
        starts,
        has,
        place,
        tail_cut & has,
        _midway(dive, t, depth, count),
        np.zeros(count, bool),
        np.full((count, TANKS), 0.1),
    )
    _drop_wild(arranged)
    return arranged


def _drop_wild(samples: Samples) -> None:
    """Empty spikes and zeros, transmitter by transmitter, and note the steps."""
    for column in range(TANKS):
        known = np.flatnonzero(np.isfinite(samples.bars[:, column]))
        if not known.size:
            continue
        dive = samples.dive[known]
        series = np.cumsum(np.diff(dive, prepend=-1) != 0) - 1
        good, step = clean_readings(samples.bars[known, column], series, samples.t_s[known])
        samples.bars[known[~good], column] = np.nan
        samples.step_bar[dive[np.flatnonzero(np.diff(dive, prepend=-1) != 0)], column] = step


def _carried(values: NDArray, dive: NDArray) -> NDArray:
    """Gaps filled from the value before, else after, within a dive."""
    by_dive = pd.Series(values).groupby(dive)
    return by_dive.ffill().groupby(dive).bfill().to_numpy()


def _midway(dive: NDArray, t: NDArray, depth: NDArray, count: int, minutes: float = 3.0) -> NDArray:
    """Dives with so long a stay at the surface between two stretches under water."""
    midway = np.zeros(count, bool)
    under = np.flatnonzero(depth > AT_SURFACE_M)
    if under.size > 1:
        gap = (dive[under[1:]] == dive[under[:-1]]) & (t[under[1:]] - t[under[:-1]] > minutes * 60.0)
        gap &= np.diff(under) > 1
        midway[dive[under[1:][gap]]] = True
    return midway


def put_back_swaps(samples: Samples, least_gain_bar: float = 15.0) -> None:
    """Undo moments where two transmitters' readings change places within a dive; marks `swapped`.

    From one sample to the next two cylinders' pressures cross over: each continues the other by far
    better than itself.
    """
    bars, dive = samples.bars, samples.dive
    read = np.flatnonzero(np.isfinite(bars).any(axis=0)).tolist()
    for a, b in combinations(read, 2):
        both = np.flatnonzero(np.isfinite(bars[:, a]) & np.isfinite(bars[:, b]))
        if both.size < 2:
            continue
        p, q, d = bars[both, a], bars[both, b], dive[both]
        as_is = np.abs(np.diff(p)) + np.abs(np.diff(q))
        crossed = np.abs(p[1:] - q[:-1]) + np.abs(q[1:] - p[:-1])
        jump = np.zeros(both.size, bool)
        jump[1:] = (d[1:] == d[:-1]) & (as_is - crossed > least_gain_bar) & (crossed < 0.25 * as_is)
        if not jump.any():
            continue
        odd = (np.cumsum(jump) - np.repeat(_before(jump, d), np.bincount(d)[np.unique(d)])) % 2 == 1
        rows = both[odd]
        bars[rows, a], bars[rows, b] = bars[rows, b].copy(), bars[rows, a].copy()
        samples.swapped[np.unique(d[jump])] = True


def _before(jump: NDArray, dive: NDArray) -> NDArray:
    """Jumps counted before each dive's first row."""
    first = np.flatnonzero(np.diff(dive, prepend=-1) != 0)
    total = np.cumsum(jump)
    return total[first] - jump[first]


def clean_readings(values: NDArray, series: NDArray, t_s: NDArray) -> tuple[NDArray, NDArray]:
    """Which pressure readings stand alone, and the step of each series.

    Parameters
    ----------
    values : ndarray, (n,)
        Readings, bar, series one behind the other.
    series : ndarray of int, (n,)
        Rising number of the series each belongs to.
    t_s : ndarray, (n,)
        Times, rising within a series.

    Returns
    -------
    good : ndarray of bool, (n,)
        False for spikes and zeros.
    step_bar : ndarray, (series,)
        Least step between readings that differ, bar.
    """
    count = int(series[-1]) + 1 if series.size else 0
    good = values > 0.5
    starts = np.searchsorted(series, np.arange(count))
    ends = np.searchsorted(series, np.arange(count), side="right") - 1
    step = np.full(count, 0.1)
    if values.size < 3:
        return good, step
    change = np.abs(np.diff(values))
    ours = (series[1:] == series[:-1]) & (change > 1e-6)
    if ours.any():
        which, size = series[1:][ours], change[ours]
        order = np.lexsort((size, which))
        which, size = which[order], size[order]
        lengths = np.bincount(which, minlength=count)
        first = np.concatenate([[0], np.cumsum(lengths)[:-1]])
        pick = first + np.minimum((0.1 * lengths).astype(int), np.maximum(lengths - 1, 0))
        some = lengths > 0
        step[some] = np.clip(size[pick[some]], 0.01, 5.0)
    half = _WINDOW // 2
    place = np.arange(values.size)
    centre = np.clip(place, starts[series] + half, np.maximum(ends[series] - half, starts[series] + half))
    window = np.clip(centre[:, None] + np.arange(-half, half + 1), starts[series][:, None], ends[series][:, None])
    around = values[window]
    middle = np.partition(around, half, axis=1)[:, half]
    spread = np.partition(np.abs(around - middle[:, None]), half, axis=1)[:, half]
    limit = np.maximum(3.0, np.maximum(3.0 * step[series], 6.0 * spread)) + np.where(
        centre == place, 0.0, 4.0 + 3.0 * spread
    )
    good &= np.abs(values - middle) <= limit
    # at either end a median sees too little: there a reading may not jump faster than a free flow empties
    for _ in range(2):
        kept = np.flatnonzero(good)
        if kept.size < 3:
            break
        p, of, t = values[kept], series[kept], t_s[kept]
        jump = np.zeros(kept.size + 1, bool)
        jump[1:-1] = (of[1:] == of[:-1]) & (
            np.abs(np.diff(p)) > 8.0 + 2.0 * step[of[1:]] + _FREE_FLOW_BAR_S * np.diff(t)
        )
        opens, closes = np.diff(of, prepend=-1) != 0, np.diff(of, append=-2) != 0
        wild = (opens & jump[1:] & ~np.append(jump[2:], False)) | (closes & jump[:-1] & ~np.append(False, jump[:-2]))
        good[kept[wild]] = False
    return good, step


@dataclass
class Grid:
    """Dives with samples on the STEPS steps of `shared.diving.tank_trace`: times, ambient pressure, water."""

    first_s: NDArray
    duration_s: NDArray
    bar_min: NDArray
    ambient_bar_abs: NDArray
    water_c: NDArray


def dive_grid(samples: Samples) -> Grid:
    """Lay each dive with samples on the grid, in the order of `samples.starts`."""
    ends = np.append(samples.starts, samples.t_s.size)[1:] - 1  # none where no dive has samples
    first, last = samples.t_s[samples.starts], samples.t_s[ends]
    duration = last - first
    nodes = grid_share(np.arange(STEPS + 1))
    number = np.arange(first.size)
    stride = float(duration.max(initial=0.0)) + 1.0
    key = samples.place[samples.dive] * stride + (
        samples.t_s - np.repeat(first, np.diff(np.append(samples.starts, samples.t_s.size)))
    )
    wanted = number[:, None] * stride + duration[:, None] * nodes
    middle = 0.5 * (wanted[:, 1:] + wanted[:, :-1])

    def on(places: NDArray, values: NDArray) -> NDArray:
        return np.interp(places.ravel(), key, values).reshape(places.shape) if key.size else np.empty(places.shape)

    return Grid(
        first, duration, on(wanted, samples.bar_min), on(wanted, samples.ambient_bar_abs), on(middle, samples.water_c)
    )


def from_grid(samples: Samples, grid: Grid, rows: NDArray, at_nodes: NDArray) -> tuple[NDArray, NDArray]:
    """Values at grid nodes of some dives (place among `starts`, one row each) brought back to their samples.

    Returns
    -------
    index : ndarray of int
        The samples.
    values : ndarray
        Straight lines between nodes.
    """
    lengths = np.diff(np.append(samples.starts, samples.t_s.size))[rows]
    index = (
        np.concatenate([np.arange(s, s + n) for s, n in zip(samples.starts[rows], lengths, strict=True)])
        if rows.size
        else (np.empty(0, int))
    )
    row = np.repeat(np.arange(rows.size), lengths)
    place = grid_place((samples.t_s[index] - grid.first_s[rows][row]) / np.maximum(grid.duration_s[rows][row], 1e-9))
    left = np.clip(place.astype(int), 0, STEPS - 1)
    share = place - left
    return index, at_nodes[row, left] * (1.0 - share) + at_nodes[row, left + 1] * share
