"""Consumption of one member's dives: what was breathed, at what rate, and how sure that is.

Frames in, frames out. A dive's cylinders are fitted with all the member's others in one go
(`shared.diving.tank_trace`); this module says what goes in and writes down what comes out.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.built import Built
from pipelines.derive.dives.clock import clock_reset
from pipelines.derive.dives.duplicates import find_duplicates
from pipelines.derive.dives.fit import (
    NEAR_END_S,
    Alone,
    Readings,
    fit_alone,
    fit_taught,
    gather,
    hold_above_empty,
    usable_trace,
)
from pipelines.derive.dives.learning import (
    Lessons,
    Station,
    lessons_frame,
    station_frame,
    station_of,
    station_of_all,
    station_of_frame,
)
from pipelines.derive.dives.links import (
    dived_unit,
    first_water_readings,
    link_fills,
    unknown_as_nan,
)
from pipelines.derive.dives.prior import FILL_COLUMNS, of_fill
from pipelines.derive.dives.samples import Grid, Samples, arrange, as_logged, dive_grid, put_back_swaps, water_density
from pipelines.derive.dives.sides import Sides, judge_sides
from pipelines.derive.dives.surfacing import surfacing_table
from pipelines.derive.dives.tables import consumption_table, cooling_of_rows, fits_table, tank_table, trace_table
from pipelines.derive.dives.tanks import (
    Ambient,
    air_of_dives,
    ambient_of_fills,
    resolve_tanks,
    start_temperature,
    station_water_by_month,
    supplies_of_dives,
    water_of_dives,
)
from schemas.policy import Policy
from shared.diving.breathing import ambient_bar_abs
from shared.diving.tank_grid import STEPS, grid_share
from shared.gas.constants import ATM_BAR

LEAST_RATE_L_MIN = 2.0

__all__ = [
    "Ambient",
    "MemberDives",
    "air_of_dives",
    "ambient_of_fills",
    "build_member_dives",
    "dive_tables",
    "dived_unit",
    "first_water_readings",
    "lessons_frame",
    "link_fills",
    "read_member_dives",
    "station_frame",
    "station_of",
    "station_of_all",
    "station_of_frame",
    "station_water_by_month",
]


@dataclass
class MemberDives:
    """One member's dives, each cylinder fitted by itself; `lessons` is what they teach the station."""

    member_id: str
    dives: pd.DataFrame
    duplicates: pd.DataFrame
    flags: dict[str, set[str]]
    samples: Samples
    rows: pd.DataFrame
    grid: Grid
    place: NDArray
    flat: NDArray
    water_c: NDArray
    water_assumed: NDArray
    readings: Readings
    sides: Sides
    by_trace: NDArray
    counted: NDArray
    alone: Alone
    policy: Policy

    @property
    def lessons(self) -> Lessons:
        """What each of these dives teaches of cylinders, kit and diver."""
        return self.alone.lessons


def build_member_dives(
    member_id: str,
    inputs: dict[str, pd.DataFrame],
    units: pd.DataFrame,
    fills: pd.DataFrame,
    policy: Policy,
    *,
    links: pd.DataFrame | None = None,
    air: pd.DataFrame | None = None,
    station_water: pd.DataFrame | None = None,
    station: Station | None = None,
) -> dict[str, pd.DataFrame]:
    """Consumption, cylinders, full traces and duplicates of one member: `read_member_dives`, then `dive_tables`."""
    read = read_member_dives(member_id, inputs, units, fills, policy, links=links, air=air, station_water=station_water)
    return dive_tables(read, station)


