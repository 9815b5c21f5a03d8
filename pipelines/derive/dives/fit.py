"""From cylinders and samples to fits: readings are gathered, fitted, and fitted again with what earlier dives teach."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.learning import Lessons, Station, learn, lessons_of
from pipelines.derive.dives.prior import OF_RECORDS, Traced, first_learned, records_of
from pipelines.derive.dives.samples import TANKS, Grid, Samples
from shared.diving.tank_grid import STEPS, grid_place
from shared.diving.tank_joint import breathing_shares, late_breathing_shares, share_breathing
from shared.diving.tank_records import TankFits
from shared.diving.tank_trace import fit_tanks, weigh_tanks
from shared.filling.gauges import read_steps_bar
from shared.gas import thermal

LEAST_READINGS = 8
LEAST_SPAN = 0.5
NEAR_END_S = 90.0
LATELY = 40
RISE_BAR = 14.0
MOST_EMPTY_FREE_L_PER_L = 1.4
"""What is left at an empty gauge at -40 °C, 1.25 free litres a litre, and some."""

RAN_OUT_BEFORE = 0.95
BAR_PER_K = 1.2
TURNS_RATE_SD = 0.35
FIRST_ROUNDS, ROUNDS, TURNS_ROUNDS = 2, 2, 4
OTHER_INSTRUMENT_BAR = 2.0
"""A written pressure that stands in for a transmitter's."""

READING_FLOOR_BAR = 0.15
GAUGE_SCATTER_BAR, TRANSMITTER_SCATTER_BAR = 0.5, 0.2
"""What a gauge's error changes by from a full cylinder to an empty one; a constant offset all but cancels."""

HAND_SCATTER_BAR = 0.85
"""The same where pressures are written in whole bars: the needle was read by eye as well."""


@dataclass
class Readings:
    """Pressures of each cylinder's row: binned over the grid, and what stands at both ends."""

    at: NDArray  # (rows, STEPS) mean place on the grid
    bar: NDArray
    sd_bar: NDArray
    step_bar: NDArray
    first_s: NDArray  # since the dive's first sample
    last_s: NDArray
    first_bar: NDArray
    last_bar: NDArray
    count: NDArray
    rose: NDArray


