"""What the settled fills say of each gauge, month by month: the `gauge_check` table.

The settling model gives each gauge one offset for all time. What its misses then still have in common within a
month is movement: a random walk from month to month, filtered and smoothed.
"""

import numpy as np
import pandas as pd

from shared.settling import Z80

WALK_SD_BAR = 0.5
"""How far a sound gauge may move in a month (SD, bar). Judgement, no source."""
SURE = 0.99
COLUMNS = ["gauge_id", "month_on", "offset_bar", "offset_low_bar", "offset_high_bar", "drifting"]


def build_gauge_check(c: pd.DataFrame, learned: pd.DataFrame, fit) -> pd.DataFrame:
    """A row a gauge and month in which it was used: its offset, reading minus truth, with an 80 % interval."""
    month = c["filled_on"].dt.to_period("M").dt.to_timestamp().astype("datetime64[us]")
    frame = pd.DataFrame({"gauge_id": c["gauge"], "month_on": month, "limit": c["gauge_limit_bar"],
                          "stated": c["gauge_offset_stated_bar"].fillna(0.0)})
    told = learned[learned["kind"] == "settled"]
    miss = pd.Series(np.nan, c.index)
    spread = pd.Series(np.nan, c.index)
    miss.iloc[told["fill"]] = told["left_bar"].to_numpy()
    spread.iloc[told["fill"]] = told["sd"].to_numpy() * fit.noise_scale
    frame["weight"] = 1.0 / spread**2
    # a lone rogue reading is held to three of its own standard deviations
    frame["pull"] = -miss.clip(-3.0 * spread, 3.0 * spread) * frame["weight"]
    months = frame.groupby(["gauge_id", "month_on"], as_index=False).agg(
        weight=("weight", "sum"), pull=("pull", "sum"), limit=("limit", "first"), stated=("stated", "first")
    )
    parts = [_walk(rows, *_base(fit, gauge)) for gauge, rows in months.groupby("gauge_id", sort=True)]
    if not parts:
        return pd.DataFrame(columns=COLUMNS)
    return pd.concat(parts, ignore_index=True)[COLUMNS]


def _base(fit, gauge: str) -> tuple[float, float]:
    at = fit.design.columns[("gauge", gauge)]
    return float(fit.mean[at]), float(np.sqrt(fit.covariance[at, at]))


def _walk(rows: pd.DataFrame, base: float, base_sd: float) -> pd.DataFrame:
    """Months of one gauge: Kalman filter and smoother (Rauch, Tung and Striebel) of a random walk about its base."""
    rows = rows.sort_values("month_on", ignore_index=True)
    n = len(rows)
    gap = np.diff(rows["month_on"].to_numpy("datetime64[M]").astype(int), prepend=rows["month_on"].to_numpy("datetime64[M]").astype(int)[0])
    m, v = np.zeros(n), np.zeros(n)
    ahead_m, ahead_v = np.zeros(n), np.zeros(n)
    mean, variance = 0.0, WALK_SD_BAR**2
    for i in range(n):
        variance += WALK_SD_BAR**2 * gap[i]
        ahead_m[i], ahead_v[i] = mean, variance
        precision = 1.0 / variance + rows["weight"].iloc[i]
        mean, variance = (mean / variance + rows["pull"].iloc[i]) / precision, 1.0 / precision
        m[i], v[i] = mean, variance
    smooth_m, smooth_v = m.copy(), v.copy()
    for i in range(n - 2, -1, -1):
        share = v[i] / ahead_v[i + 1]
        smooth_m[i] = m[i] + share * (smooth_m[i + 1] - ahead_m[i + 1])
        smooth_v[i] = v[i] + share**2 * (smooth_v[i + 1] - ahead_v[i + 1])
    offset = base + smooth_m
    sd = np.sqrt(base_sd**2 + smooth_v)
    # moved since its first month, or beyond its class, and surely so
    moved = np.abs(smooth_m - smooth_m[0]) - np.sqrt(smooth_v + smooth_v[0]) * 2.326 > 1.0
    beyond = np.abs(offset + rows["stated"]) - sd * 2.326 > rows["limit"]
    return rows.assign(
        offset_bar=offset + rows["stated"], offset_low_bar=offset + rows["stated"] - Z80 * sd,
        offset_high_bar=offset + rows["stated"] + Z80 * sd, drifting=pd.array(moved | beyond, dtype="boolean"),
    )