def read_member_dives(
    member_id: str,
    inputs: dict[str, pd.DataFrame],
    units: pd.DataFrame,
    fills: pd.DataFrame,
    policy: Policy,
    *,
    links: pd.DataFrame | None = None,
    air: pd.DataFrame | None = None,
    station_water: pd.DataFrame | None = None,
) -> MemberDives:
    """Put one member's dives in order and fit each cylinder by itself.

    Parameters
    ----------
    member_id : str
    inputs : dict of DataFrame
        `dives`, `dive_tanks`, `dive_samples`; rows of other members are passed over.
    units, fills : DataFrame
        The `units` table; fills with the columns of the input and of `fill_quality`.
    policy : Policy
    links : DataFrame, optional
        From `link_fills` over all members; without it only this member's dives are seen to lie between.
    air : DataFrame, optional
        dive_id and the columns of `air_of_dives`; without it they are found from `fills`.
    station_water : DataFrame, optional
        From `station_water_by_month`.

    Notes
    -----
    What is found of a dive hangs on itself and on the dives begun before it; a later dive moves nothing.
    """
    dives, tanks, samples = (_of_member(inputs[name], member_id) for name in ("dives", "dive_tanks", "dive_samples"))
    if (np.diff(dives["started_at"].to_numpy("datetime64[us]")) <= np.timedelta64(0)).any():
        dives = dives.sort_values(["started_at", "dive_id"], ignore_index=True)
    logged = as_logged(dives, samples)
    duplicates, flags = find_duplicates(dives, tanks, logged)
    counts = ~dives["dive_id"].isin(duplicates["dive_id"]).to_numpy(bool)
    dives, logged = dives[counts].reset_index(drop=True), logged.of(counts)
    for dive_id in dives.loc[clock_reset(dives["started_at"]), "dive_id"]:
        flags.setdefault(dive_id, set()).add("clock_reset")
    if links is None:
        links = link_fills(tanks, dives, fills, units, policy.dives.fill_link_days)
    links = links[links["member_id"] == member_id]

    laid = arrange(dives, logged, policy)
    put_back_swaps(laid)
    rows = resolve_tanks(dives, tanks, units, links, fills)
    put_back_labels(laid, rows)
    grid = dive_grid(laid)
    sampled_water = laid.reduce(np.add, laid.water_c) / laid.reduce(np.add, np.ones(laid.t_s.size))
    water_c, water_sd_c, water_assumed = water_of_dives(dives, sampled_water, station_water)
    grid, place, flat = with_flat_dives(grid, laid, dives, water_c, policy)

    found = (
        air_of_dives(dives, ambient_of_fills(fills))
        if air is None
        else air.set_index("dive_id").reindex(dives["dive_id"])
    )
    dive = rows["dive"].to_numpy(int)
    start_c, start_sd_c, air_sd_c, basis = start_temperature(rows, dives, found)
    beside = {"start_c": start_c, "start_sd_c": start_sd_c, "air_sd_c": air_sd_c, "start_basis": basis}
    beside |= {"water_c": water_c[dive], "water_sd_c": water_sd_c[dive], "place": place[dive]}
    rows = pd.concat([rows, pd.DataFrame(beside)], axis=1)
    readings = gather(rows, laid, grid)
    settle_ends(rows, readings, grid)
    by_trace = usable_trace(readings, grid.duration_s[rows["place"].to_numpy(int)]) & (rows["place"] >= 0)
    sides = judge_sides(rows, readings, by_trace)
    by_trace &= ~sides.replaced
    rows["sole_supply"] = sole_supply(rows, sides.left_out)
    back = rows["back"].to_numpy(bool) & ~sides.left_out
    # wing and suit are fed from one of the back cylinders, nothing says which
    rows["back_rows"] = np.maximum(np.bincount(dive[back], minlength=len(dives))[dive], 1).astype(float)
    able = (
        np.isfinite(rows["capacity_l"].to_numpy(float))
        & (rows["place"] >= 0)
        & ~sides.left_out
        & ~(rows["not_breathable"] & rows["breathed"])
    )
    rows["has_ends"] &= able
    rows["divers_rate"] = divers_rate(rows, grid, rows["breathed"].to_numpy(bool) & ~sides.left_out)
    by_trace = (by_trace & able).to_numpy(bool)
    rows[FILL_COLUMNS] = np.column_stack(of_fill(rows))
    return MemberDives(
        member_id=member_id,
        dives=dives,
        duplicates=duplicates,
        flags=flags,
        samples=laid,
        rows=rows,
        grid=grid,
        place=place,
        flat=flat,
        water_c=water_c,
        water_assumed=water_assumed,
        readings=readings,
        sides=sides,
        by_trace=by_trace,
        counted=rows["breathed"].to_numpy(bool) & ~sides.left_out,
        alone=fit_alone(rows, rows["place"].to_numpy(int), grid, readings, by_trace),
        policy=policy,
    )


