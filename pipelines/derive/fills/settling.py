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
from pipelines.derive.fills.then import LEARNED_FROM, Then, known_offsets_bar
from schemas.policy import Policy
from shared.filling import settling, settling_causes
from shared.filling.track_record import Correction, correction
from shared.gas import cooling
from shared.gas.constants import Z80

MODEL = "settling-2"
DOUBTFUL_TRUST = 0.2
"""A reading believed less than this is said to be doubtful."""
LATEST = 50
"""So many fills stand for today's."""
RECENT = 10.0
"""So many settled fills later a bias of the record counts for half."""
LEVELS = ["station_id", "source_id", "material", "size"]


@dataclass(frozen=True)
class Settled:
    """Settled pressures of fills, bar at 15 °C, with their SD, and the tables about the model.

    `together_over_gas_k` is how much warmer than the gas at stop gas and wall come to be together, `gauge_offset_bar`
    what the gauge of the stop pressure is known to be off by (0 while little is known of it). `then` is what was
    believed of each fill by what had been learned when it was made, and by its own readings: no fill made later and no
    dive changes it.
    """

    bar_15c: np.ndarray
    sd_bar: np.ndarray
    together_over_gas_k: np.ndarray
    gauge_offset_bar: np.ndarray
    basis: np.ndarray
    doubtful: np.ndarray
    wall_doubtful: np.ndarray
    then_bar_15c: np.ndarray
    then_sd_bar: np.ndarray
    then_gauge_offset_bar: np.ndarray
    then_basis: np.ndarray
    version: str
    model: pd.DataFrame
    check: pd.DataFrame
    gauges: pd.DataFrame
    corrections: pd.DataFrame

    def as_then(self) -> "Settled":
        """With what was believed of each fill when it was made in the place of what is believed now."""
        return replace(
            self,
            bar_15c=self.then_bar_15c,
            sd_bar=self.then_sd_bar,
            gauge_offset_bar=self.then_gauge_offset_bar,
            basis=self.then_basis,
        )


def settle(c: pd.DataFrame, policy: Policy) -> Settled:
    """Settled pressure of every fill of a context frame (see `fills_context`), by the best basis there is.

    Stations share nothing (each has its own room, gauges and habits), so each is learned by itself.
    """
    rows = list(c.groupby("station", sort=True).indices.values()) or [np.arange(len(c))]
    parts = [_settle_station(c.iloc[i].reset_index(drop=True), policy) for i in rows]
    back = np.argsort(np.concatenate(rows), kind="stable")
    by_fill = [f.name for f in fields(Settled) if f.type is np.ndarray]
    arrays = {name: np.concatenate([getattr(p, name) for p in parts])[back] for name in by_fill}
    names = ("model", "check", "gauges", "corrections")
    tables = [pd.concat([getattr(p, name) for p in parts], ignore_index=True) for name in names]
    version = parts[0].version if len(parts) == 1 else _joined([p.version for p in parts])
    # a gauge read at two stations is taken from the one that knows it better
    surest = (tables[2]["offset_high_bar"] - tables[2]["offset_low_bar"]).sort_values(kind="stable").index
    gauges = tables[2].loc[surest].drop_duplicates(["gauge_id", "month_on"]).sort_values(["gauge_id", "month_on"])
    return Settled(
        **arrays, version=version, model=tables[0], check=tables[1], gauges=gauges.reset_index(drop=True),
        corrections=tables[3],
    )  # fmt: skip


