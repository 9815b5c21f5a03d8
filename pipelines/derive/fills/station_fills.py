"""A station's fills with all estimates of what they settle to, and what a pass over their readings leaves."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats
from pipelines.derive.fills.estimates import (
    THERMOMETER_SD_K,
    Later,
    arrival_reading,
    implausible,
    in_water_reading,
    known_at_stop,
    settled_reading,
    stop_state,
)
from pipelines.derive.fills.learned import Learned
from pipelines.derive.fills.learned_tables import version_of
from pipelines.derive.fills.terms import KINDS, Known
from pipelines.derive.fills.then import Then, check_gauge_limits_bar
from schemas.policy import Policy
from shared.filling.settling_beliefs import Beliefs
from shared.filling.track_record import Correction
from shared.gas import cooling

CAUSAL = ("settled", "arrival")
"""Readings that no dive has had a hand in."""


@dataclass(frozen=True)
class Settled:
    """What fills settle to as it is believed, bar at 15 °C, with its SD, and what it rests on.

    `together_over_gas_k` is how much warmer than the gas at stop gas and wall come to be together, `gauge_offset_bar`
    what the gauge of the stop pressure is known to be off by (0 while little is known of it).
    """

    bar_15c: np.ndarray
    sd_bar: np.ndarray
    together_over_gas_k: np.ndarray
    gauge_offset_bar: np.ndarray
    basis: np.ndarray


@dataclass
class CausalPass:
    """What one pass over a station's readings left, without what dives say."""

    then: Then
    check: pd.DataFrame
    learned: Learned


@dataclass
class StationFills:
    """One station's fills, with all estimates of what they settle to.

    `taught_by` are those of them that teach, with what had been read of them by then, where it is not all; `causal` a
    pass over them that is at hand.
    """

    c: pd.DataFrame
    known: Known
    doubtful: np.ndarray
    taught_by: "StationFills | None" = None
    causal: CausalPass | None = None

    @property
    def settled(self) -> np.ndarray:
        """True where a settled reading speaks of a fill whose heat can be computed."""
        return np.isfinite(self.known.later["settled"].bar) & np.isfinite(self.known.at_stop.by_model.bar)

    @property
    def alone(self) -> np.ndarray:
        """True where there is a settled reading and nothing else."""
        return np.isfinite(self.known.later["settled"].bar) & ~np.isfinite(self.known.at_stop.by_model.bar)


@dataclass(frozen=True)
class Estimates:
    """Estimates of all fills, by station: stations share nothing, each has its own room, gauges and habits."""

    rows: list[np.ndarray]
    stations: list[StationFills]

    @property
    def taught(self) -> set[str]:
        """The stations whose fills are judged by what had been learned at some moment."""
        return {str(fills.c["station"].iloc[0]) for fills in self.stations if fills.taught_by is not None}

    def put_back(self, parts: list[np.ndarray]) -> np.ndarray:
        """Values of each station's fills in the order of all fills."""
        return np.concatenate(parts)[np.argsort(np.concatenate(self.rows), kind="stable")]


def estimate(c: pd.DataFrame, policy: Policy, taught_until: np.datetime64 | None = None) -> Estimates:
    """All estimates of what the fills of a context frame settle to (see `fill_context`).

    `taught_until`: what was read later teaches nothing yet.
    """
    rows = list(c.groupby("station", sort=True).indices.values()) or [np.arange(len(c))]
    stations = [_estimated(c.iloc[i].reset_index(drop=True), policy) for i in rows]
    return _taught(Estimates(rows, stations), taught_until)


def estimate_in_water(
    known: Estimates, c: pd.DataFrame, policy: Policy, taught_until: np.datetime64 | None = None
) -> Estimates:
    """The same, where the context differs in what was read in the water and in nothing else."""
    stations = []
    for i, fills in zip(known.rows, known.stations, strict=True):
        own = c.iloc[i].reset_index(drop=True)
        later = fills.known.later | {"in_water": in_water_reading(own, policy.filling.settle_minutes_in_water)}
        stations.append(StationFills(own, replace(fills.known, later=later), fills.doubtful))
    return _taught(Estimates(known.rows, stations), taught_until)


def _taught(estimates: Estimates, until: np.datetime64 | None) -> Estimates:
    if until is not None:
        for fills in estimates.stations:
            fills.taught_by = _until(fills, until)
    return estimates


