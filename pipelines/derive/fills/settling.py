"""Settled pressure of every fill: heat balance, what later readings taught, and how sure.

The learning itself is `shared.filling.settling`. Readings are learned in the order in which they became known, and each
settled fill is predicted from what was known when it was filled: that is `settling_check`.
"""

import hashlib
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
from pipelines.derive.fills.terms import Known, Model, build_model, gauge_steps
from pipelines.derive.fills.then import LEARNED_FROM, Then, doubtful_trust, known_offsets_bar
from schemas.policy import Policy
from shared.filling import settling, settling_causes
from shared.filling.settling_beliefs import Beliefs, growing_blocks
from shared.filling.track_record import Correction, correction
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
class SettledToday(Settled):
    """By all that is known today, with the tables about the model."""

    doubtful: np.ndarray
    wall_doubtful: np.ndarray
    version: str
    model: pd.DataFrame
    gauges: pd.DataFrame
    corrections: pd.DataFrame


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


def settle(estimates: Estimates, policy: Policy) -> SettledToday:
    """Settled pressure of every fill, by all that is known today."""
    parts = [_settle_station(fills, policy) for fills in estimates.stations]
    by_fill = [f.name for f in fields(SettledToday) if f.type is np.ndarray]
    arrays = {name: estimates.put_back([getattr(p, name) for p in parts]) for name in by_fill}
    names = ("model", "gauges", "corrections")
    tables = [pd.concat([getattr(p, name) for p in parts], ignore_index=True) for name in names]
    version = parts[0].version if len(parts) == 1 else _joined([p.version for p in parts])
    # a gauge read at two stations is taken from the one that knows it better
    surest = (tables[1]["offset_high_bar"] - tables[1]["offset_low_bar"]).sort_values(kind="stable").index
    gauges = tables[1].loc[surest].drop_duplicates(["gauge_id", "month_on"]).sort_values(["gauge_id", "month_on"])
    return SettledToday(
        **arrays, version=version, model=tables[0], gauges=gauges.reset_index(drop=True), corrections=tables[2]
    )


def settle_then(estimates: Estimates, policy: Policy) -> SettledThen:
    """Settled pressure of every fill, by what had been learned when it was made and by its own readings."""
    parts = [_settle_station_then(fills, policy) for fills in estimates.stations]
    arrays = {f.name: estimates.put_back([getattr(p, f.name) for p in parts]) for f in fields(Settled)}
    return SettledThen(**arrays, check=pd.concat([p.check for p in parts], ignore_index=True))


def _settle_station(fills: StationFills, policy: Policy) -> SettledToday:
    c, known, settled, alone = fills.c, fills.known, fills.settled, fills.alone
    at_stop, later = known.at_stop, known.later
    in_water = np.isfinite(later["in_water"].bar).any()
    # without readings in the water what was believed then comes of the same pass
    then = None if in_water else Then(c, policy.filling.settle_hours)
    model = build_model(c, known, tuple(later) if in_water else CAUSAL)
    beliefs, check, corrected = _learn_in_order_of_time(c, model, then)
    fills.learned = None if then is None else _Learned(then, check)
    beliefs.weigh_again()
    all_fills = np.arange(len(c))
    apart = _doubted(beliefs.best, model, settled)
    if apart.any():  # neither their fills nor what is learned shall hang on them
        model = build_model(c, _without(known, apart), CAUSAL if then else tuple(later))
        beliefs, _, corrected = _learn_in_order_of_time(c, model)
        beliefs.weigh_again()
    said = beliefs.settled(all_fills)
    at_stop_alone = beliefs.settled(all_fills, ())
    said = _by_record(beliefs, said, at_stop_alone, corrected, settled)
    said = _by_late_readings(c, beliefs, model, said, policy.filling.settle_hours)
    # what all settled readings have in common, and nothing that is read tells
    common = np.hypot(THERMOMETER_SD_K * at_stop.by_model.per_k, _check_gauge_sd_bar(c, settled))
    bar, sd = _with_lone_readings(fills, said.bar, np.hypot(said.sd_bar, common))
    basis = np.where(np.isfinite(at_stop.by_wall.bar), "wall", "model").astype(object)
    basis[_mostly_later(beliefs.best, model)] = "settled"
    basis[(settled & ~apart) | alone] = "settled"
    latest = at_stop_alone.sd_bar[-LATEST:]
    correction_row = {
        "station_id": c["station_id"].iloc[:1].astype("str"),
        "shift_bar": corrected.shift_sd * np.median(latest) if len(latest) else 0.0,
        "widening": corrected.widening,
    }
    return SettledToday(
        bar, sd, _together_over_gas_k(fills),
        known_offsets_bar(c, beliefs.best, gauge_steps(c["gauge"], c["filled_on"])), basis, fills.doubtful | apart,
        at_stop.wall_doubtful, _version(c, later), _model_table(c, beliefs.best, at_stop.by_model.bar, settled),
        build_gauge_check(c, beliefs.best), pd.DataFrame(correction_row).reset_index(drop=True),
    )  # fmt: skip


