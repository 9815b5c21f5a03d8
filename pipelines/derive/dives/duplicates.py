"""One dive recorded by two computers, or exported twice: keep the fuller record, name the other.

Dives on one site at one hour of the day look alike: what does not overlap in time is one dive only where
everything agrees to the letter and the clocks differ by whole hours of a time zone.
"""

import re
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

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
    dives: pd.DataFrame, dive_tanks: pd.DataFrame, samples: pd.DataFrame
) -> tuple[pd.DataFrame, dict[str, set[str]]]:
    """Pairs of one member's records that are one dive.

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
    tanks = _tanks_by_dive(dives, dive_tanks)
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
        agree = _cylinders_agree(tanks[a], tanks[b])
        if overlapping and alike and agree is not False:
            leave_out(a, b, "duplicate_dive")
        elif overlapping and alike:
            # a computer a cylinder: each record lacks what the other breathed
            name(a, b, "overlaps_another_dive", "gas_missing")
        elif overlap > 0 or start_s[a] == start_s[b]:
            # nobody begins two dives in one second, however long either was
            name(a, b, "overlaps_another_dive")
        elif not np.isnan(apart_m) and apart_m < SAME_M and _cylinders_agree(tanks[a], tanks[b], SAME_BAR):
            name(a, b, "looks_like_another_dive")
    return _frame(left_out), flags


def _to_the_letter(dives: pd.DataFrame, tanks: list[pd.DataFrame], samples: pd.DataFrame) -> list[tuple[int, int]]:
    """Pairs, next in time, whose samples and cylinders with their pressures are the same to the letter."""
    columns = ["t_s", "depth_m", *(c for c in samples if re.fullmatch(r"tank_\d_bar", c))]
    place = pd.Index(dives["dive_id"]).get_indexer(samples["dive_id"])
    values = np.round(samples[columns].to_numpy("float64", na_value=np.nan), 2)
    order = np.lexsort((values[:, 0], place))
    place, values = place[order], values[order]
    edges = np.searchsorted(place, np.arange(len(dives) + 1))
    started = dives["started_at"].to_numpy()
    of_like: dict[tuple, list[int]] = {}
    for i, (low, high) in enumerate(pairwise(edges)):
        mine = tanks[i][["tank_no", "unit_id", "role", "start_pressure_bar", "end_pressure_bar"]]
        some = np.isfinite(values[low:high, 2:]).any() or mine["end_pressure_bar"].notna().any()
        if high - low < 4 or not some:  # without pressures nothing tells two square dives apart
            continue
        mode = dives["mode"].iloc[i]
        content = (str(mode), mine.to_csv(index=False), values[low:high].tobytes())
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


def _tanks_by_dive(dives: pd.DataFrame, dive_tanks: pd.DataFrame) -> list[pd.DataFrame]:
    by_dive = dict(list(dive_tanks.sort_values("tank_no", kind="stable").groupby("dive_id")))
    none = dive_tanks.iloc[:0]
    return [by_dive.get(dive_id, none) for dive_id in dives["dive_id"]]


def _cylinders_agree(one: pd.DataFrame, other: pd.DataFrame, within_bar: float = NEAR_BAR) -> bool | None:
    """Whether the lesser record's cylinders are all among the other's; None where nothing is known to compare."""
    few, many = (one, other) if len(one) <= len(other) else (other, one)
    compared = None
    for tank in few[few["role"] != "suit"].to_dict("records"):
        found = [_same_cylinder(tank, t, within_bar) for t in many.to_dict("records")]
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
    types = {c.name: PANDAS[c.kind] for c in TABLES["dive_duplicates"].fields.values()}
    return pd.DataFrame(rows, columns=TABLES["dive_duplicates"].columns).astype(types)