def gather(rows: pd.DataFrame, samples: Samples, grid: Grid) -> Readings:
    """Readings of each row of cylinders; spikes have gone before."""
    n = len(rows)
    place = samples.place[rows["dive"].to_numpy(int)] if n else np.empty(0, int)
    tank = rows["tank_no"].fillna(0).to_numpy(int)
    row_of = np.full((TANKS + 1, max(samples.starts.size, 1)), -1)
    sampled = (place >= 0) & (tank >= 1) & (tank <= TANKS)
    row_of[tank[sampled], place[sampled]] = np.flatnonzero(sampled)
    parts = []
    of_sample = samples.place[samples.dive]
    for number in range(1, TANKS + 1):
        if not samples.t_s.size:
            break
        row = row_of[number, of_sample]
        index = np.flatnonzero((row >= 0) & np.isfinite(samples.bars[:, number - 1]))
        parts.append((row[index], index, samples.bars[index, number - 1]))
    row = np.concatenate([p[0] for p in parts]) if parts else np.empty(0, int)
    index = np.concatenate([p[1] for p in parts]) if parts else np.empty(0, int)
    bar = np.concatenate([p[2] for p in parts]) if parts else np.empty(0)
    order = np.argsort(row, kind="stable")
    row, index, bar = row[order], index[order], bar[order]
    step_bar = np.full(n, 0.1)
    step_bar[sampled] = samples.step_bar[rows["dive"].to_numpy(int)[sampled], tank[sampled] - 1]

    since = samples.t_s[index] - grid.first_s[place[row]] if row.size else np.empty(0)
    at = grid_place(since / np.maximum(grid.duration_s[place[row]], 1e-9)) if row.size else np.empty(0)
    cell = row * STEPS + np.minimum(at.astype(int), STEPS - 1)
    size = n * STEPS
    count = np.bincount(cell, minlength=size).astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_at = np.bincount(cell, at, minlength=size) / count
        mean_bar = np.bincount(cell, bar, minlength=size) / count
    low, high = np.full(size, np.inf), np.full(size, -np.inf)
    np.minimum.at(low, cell, bar)
    np.maximum.at(high, cell, bar)
    step_of = np.repeat(step_bar, STEPS)
    with np.errstate(invalid="ignore"):
        apart = np.clip(np.minimum(count, (high - low) / step_of), 1.0, None)
    sd = np.sqrt(step_of**2 / 12.0 / apart + READING_FLOOR_BAR**2)

    out = {name: np.full(n, np.nan) for name in ("first_s", "last_s", "first_bar", "last_bar")}
    if row.size:
        begins = np.flatnonzero(np.diff(row, prepend=-1) != 0)
        ends = np.append(begins[1:], row.size) - 1
        out["first_s"][row[begins]], out["first_bar"][row[begins]] = since[begins], bar[begins]
        out["last_s"][row[ends]], out["last_bar"][row[ends]] = since[ends], bar[ends]
    binned = mean_bar.reshape(n, STEPS)
    seen = np.where(np.isfinite(binned), binned, np.inf)
    # two low bins in a row count, one may be a leftover spike
    lowest = np.minimum.accumulate(np.maximum(seen, np.roll(seen, 1, axis=1)), axis=1)
    above = (
        np.where(np.isfinite(binned) & np.isfinite(lowest), binned - np.where(np.isfinite(lowest), lowest, 0.0), 0.0)
        > rise_limit_bar(rows)[:, None]
    )
    return Readings(
        mean_at.reshape(n, STEPS),
        binned,
        sd.reshape(n, STEPS),
        step_bar,
        **out,
        count=np.bincount(row, minlength=n) if n else np.empty(0),
        rose=above.sum(axis=1) >= 2,
    )


def rise_limit_bar(rows: pd.DataFrame) -> NDArray:
    """Rise, bar, that warming under water does not explain: a cylinder from winter air gains a bar or so a kelvin."""
    warming_k = np.maximum(rows["water_c"].to_numpy(float) - rows["start_c"].to_numpy(float), 0.0) + 2.0 * rows[
        "start_sd_c"
    ].to_numpy(float)
    return RISE_BAR + BAR_PER_K * np.nan_to_num(warming_k - 6.0, nan=10.0).clip(0.0)


def written_step_bar(start_bar: NDArray, end_bar: NDArray, dive: NDArray) -> NDArray:
    """Step to which a member's written pressures are rounded, bar, by row: by those of the dive and of dives before it.

    Rows are in order of time; the last LATELY are looked at.
    """
    numbers, of = np.unique(dive, return_inverse=True)
    after = np.searchsorted(dive, numbers, side="right")
    return read_steps_bar(np.column_stack([start_bar, end_bar]).ravel(), 2 * after, 2 * LATELY)[of]


def usable_trace(readings: Readings, duration_s: NDArray) -> NDArray:
    """Rows whose pressures over time can be fitted."""
    span = (readings.last_s - readings.first_s) / duration_s
    return (readings.count >= LEAST_READINGS) & (span >= LEAST_SPAN) & ~readings.rose


@dataclass(frozen=True)
class Alone:
    """A member's rows, each fitted by itself, and what they teach."""

    first: TankFits
    lessons: Lessons
    groups: list[tuple[NDArray, Traced]]  # which rows, and their readings: over time, and at the ends alone


@dataclass(frozen=True)
class Fitted:
    """A member's rows fitted for good."""

    fits: TankFits
    first: TankFits  # each row by itself
    together_sd: dict[int, float]  # by dive, of what cylinders breathed in turns gave together, free litres


