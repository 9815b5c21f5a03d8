"""One dive recorded by two computers, or exported twice: keep the fuller record, name the other.

Dives on one site at one hour of the day look alike: what does not overlap in time is one dive only where
everything agrees to the letter and the clocks differ by whole hours of a time zone.
"""

from functools import cache
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.links import unknown_as_nan
from pipelines.derive.dives.samples import Logged, places_of
from schemas.frames import PANDAS
from schemas.tables import TABLES

GRID_S = 10.0
LIKE_M = 1.0
"""Two computers on one diver differ by less than this, root mean square, once their clocks are matched."""

SAME_M = 0.15
NEAR_BAR = 15.0
"""Two gauges on one cylinder differ by less."""

SAME_BAR = 0.5
"""One reading, written in other units."""

MOST_ZONES_H = 14.0
"""Time zones reach this far from UTC."""

_MOST_SHIFT_S = 600.0


def find_duplicates(
    dives: pd.DataFrame, dive_tanks: pd.DataFrame, samples: Logged
) -> tuple[pd.DataFrame, dict[str, set[str]]]:
    """Pairs of one member's records that are one dive; `samples` by their place in `dives`.

    Returns
    -------
    DataFrame
        member_id, dive_id (left out), its started_at, kept_dive_id, reason (a code).
    dict
        Flags by dive_id for records that stay.
    """
    flags: dict[str, set[str]] = {}
    left_out: list[tuple] = []
    if len(dives) < 2:
        return _frame(left_out), flags
    profiles = _profiles(len(dives), samples)
    length_s = np.array([p[0][-1] - p[0][0] if p is not None else np.nan for p in profiles])
    stated = pd.to_numeric(dives["duration_min"]).to_numpy("float64", na_value=np.nan) * 60.0
    length_s = np.where(np.isfinite(length_s), length_s, stated)
    deepest = np.array([p[1].max() if p is not None else np.nan for p in profiles])
    deepest = np.where(
        np.isfinite(deepest), deepest, pd.to_numeric(dives["max_depth_m"]).to_numpy("float64", na_value=np.nan)
    )
    start_s = (dives["started_at"] - pd.Timestamp("1970-01-01", tz="UTC")).dt.total_seconds().to_numpy()
    tanks = _Tanks(dives, dive_tanks)
    fullness = _fullness(len(dives), tanks, samples)
    ids = dives["dive_id"].to_numpy()
    gone: set[int] = set()

    def leave_out(a: int, b: int, reason: str) -> None:
        keep, drop = (a, b) if (fullness[a], ids[b]) >= (fullness[b], ids[a]) else (b, a)
        gone.add(drop)
        row = (dives["member_id"].iloc[drop], ids[drop], dives["started_at"].iloc[drop], ids[keep], reason)
        left_out.append(row)
        flags.setdefault(ids[keep], set()).add("recorded_twice")

    def name(a: int, b: int, *codes: str) -> None:
        for one in (a, b):
            flags.setdefault(ids[one], set()).update(codes)

    for a, b in _to_the_letter(dives, tanks, samples):
        if a in gone or b in gone:
            continue
        hours = abs(start_s[b] - start_s[a]) / 3600.0
        if hours == round(hours) and hours <= MOST_ZONES_H:
            leave_out(a, b, "duplicate_dive_other_clock")
    for a, b in _candidates(start_s, length_s, deepest):
        if a in gone or b in gone:
            continue
        overlap = min(start_s[a] + length_s[a], start_s[b] + length_s[b]) - max(start_s[a], start_s[b])
        overlapping = overlap > 0.5 * min(length_s[a], length_s[b])
        apart_m = _apart_m(profiles[a], profiles[b], start_s[b] - start_s[a] if overlapping else None)
        if np.isnan(apart_m):
            alike = abs(deepest[a] - deepest[b]) < LIKE_M and abs(length_s[a] - length_s[b]) < 300
        else:
            alike = apart_m < LIKE_M
        agree = _cylinders_agree(tanks.of(a), tanks.of(b))
        if overlapping and alike and agree is not False:
            leave_out(a, b, "duplicate_dive")
        elif overlapping and alike:
            # a computer a cylinder: each record lacks what the other breathed
            name(a, b, "overlaps_another_dive", "gas_missing")
        elif overlap > 0 or start_s[a] == start_s[b]:
            # nobody begins two dives in one second, however long either was
            name(a, b, "overlaps_another_dive")
        elif not np.isnan(apart_m) and apart_m < SAME_M and _cylinders_agree(tanks.of(a), tanks.of(b), SAME_BAR):
            name(a, b, "looks_like_another_dive")
    return _frame(left_out), flags


COMPARED = ("unit_id", "role", "start_pressure_bar", "end_pressure_bar")


class _Tanks:
    """Rows of cylinders by dive and number."""

    def __init__(self, dives: pd.DataFrame, dive_tanks: pd.DataFrame):
        dive = places_of(dive_tanks["dive_id"], dives["dive_id"])
        order = np.lexsort((unknown_as_nan(dive_tanks["tank_no"]), dive))
        self.rows, self.dive = dive_tanks, dive[order]
        self._compared = [dive_tanks[c].tolist() for c in COMPARED]
        self.order, self.edges = order, np.searchsorted(self.dive, np.arange(len(dives) + 1))

    def of(self, dive: int) -> list[dict]:
        """The cylinders of one dive."""
        places = self.order[self.edges[dive] : self.edges[dive + 1]].tolist()
        return [{c: of[n] for c, of in zip(COMPARED, self._compared, strict=True)} for n in places]

    def numbered(self, columns: list[str]) -> NDArray:
        """(rows, columns) by dive and number: one number for all that is the same in a column, -1 where it is empty."""
        return np.column_stack([pd.factorize(self.rows[c])[0] for c in columns])[self.order]


