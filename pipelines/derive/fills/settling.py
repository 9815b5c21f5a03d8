"""Settled pressure of every fill: heat balance, what later readings taught, and how sure.

The learning itself is `shared.filling.settling`. Readings are learned in the order in which they became known, and each
settled fill is predicted from what was known when it was filled: that is `settling_check`.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

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
from pipelines.derive.fills.gauges import build_gauge_check
from pipelines.derive.fills.learned import Learned
from pipelines.derive.fills.learning import learn_in_order_of_time
from pipelines.derive.fills.terms import Known, Model, build_model, gauge_steps
from pipelines.derive.fills.then import LEARNED_FROM, Then, doubtful_trust, known_offsets_bar
from schemas.policy import Policy
from shared.filling import settling, settling_causes
from shared.filling.settling_beliefs import Beliefs
from shared.filling.track_record import Correction
from shared.gas import cooling
from shared.gas.constants import Z80

MODEL = "settling-2"
LATEST = 50
"""So many fills stand for today's."""
RECENT = 10.0
"""So many settled fills later a bias of the record counts for half."""
LEVELS = ["station_id", "source_id", "material", "size"]
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


@dataclass(frozen=True)
class SettledNow(Settled):
    """By all that has been learned, with what was left out, and a name for what was learned."""

    doubtful: np.ndarray
    wall_doubtful: np.ndarray
    version: str


@dataclass(frozen=True)
class SettledTables:
    """What was learned: tables about the model and the gauges, and each station's, to go on from."""

    model: pd.DataFrame
    gauges: pd.DataFrame
    corrections: pd.DataFrame
    learned: list[Learned]


@dataclass(frozen=True)
class SettledThen(Settled):
    """By what had been learned when each fill was made, and by its own readings: no fill made later changes it, and no
    dive. `check` holds what was predicted of each settled reading.
    """

    check: pd.DataFrame


@dataclass
class _Learned:
    """What one pass over a station's readings left."""

    then: Then
    check: pd.DataFrame


@dataclass
class StationFills:
    """One station's fills, with all estimates of what they settle to; `learned` where a pass over them is at hand."""

    c: pd.DataFrame
    known: Known
    doubtful: np.ndarray
    learned: _Learned | None = None

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

    def put_back(self, parts: list[np.ndarray]) -> np.ndarray:
        """Values of each station's fills in the order of all fills."""
        return np.concatenate(parts)[np.argsort(np.concatenate(self.rows), kind="stable")]


def estimate(c: pd.DataFrame, policy: Policy) -> Estimates:
    """All estimates of what the fills of a context frame settle to (see `fill_context`)."""
    rows = list(c.groupby("station", sort=True).indices.values()) or [np.arange(len(c))]
    return Estimates(rows, [_estimated(c.iloc[i].reset_index(drop=True), policy) for i in rows])


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


_BY_FILL = [f.name for f in fields(SettledNow) if f.type is np.ndarray]


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
    now = SettledNow(**arrays, version=_joined([one.version for one in learned]))
    return now, SettledTables(model, gauges.reset_index(drop=True), corrections, learned)


def settle_then(estimates: Estimates, policy: Policy) -> SettledThen:
    """Settled pressure of every fill, by what had been learned when it was made and by its own readings."""
    parts = [_settle_station_then(fills, policy) for fills in estimates.stations]
    arrays = {f.name: estimates.put_back([getattr(p, f.name) for p in parts]) for f in fields(Settled)}
    return SettledThen(**arrays, check=pd.concat([p.check for p in parts], ignore_index=True))


def _settle_station(fills: StationFills, policy: Policy) -> tuple[SettledNow, SettledTables]:
    c, known, settled, alone = fills.c, fills.known, fills.settled, fills.alone
    at_stop, later = known.at_stop, known.later
    in_water = np.isfinite(later["in_water"].bar).any()
    # without readings in the water what was believed then comes of the same pass
    then = None if in_water else Then(c, policy.filling.settle_hours)
    model = build_model(c, known, tuple(later) if in_water else CAUSAL)
    beliefs, check, corrected = learn_in_order_of_time(c, model, then)
    fills.learned = None if then is None else _Learned(then, check)
    beliefs.weigh_again()
    apart = _doubted(beliefs.best, model, settled, int(settled.sum()))
    if apart.any():  # neither their fills nor what is learned shall hang on them
        model = build_model(c, _without(known, apart), CAUSAL if then else tuple(later))
        beliefs, _, corrected = learn_in_order_of_time(c, model)
        beliefs.weigh_again()
    usable = c["settled_usable"].to_numpy(bool)
    learned = Learned(
        str(c["station"].iloc[0]) if len(c) else "", beliefs.posteriors(), corrected, _version(c, later),
        c["filled_at"].to_numpy("datetime64[us]")[settled],
        np.sort(c["settled_known_at"].to_numpy("datetime64[us]")[usable]),
        int(apart.sum()), _check_gauge_sd_bar(c, settled), _check_gauge_sd_bar(c, alone),
    )  # fmt: skip
    now = _settled(fills, model, beliefs, learned, apart, policy)
    latest = beliefs.settled(np.arange(len(c))[-LATEST:], ()).sd_bar
    correction_row = {
        "station_id": c["station_id"].iloc[:1].astype("str"),
        "shift_bar": corrected.shift_sd * np.median(latest) if len(latest) else 0.0,
        "widening": corrected.widening,
    }
    tables = SettledTables(
        _model_table(c, beliefs.best, at_stop.by_model.bar, settled), build_gauge_check(c, beliefs.best),
        pd.DataFrame(correction_row).reset_index(drop=True), [learned],
    )  # fmt: skip
    return now, tables


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
    return SettledNow(**arrays, version=_joined([one.version for one in learned]))


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
    bar, sd = _with_lone_readings(fills, said.bar, np.hypot(said.sd_bar, common), learned.alone_gauge_sd_bar)
    basis = np.where(np.isfinite(at_stop.by_wall.bar), "wall", "model").astype(object)
    basis[_mostly_later(beliefs.best, model)] = "settled"
    basis[(settled & ~apart) | alone] = "settled"
    return SettledNow(
        bar, sd, _together_over_gas_k(fills),
        known_offsets_bar(c, beliefs.best, gauge_steps(c["gauge"], c["filled_on"], c)), basis, fills.doubtful | apart,
        at_stop.wall_doubtful, learned.version,
    )  # fmt: skip