def fit_alone(rows: pd.DataFrame, place: NDArray, grid: Grid, readings: Readings, by_trace: NDArray) -> Alone:
    """Fit each row by itself: with its pressures over time where `by_trace`, else with `start_bar` and `end_bar`.

    The two pressures of the record also stand in where a trace starts late or ends early.
    """
    step = written_step_bar(
        rows["start_bar"].to_numpy(float), rows["end_bar"].to_numpy(float), rows["dive"].to_numpy(int)
    )
    written_sd = np.hypot(step / np.sqrt(12.0), np.where(step < 1.0, GAUGE_SCATTER_BAR, HAND_SCATTER_BAR))
    trace, ends = np.flatnonzero(by_trace), np.flatnonzero(~by_trace & rows["has_ends"].to_numpy(bool))
    written = np.column_stack([rows["start_bar"].to_numpy(float), rows["end_bar"].to_numpy(float)])
    read = rows[OF_RECORDS]
    late = readings.first_s[trace] > NEAR_END_S
    early = grid.duration_s[place[trace]] - readings.last_s[trace] > NEAR_END_S
    extra_at = np.column_stack([np.where(late, 0.0, np.nan), np.where(early, float(STEPS), np.nan)])
    extra_sd = np.column_stack([np.hypot(written_sd[trace], OTHER_INSTRUMENT_BAR)] * 2)
    traced = Traced(
        read.iloc[trace],
        place[trace],
        grid,
        np.hstack([readings.at[trace], extra_at]),
        np.hstack([readings.bar[trace], written[trace]]),
        np.hstack([readings.sd_bar[trace], extra_sd]),
    )
    at_ends = np.tile([0.0, float(STEPS)], (ends.size, 1))
    by_ends = Traced(
        read.iloc[ends], place[ends], grid, at_ends, written[ends], np.column_stack([written_sd[ends]] * 2)
    )
    groups = [(which, some) for which, some in ((trace, traced), (ends, by_ends)) if which.size]
    learned, first = first_learned(rows, by_trace), TankFits.blank(len(rows), STEPS + 2)
    for which, some in groups:
        first.put(which, weigh_tanks(records_of(some, learned.take(which)), FIRST_ROUNDS))
    return Alone(first, lessons_of(rows, by_trace, first, grid.duration_s[place]), groups)


def fit_taught(
    rows: pd.DataFrame,
    place: NDArray,
    grid: Grid,
    alone: Alone,
    by_trace: NDArray,
    counted: NDArray,
    station: Station,
    ppo2_deco_bar: float,
) -> Fitted:
    """Fit each row again, with what the dives before it teach.

    Cylinders that were breathed in turns (`counted`, with a trace each) are made to add up to one diver's rate.
    Decompression gas known by its ends is taken to be breathed no deeper than `ppo2_deco_bar` allows.
    """
    fits = TankFits.blank(len(rows), STEPS + 2)
    together_sd: dict[int, float] = {}
    learned = learn(rows, by_trace, alone.first, alone.lessons, station)
    dive, sole = rows["dive"].to_numpy(int), rows["sole_supply"].to_numpy(bool)
    unknown = np.unique(dive[counted & ~by_trace])
    for which, some in alone.groups:
        records = records_of(some, learned.take(which))
        if not by_trace[which[0]]:
            records = replace(
                records, breathing_share=_shares_of_ends(rows, which, counted, grid, place, ppo2_deco_bar)
            )
        fits.put(which, fit_tanks(records, rounds=ROUNDS, start=alone.first.take(which)))
        turns = np.flatnonzero((by_trace & counted & ~sole)[which] & ~np.isin(dive[which], unknown))
        if turns.size:
            mine, of_dive = which[turns], dive[which][turns]
            of_rows = learned.take(mine)
            in_turns = replace(
                records_of(some.take(turns), of_rows),
                breathing_share=breathing_shares(fits.take(mine), of_dive),
                rate_sd=np.full(turns.size, TURNS_RATE_SD),
                rate_lag_s=of_rows.rate_lag_s,
            )
            shared, together_sd = share_breathing(
                fit_tanks(in_turns, TURNS_ROUNDS), in_turns, of_dive, of_rows.rate_sd, of_rows.rate_lag_s
            )
            fits.put(mine, shared)
    return Fitted(fits, alone.first, together_sd)


