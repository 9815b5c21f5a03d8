"""What the settled fills say of each gauge, month by month: the `gauge_check` table.

The settling model follows each gauge as an offset that may walk; here its months are read off.
"""

import numpy as np
import pandas as pd

from pipelines.derive.fills.terms import steps_of_fills
from schemas.tables import TABLES
from shared.filling.settling import Belief
from shared.gas.constants import Z80

SURE_SD = 3.0
LEAST_MOVE_BAR = 1.0
"""Drifting: moved by more than this since its first month, and by more than three standard deviations."""
LEAST_WITNESSES = 3
"""Beyond its limit only where so many settled readings speak of it: one slip in a fill's log looks the same."""

ALIKE_BAR = 0.7
"""A gauge that reads high and a film that hands on less heat look alike where all fills are alike: SD of an offset
that no number of settled fills tells apart. A judgement, set on stations simulated apart."""


def build_gauge_check(c: pd.DataFrame, belief: Belief) -> pd.DataFrame:
    """A row a gauge and month in which it was used: its offset, reading minus truth, with an 80 % interval."""
    step = steps_of_fills(c)
    month = c["filled_on"].dt.to_period("M").dt.to_timestamp().astype("datetime64[us]")
    frame = pd.DataFrame(
        {
            "gauge_id": c["gauge"],
            "month_on": month,
            "step": step,
            "limit": c["gauge_limit_bar"],
        }
    )
    frame = frame[np.isfinite(c["stop_pressure_bar"].to_numpy(float))].drop_duplicates(["gauge_id", "month_on"])
    frame = frame.sort_values(["gauge_id", "month_on"], ignore_index=True)
    if frame.empty:
        return pd.DataFrame(columns=TABLES["gauge_check"].columns)
    columns = belief.causes.column
    base = np.array([columns["gauge", g, 0] for g in frame["gauge_id"]])
    walk = np.array([columns["gauge_walk", g, int(s)] for g, s in zip(frame["gauge_id"], frame["step"], strict=True)])
    first = frame.assign(walk=walk).groupby("gauge_id")["walk"].transform("first").to_numpy()
    v = belief.covariance
    offset = belief.mean[base] + belief.mean[walk]
    sd = np.sqrt(np.maximum(v[base, base] + v[walk, walk] + 2 * v[base, walk], 0.0) + ALIKE_BAR**2)
    move = belief.mean[walk] - belief.mean[first]
    move_sd = np.sqrt(np.maximum(v[walk, walk] + v[first, first] - 2 * v[walk, first], 0.0))
    moved = (np.abs(move) > LEAST_MOVE_BAR) & (np.abs(move) > SURE_SD * move_sd)
    witnesses = frame["gauge_id"].map(c.loc[c["settled_usable"].to_numpy(bool), "gauge"].value_counts()).fillna(0)
    enough = witnesses.to_numpy(int) >= LEAST_WITNESSES
    beyond = enough & (np.abs(offset) - SURE_SD * sd > frame["limit"].to_numpy())
    return frame.assign(
        offset_bar=offset,
        offset_low_bar=offset - Z80 * sd,
        offset_high_bar=offset + Z80 * sd,
        drifting=pd.array(moved | beyond, dtype="boolean"),
    )[TABLES["gauge_check"].columns]
