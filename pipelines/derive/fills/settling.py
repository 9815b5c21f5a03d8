"""Settled pressure of every fill: heat balance, what later readings taught, and how sure.

The learning itself is `shared.filling.settling`. Readings are learned in the order in which they became known, and each
settled fill is predicted from what was known when it was filled: that is `settling_check`.

At a station of many fills what is read today teaches tomorrow (`taught_until`): fills of today are judged by what had
been learned when the day began, and by their own readings. So a new one moves no other's figures.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats
from pipelines.derive.fills.estimates import (
    THERMOMETER_SD_K,
)
from pipelines.derive.fills.gauges import build_gauge_check
from pipelines.derive.fills.learned import Learned
from pipelines.derive.fills.learned_tables import joined_versions, model_table
from pipelines.derive.fills.learning import learn_in_order_of_time
from pipelines.derive.fills.station_fills import (
    CAUSAL,
    CausalPass,
    Estimates,
    Settled,
    StationFills,
    check_gauge_sd_bar,
    learned_of,
    learned_then,
    together_over_gas_k,
    with_lone_readings,
)
from pipelines.derive.fills.terms import Known, Model, build_model, steps_of_fills
from pipelines.derive.fills.then import LEARNED_FROM, Then, doubtful_trust, known_offsets_bar
from schemas.policy import Policy
from shared.filling import settling, settling_causes
from shared.filling.settling_beliefs import Beliefs
from shared.filling.track_record import Correction

LATEST = 50
"""So many fills stand for today's."""
RECENT = 10.0
"""So many settled fills later a bias of the record counts for half."""


@dataclass(frozen=True)
class SettledNow(Settled):
    """By all that has been learned, with what was left out, and a name for what was learned."""

    doubtful: np.ndarray
    wall_doubtful: np.ndarray
    version: str


_BY_FILL = [f.name for f in fields(SettledNow) if f.type is np.ndarray]


@dataclass(frozen=True)
class SettledTables:
    """What was learned: tables about the model and the gauges, and each station's, to go on from."""

    model: pd.DataFrame
    gauges: pd.DataFrame
    corrections: pd.DataFrame
    learned: list[Learned]


def settle(estimates: Estimates, policy: Policy) -> tuple[SettledNow, SettledTables]:
    """Settled pressure of every fill, by all that is known today, and the tables about the model."""
    parts = [_settle_station(fills, policy) for fills in estimates.stations]
    arrays = {name: estimates.put_back([getattr(now, name) for now, _ in parts]) for name in _BY_FILL}
    model, gauges, corrections = (
        pd.concat([getattr(tables, name) for _, tables in parts], ignore_index=True)
        for name in ("model", "gauges", "corrections")
    )
    # a gauge read at two stations is taken from the one that knows it better
    surest = (gauges["offset_high_bar"] - gauges["offset_low_bar"]).sort_values(kind="stable").index
    gauges = gauges.loc[surest].drop_duplicates(["gauge_id", "month_on"]).sort_values(["gauge_id", "month_on"])
    learned = [one for _, tables in parts for one in tables.learned]
    # a station's first day has taught nothing that others are judged by
    taught = estimates.taught or {one.station for one in learned}
    now = SettledNow(**arrays, version=joined_versions([one.version for one in learned if one.station in taught]))
    return now, SettledTables(model, gauges.reset_index(drop=True), corrections, learned)


def _settle_station(fills: StationFills, policy: Policy) -> tuple[SettledNow, SettledTables]:
    if fills.taught_by is not None:
        tables, *_ = _learn_station(fills.taught_by, policy)
        return _settle_by(fills, tables.learned[0], policy), tables
    tables, model, beliefs, apart = _learn_station(fills, policy)
    return _settled(fills, model, beliefs, tables.learned[0], apart, policy), tables