def dive_tables(read: MemberDives, station: Station | None = None) -> dict[str, pd.DataFrame]:
    """Fit each cylinder for good, and write down what came of it.

    Parameters
    ----------
    read : MemberDives
    station : Station, optional
        What all members' dives taught, by month (`station_of`); a dive uses what was known when its month began.

    Returns
    -------
    dict of DataFrame
        `dive_consumption`, `dive_tank_use`, `dive_trace` (a row a sample), `dive_duplicates` (member_id,
        dive_id, started_at, kept_dive_id, reason), `dive_fits` (what the traces say of the fills, for
        `first_water_readings`).
    """
    rows, grid = read.rows, read.grid
    fitted = fit_taught(
        rows,
        rows["place"].to_numpy(int),
        grid,
        read.alone,
        read.by_trace,
        read.counted,
        station or Station(),
        read.policy.filling.ppo2_deco_bar,
    )
    _, ran_out = hold_above_empty(rows, fitted.fits, read.readings, grid, read.by_trace)
    built = Built(
        member_id=read.member_id,
        dives=read.dives,
        rows=rows,
        samples=read.samples,
        grid=grid,
        place=read.place,
        flat=read.flat,
        readings=read.readings,
        fits=fitted.fits,
        fitted=fitted,
        by_trace=read.by_trace,
        sides=read.sides,
        water_c=read.water_c,
        water_assumed=read.water_assumed,
        ran_out=ran_out,
        flags=read.flags,
        policy=read.policy,
    )
    cooling_bar = cooling_of_rows(built)
    consumption = consumption_table(built, cooling_bar)
    return {
        "dive_consumption": consumption,
        "dive_tank_use": tank_table(built, cooling_bar),
        "dive_trace": trace_table(built, consumption),
        "dive_duplicates": read.duplicates,
        "dive_fits": fits_table(built),
        "dive_surfacing": surfacing_table(built),
    }


def _of_member(frame: pd.DataFrame, member_id: str) -> pd.DataFrame:
    mine = (frame["member_id"] == member_id).to_numpy(bool, na_value=False)
    return (frame if mine.all() else frame[mine]).reset_index(drop=True)


def sole_supply(rows: pd.DataFrame, left_out: NDArray) -> NDArray:
    """Cylinders that fed the whole dive by themselves: their rate is steady, not switched on and off.

    The two posts of a joined set count as one.
    """
    breathed = rows["breathed"].to_numpy(bool) & ~left_out
    dive = rows["dive"].to_numpy(int)
    return (supplies_of_dives(rows, breathed, dive.max(initial=-1) + 1)[dive] == 1) & breathed


def divers_rate(rows: pd.DataFrame, grid: Grid, counted: NDArray) -> NDArray:
    """What the diver breathed from all cylinders for one litre from each, by the pressures at both ends; at least 1."""
    used = rows["capacity_l"].to_numpy(float) * (rows["start_bar"] - rows["end_bar"]).to_numpy(float)
    used = np.where(counted, np.maximum(np.nan_to_num(used), 0.0), 0.0)
    dive = rows["dive"].to_numpy(int)
    whole = np.bincount(dive, used, minlength=dive.max(initial=-1) + 1)[dive] if len(rows) else used
    least = LEAST_RATE_L_MIN * grid.bar_min[rows["place"].to_numpy(int), -1]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.clip(np.nan_to_num(whole / np.fmax(used, least), nan=1.0), 1.0, 30.0)