def _settle_station(c: pd.DataFrame, policy: Policy) -> Settled:
    n = len(c)
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
    known = Known(state, at_stop, later)

    # what the dives' transmitters say was found with the help of later dives: the record does without it
    causal = build_model(c, known, ("settled", "arrival"))
    then = Then(c, policy.filling.settle_hours)
    beliefs, check, corrected = _learn_in_order_of_time(c, causal, then)
    model = causal
    if np.isfinite(later["in_water"].bar).any():
        model = build_model(c, known, tuple(later))
        beliefs, _, corrected = _learn_in_order_of_time(c, model)
    beliefs.weigh_again()
    all_fills = np.arange(n)
    said = beliefs.settled(all_fills)
    settled = np.isfinite(later["settled"].bar) & np.isfinite(at_stop.by_model.bar)
    apart = _doubted(beliefs.best, model, settled)
    said = _by_record(c, beliefs, said, corrected, settled)
    said = _by_late_readings(c, beliefs, model, said, policy.filling.settle_hours)
    # what all settled readings have in common, and nothing that is read tells
    common = np.hypot(THERMOMETER_SD_K * at_stop.by_model.per_k, _check_gauge_sd_bar(c, settled))
    bar, sd = said.bar, np.hypot(said.sd_bar, common)
    then.add_common(at_stop.by_model.per_k, settled)
    # a fill whose heat cannot be computed has its reading alone
    unknown = ~np.isfinite(at_stop.by_model.bar)
    alone = unknown & np.isfinite(later["settled"].bar)
    in_common = np.hypot(THERMOMETER_SD_K * later["settled"].per_k, _check_gauge_sd_bar(c, alone))
    of_reading = np.hypot(later["settled"].sd_bar, in_common)
    bar, then_bar = (np.where(unknown, later["settled"].bar, x) for x in (bar, then.bar))
    sd, then_sd = (np.where(unknown, of_reading, x) for x in (sd, then.sd_bar))
    basis = np.where(np.isfinite(at_stop.by_wall.bar), "wall", "model").astype(object)
    then_basis = np.where(settled | alone, "settled", basis)
    basis[_mostly_later(beliefs.best, model)] = "settled"
    basis[(settled & ~apart) | alone] = "settled"
    table = _model_table(c, beliefs.best, at_stop.by_model.bar, settled)
    gauges = build_gauge_check(c, beliefs.best)
    together = cooling.gas_and_wall_c(state.gas_c, state.wall_c, state.gas_j_k, floats(c["wall_j_k"]))
    offsets = known_offsets_bar(c, beliefs.best, gauge_steps(c["gauge"], c["filled_on"]))
    latest = beliefs.settled(all_fills, ()).sd_bar[-LATEST:]
    correction_row = {
        "station_id": c["station_id"].iloc[:1].astype("str"),
        "shift_bar": corrected.shift_sd * np.median(latest) if len(latest) else 0.0,
        "widening": corrected.widening,
    }
    return Settled(
        bar, sd, together - state.gas_c, offsets, basis, doubtful | apart, at_stop.wall_doubtful, then_bar, then_sd,
        then.gauge_offset_bar, then_basis, _version(c, later), table, check, gauges,
        pd.DataFrame(correction_row).reset_index(drop=True),
    )  # fmt: skip


def _by_late_readings(
    c: pd.DataFrame, beliefs: settling.Beliefs, model: Model, said: settling.Prediction, settle_hours: float
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
    c: pd.DataFrame, beliefs: settling.Beliefs, said: settling.Prediction, found: Correction, settled: np.ndarray
) -> settling.Prediction:
    """Settled pressures with what the record of predictions says of them.

    It speaks of what is known at stop, so a later reading of the fill's own takes its share out. A bias is that of
    the fills since the last readings: among those, readings on both sides hold the belief in place.
    """
    at_stop = beliefs.settled(np.arange(len(c)), ())
    share = beliefs.best.share_at_stop(np.arange(len(c)))
    since = np.cumsum(settled[::-1])[::-1] - settled
    shift = found.shift_sd * 0.5 ** (since / RECENT) * at_stop.sd_bar * share
    more = (found.widening**2 - 1.0) * (share * at_stop.sd_bar) ** 2
    return settling.Prediction(said.bar + shift, np.sqrt(np.maximum(said.sd_bar**2 + more, 0.01)))


def _doubted(belief: settling.Belief, model: Model, settled: np.ndarray) -> np.ndarray:
    """True where a settled reading is far from all else that is known of its fill: a slip of the pen."""
    out = np.zeros(len(settled), bool)
    for rank, kinds in enumerate(model.kind):
        on = kinds == "settled"
        out[on] = belief.trust[model.fills.readings[rank, on]] < DOUBTFUL_TRUST
    return out & settled if settled.sum() >= LEARNED_FROM else np.zeros(len(settled), bool)


def _mostly_later(belief: settling.Belief, model: Model) -> np.ndarray:
    """True where a transmitter in the water counts for more than all that was known at stop."""
    row = np.where(model.kind == "in_water", model.fills.readings, settling_causes.NONE)
    weight = np.where(row >= 0, belief.trust[row] / model.estimates.sd_bar[row] ** 2, 0.0).sum(axis=0)
    alone = belief.settled(np.arange(len(model.fills)), ()).sd_bar
    return weight * alone**2 > 1.0


def _learn_in_order_of_time(
    c: pd.DataFrame, model: Model, then: Then | None = None
) -> tuple[settling.Beliefs, pd.DataFrame, Correction]:
    """Learn as time went by; each settled fill is predicted from what was known when it was filled.

    `then` is shown fills, each once, with what had been learned when they were made.
    """
    e, fills = model.estimates, model.fills
    beliefs = settling.Beliefs(model.causes, e, fills)
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
    blocks = settling.growing_blocks(known_before, filled[checked].astype("datetime64[M]"))
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


def _learn(beliefs: settling.Beliefs, lessons: pd.DataFrame) -> None:
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
