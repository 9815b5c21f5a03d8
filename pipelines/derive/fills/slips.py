"""Figures of one fill that hardly go together: slips of the pen, most likely, but they may have happened."""

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats, looked_up
from pipelines.derive.fleet.inspections import local_day

TWO_READINGS_BAR = 2.0
"""Two readings of one gauge, a step each, may differ by so much with nothing added between."""
CLOCKS_DIFFER = pd.Timedelta(minutes=15)
"""Stop and analysis are written down on two clocks, or from memory."""
FASTEST_BAR_MIN, LEAST_RISE_BAR = 300.0, 20.0
"""No panel fills a cylinder faster (41 bar a minute is a usual limit: a cylinder inspectors' training note)."""
WARMEST_SHARE = 1.15
"""A closed cylinder reads so much more after some 30 K of warming (CoolProp's air equation: 200 bar at 0 °C reads 228
at 25 °C and 234 at 30 °C)."""


def stop_below_start(fills: pd.DataFrame) -> np.ndarray:
    """True for each fill that ends below its start, as written: the two were swapped, or gas was let out."""
    return floats(fills["start_pressure_bar"]) - floats(fills["stop_pressure_bar"]) > TWO_READINGS_BAR


def fill_slips(c: pd.DataFrame, time_zone: str) -> dict[str, np.ndarray]:
    """A mask a code, over the fills of a context (see `fills_context`)."""
    start, stop, minutes = (floats(c[k]) for k in ("start_pressure_bar", "stop_pressure_bar", "fill_minutes"))
    rise = stop - start
    rate = rise / np.where(minutes > 0, minutes, np.nan)
    return {
        "stop_below_start": stop_below_start(c),
        "analysed_before_stop": _analysed_before(c, time_zone),
        "fill_rate_doubtful": (rise > LEAST_RISE_BAR) & (rate > FASTEST_BAR_MIN),
        # with its temperature a reading is compared with the heat of the fill; without, with what no warming makes
        "settled_reading_doubtful": ~np.isfinite(floats(c["settled_c"]))
        & (floats(c["settled_pressure_bar"]) > WARMEST_SHARE * stop),
    }


def impossible_times(
    fills: pd.DataFrame, pairs: pd.DataFrame, inputs: dict[str, pd.DataFrame], no_hour: np.ndarray
) -> dict[str, np.ndarray]:
    """A mask a code: fills at moments at which they cannot have been.

    Parameters
    ----------
    fills : DataFrame
        With unit_id, filled_at and filled_on.
    pairs : DataFrame
        `row` (place of the fill) and cylinder_id, of each cylinder of each fill.
    inputs : dict of DataFrame
        With cylinders, dives and dive_tanks.
    no_hour : ndarray of bool
        Fills whose hour nobody wrote.
    """
    made_on = looked_up(pairs["cylinder_id"], inputs["cylinders"].set_index("cylinder_id")["manufactured_on"])
    row = pairs["row"].to_numpy()
    early = (fills["filled_on"].to_numpy()[row] < made_on.to_numpy("datetime64[us]")).astype(bool)
    timed = pairs.assign(at=fills["filled_at"].to_numpy()[row])[~no_hour[row]]
    twice = timed.loc[timed.duplicated(["cylinder_id", "at"], keep=False), "row"]
    return {
        "filled_before_manufacture": np.bincount(row[early], minlength=len(fills)) > 0,
        "filled_twice_at_once": np.bincount(twice, minlength=len(fills)) > 0,
        "filled_during_dive": _during_dive(fills, inputs) & ~no_hour,
    }


def _during_dive(fills: pd.DataFrame, inputs: dict[str, pd.DataFrame]) -> np.ndarray:
    """Fills that stop while the unit is dived, by more than clocks differ; of dives whose length was written."""
    tanks = inputs["dive_tanks"][["member_id", "dive_id", "unit_id"]].dropna(subset=["unit_id"])
    dives = inputs["dives"][["member_id", "dive_id", "started_at", "duration_min"]].dropna()
    dived = tanks.merge(dives, on=["member_id", "dive_id"]).astype({"unit_id": "str"})
    if dived.empty:
        return np.zeros(len(fills), bool)
    asked = fills[["filled_at"]].assign(unit_id=fills["unit_id"].astype("str"), row=np.arange(len(fills)))
    found = pd.merge_asof(
        asked.sort_values("filled_at", kind="stable"),
        dived[["unit_id", "started_at", "duration_min"]].sort_values("started_at", kind="stable"),
        left_on="filled_at",
        right_on="started_at",
        by="unit_id",
    ).sort_values("row")
    since = found["filled_at"] - found["started_at"]
    left = pd.to_timedelta(found["duration_min"], unit="min") - since
    return ((since > CLOCKS_DIFFER) & (left > CLOCKS_DIFFER)).to_numpy(bool)


def _analysed_before(c: pd.DataFrame, time_zone: str) -> np.ndarray:
    """Analyses dated before the stop; where the hour of either was not written, by the day."""
    early = (c["analysed_at"] < c["filled_at"] - CLOCKS_DIFFER).to_numpy(bool, na_value=False)
    by_day = (local_day(c["analysed_at"], time_zone) < c["filled_on"]).to_numpy(bool, na_value=False)
    no_hour = np.array(["date_without_time" in marks for marks in c["marks"]], bool)
    return np.where(no_hour, by_day, early)
