"""Two gauges on one joined set: do its sides empty together?

A constant gap between two gauges is calibration. A gap that grows with the gas used means that the
isolator is shut or nearly. Independent and sidemount pairs are two cylinders, not one set, and are never
judged here.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.fit import NEAR_END_S, Readings
from pipelines.derive.dives.links import unknown_as_nan
from shared.filling.gauges import read_step_bar

GROWTH_SHARE = 0.25
"""Growth of the gap, as a share of the larger fall, from which the sides are apart. Shut: 1, less what cools."""

COOLED_SHARE = 0.5
"""The same as a share of what the gap would be with the isolator shut: the still side falls too, by cooling."""

TRACE_GROWTH_BAR, HAND_GROWTH_BAR = 8.0, 13.0
"""Growth from which two transmitters show it; and two of which one joined late, so that its offset is not known."""

OFFSET_SD_BAR, HAND_READING_SD_BAR = 5.0, 1.5
"""How far two gauges differ for good (class 1.6 of 400 bar, EN 837-1: SD 3.2 bar each, 4.5 both), and from reading to
reading."""

SURE_SD = 3.0
"""A gap beyond so many standard deviations of what the gauges alone make is no calibration: one set in 370."""

BOTH_SIDES_SHARE = 0.4
"""The lesser side's fall, as a share of the larger's and beyond cooling, from which it was breathed as well."""

COOLING_BAR = 12.0
BAR_PER_K = 1.1
LEAST_HAND_BAR = 11.0


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
    pairs = (rows["posts"] == 2).to_numpy() & rows["joined"].to_numpy(bool) & rows["breathed"].to_numpy(bool)
    if not pairs.any():
        return
    posts = rows[pairs]
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
        early, late, from_start = _gaps(rows, readings, by_trace, i, j)
        sides.gap_bar[int(dive)] = late
        falls = [rows.at[k, "start_bar"] - rows.at[k, "end_bar"] for k in (i, j)]
        growth, larger = abs(late - early), np.nanmax([*falls, 0.0])
        least = TRACE_GROWTH_BAR if from_start else HAND_GROWTH_BAR
        if growth > max(least, float(_share_of(larger, cooled_bar(rows)[i]))):
            sides.apart.add(int(dive))
            lesser = i if falls[0] < falls[1] else j
            if min(falls) - COOLING_BAR < BOTH_SIDES_SHARE * larger:
                sides.left_out[lesser] = True


def _gaps(rows: pd.DataFrame, readings: Readings, by_trace: pd.Series, i: int, j: int) -> tuple[float, float, bool]:
    """Second less first at the start and at the end, bar, and whether both were read from the start on.

    Where one joined late the written starts stand in, else none: a joined set begins with one pressure.
    """
    written = float(rows.at[j, "start_bar"] - rows.at[i, "start_bar"])
    if by_trace[i] and by_trace[j]:
        gap = readings.bar[j] - readings.bar[i]
        seen = np.flatnonzero(np.isfinite(gap))
        if seen.size >= 6:
            few = min(5, seen.size // 3)
            from_start = max(readings.first_s[i], readings.first_s[j]) <= NEAR_END_S
            early = float(np.median(gap[seen[:few]])) if from_start else np.nan_to_num(written)
            return float(early), float(np.median(gap[seen[-few:]])), bool(from_start)
    return written, float(rows.at[j, "end_bar"] - rows.at[i, "end_bar"]), True


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
    if not use.any():
        return
    for row in np.flatnonzero(use).tolist():
        sides.gap_bar[int(rows.at[row, "dive"])] = float(gap[row])
    fall = start - np.fmin(end, second)
    calibrated, sure_bar = gauges_of_units(rows, gap, fall, use)
    growth = np.abs(gap - calibrated)
    needed = np.maximum(sure_bar, _share_of(fall, cooled_bar(rows)))
    apart = use & (growth > needed)
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


def _share_of(fall_bar: NDArray, cooled: NDArray) -> NDArray:
    """Growth of the gap, bar, that tells a shut isolator from an open one at this fall of the breathed side."""
    shut = np.maximum(fall_bar - cooled, 0.0)
    return np.minimum(GROWTH_SHARE * fall_bar, COOLED_SHARE * shut)


def cooled_bar(rows: pd.DataFrame) -> NDArray:
    """What each row's gauge would fall by if it was not breathed: from the start's temperature to the water's, bar."""
    warmer_k = np.nan_to_num(rows["start_c"].to_numpy(float) - rows["water_c"].to_numpy(float))
    full = np.nan_to_num(rows["start_bar"].to_numpy(float), nan=200.0) / 200.0
    return np.maximum(BAR_PER_K * full * warmer_k, 0.0)


def gauges_of_units(rows: pd.DataFrame, gap: NDArray, fall: NDArray, use: NDArray) -> tuple[NDArray, NDArray]:
    """How the two gauges of each set differ, by its dives before this one, and from what gap on that explains nothing.

    A gap that a shut isolator would have made is left out of it. Rows are in order of time.
    """
    usual, sure = np.zeros(len(rows)), np.full(len(rows), np.inf)
    written = [unknown_as_nan(rows[c]) for c in ("second_gauge_end_bar", "end_pressure_bar")]
    step = read_step_bar(np.concatenate(written))
    prior, noise = OFFSET_SD_BAR**2, 2.0 * (HAND_READING_SD_BAR**2 + step**2 / 12.0)
    seen: dict[str, list[float]] = {}
    units = rows["unit"].to_numpy(object)
    for row in np.flatnonzero(use).tolist():
        unit = units[row]
        mine = seen.setdefault(unit, []) if isinstance(unit, str) else []
        variance = 1.0 / (1.0 / prior + len(mine) / noise)
        usual[row] = variance * sum(mine) / noise
        sure[row] = max(SURE_SD * np.sqrt(variance + noise), LEAST_HAND_BAR)
        if abs(gap[row] - usual[row]) < min(sure[row], 0.5 * max(fall[row], 1.0)):
            mine.append(float(gap[row]))
    return usual, sure


def _stands_for(rows: pd.DataFrame, row: int, share: float) -> None:
    """Let a row stand for so much of its set."""
    rows.at[row, "capacity_l"] = share * rows.at[row, "set_capacity_l"]
    rows.at[row, "cylinders"] = 2.0 * share