def _to_the_letter(dives: pd.DataFrame, tanks: _Tanks, samples: Logged) -> list[tuple[int, int]]:
    """Pairs, next in time, whose samples and cylinders with their pressures are the same to the letter."""
    values = np.round(np.column_stack([samples.t_s, samples.depth_m, samples.bars]), 2)
    edges = np.searchsorted(samples.dive, np.arange(len(dives) + 1))
    read = np.zeros(len(dives), bool)
    read[samples.dive[np.isfinite(samples.bars).any(axis=1)]] = True
    ends = np.isfinite(unknown_as_nan(tanks.rows["end_pressure_bar"])[tanks.order]) & (tanks.dive >= 0)
    read[tanks.dive[ends]] = True
    cylinders = tanks.numbered(["tank_no", "unit_id", "role", "start_pressure_bar", "end_pressure_bar"])
    started, modes = dives["started_at"].to_numpy(), [str(mode) for mode in dives["mode"]]
    of_like: dict[tuple, list[int]] = {}
    # without pressures nothing tells two square dives apart
    for i in np.flatnonzero(read & (np.diff(edges) >= 4)).tolist():
        mine = cylinders[tanks.edges[i] : tanks.edges[i + 1]]
        content = (modes[i], mine.tobytes(), values[edges[i] : edges[i + 1]].tobytes())
        of_like.setdefault(content, []).append(i)
    pairs = [pair for like in of_like.values() for pair in pairwise(sorted(like, key=lambda i: (started[i], i)))]
    return sorted(pairs)


def _candidates(start_s: NDArray, length_s: NDArray, deepest: NDArray) -> list[tuple[int, int]]:
    """Pairs that overlap in time or begin at one moment, or are of one length and depth; found by sorting, not by
    trying all.
    """
    pairs: set[tuple[int, int]] = set()
    end_s = start_s + np.nan_to_num(length_s)
    order = np.argsort(start_s, kind="stable")
    latest = order[0]
    for i in order[1:]:
        if start_s[i] < end_s[latest] or start_s[i] == start_s[latest]:
            pairs.add((min(latest, i), max(latest, i)))
        if end_s[i] > end_s[latest]:
            latest = i
    by_depth = np.argsort(np.where(np.isfinite(deepest), deepest, np.inf), kind="stable")
    for i, j in pairwise(by_depth):
        if abs(deepest[i] - deepest[j]) < 0.1 and abs(length_s[i] - length_s[j]) < 60:
            pairs.add((min(i, j), max(i, j)))
    return sorted(pairs)


def _profiles(count: int, samples: Logged) -> list:
    edges = np.searchsorted(samples.dive, np.arange(count + 1))
    return [(samples.t_s[s:e], samples.depth_m[s:e]) if e - s > 3 else None for s, e in pairwise(edges)]


def _apart_m(one, other, shift_s: float | None) -> float:
    """Root mean square difference of two depth profiles at the clock shift that suits them best, m."""
    if one is None or other is None:
        return np.nan
    (ta, da), (tb, db) = one, other
    a = np.interp(np.arange(ta[0], ta[-1], GRID_S), ta, da)
    b = np.interp(np.arange(tb[0], tb[-1], GRID_S), tb, db)
    if min(a.size, b.size) < 10 or max(a.size, b.size) > 20000:
        return np.nan
    guess = round((shift_s or 0.0) / GRID_S)
    most = int(_MOST_SHIFT_S / GRID_S)
    best = np.inf
    for lag in range(guess - most, guess + most + 1) if shift_s is not None else range(-3, 4):
        low, high = max(0, lag), min(a.size, b.size + lag)
        if high - low < 0.8 * min(a.size, b.size):
            continue
        best = min(best, float(np.sqrt(np.mean((a[low:high] - b[low - lag : high - lag]) ** 2))))
    return best


def _fullness(count: int, tanks: _Tanks, samples: Logged) -> NDArray:
    """How much a record says: pressures over time first, then cylinders, then samples."""
    bars = np.bincount(samples.dive, np.isfinite(samples.bars).sum(axis=1), minlength=count)
    return 1e6 * bars + 1e4 * np.diff(tanks.edges) + np.bincount(samples.dive, minlength=count)


def _cylinders_agree(one: list[dict], other: list[dict], within_bar: float = NEAR_BAR) -> bool | None:
    """Whether the lesser record's cylinders are all among the other's; None where nothing is known to compare."""
    few, many = (one, other) if len(one) <= len(other) else (other, one)
    compared = None
    for tank in few:
        if tank["role"] == "suit":
            continue
        found = [_same_cylinder(tank, t, within_bar) for t in many]
        if any(found):
            compared = True
        elif found and all(f is False for f in found):
            return False
    return compared


def _same_cylinder(one: dict, other: dict, within_bar: float) -> bool | None:
    units = one["unit_id"], other["unit_id"]
    if all(isinstance(u, str) and u for u in units) and units[0] != units[1]:
        return False
    gaps = np.array([one[c] - other[c] for c in ("start_pressure_bar", "end_pressure_bar")], float)
    if np.isnan(gaps).all():
        return None
    return bool(np.nanmax(np.abs(gaps)) < within_bar)


def _frame(rows: list[tuple]) -> pd.DataFrame:
    return _typed(rows) if rows else _none().copy()


@cache
def _none() -> pd.DataFrame:
    return _typed([])


def _typed(rows: list[tuple]) -> pd.DataFrame:
    types = {c.name: PANDAS[c.kind] for c in TABLES["dive_duplicates"].fields.values()}
    return pd.DataFrame(rows, columns=TABLES["dive_duplicates"].columns).astype(types)