def _until(fills: StationFills, moment: np.datetime64) -> StationFills | None:
    """The fills made until a moment, with what had been read of them by then; None where there was none."""
    n = int(np.searchsorted(fills.c["filled_at"].to_numpy("datetime64[us]"), moment))
    if not n:
        return None
    c, known = fills.c.iloc[:n], _first_rows(fills.known, n)
    by_then = {kind: c[KINDS[kind][0]].to_numpy("datetime64[us]") < moment for kind in known.later}
    # a reading in the water counts as known a day after its fill, also where that was dived later
    by_then["in_water"] &= ~(c["in_water_dived_at"].to_numpy("datetime64[us]") >= moment)
    later = {k: replace(read, bar=np.where(by_then[k], read.bar, np.nan)) for k, read in known.later.items()}
    c = c.assign(settled_usable=c["settled_usable"].to_numpy(bool) & by_then["settled"])
    return StationFills(c, replace(known, later=later), fills.doubtful[:n])


def _first_rows(part: Any, n: int) -> Any:
    """The first n rows of arrays, however they are put together."""
    if is_dataclass(part) and not isinstance(part, type):
        return replace(part, **{f.name: _first_rows(getattr(part, f.name), n) for f in fields(part)})
    return {k: _first_rows(v, n) for k, v in part.items()} if isinstance(part, dict) else part[:n]


def _estimated(c: pd.DataFrame, policy: Policy) -> StationFills:
    state, start_c = stop_state(c)
    at_stop = known_at_stop(c, state, start_c)
    later = {
        "settled": settled_reading(c, state, at_stop.by_model),
        "arrival": arrival_reading(c, state, at_stop.by_model),
        "in_water": in_water_reading(c, policy.filling.settle_minutes_in_water),
    }
    doubtful = implausible(c, later["settled"].bar)
    read = later["settled"]
    later["settled"] = Later(np.where(doubtful, np.nan, read.bar), *list(read.__dict__.values())[1:])
    return StationFills(c, Known(state, at_stop, later), doubtful)


def learned_of(
    fills: StationFills, beliefs: Beliefs, corrected: Correction, left_out: int, *gauge_sds_bar: float
) -> Learned:
    c, usable = fills.c, fills.c["settled_usable"].to_numpy(bool)
    return Learned(
        str(c["station"].iloc[0]) if len(c) else "", beliefs.posteriors(), corrected, version_of(c, fills.known.later),
        c["filled_at"].to_numpy("datetime64[us]")[fills.settled],
        np.sort(c["settled_known_at"].to_numpy("datetime64[us]")[usable]), left_out, *gauge_sds_bar,
    )  # fmt: skip


def learned_then(fills: StationFills, beliefs: Beliefs, corrected: Correction) -> Learned:
    """What a pass over the readings ended with, for the fills that follow; the check gauge is that of the last."""
    last = check_gauge_limits_bar(fills.c, fills.settled)[-1:]
    gauge_sds = float(last[0]) / 2.0 if len(last) else 0.0, check_gauge_sd_bar(fills.c, fills.alone)
    # no fill names it: what dives say is not in it
    return replace(learned_of(fills, beliefs, corrected, 0, *gauge_sds), version="")


def with_lone_readings(
    fills: StationFills, bar: np.ndarray, sd: np.ndarray, gauge_sd_bar: float
) -> tuple[np.ndarray, np.ndarray]:
    """A fill whose heat cannot be computed has its reading alone."""
    read = fills.known.later["settled"]
    unknown = ~np.isfinite(fills.known.at_stop.by_model.bar)
    in_common = np.hypot(THERMOMETER_SD_K * read.per_k, gauge_sd_bar)
    return np.where(unknown, read.bar, bar), np.where(unknown, np.hypot(read.sd_bar, in_common), sd)


def together_over_gas_k(fills: StationFills) -> np.ndarray:
    state = fills.known.state
    together = cooling.gas_and_wall_c(state.gas_c, state.wall_c, state.gas_j_k, floats(fills.c["wall_j_k"]))
    return together - state.gas_c


def check_gauge_sd_bar(c: pd.DataFrame, settled: np.ndarray) -> float:
    """What the check gauge may be off by; nothing where no belief rests on one."""
    on = settled & c["settled_on_check_gauge"].to_numpy(bool)
    return float(np.median(floats(c["settled_limit_bar"])[on])) / 2.0 if on.any() else 0.0


def by_fill(estimates: Estimates, parts: Sequence[Settled]) -> dict[str, np.ndarray]:
    return {f.name: estimates.put_back([getattr(p, f.name) for p in parts]) for f in fields(Settled)}