def settle_ends(rows: pd.DataFrame, readings: Readings, grid: Grid) -> None:
    """Pressures at both ends: the trace's where it reaches them, else the record's. Adds their columns."""
    duration = grid.duration_s[rows["place"].to_numpy(int)]
    start, end = (unknown_as_nan(rows[c]) for c in ("start_pressure_bar", "end_pressure_bar"))
    near_start = readings.first_s <= NEAR_END_S
    near_end = duration - readings.last_s <= NEAR_END_S
    usable = ~readings.rose
    start = np.where(near_start & (usable | ~np.isfinite(start)), readings.first_bar, start)
    end = np.where(near_end & (usable | ~np.isfinite(end)), readings.last_bar, end)
    rows["start_bar"], rows["end_bar"], rows["has_ends"] = start, end, np.isfinite(start) & np.isfinite(end)


def put_back_labels(samples: Samples, rows: pd.DataFrame, least_gain_bar: float = 30.0) -> None:
    """Exchange two cylinders' pressures over a whole dive where the record's starts and ends say so."""
    dive, number = rows["dive"].to_numpy(int), unknown_as_nan(rows["tank_no"])
    written = np.column_stack([unknown_as_nan(rows[c]) for c in ("start_pressure_bar", "end_pressure_bar")])
    known = np.flatnonzero(np.isfinite(written).all(axis=1) & (number <= samples.bars.shape[1]) & samples.has[dive])
    stops = np.append(samples.starts[1:], samples.t_s.size)
    # rows are by dive and number, so those of one dive are neighbours
    for mine in np.split(known, np.flatnonzero(np.diff(dive[known])) + 1):
        for i, j in combinations(mine.tolist(), 2):
            place = samples.place[dive[i]]
            of_dive, columns = slice(samples.starts[place], stops[place]), [int(number[i]) - 1, int(number[j]) - 1]
            both = samples.bars[of_dive, columns]
            if not np.isfinite(both).any(axis=0).all():
                continue
            ends = [column[np.isfinite(column)][[0, -1]] for column in both.T]
            straight = np.abs(ends - written[[i, j]]).sum()
            crossed = np.abs(ends - written[[j, i]]).sum()
            if straight - crossed > least_gain_bar and crossed < 0.4 * straight:
                samples.bars[of_dive, columns] = both[:, ::-1]
                samples.swapped[dive[i]] = True


def with_flat_dives(
    grid: Grid, samples: Samples, dives: pd.DataFrame, water_c: NDArray, policy: Policy
) -> tuple[Grid, NDArray, NDArray]:
    """Add dives without samples that state duration and mean depth, as stays at that depth.

    Returns
    -------
    grid : Grid
        Water filled in where no sample says it.
    place : ndarray of int
        Each dive's place on the grid, -1 (the empty last row) where neither samples nor a mean depth are known.
    flat : ndarray of bool
        Dives known by their mean depth alone.
    """
    minutes, mean_m = (unknown_as_nan(dives[c]) for c in ("duration_min", "mean_depth_m"))
    flat = ~samples.has & np.isfinite(minutes) & np.isfinite(mean_m) & (minutes > 0)
    surface = np.nan_to_num(unknown_as_nan(dives["surface_pressure_bar_abs"]), nan=ATM_BAR)
    ambient = (
        ambient_bar_abs(mean_m, surface, water_density(dives["water"], policy))[flat][:, None]
        if len(dives)
        else np.empty((0, 1))
    )
    n = int(flat.sum())
    share = grid_share(np.arange(STEPS + 1))
    sampled = samples.dive[samples.starts]
    water = np.where(np.isfinite(grid.water_c), grid.water_c, water_c[sampled][:, None])
    place = samples.place.copy()
    place[flat] = grid.duration_s.size + np.arange(n)
    # a last row that no dive has: what is not on the grid may point at it
    return (
        Grid(
            np.concatenate([grid.first_s, np.zeros(n + 1)]),
            np.concatenate([grid.duration_s, 60.0 * minutes[flat], [np.nan]]),
            np.vstack([grid.bar_min, ambient * minutes[flat][:, None] * share, np.full((1, STEPS + 1), np.nan)]),
            np.vstack([grid.ambient_bar_abs, np.repeat(ambient, STEPS + 1, axis=1), np.full((1, STEPS + 1), np.nan)]),
            np.vstack([water, np.repeat(water_c[flat][:, None], STEPS, axis=1), np.full((1, STEPS), np.nan)]),
        ),
        place,
        flat,
    )