def _shares_of_ends(
    rows: pd.DataFrame, ends: NDArray, counted: NDArray, grid: Grid, place: NDArray, ppo2_deco_bar: float
) -> NDArray:
    """(ends, STEPS) when cylinders known by two pressures were breathed: decompression gas last, the others before."""
    part = np.ones((ends.size, STEPS))
    dive, counts = rows["dive"].to_numpy(int)[ends], counted[ends]
    deco = (rows["role"] == "deco").to_numpy(bool)[ends] & counts
    fall = (rows["start_bar"] - rows["end_bar"]).to_numpy(float)[ends]
    used, o2 = rows["capacity_l"].to_numpy(float)[ends] * fall, rows["o2"].to_numpy(float)[ends]
    for number in np.unique(dive[deco]):
        mine = np.flatnonzero((dive == number) & counts)
        at = place[ends[mine[0]]]
        # a mean depth says nothing of when; a cylinder that is traced beside these tells its own time
        whole = len(mine) == np.count_nonzero(counted & (rows["dive"].to_numpy(int) == number))
        if whole and np.ptp(grid.ambient_bar_abs[at]) > 0.05 and not deco[mine].all():
            part[mine] = late_breathing_shares(
                grid.bar_min[at], grid.ambient_bar_abs[at], used[mine], deco[mine], o2[mine], ppo2_deco_bar
            )
    return part


def hold_above_empty(
    rows: pd.DataFrame, fits: TankFits, readings: Readings, grid: Grid, by_trace: NDArray
) -> tuple[NDArray, NDArray]:
    """Keep fits from going on below an empty gauge; changes `fits`.

    Where the transmitter was lost and no end is written, a cylinder that would run empty has an unknown end
    and so an unknown use. Where the end was read, its content stops at what is left at 0 bar.

    Returns
    -------
    lost, ran_out : ndarray of bool
        Rows whose end is unknown for that reason; and these with those that were at 0 bar well before the end.
    """
    if not len(rows):
        return np.zeros(0, bool), np.zeros(0, bool)
    capacity = rows["capacity_l"].to_numpy(float)
    empty = np.zeros_like(fits.amount_free_l)
    # no gauge of a cylinder that holds so much reads nothing, however cold it is
    near = np.flatnonzero((fits.amount_free_l < MOST_EMPTY_FREE_L_PER_L * capacity[:, None]).any(axis=1))
    mix = (rows[c].to_numpy(float)[near, None] for c in ("o2", "he", "ar"))
    empty[near] = thermal.amount_free_l(capacity[near, None], 0.0, fits.gas_c[near], *mix, strict=False)
    below = fits.amount_free_l < empty
    unread = ~np.isfinite(rows["end_bar"].to_numpy(float))
    duration = grid.duration_s[rows["place"].to_numpy(int)]
    lost = by_trace & unread & (duration - readings.last_s > NEAR_END_S) & below.any(axis=1)
    for values in (fits.used_free_l, fits.used_sd_free_l):
        values[lost] = np.nan
    fits.modelled_bar[lost, -1] = np.nan
    held = np.flatnonzero(below.any(axis=1) & ~lost)
    end = fits.amount_free_l[held, -1].copy()
    fits.amount_free_l[held] = np.maximum(fits.amount_free_l[held], empty[held])
    fits.used_free_l[held] -= fits.amount_free_l[held, -1] - end
    return lost, lost | (by_trace & below[:, : int(grid_place(RAN_OUT_BEFORE))].any(axis=1))
