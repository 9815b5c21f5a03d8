"""One dive recorded by two computers, or exported twice: keep the fuller record, name the other."""

from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

DUPLICATE_COLUMNS = ["member_id", "dive_id", "kept_dive_id", "reason"]
GRID_S = 10.0
LIKE_M = 1.0
"""Two computers on one diver differ by less than this, root mean square, once their clocks are matched."""

SAME_M = 0.15
_MOST_SHIFT_S = 600.0


def find_duplicates(
    dives: pd.DataFrame, dive_tanks: pd.DataFrame, samples: pd.DataFrame
) -> tuple[pd.DataFrame, dict[str, set[str]]]:
    """Pairs of one member's records that are one dive.

    Returns
    -------
    DataFrame
        member_id, dive_id (left out), kept_dive_id, reason (a code).
    dict
        Flags by dive_id for records that stay.
    """
    flags: dict[str, set[str]] = {}
    left_out: list[tuple] = []
    if len(dives) < 2:
        return _frame(left_out), flags
    profiles = _profiles(dives, samples)
    length_s = np.array([p[0][-1] - p[0][0] if p is not None else np.nan for p in profiles])
    stated = pd.to_numeric(dives["duration_min"]).to_numpy("float64", na_value=np.nan) * 60.0
    length_s = np.where(np.isfinite(length_s), length_s, stated)
    deepest = np.array([p[1].max() if p is not None else np.nan for p in profiles])
    deepest = np.where(
        np.isfinite(deepest), deepest, pd.to_numeric(dives["max_depth_m"]).to_numpy("float64", na_value=np.nan)
    )
    start_s = (dives["started_at"] - pd.Timestamp("1970-01-01", tz="UTC")).dt.total_seconds().to_numpy()
    fullness = _fullness(dives, dive_tanks, samples)
    pressures = _pressures(dives, dive_tanks)
    ids = dives["dive_id"].to_numpy()
    gone: set[int] = set()
    for a, b in _candidates(start_s, length_s, deepest):
        if a in gone or b in gone:
            continue
        overlap = min(start_s[a] + length_s[a], start_s[b] + length_s[b]) - max(start_s[a], start_s[b])
        overlapping = overlap > 0.5 * min(length_s[a], length_s[b])
        apart_m = _apart_m(profiles[a], profiles[b], start_s[b] - start_s[a] if overlapping else None)
        if np.isnan(apart_m):
            alike = abs(deepest[a] - deepest[b]) < LIKE_M and abs(length_s[a] - length_s[b]) < 300 and overlapping
        else:
            alike = apart_m < LIKE_M
        same = not np.isnan(apart_m) and apart_m < SAME_M and _same_pressures(pressures[a], pressures[b])
        if (overlapping and alike) or same:
            keep, drop = (a, b) if (fullness[a], ids[b]) >= (fullness[b], ids[a]) else (b, a)
            gone.add(drop)
            left_out.append((dives["member_id"].iloc[drop], ids[drop], ids[keep], "duplicate_dive"))
            flags.setdefault(ids[keep], set()).add("recorded_twice")
        elif overlap > 0:
            for one in (a, b):
                flags.setdefault(ids[one], set()).add("overlaps_another_dive")
        elif not np.isnan(apart_m) and apart_m < SAME_M:
            for one in (a, b):
                flags.setdefault(ids[one], set()).add("looks_like_another_dive")
    return _frame(left_out), flags


def _candidates(start_s: NDArray, length_s: NDArray, deepest: NDArray) -> list[tuple[int, int]]:
    """Pairs that overlap in time, or are of one length and depth; found by sorting, not by trying all."""
    pairs: set[tuple[int, int]] = set()
    end_s = start_s + np.nan_to_num(length_s)
    order = np.argsort(start_s, kind="stable")
    latest = order[0]
    for i in order[1:]:
        if start_s[i] < end_s[latest]:
            pairs.add((min(latest, i), max(latest, i)))
        if end_s[i] > end_s[latest]:
            latest = i
    by_depth = np.argsort(np.where(np.isfinite(deepest), deepest, np.inf), kind="stable")
    for i, j in pairwise(by_depth):
        if abs(deepest[i] - deepest[j]) < 0.1 and abs(length_s[i] - length_s[j]) < 60:
            pairs.add((min(i, j), max(i, j)))
    return sorted(pairs)


def _profiles(dives: pd.DataFrame, samples: pd.DataFrame) -> list:
    code = pd.Index(dives["dive_id"]).get_indexer(samples["dive_id"])
    t, depth = (samples[c].to_numpy("float64", na_value=np.nan) for c in ("t_s", "depth_m"))
    keep = np.flatnonzero((code >= 0) & np.isfinite(t) & np.isfinite(depth))
    keep = keep[np.lexsort((t[keep], code[keep]))]
    code, t, depth = code[keep], t[keep], depth[keep]
    edges = np.searchsorted(code, np.arange(len(dives) + 1))
    return [(t[s:e], depth[s:e]) if e - s > 3 else None for s, e in pairwise(edges)]


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


def _fullness(dives: pd.DataFrame, dive_tanks: pd.DataFrame, samples: pd.DataFrame) -> NDArray:
    """How much a record says: pressures over time first, then cylinders, then samples."""
    bars = samples.filter(regex=r"^tank_\d_bar$").notna().sum(axis=1)
    per = pd.DataFrame({"dive_id": samples["dive_id"], "bars": bars, "samples": 1}).groupby("dive_id").sum()
    tanks = dive_tanks.groupby("dive_id").size()
    ids = dives["dive_id"]
    score = 1e6 * ids.map(per["bars"]).fillna(0) + 1e4 * ids.map(tanks).fillna(0) + ids.map(per["samples"]).fillna(0)
    return score.to_numpy(float)


def _pressures(dives: pd.DataFrame, dive_tanks: pd.DataFrame) -> NDArray:
    first = dive_tanks[dive_tanks["role"] == "back"].drop_duplicates("dive_id").set_index("dive_id")
    return np.column_stack(
        [
            dives["dive_id"].map(first[c]).to_numpy("float64", na_value=np.nan)
            for c in ("start_pressure_bar", "end_pressure_bar")
        ]
    )


def _same_pressures(one: NDArray, other: NDArray) -> bool:
    return bool(np.all(np.abs(one - other) < 2.0))


def _frame(rows: list[tuple]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=DUPLICATE_COLUMNS).astype("str")
