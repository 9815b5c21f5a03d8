"""What is known of a dived cylinder before its own readings: the priors of a fit, by physics, air, fill and dives."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.samples import Grid
from shared.diving.tank_grid import SHARED_COUNT, STEPS
from shared.diving.tank_records import TankRecords
from shared.gas import thermal

BETWEEN_RATE_SD, BETWEEN_RATE_LAG_S = 0.7, 300.0
"""Rate of a cylinder breathed in turns with others, as a share of the diver's: it switches on and off."""

USUAL_RATE_SD, RATE_SD_LN_SD = 0.16, 0.5
USUAL_RATE_LAG_S, RATE_LAG_LN_SD = 180.0, 0.5

# Common values of a member, in the order of COMMON: start K beside what is said of it, logs of factors on the film
# inside and on the wall's lag, factor on cooling, what a transmitter and what a hand gauge read beyond the fill, bar,
# litres into wing and suit by a bar of descent, what is breathed more in the first minutes as a share.
COMMON = ("start_off_k", "film_ln", "wall_ln", "cooling", "transmitter_bar", "hand_gauge_bar", "inflation_l", "early")
FIRST = np.array([0.0, 0.0, 0.0, 1.0, -0.5, -0.5, 5.0, 0.0])
"""Before any dive: nothing but physics, and 5 L of gas spaces to fill."""

STATION_SD = np.array([0.6, 0.15, 0.25, 0.03, 1.0, 1.5, 2.0, 0.05])
MEMBER_SD = np.array([0.7, 0.08, 0.15, 0.02, 1.2, 2.0, 3.0, 0.08])
"""How stations, and members of one, scatter around that; judgements, held against simulated seasons."""

START, FILM, WALL, COOLING, CONTENT, INFLATION, EARLY = range(SHARED_COUNT)
DIVE_SD = {FILM: 0.1, WALL: 0.25, COOLING: 0.06, INFLATION: 2.0, EARLY: 0.08}
"""How dives scatter around their member's values, by place among the shared unknowns; start and content by row."""

LOST_BEFORE_BAR = 0.8
"""Gas checked, purged and blown in before the first sample, beyond what all dives have in common."""

OTHER_GAUGE_BAR = 1.5
"""A further cylinder's transmitter differs by so much from the first's."""

LEAK_BAR_DAY = 0.05
USUAL_AIR = 0.75
"""Where no dive has said anything, gas is taken to start this much nearer to the air than stated."""


@dataclass(frozen=True)
class Learned:
    """What each row is fitted with: what came of the dives before it."""

    shared_mean: NDArray  # (rows, SHARED_COUNT)
    shared_cov: NDArray  # (rows, SHARED_COUNT, SHARED_COUNT)
    rate_sd: NDArray
    rate_lag_s: NDArray

    def take(self, which: NDArray) -> "Learned":
        """The same for some of the rows."""
        return Learned(self.shared_mean[which], self.shared_cov[which], self.rate_sd[which], self.rate_lag_s[which])


@dataclass(frozen=True)
class Traced:
    """Cylinders' rows with their readings, as they are fitted."""

    rows: pd.DataFrame
    place: NDArray
    grid: Grid
    at: NDArray
    bar: NDArray
    sd_bar: NDArray

    def take(self, which: NDArray) -> "Traced":
        """The same for some of the rows."""
        return Traced(
            self.rows.iloc[which], self.place[which], self.grid, self.at[which], self.bar[which], self.sd_bar[which]
        )


def of_fill(rows: pd.DataFrame) -> tuple[NDArray, NDArray, NDArray]:
    """Content by the fill that the dive began with, its standard deviation, and what a bar more holds; free litres.

    NaN where no fill is known, or its cylinder was dived since.
    """
    bar = rows["fill_settled_pressure_bar_15c"].to_numpy(float)
    low, high = (rows[f"fill_settled_{side}_bar_15c"].to_numpy(float) for side in ("low", "high"))
    capacity, *mix = (rows[c].to_numpy(float) for c in ("capacity_l", "o2", "he", "ar"))
    content = thermal.amount_free_l(capacity, bar, 15.0, *mix, strict=False)
    of_bar = (thermal.amount_free_l(capacity, 1.01 * bar, 15.0, *mix, strict=False) - content) / (0.01 * bar)
    days = (rows["started_at"] - rows["filled_at"]).dt.total_seconds().to_numpy() / 86400.0
    sd_bar = np.sqrt(
        ((high - low) / 2.563) ** 2
        + LOST_BEFORE_BAR**2
        + (LEAK_BAR_DAY * days) ** 2
        + np.where(rows["tank_no"].to_numpy(float, na_value=1) > 1, OTHER_GAUGE_BAR, 0.0) ** 2
    )
    known = rows["fill_id"].notna().to_numpy(bool) & np.isfinite(content) & np.isfinite(sd_bar) & (bar > 20.0)
    return np.where(known, content, np.nan), np.where(known, sd_bar * of_bar, np.nan), np.where(known, of_bar, np.nan)


FILL_COLUMNS = ["fill_free_l", "fill_sd_free_l", "fill_free_l_bar"]