def _learn_station(fills: StationFills, policy: Policy) -> tuple[SettledTables, Model, Beliefs, np.ndarray]:
    """What a station's fills teach: the tables of it, the belief and its model, and which readings were left out."""
    c, known, settled, alone = fills.c, fills.known, fills.settled, fills.alone
    at_stop, later = known.at_stop, known.later
    in_water = np.isfinite(later["in_water"].bar).any()
    # without readings in the water what was believed then comes of the same pass
    then = None if in_water else Then(c, policy.filling.settle_hours)
    model = build_model(c, known, tuple(later) if in_water else CAUSAL)
    beliefs, check, corrected = learn_in_order_of_time(c, model, then)
    if then is not None:
        fills.causal = CausalPass(then, check, learned_then(fills, beliefs, corrected))
    beliefs.weigh_again()
    apart = _doubted(beliefs.best, model, settled, int(settled.sum()))
    if apart.any():  # neither their fills nor what is learned shall hang on them
        model = build_model(c, _without(known, apart), CAUSAL if then else tuple(later))
        beliefs, _, corrected = learn_in_order_of_time(c, model)
        beliefs.weigh_again()
    gauge_sds = check_gauge_sd_bar(c, settled), check_gauge_sd_bar(c, alone)
    learned = learned_of(fills, beliefs, corrected, int(apart.sum()), *gauge_sds)
    latest = beliefs.settled(np.arange(len(c))[-LATEST:], ()).sd_bar
    correction_row = {
        "station_id": c["station_id"].iloc[:1].astype("str"),
        "shift_bar": corrected.shift_sd * np.median(latest) if len(latest) else 0.0,
        "widening": corrected.widening,
    }
    tables = SettledTables(
        model_table(c, beliefs.best, at_stop.by_model.bar, settled), build_gauge_check(c, beliefs.best),
        pd.DataFrame(correction_row).reset_index(drop=True), [learned],
    )  # fmt: skip
    return tables, model, beliefs, apart


def settle_by(estimates: Estimates, learned: Sequence[Learned], policy: Policy) -> SettledNow:
    """Settled pressure of some fills by what the last run learned; their own readings are weighed, and teach nothing.

    Raises
    ------
    KeyError
        Of a station that has learned nothing yet.
    """
    by_station = {one.station: one for one in learned}
    parts = [_settle_by(fills, by_station[str(fills.c["station"].iloc[0])], policy) for fills in estimates.stations]
    arrays = {name: estimates.put_back([getattr(p, name) for p in parts]) for name in _BY_FILL}
    return SettledNow(**arrays, version=joined_versions([one.version for one in learned]))


def _settle_by(fills: StationFills, learned: Learned, policy: Policy) -> SettledNow:
    later, known = fills.known.later, fills.known
    kinds = tuple(later) if np.isfinite(later["in_water"].bar).any() else CAUSAL
    model = build_model(fills.c, known, kinds)
    beliefs = Beliefs.taken_up(learned.posteriors, model.causes, model.estimates, model.fills)
    beliefs.weigh_again()
    apart = _doubted(beliefs.best, model, fills.settled, len(learned.settled_filled_at))
    if apart.any():
        model = build_model(fills.c, _without(known, apart), kinds)
        beliefs = Beliefs.taken_up(learned.posteriors, model.causes, model.estimates, model.fills)
        beliefs.weigh_again()
    return _settled(fills, model, beliefs, learned, apart, policy)