def _settle_station_then(fills: StationFills, policy: Policy) -> SettledThen:
    """What the dives' transmitters say was found with the help of later dives: this does without it."""
    c, at_stop, settled = fills.c, fills.known.at_stop, fills.settled
    if fills.learned is None:
        then = Then(c, policy.filling.settle_hours)
        _, check, _ = _learn_in_order_of_time(c, build_model(c, fills.known, CAUSAL), then)
        fills.learned = _Learned(then, check)
    then = fills.learned.then
    bar, sd = _with_lone_readings(fills, then.bar, then.with_common(at_stop.by_model.per_k, settled))
    basis = np.where(np.isfinite(at_stop.by_wall.bar), "wall", "model").astype(object)
    basis[settled | fills.alone] = "settled"
    return SettledThen(bar, sd, _together_over_gas_k(fills), then.gauge_offset_bar, basis, fills.learned.check)


def _with_lone_readings(fills: StationFills, bar: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A fill whose heat cannot be computed has its reading alone."""
    read = fills.known.later["settled"]
    unknown = ~np.isfinite(fills.known.at_stop.by_model.bar)
    in_common = np.hypot(THERMOMETER_SD_K * read.per_k, _check_gauge_sd_bar(fills.c, fills.alone))
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
    if (model.kind == "settled").sum() < LEARNED_FROM:
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
    settled: np.ndarray,
) -> settling.Prediction:
    """Settled pressures with what the record of predictions says of them.

    It speaks of what is known `at_stop`, so a later reading of the fill's own takes its share out. A bias is that of
    the fills since the last readings: among those, readings on both sides hold the belief in place.
    """
    share = beliefs.best.share_at_stop(np.arange(len(settled)))
    since = np.cumsum(settled[::-1])[::-1] - settled
    shift = found.shift_sd * 0.5 ** (since / RECENT) * at_stop.sd_bar * share
    more = (found.widening**2 - 1.0) * (share * at_stop.sd_bar) ** 2
    return settling.Prediction(said.bar + shift, np.sqrt(np.maximum(said.sd_bar**2 + more, 0.01)))


def _doubted(belief: settling.Belief, model: Model, settled: np.ndarray) -> np.ndarray:
    """True where a settled reading is far from all else that is known of its fill: a slip of the pen."""
    out = np.zeros(len(settled), bool)
    least = doubtful_trust(int(settled.sum()))
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


def _learn_in_order_of_time(
    c: pd.DataFrame, model: Model, then: Then | None = None
) -> tuple[Beliefs, pd.DataFrame, Correction]:
    """Learn as time went by; each settled fill is predicted from what was known when it was filled.

    `then` is shown fills, each once, with what had been learned when they were made.
    """
    e, fills = model.estimates, model.fills
    beliefs = Beliefs(model.causes, e, fills)
    filled = c["filled_at"].to_numpy("datetime64[us]")
    lessons = _lessons(filled, model)
    settled_rank = np.argmax(model.kind == "settled", axis=0)
    has = (model.kind == "settled").any(axis=0)
    checked = np.flatnonzero(has)
    known_before = np.searchsorted(lessons["at"].to_numpy(), filled[checked], side="right")
    of_settled = np.concatenate([[0], np.cumsum(lessons["settled"])])
    measured = e.bar[fills.readings[settled_rank[checked], checked]]
    answered = model.known_at[settled_rank[checked], checked]
    mean, sd = np.full(len(checked), np.nan), np.full(len(checked), np.nan)
    shift, widening = np.zeros(len(checked)), np.ones(len(checked))
    # a gauge that drifts is not the one it was some months ago
    blocks = growing_blocks(known_before, filled[checked].astype("datetime64[M]"))
    done, offsets = 0, list(model.offsets)
    if then:
        then.believed(np.arange(checked[0] if len(checked) else len(c)), beliefs, model, correction(mean[:0]))
    for begin, end in zip(blocks, [*blocks[1:], len(checked)], strict=True):
        if begin == end:
            continue
        at = checked[begin:end]
        while offsets and offsets[0][0] <= filled[at[0]]:
            beliefs.learn_cause(*offsets.pop(0)[1:])
        _learn(beliefs, lessons.iloc[done : known_before[begin]])
        done = known_before[begin]
        past = np.flatnonzero(answered[:begin] <= filled[at[0]])
        found = correction(((measured - mean) / sd)[past[np.argsort(answered[past], kind="stable")]])
        shift[begin:end], widening[begin:end] = found.shift_sd, found.widening
        if then:
            made = np.arange(at[0], checked[end] if end < len(checked) else len(c))
            then.believed(made, beliefs, model, found)
        for rank in np.unique(settled_rank[at]):
            on = settled_rank[at] == rank
            said = beliefs.reading(at[on], int(rank), ())
            mean[begin:end][on], sd[begin:end][on] = said.bar, said.sd_bar
            beliefs.score(at[on], int(rank))
    for offset in offsets:
        beliefs.learn_cause(*offset[1:])
    _learn(beliefs, lessons.iloc[done:])
    at_last = correction(((measured - mean) / sd)[np.argsort(answered, kind="stable")])
    if then:
        then.believed(checked[:0], beliefs, model, at_last, last=True)
    mean, sd = mean + shift * sd, widening * sd
    check = pd.DataFrame(
        {
            "fill_id": c["fill_id"].to_numpy()[checked],
            "settled_fills_before": pd.array(of_settled[known_before], dtype="Int64"),
            "predicted_bar": mean,
            "predicted_low_bar": mean - Z80 * sd,
            "predicted_high_bar": mean + Z80 * sd,
            "measured_bar": measured,
        }
    )
    return beliefs, check, at_last


def _lessons(filled: np.ndarray, model: Model) -> pd.DataFrame:
    """Which reading of which fill became known when; the wall's with the first of the others."""
    ranks, fills = np.nonzero(model.fills.readings >= 0)
    at = model.known_at[ranks, fills]
    walls = np.flatnonzero(model.fills.wall >= 0)
    frame = pd.DataFrame(
        {
            "fill": np.concatenate([fills, walls]),
            "rank": np.concatenate([ranks, np.full(len(walls), settling_causes.NONE)]),
            "at": np.concatenate([at, filled[walls]]),
            "settled": np.concatenate([model.kind[ranks, fills] == "settled", np.zeros(len(walls), bool)]),
        }
    )
    return frame.sort_values(["at", "fill", "rank"], ignore_index=True)


def _learn(beliefs: Beliefs, lessons: pd.DataFrame) -> None:
    beliefs.learn(lessons["fill"].to_numpy(), lessons["rank"].to_numpy())


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
    readings = sum(int(v.split("-")[-2]) for v in versions)
    return f"{MODEL}-{readings}-{hashlib.sha256(' '.join(versions).encode()).hexdigest()[:8]}"