def fill_of_rows(rows: pd.DataFrame) -> tuple[NDArray, ...]:
    """What `of_fill` found of each row, from where it was written down."""
    return tuple(rows[c].to_numpy(float) for c in FILL_COLUMNS)


def maps_of(rows: pd.DataFrame, by_trace: NDArray, free_l_bar: NDArray) -> NDArray:
    """(rows, SHARED_COUNT, common) how each row's shared unknowns move with the common values."""
    out = np.zeros((len(rows), SHARED_COUNT, len(COMMON)))
    for place in (START, FILM, WALL, COOLING):
        out[:, place, place] = 1.0
    out[:, CONTENT, 4] = np.where(by_trace, np.nan_to_num(free_l_bar), 0.0)
    out[:, CONTENT, 5] = np.where(by_trace, 0.0, np.nan_to_num(free_l_bar))
    out[:, INFLATION, 6] = 1.0 / rows["back_rows"].to_numpy(float)
    out[:, EARLY, 7] = 1.0
    return out


def expected(
    rows: pd.DataFrame, start_factor: NDArray, content: NDArray, content_sd: NDArray
) -> tuple[NDArray, NDArray]:
    """(rows, SHARED_COUNT) what is said of each row beside the common values, and its covariance by dive."""
    mean = np.zeros((len(rows), SHARED_COUNT))
    mean[:, START] = rows["start_c"].to_numpy(float)
    mean[:, CONTENT] = content
    cov = np.zeros((len(rows), SHARED_COUNT, SHARED_COUNT))
    for place, sd in DIVE_SD.items():
        cov[:, place, place] = sd**2
    cov[:, INFLATION, INFLATION] /= rows["back_rows"].to_numpy(float)
    cov[:, START, START] = (rows["start_sd_c"].to_numpy(float) * start_factor) ** 2 + rows["air_sd_c"].to_numpy(
        float
    ) ** 2
    wide = 300.0 * rows["capacity_l"].to_numpy(float)
    cov[:, CONTENT, CONTENT] = np.where(np.isfinite(content_sd), content_sd, wide) ** 2
    return mean, cov


def by_basis(rows: pd.DataFrame, last: NDArray | float, air: NDArray | float) -> NDArray:
    """One of two values a row: after a last known temperature, or from the air; 1 for what is assumed."""
    basis = rows["start_basis"].to_numpy(str)
    return np.select(
        [basis == "last_known", basis != "assumed"], [last * np.ones(len(rows)), air * np.ones(len(rows))], 1.0
    )


def first_learned(rows: pd.DataFrame, by_trace: NDArray) -> Learned:
    """What a row is fitted with by itself: physics, and no fill."""
    n = len(rows)
    nothing = np.full(n, np.nan)
    mean, cov = expected(rows, by_basis(rows, 1.0, USUAL_AIR), nothing, nothing)
    maps = maps_of(rows, by_trace, nothing)
    mean += maps @ FIRST
    mean[:, CONTENT] = np.nan
    cov += maps @ np.diag(STATION_SD**2 + MEMBER_SD**2) @ maps.transpose(0, 2, 1)
    return Learned(mean, cov, np.full(n, USUAL_RATE_SD), np.full(n, USUAL_RATE_LAG_S))


OF_RECORDS = [
    "water_sd_c",
    "capacity_l",
    "cylinders",
    "wall_j_k_l",
    "o2",
    "he",
    "ar",
    "sole_supply",
    "divers_rate",
    "back",
]
"""What `records_of` reads of the rows: a frame of these alone is taken apart quickly."""


def records_of(traced: Traced, learned: Learned) -> TankRecords:
    """Put together what `fit_tanks` takes."""
    rows, place, grid = traced.rows, traced.place, traced.grid
    sole = rows["sole_supply"].to_numpy(bool)
    return TankRecords(
        duration_s=grid.duration_s[place],
        bar_min=grid.bar_min[place],
        ambient_bar_abs=grid.ambient_bar_abs[place],
        water_c=grid.water_c[place],
        water_sd_c=rows["water_sd_c"].to_numpy(float),
        water_capacity_l=rows["capacity_l"].to_numpy(float),
        cylinders=rows["cylinders"].to_numpy(float),
        wall_j_k_l=rows["wall_j_k_l"].to_numpy(float),
        o2_pct=rows["o2"].to_numpy(float),
        he_pct=rows["he"].to_numpy(float),
        ar_pct=rows["ar"].to_numpy(float),
        reading_at=traced.at,
        reading_bar=traced.bar,
        reading_sd_bar=traced.sd_bar,
        rate_sd=np.where(sole, learned.rate_sd, BETWEEN_RATE_SD * rows["divers_rate"].to_numpy(float)),
        rate_lag_s=np.where(sole, learned.rate_lag_s, BETWEEN_RATE_LAG_S),
        breathing_share=np.ones((len(rows), STEPS)),
        inflates=rows["back"].to_numpy(bool),
        shared_mean=learned.shared_mean,
        shared_cov=learned.shared_cov,
    )