def _settled(
    fills: StationFills, model: Model, beliefs: Beliefs, learned: Learned, apart: np.ndarray, policy: Policy
) -> SettledNow:
    """What is believed of fills, by what has been learned and by their own readings."""
    c, at_stop, settled, alone = fills.c, fills.known.at_stop, fills.settled, fills.alone
    all_fills = np.arange(len(c))
    said = beliefs.settled(all_fills)
    at_stop_alone = beliefs.settled(all_fills, ())
    filled = c["filled_at"].to_numpy("datetime64[us]")
    since = len(learned.settled_filled_at) - np.searchsorted(learned.settled_filled_at, filled, side="right")
    said = _by_record(beliefs, said, at_stop_alone, learned.correction, since)
    if len(learned.settled_filled_at) - learned.left_out < LEARNED_FROM:
        said = _by_late_readings(c, beliefs, model, said, policy.filling.settle_hours)
    # what all settled readings have in common, and nothing that is read tells
    common = np.hypot(THERMOMETER_SD_K * at_stop.by_model.per_k, learned.check_gauge_sd_bar)
    bar, sd = with_lone_readings(fills, said.bar, np.hypot(said.sd_bar, common), learned.alone_gauge_sd_bar)
    basis = np.where(np.isfinite(at_stop.by_wall.bar), "wall", "model").astype(object)
    basis[_mostly_later(beliefs.best, model)] = "settled"
    basis[(settled & ~apart) | alone] = "settled"
    return SettledNow(
        bar, sd, together_over_gas_k(fills),
        known_offsets_bar(c, beliefs.best, steps_of_fills(c)), basis, fills.doubtful | apart,
        at_stop.wall_doubtful, learned.version,
    )  # fmt: skip


def _by_late_readings(
    c: pd.DataFrame,
    beliefs: Beliefs,
    model: Model,
    said: settling.Prediction,
    settle_hours: float,
) -> settling.Prediction:
    """Settled pressures with late readings standing alone while the station has few.

    Until its own readings have shown what the heat balance is worth there, it is no evidence against a check gauge
    read when all was at rest.
    """
    bar, sd = said.bar.copy(), said.sd_bar.copy()
    late = floats(c["settled_hours"]) >= settle_hours
    for rank, kinds in enumerate(model.kind):
        at = np.flatnonzero((kinds == "settled") & late)
        if at.size:
            alone = beliefs.settled(at, (rank,), at_stop=False)
            bar[at], sd[at] = alone.bar, alone.sd_bar
    return settling.Prediction(bar, sd)


def _by_record(
    beliefs: Beliefs,
    said: settling.Prediction,
    at_stop: settling.Prediction,
    found: Correction,
    since: np.ndarray,
) -> settling.Prediction:
    """Settled pressures with what the record of predictions says of them.

    It speaks of what is known `at_stop`, so a later reading of the fill's own takes its share out. A bias is that of
    the fills since the last readings: among those, readings on both sides hold the belief in place. `since` counts the
    settled fills after each.
    """
    share = beliefs.best.share_at_stop(np.arange(len(since)))
    shift = found.shift_sd * 0.5 ** (since / RECENT) * at_stop.sd_bar * share
    more = (found.widening**2 - 1.0) * (share * at_stop.sd_bar) ** 2
    return settling.Prediction(said.bar + shift, np.sqrt(np.maximum(said.sd_bar**2 + more, 0.01)))


def _doubted(belief: settling.Belief, model: Model, settled: np.ndarray, readings: int) -> np.ndarray:
    """True where a settled reading is far from all else that is known of its fill: a slip of the pen."""
    out = np.zeros(len(settled), bool)
    least = doubtful_trust(readings)
    for rank, kinds in enumerate(model.kind):
        on = kinds == "settled"
        out[on] = belief.trust[model.fills.readings[rank, on]] < least
    return out & settled


def _without(known: Known, fills: np.ndarray) -> Known:
    """The estimates without the settled readings of these fills."""
    read = known.later["settled"]
    left = replace(read, bar=np.where(fills, np.nan, read.bar))
    return replace(known, later=known.later | {"settled": left})


def _mostly_later(belief: settling.Belief, model: Model) -> np.ndarray:
    """True where a transmitter in the water counts for more than all that was known at stop."""
    row = np.where(model.kind == "in_water", model.fills.readings, settling_causes.NONE)
    weight = np.where(row >= 0, belief.trust[row] / model.estimates.sd_bar[row] ** 2, 0.0).sum(axis=0)
    on = np.flatnonzero(weight > 0.0)
    out = np.zeros(len(weight), bool)
    out[on] = weight[on] * belief.settled(on, ()).sd_bar ** 2 > 1.0
    return out
