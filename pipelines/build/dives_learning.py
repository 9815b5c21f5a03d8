"""What a member's traces teach about cylinders, kit and diver, before each dive is fitted for good.

One trace says little about how cylinders follow the water, what wing and suit take on a descent, or how
far the gas starts from the air; all of a member's traces together say it. Common values, how steady the diver is
among them, are moved to where the traces are likeliest, held by priors; how far starts scatter follows from the
fits.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.build.dives_samples import Grid
from shared.tank_learning import likeliest, pool_spread, without_prior
from shared.tank_trace import STEPS, TankFits, TankRecords, fit_tanks

BETWEEN_RATE_SD, BETWEEN_RATE_LAG_S = 1.2, 300.0
"""Rate of a cylinder breathed in turns with others: it switches on and off."""

LAG_LN_SD, CHILL_SD, INFLATION_SD_L = 0.2, 0.3, 2.5
"""Scatter of dives around the common values."""

LEAST_TO_LEARN, MOST_TO_LEARN = 5, 60
TWO_SWEEPS_FROM = 12
USUAL_RATE_SD = 0.22

#: common values: (first, its standard deviation, step of the search, least, most)
COMMON = {
    "wall_share": (0.2, 0.12, 0.12, 0.02, 0.42),
    "lag_ln": (-0.1, 0.2, 0.2, -0.7, 0.5),
    "chill": (1.1, 0.3, 0.3, 0.4, 2.5),
    "inflation_l": (3.0, 2.0, 2.0, 0.0, 14.0),
    "start_off_k": (0.0, 0.7, 0.8, -3.0, 3.0),
    "rate_lag_ln": (float(np.log(180.0)), 0.4, 0.45, float(np.log(60.0)), float(np.log(600.0))),
    "rate_sd_ln": (float(np.log(USUAL_RATE_SD)), 0.5, 0.6, float(np.log(0.06)), float(np.log(0.6))),
}

GRID = 4.0 / 3.0
USUAL_AIR = 0.75
"""Where no trace has said anything, written pressures are taken to start this much nearer to the air."""

SHRINKS = 3.0
"""Evidence counts for a third: the model of a cylinder is simpler than cylinders are."""


@dataclass(frozen=True)
class Learned:
    """Common values of a member's dives, and the scatter around them.

    The scatter of starts is a factor on what was said of each beforehand.
    """

    common: tuple[float, ...] = tuple(v[0] for v in COMMON.values())
    start_last: float = 1.0
    start_air: float = 1.0

    def __getitem__(self, name: str) -> float:
        return self.common[list(COMMON).index(name)]

    @property
    def rate_sd(self) -> float:
        """How far the diver's rate strays from its mean, as a share."""
        return float(np.exp(self["rate_sd_ln"]))

    @property
    def rate_lag_s(self) -> float:
        """How long the diver's rate remembers, s."""
        return float(np.exp(self["rate_lag_ln"]))


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


def station_start_spread(fits: pd.DataFrame) -> tuple[float, float]:
    """How far the gas at the start lies from what was said of it, over a whole station, as factors on what was said.

    Parameters
    ----------
    fits : DataFrame
        The `dive_fits` frames of all members; they do not depend on what is found here.

    Returns
    -------
    tuple of float
        After a last known temperature, and from the air, 1 being usual: powers of 4/3, so that one more dive
        seldom changes what all members are computed with. It depends on the rows alone, not on their order or on
        earlier passes.
    """
    if not len(fits):
        return 1.0, 1.0
    fits = fits.sort_values(["member_id", "dive_id", "tank_no"], kind="stable")
    off = (fits["start_data_c"] - fits["stated_c"]) / fits["stated_sd_c"]
    sd = np.hypot(fits["start_data_sd_c"], fits["air_sd_c"]) / fits["stated_sd_c"]
    last = fits["start_basis"] == "last_known"
    groups = (last, 1.0), (~last & (fits["start_basis"] != "assumed"), USUAL_AIR)
    found = [pool_spread(off[g].to_numpy(float), sd[g].to_numpy(float), usual) / usual for g, usual in groups]
    return GRID ** round(math.log(found[0], GRID)), GRID ** round(math.log(found[1], GRID))


def start_prior(rows: pd.DataFrame, learned: Learned) -> tuple[NDArray, NDArray]:
    """Centre and standard deviation of each row's gas temperature at the start, °C.

    What is learned of the scatter is a factor on what was said beforehand, so that rows known worse stay so.
    """
    basis = rows["start_basis"].to_numpy(str)
    factor = np.select([basis == "last_known", basis != "assumed"], [learned.start_last, learned.start_air], 1.0)
    sd = np.hypot(rows["start_sd_c"].to_numpy(float) * factor, rows["air_sd_c"].to_numpy(float))
    return rows["start_c"].to_numpy(float) + learned["start_off_k"], sd