def _settle_station_then(fills: StationFills, policy: Policy) -> SettledThen:
    """What the dives' transmitters say was found with the help of later dives: this does without it."""
    c, at_stop, settled = fills.c, fills.known.at_stop, fills.settled
    if fills.learned is None:
        then = Then(c, policy.filling.settle_hours)
        _, check, _ = learn_in_order_of_time(c, build_model(c, fills.known, CAUSAL), then)
        fills.learned = _Learned(then, check)
    then = fills.learned.then
    sd = then.with_common(at_stop.by_model.per_k, settled)
    bar, sd = _with_lone_readings(fills, then.bar, sd, _check_gauge_sd_bar(c, fills.alone))
    basis = np.where(np.isfinite(at_stop.by_wall.bar), "wall", "model").astype(object)
    basis[settled | fills.alone] = "settled"
    return SettledThen(bar, sd, _together_over_gas_k(fills), then.gauge_offset_bar, basis, fills.learned.check)


def _with_lone_readings(
    fills: StationFills, bar: np.ndarray, sd: np.ndarray, gauge_sd_bar: float
) -> tuple[np.ndarray, np.ndarray]:
    """A fill whose heat cannot be computed has its reading alone."""
    read = fills.known.later["settled"]
    unknown = ~np.isfinite(fills.known.at_stop.by_model.bar)
    in_common = np.hypot(THERMOMETER_SD_K * read.per_k, gauge_sd_bar)
    return np.where(unknown, read.bar, bar), np.where(unknown, np.hypot(read.sd_bar, in_common), sd)


def _together_over_gas_k(fills: StationFills) -> np.ndarray:
    state = fills.known.state
    together = cooling.gas_and_wall_c(state.gas_c, state.wall_c, state.gas_j_k, floats(fills.c["wall_j_k"]))
    return together - state.gas_c


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


def _check_gauge_sd_bar(c: pd.DataFrame, settled: np.ndarray) -> float:
    """What the check gauge may be off by; nothing where no belief rests on one."""
    on = settled & c["settled_on_check_gauge"].to_numpy(bool)
    return float(np.median(floats(c["settled_limit_bar"])[on])) / 2.0 if on.any() else 0.0


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


def _model_table(c: pd.DataFrame, belief: settling.Belief, by_model: np.ndarray, settled: np.ndarray) -> pd.DataFrame:
    """What is believed per station, source, material and size, as a mean over that group's fills."""
    frame = pd.DataFrame({k: c[k].astype(object).where(c[k].notna(), "") for k in LEVELS})
    effect = belief.effect(np.arange(len(c)))
    frame["settled_fills"] = settled.astype("int64")
    frame["effect_bar"], frame["sd"] = effect.bar, effect.sd_bar
    row = belief.fills.model
    frame["noise"] = np.hypot(belief.noise_scale * belief.estimates.sd_bar[row], belief.fills.stop_sd_bar)
    frame = frame[np.isfinite(by_model)]
    table = frame.groupby(LEVELS, as_index=False, sort=True).agg(
        settled_fills=("settled_fills", "sum"),
        effect_bar=("effect_bar", "mean"),
        sd=("sd", "median"),
        noise=("noise", "median"),
    )
    variance, noise = table["sd"] ** 2, table["noise"] ** 2
    after = variance - variance**2 / (variance + noise)  # with one more reading of such a fill
    table["effect_low_bar"] = table["effect_bar"] - Z80 * table["sd"]
    table["effect_high_bar"] = table["effect_bar"] + Z80 * table["sd"]
    table["gain_of_next_reading_bar"] = Z80 * (np.sqrt(variance + noise) - np.sqrt(after + noise))
    for name in LEVELS:
        table[name] = table[name].where(table[name] != "")
    return table.astype({k: "str" for k in LEVELS} | {"settled_fills": "Int64"})


def _version(c: pd.DataFrame, later: dict[str, Later]) -> str:
    """The model's name, how many fills it has readings of, and a mark that changes with them."""
    bars = np.column_stack([reading.bar for reading in later.values()])
    on = np.isfinite(bars).any(axis=1)
    seen = pd.DataFrame(np.nan_to_num(bars[on]).round(6)).assign(fill=c["fill_id"].to_numpy()[on])
    mark = hashlib.sha256(np.sort(pd.util.hash_pandas_object(seen, index=False).to_numpy()).tobytes()).hexdigest()[:8]
    return f"{MODEL}-{int(on.sum())}-{mark}"


def _joined(versions: list[str]) -> str:
    """One version of several stations' models."""
    if len(versions) == 1:
        return versions[0]
    readings = sum(int(v.split("-")[-2]) for v in versions)
    return f"{MODEL}-{readings}-{hashlib.sha256(' '.join(versions).encode()).hexdigest()[:8]}"
