"""From cylinders and samples to fits: readings are gathered, fitted, and what the member's traces teach is fed back."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.build.dives_learning import USUAL_AIR, Learned, Traced, learn, records_of, scatter_of_starts
from pipelines.build.dives_samples import TANKS, Grid, Samples
from shared import thermal
from shared.gauges import read_step_bar
from shared.tank_joint import duty_of, late_duty, share_breathing
from shared.tank_trace import STEPS, TankFits, fit_tanks

LEAST_READINGS = 8
LEAST_SPAN = 0.5
NEAR_END_S = 90.0
RISE_BAR = 14.0
RAN_OUT_BEFORE = 0.95
BAR_PER_K = 1.2
TURNS_RATE_SD = 0.35
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
    at = since / np.maximum(grid.duration_s[place[row]], 1e-9) * STEPS if row.size else np.empty(0)
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


def usable_trace(rows: pd.DataFrame, readings: Readings, duration_s: NDArray) -> NDArray:
    """Rows whose pressures over time can be fitted."""
    span = (readings.last_s - readings.first_s) / duration_s
    return (readings.count >= LEAST_READINGS) & (span >= LEAST_SPAN) & ~readings.rose


def fit_rows(
    rows: pd.DataFrame,
    place: NDArray,
    grid: Grid,
    readings: Readings,
    by_trace: NDArray,
    counted: NDArray,
    station_spread: tuple[float, float],
    ppo2_deco_bar: float,
) -> tuple[TankFits, dict[int, float], Learned]:
    """Fit every row: with its pressures over time where `by_trace`, else with `start_bar` and `end_bar`.

    The two pressures of the record also stand in where a trace starts late or ends early. Cylinders that
    were breathed in turns (`counted`, with a trace each) are made to add up to one diver's rate. The station's
    spread of starts counts for written pressures alone: it is itself found from the traces' fits, which must
    not move with it. Decompression gas known by its ends is taken to be breathed no deeper than
    `ppo2_deco_bar` allows.

    Returns
    -------
    fits : TankFits
    together_sd : dict of int to float
        By dive, standard deviation of what such cylinders gave together, free litres.
    learned : Learned
    """
    n = len(rows)
    out = TankFits.blank(n, STEPS + 2)
    step = read_step_bar(rows[["start_bar", "end_bar"]].to_numpy(float).ravel())
    scatter = GAUGE_SCATTER_BAR if step < 1.0 else HAND_SCATTER_BAR
    written_sd = np.full(n, np.hypot(step / np.sqrt(12.0), scatter))
    trace, ends = np.flatnonzero(by_trace), np.flatnonzero(~by_trace & rows["has_ends"].to_numpy(bool))
    first = Learned()
    station = replace(first, start_last=station_spread[0], start_air=USUAL_AIR * station_spread[1])
    learned, of_ends = first, station
    together_sd: dict[int, float] = {}
    if trace.size:
        late = readings.first_s[trace] > NEAR_END_S
        early = grid.duration_s[place[trace]] - readings.last_s[trace] > NEAR_END_S
        extra_at = np.column_stack([np.where(late, 0.0, np.nan), np.where(early, float(STEPS), np.nan)])
        extra_bar = rows[["start_bar", "end_bar"]].to_numpy(float)[trace]
        extra_sd = np.column_stack([np.hypot(written_sd[trace], 2.0)] * 2)
        at, bar = np.hstack([readings.at[trace], extra_at]), np.hstack([readings.bar[trace], extra_bar])
        sd = np.hstack([readings.sd_bar[trace], extra_sd])
        part = rows.iloc[trace]
        traced = Traced(part, place[trace], grid, at, bar, sd)
        learned, fits = learn(traced, first)
        out.put(trace, fits)
        say = np.flatnonzero(part["alone"].to_numpy(bool) & np.isfinite(fits.used_free_l))
        # what the member's own traces say, and the station's where they say little
        of_ends = scatter_of_starts(part.iloc[say], fits.take(say), learned, replace(station, common=learned.common))
        dive = rows["dive"].to_numpy(int)
        unknown = np.unique(dive[counted & ~by_trace])
        turns = np.flatnonzero((counted & ~rows["alone"].to_numpy(bool))[trace] & ~np.isin(dive[trace], unknown))
        if turns.size:
            some, of_dive = records_of(traced.take(turns), learned), dive[trace][turns]
            some = replace(
                some,
                duty=duty_of(fits.take(turns), of_dive),
                rate_sd=np.full(turns.size, TURNS_RATE_SD),
                rate_lag_s=np.full(turns.size, learned.rate_lag_s),
            )
            shared, together_sd = share_breathing(fit_tanks(some), some, of_dive, learned.rate_sd, learned.rate_lag_s)
            out.put(trace[turns], shared)
    if ends.size:
        at = np.tile([0.0, float(STEPS)], (ends.size, 1))
        bar = rows[["start_bar", "end_bar"]].to_numpy(float)[ends]
        written = Traced(rows.iloc[ends], place[ends], grid, at, bar, np.column_stack([written_sd[ends]] * 2))
        records = records_of(written, of_ends)
        duty = _duty_of_ends(rows, ends, counted, grid, place, ppo2_deco_bar)
        out.put(ends, fit_tanks(replace(records, duty=duty), rounds=3))
    return out, together_sd, learned


def _duty_of_ends(
    rows: pd.DataFrame, ends: NDArray, counted: NDArray, grid: Grid, place: NDArray, ppo2_deco_bar: float
) -> NDArray:
    """(ends, STEPS) when cylinders known by two pressures were breathed: decompression gas last, the others before."""
    duty = np.ones((ends.size, STEPS))
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
            duty[mine] = late_duty(
                grid.bar_min[at], grid.ambient_bar_abs[at], used[mine], deco[mine], o2[mine], ppo2_deco_bar
            )
    return duty


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
    capacity, *mix = (rows[c].to_numpy(float)[:, None] for c in ("capacity_l", "o2", "he", "ar"))
    empty = thermal.amount_free_l(capacity, 0.0, fits.gas_c, *mix, strict=False)
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
    return lost, lost | (by_trace & below[:, : int(RAN_OUT_BEFORE * STEPS)].any(axis=1))
