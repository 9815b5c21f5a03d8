"""Two gauges on one joined set: do its sides empty together?

A constant gap between two gauges is calibration. A gap that grows with the gas used means that the
isolator is shut or nearly. Independent and sidemount pairs are two cylinders, not one set, and are never
judged here.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.build.dives_fit import Readings
from pipelines.build.dives_links import unknown_as_nan

GROWTH_SHARE = 0.25
"""Growth of the gap, as a share of the larger fall, from which the sides are apart. Shut: 1."""

TRACE_GROWTH_BAR, HAND_GROWTH_BAR = 8.0, 13.0
"""Least growth seen by two transmitters; and by a gauge that was read by hand once, whose offset is in it."""

BOTH_SIDES_SHARE = 0.4
"""The lesser side's fall, as a share of the larger's and beyond cooling, from which it was breathed as well."""

COOLING_BAR = 12.0
_CALIBRATING_DIVES = 3


@dataclass
class Sides:
    """What two gauges say, by row of cylinders and by dive (a dict for the few dives that have them)."""

    left_out: NDArray  # (rows,) not breathed, or doubled by another gauge
    replaced: NDArray  # (rows,) ends stand in for the trace
    apart: set[int]  # dives
    gap_bar: dict[int, float]  # dive: second less first at the end


def judge_sides(rows: pd.DataFrame, readings: Readings, by_trace: pd.Series) -> Sides:
    """Find sets whose sides emptied apart, and put the rows right: capacity, ends and what counts.

    Changes `capacity_l`, `cylinders`, `start_bar` and `end_bar` of `rows` where only one side was breathed.
    """
    n = len(rows)
    sides = Sides(np.zeros(n, bool), np.zeros(n, bool), set(), {})
    _two_rows(rows, readings, by_trace, sides)
    _hand_read(rows, sides)
    return sides


def _two_rows(rows: pd.DataFrame, readings: Readings, by_trace: pd.Series, sides: Sides) -> None:
    posts = rows[(rows["posts"] == 2) & rows["joined"] & rows["breathed"]]
    for (dive, _), pair in posts.groupby(["dive", "unit"]):
        if len(pair) != 2:
            continue
        i, j = pair.index
        seen = [bool(by_trace[k] or rows.at[k, "has_ends"]) for k in (i, j)]
        if not all(seen):
            # a post without a gauge says nothing of its own: the other stands for the whole set
            if any(seen):
                known, other = (i, j) if seen[0] else (j, i)
                _stands_for(rows, known, 1.0)
                sides.left_out[other] = True
            continue
        early, late = _gaps(rows, readings, by_trace, i, j)
        sides.gap_bar[int(dive)] = late
        falls = [rows.at[k, "start_bar"] - rows.at[k, "end_bar"] for k in (i, j)]
        growth, larger = abs(late - early), np.nanmax([*falls, 0.0])
        if growth > max(TRACE_GROWTH_BAR, GROWTH_SHARE * larger):
            sides.apart.add(int(dive))
            lesser = i if falls[0] < falls[1] else j
            if min(falls) - COOLING_BAR < BOTH_SIDES_SHARE * larger:
                sides.left_out[lesser] = True


def _gaps(rows: pd.DataFrame, readings: Readings, by_trace: pd.Series, i: int, j: int) -> tuple[float, float]:
    """Second less first at the start and at the end, bar."""
    if by_trace[i] and by_trace[j]:
        gap = readings.bar[j] - readings.bar[i]
        gap = gap[np.isfinite(gap)]
        if gap.size >= 6:
            few = min(5, gap.size // 3)
            return float(np.median(gap[:few])), float(np.median(gap[-few:]))
    return (
        float(rows.at[j, "start_bar"] - rows.at[i, "start_bar"]),
        float(rows.at[j, "end_bar"] - rows.at[i, "end_bar"]),
    )


def _hand_read(rows: pd.DataFrame, sides: Sides) -> None:
    second = unknown_as_nan(rows["second_gauge_end_bar"])
    start, end = rows["start_bar"].to_numpy(float), rows["end_bar"].to_numpy(float)
    gap = second - end
    use = (
        np.isfinite(gap)
        & (rows["posts"] == 1).to_numpy()
        & (rows["cylinders"] > 1).to_numpy()
        & rows["breathed"].to_numpy(bool)
    )
    for row in np.flatnonzero(use).tolist():
        sides.gap_bar[int(rows.at[row, "dive"])] = float(gap[row])
    fall = start - np.fmin(end, second)
    ordinary = use & (np.abs(gap) < 0.5 * np.maximum(fall, 1.0))
    usual = pd.Series(np.where(ordinary, gap, np.nan)).groupby(rows["unit"].to_numpy(), dropna=False)
    calibrated = np.where(usual.transform("count") >= _CALIBRATING_DIVES, usual.transform("median"), 0.0)
    growth = np.abs(gap - calibrated)
    apart = use & (growth > np.maximum(HAND_GROWTH_BAR, GROWTH_SHARE * fall))
    for row in np.flatnonzero(apart).tolist():
        sides.apart.add(int(rows.at[row, "dive"]))
        lesser_fall = start[row] - max(end[row], second[row]) - COOLING_BAR
        if np.isfinite(start[row]) and lesser_fall >= BOTH_SIDES_SHARE * fall[row]:
            # both sides were breathed, unevenly: their mean is what the whole set lost
            rows.at[row, "end_bar"] = 0.5 * (end[row] + second[row])
            sides.replaced[row] = True
            continue
        _stands_for(rows, row, 0.5)
        if second[row] < end[row]:
            rows.at[row, "end_bar"] = second[row]
            sides.replaced[row] = True


def _stands_for(rows: pd.DataFrame, row: int, share: float) -> None:
    """Let a row stand for so much of its set."""
    rows.at[row, "capacity_l"] = share * rows.at[row, "set_capacity_l"]
    rows.at[row, "cylinders"] = 2.0 * share