def records_of(traced: Traced, learned: Learned) -> TankRecords:
    """Put together what `fit_tanks` takes."""
    rows, place, grid = traced.rows, traced.place, traced.grid
    one = np.ones(len(rows))
    alone, fed = rows["alone"].to_numpy(bool), rows["back_rows"].to_numpy(float)
    start_c, start_sd_c = start_prior(rows, learned)
    return TankRecords(
        duration_s=grid.duration_s[place],
        bar_min=grid.bar_min[place],
        ambient_bar_abs=grid.ambient_bar_abs[place],
        water_c=grid.water_c[place],
        water_sd_c=rows["water_sd_c"].to_numpy(float),
        start_c=start_c,
        start_sd_c=start_sd_c,
        water_capacity_l=rows["capacity_l"].to_numpy(float),
        cylinders=rows["cylinders"].to_numpy(float),
        o2_pct=rows["o2"].to_numpy(float),
        he_pct=rows["he"].to_numpy(float),
        ar_pct=rows["ar"].to_numpy(float),
        reading_at=traced.at,
        reading_bar=traced.bar,
        reading_sd_bar=traced.sd_bar,
        rate_sd=np.where(alone, learned.rate_sd, BETWEEN_RATE_SD),
        rate_lag_s=np.where(alone, learned.rate_lag_s, BETWEEN_RATE_LAG_S),
        duty=np.ones((len(rows), STEPS)),
        inflates=(rows["role"] == "back").to_numpy(bool),
        wall_share=one * learned["wall_share"],
        lag_ln=one * learned["lag_ln"],
        lag_ln_sd=one * LAG_LN_SD,
        chill=one * learned["chill"],
        chill_sd=one * CHILL_SD,
        inflation_l=learned["inflation_l"] / fed,
        inflation_sd_l=INFLATION_SD_L / np.sqrt(fed),
    )


def learn(traced: Traced, first: Learned) -> tuple[Learned, TankFits]:
    """Fit all rows, with what those that were breathed alone teach; the first values hold where they say little."""
    learned = first
    fits = fit_tanks(records_of(traced, learned), rounds=5)
    use = np.flatnonzero(traced.rows["alone"].to_numpy(bool) & np.isfinite(fits.used_free_l))
    if use.size < LEAST_TO_LEARN:
        return learned, fits
    learned = scatter_of_starts(traced.rows.iloc[use], fits.take(use), learned, first)
    some = use if use.size <= MOST_TO_LEARN else use[np.linspace(0, use.size - 1, MOST_TO_LEARN).astype(int)]
    sweeps = 2 if some.size >= TWO_SWEEPS_FROM else 1
    few, start = traced.take(some), fits.unknowns[some]

    def evidence(common: tuple[float, ...]) -> float:
        found = fit_tanks(records_of(few, replace(learned, common=common)), rounds=2, start=start).log_evidence
        return float(np.nansum(found)) / SHRINKS

    centre, sd, step, least, most = zip(*COMMON.values(), strict=True)
    found = likeliest(evidence, learned.common, centre, sd, step, least, most, sweeps=sweeps)
    learned = replace(learned, common=found)
    fits = fit_tanks(records_of(traced, learned), rounds=2, start=fits.unknowns)
    learned = scatter_of_starts(traced.rows.iloc[use], fits.take(use), learned, first)
    return learned, fit_tanks(records_of(traced, learned), rounds=2, start=fits.unknowns)


def scatter_of_starts(rows: pd.DataFrame, fits: TankFits, now: Learned, first: Learned) -> Learned:
    """How far starts lie from what was said of them, by what it is known from; `first` where fits say little."""
    centre, prior_sd = start_prior(rows, now)
    mean, sd = without_prior(fits.start_c, fits.start_c_sd, centre, prior_sd)
    stated_sd = np.where(rows["start_sd_c"] > 0, rows["start_sd_c"], np.nan)
    off, off_sd = (mean - centre) / stated_sd, np.hypot(sd, rows["air_sd_c"]) / stated_sd
    basis = rows["start_basis"].to_numpy(str)
    last, air = basis == "last_known", (basis != "last_known") & (basis != "assumed")
    return replace(
        now,
        start_last=pool_spread(off[last], off_sd[last], first.start_last),
        start_air=pool_spread(off[air], off_sd[air], first.start_air),
    )



