"""Settled pressure of every fill: heat balance, what settled readings taught, and how sure.

The learning itself is `shared.settling`. Readings are learned in the order in which they became known, and each
settled fill is foretold from what was known when it was filled: that is `settling_check`.
"""

import hashlib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.build.columns import floats
from pipelines.build.fills_gauges import build_gauge_check
from pipelines.build.fills_terms import READING_TERMS, design
from pipelines.build.fills_ways import Reading, Way, implausible, in_water_reading, settled_reading, stop_state, ways
from schemas.policy import Policy
from shared import cooling, settling

MODEL = "settling-1"
TWICE = 1.3
APART_FROM, APART_SD, APART_BAR = 20, 5.0, 10.0
"""From so many settled fills on, a reading this far from what they foretell is left out and said to be doubtful."""
LEVELS = ["station_id", "source_id", "material", "size"]
GAUGE_TERM, IN_WATER_TERM = READING_TERMS


@dataclass(frozen=True)
class Settled:
    """Settled pressures of fills, bar at 15 °C, with their SD, and the tables about the model.

    `together_over_gas_k` is how much warmer than the gas at stop gas and wall come to be together.
    """

    bar_15c: np.ndarray
    sd_bar: np.ndarray
    together_over_gas_k: np.ndarray
    basis: np.ndarray
    doubtful: np.ndarray
    wall_doubtful: np.ndarray
    version: str
    model: pd.DataFrame
    check: pd.DataFrame
    gauges: pd.DataFrame


def settle(c: pd.DataFrame, policy: Policy) -> Settled:
    """Settled pressure of every fill of a context frame (see `fills_context`), by the best basis there is.

    Stations share nothing (each has its own room, gauges and habits), so each is learned by itself.
    """
    rows = list(c.groupby("station", sort=True).indices.values()) or [np.arange(len(c))]
    parts = [_settle_station(c.iloc[i].reset_index(drop=True), policy) for i in rows]
    back = np.argsort(np.concatenate(rows), kind="stable")
    arrays = {
        name: np.concatenate([getattr(p, name) for p in parts])[back]
        for name in ("bar_15c", "sd_bar", "together_over_gas_k", "basis", "doubtful", "wall_doubtful")
    }
    tables = [pd.concat([getattr(p, name) for p in parts], ignore_index=True) for name in ("model", "check", "gauges")]
    version = parts[0].version if len(parts) == 1 else _joined([p.version for p in parts])
    # a gauge read at two stations is told by the one that knows it better
    surest = (tables[2]["offset_high_bar"] - tables[2]["offset_low_bar"]).sort_values(kind="stable").index
    gauges = tables[2].loc[surest].drop_duplicates(["gauge_id", "month_on"]).sort_values(["gauge_id", "month_on"])
    return Settled(**arrays, version=version, model=tables[0], check=tables[1], gauges=gauges.reset_index(drop=True))


def _settle_station(c: pd.DataFrame, policy: Policy) -> Settled:
    n = len(c)
    state, start_c = stop_state(c)
    w = ways(c, state, start_c)
    by_model, by_wall = w.by_model, w.by_wall
    read = settled_reading(c, state, policy.filling.settle_hours)
    doubtful = implausible(c, read.bar)
    read = Reading(np.where(doubtful, np.nan, read.bar), read.sd_bar, read.per_bar)
    in_water = in_water_reading(c, policy.filling.settle_minutes_in_water)

    rows = design(c, state, w, read)
    ask = rows.without(READING_TERMS)
    foretold = np.concatenate([by_model.bar, by_wall.bar])
    noise = np.concatenate([by_model.noise_bar, by_wall.noise_bar])
    wall_known = np.isfinite(by_wall.bar)
    place = np.where(wall_known, n + np.arange(n), np.arange(n))  # the row that a fill without reading is told from

    lessons = _lessons(c, read, in_water, foretold, noise, wall_known)
    fits, check = _learn_in_order_of_time(c, rows, ask, lessons, place, foretold, noise, read.bar)
    told = fits.foretell(ask.rows(place), noise[place])
    bar, sd = foretold[place] + told.mean_bar, told.sd_bar
    basis = np.where(wall_known, "wall", "model").astype(object)
    bias, bias_sd = _in_water_bias(c, fits.best)
    bar, sd, share = _weighed(bar, sd, in_water.bar - bias, np.hypot(in_water.sd_bar, bias_sd))
    basis[share > 0.5] = "settled"
    read = _without_offset(c, read, fits.best)
    apart = _apart(read, bar, sd, (lessons["kind"] == "settled").sum())
    doubtful = doubtful | apart
    read = Reading(np.where(apart, np.nan, read.bar), read.sd_bar, read.per_bar)
    settled = np.isfinite(read.bar)
    # a late reading fixes the content; one taken early is weighed with what the model says
    early = settled & (floats(c["settled_hours"]) < policy.filling.settle_hours)
    weighed, weighed_sd, _ = _weighed(bar, sd, read.bar, read.sd_bar)
    alone = ~early | ~np.isfinite(bar)
    bar = np.where(settled, np.where(alone, read.bar, weighed), bar)
    sd = np.where(settled, np.where(alone, read.sd_bar, weighed_sd), sd)
    basis[settled] = "settled"
    model = _model_table(c, fits, ask.rows(np.arange(n)), by_model, settled)
    gauges = build_gauge_check(c, fits.best)
    together = cooling.gas_and_wall_c(state.gas_c, state.wall_c, state.gas_j_k, floats(c["wall_j_k"]))
    version = _version(c, lessons)
    return Settled(bar, sd, together - state.gas_c, basis, doubtful, w.wall_doubtful, version, model, check, gauges)


def _apart(read: Reading, bar: np.ndarray, sd: np.ndarray, settled_fills: int) -> np.ndarray:
    """True where a reading is far from all that the station's other readings make of this fill: a slip of the pen."""
    off = np.abs(read.bar - bar)
    if settled_fills < APART_FROM:
        return np.zeros(len(off), bool)
    return np.nan_to_num(off) > np.maximum(APART_SD * np.hypot(sd, read.sd_bar), APART_BAR)


def _weighed(bar, sd, other_bar, other_sd) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two estimates made one, and the share of the second; a second one far off counts for nothing."""
    use = np.isfinite(other_bar) & np.isfinite(bar) & (np.abs(other_bar - bar) < 4.0 * np.hypot(sd, other_sd))
    share = np.where(use, sd**2 / (sd**2 + other_sd**2), 0.0)
    return bar + share * np.where(use, other_bar - bar, 0.0), sd * np.sqrt(1.0 - share), share


def _without_offset(c: pd.DataFrame, read: Reading, fit: settling.SettlingFit) -> Reading:
    """Later readings with the learned offset of their gauge taken out, where that is a filling gauge.

    A check gauge is what offsets are learned against, so its readings stand as they are.
    """
    known, gauges = fit.design.columns, set(c["gauge"])
    column = {g: known["gauge", g, 0] for g in c["settled_gauge"].unique() if g in gauges}
    at = c["settled_gauge"].map(column)
    on = at.notna().to_numpy() & np.isfinite(read.bar)
    place = at.where(on, 0).to_numpy(int)
    gained = fit.covariance[place, place] - (floats(c["settled_limit_bar"]) / 2.0) ** 2
    variance = read.sd_bar**2 + read.per_bar**2 * gained
    bar = np.where(on, read.bar - read.per_bar * fit.mean[place], read.bar)
    return Reading(bar, np.where(on, np.sqrt(np.maximum(variance, 0.01)), read.sd_bar), read.per_bar)


def _in_water_bias(c: pd.DataFrame, fit: settling.SettlingFit) -> tuple[np.ndarray, np.ndarray]:
    column = {who: fit.design.columns["in_water", who, 0] for who in c["in_water_by"].unique()}
    at = c["in_water_by"].map(column).to_numpy(int)
    return fit.mean[at], np.sqrt(fit.covariance[at, at])


def _lessons(c, read: Reading, in_water: Reading, foretold, noise, wall_known) -> pd.DataFrame:
    """What may be learned from: design row, error, noise, and when it became known."""
    n = len(c)
    told = np.isfinite(foretold[:n])
    soft = np.isfinite(in_water.bar) & told
    settled = np.isfinite(read.bar) & told
    limit_sd = floats(c["settled_limit_bar"]) / 2.0
    # the check gauge's own offset is a term of its own, so it is not counted again as noise
    read_sd = np.sqrt(np.maximum(read.sd_bar**2 - (read.per_bar * limit_sd) ** 2, 0.01))
    parts = [
        pd.DataFrame({"fill": np.flatnonzero(on), "kind": kind}).assign(
            row=lambda f, first=first: f["fill"] + first,
            bar=lambda f, bar=bar: bar[f["fill"]],
            sd=lambda f, sd=sd: sd[f["fill"]],
            at=lambda f, at=at: c[at].to_numpy("datetime64[us]")[f["fill"]],
        )
        for kind, on, first, bar, sd, at in (
            ("settled", settled, 0, read.bar, read_sd, "settled_known_at"),
            ("wall", settled & wall_known, n, read.bar, read_sd, "settled_known_at"),
            ("in_water", soft & ~settled, 0, in_water.bar, in_water.sd_bar, "in_water_known_at"),
        )
    ]
    lessons = pd.concat(parts, ignore_index=True)
    lessons["error"] = lessons["bar"] - foretold[lessons["row"]]
    lessons["sd"] = np.hypot(lessons["sd"], noise[lessons["row"]])
    # a fill that teaches twice, with its wall and without, says less each time
    lessons["sd"] *= np.where(lessons["fill"].duplicated(keep=False), TWICE, 1.0)
    return lessons.sort_values(["at", "fill", "kind"], ignore_index=True)


def _learn_in_order_of_time(c, rows, ask, lessons, place, foretold, noise, measured):
    """Learn as time went by; each settled fill is foretold from what was known when it was filled."""
    fits = settling.SettlingFits(rows)
    filled = c["filled_at"].to_numpy("datetime64[us]")
    checked = np.flatnonzero(np.isfinite(measured) & np.isfinite(foretold[place]))
    known_before = np.searchsorted(lessons["at"].to_numpy(), filled[checked], side="right")
    of_settled = np.concatenate([[0], np.cumsum(lessons["kind"] == "settled")])
    mean, sd = np.full(len(checked), np.nan), np.full(len(checked), np.nan)
    blocks = settling.growing_blocks(known_before)
    done = 0
    for begin, end in zip(blocks, [*blocks[1:], len(checked)], strict=True):
        if begin == end:
            continue
        _learn(fits, rows, lessons.iloc[done : known_before[begin]])
        done = known_before[begin]
        at = place[checked[begin:end]]
        told = fits.foretell(ask.rows(at), noise[at])
        mean[begin:end], sd[begin:end] = foretold[at] + told.mean_bar, told.sd_bar
        fits.score(ask.rows(at), measured[checked[begin:end]] - foretold[at], noise[at])
    _learn(fits, rows, lessons.iloc[done:])
    check = pd.DataFrame(
        {
            "fill_id": c["fill_id"].to_numpy()[checked],
            "settled_fills_before": pd.array(of_settled[known_before], dtype="Int64"),
            "predicted_bar": mean,
            "predicted_low_bar": mean - settling.Z80 * sd,
            "predicted_high_bar": mean + settling.Z80 * sd,
            "measured_bar": measured[checked],
        }
    )
    return fits, check


def _learn(fits: settling.SettlingFits, rows: settling.Design, lessons: pd.DataFrame) -> None:
    taught = rows.rows(lessons["row"].to_numpy())
    in_water = (lessons["kind"] == "in_water").to_numpy()
    taught.per[GAUGE_TERM, in_water] = 0.0
    taught.per[IN_WATER_TERM, ~in_water] = 0.0
    fits.learn(taught, lessons["error"].to_numpy(), lessons["sd"].to_numpy(), ~in_water)


def _model_table(c, fits: settling.SettlingFits, rows: settling.Design, by_model: Way, settled) -> pd.DataFrame:
    """What is believed per station, source, material and size, as a mean over that group's fills."""
    frame = pd.DataFrame({k: c[k].astype(object).where(c[k].notna(), "") for k in LEVELS})
    effect = fits.best.correct(rows)
    frame["settled_fills"] = settled.astype("int64")
    frame["effect_bar"], frame["sd"] = effect.mean_bar, effect.sd_bar
    frame["noise"] = fits.best.noise_scale * by_model.noise_bar
    frame = frame[np.isfinite(by_model.bar)]
    table = frame.groupby(LEVELS, as_index=False, sort=True).agg(
        settled_fills=("settled_fills", "sum"),
        effect_bar=("effect_bar", "mean"),
        sd=("sd", "median"),
        noise=("noise", "median"),
    )
    variance, noise = table["sd"] ** 2, table["noise"] ** 2
    after = variance - variance**2 / (variance + noise)  # with one more reading of such a fill
    table["effect_low_bar"] = table["effect_bar"] - settling.Z80 * table["sd"]
    table["effect_high_bar"] = table["effect_bar"] + settling.Z80 * table["sd"]
    table["gain_of_next_reading_bar"] = settling.Z80 * (np.sqrt(variance + noise) - np.sqrt(after + noise))
    for name in LEVELS:
        table[name] = table[name].where(table[name] != "")
    return table.astype({k: "str" for k in LEVELS} | {"settled_fills": "Int64"})


def _version(c: pd.DataFrame, lessons: pd.DataFrame) -> str:
    """The model's name, how many readings it has seen, and a mark that changes with them."""
    seen = pd.DataFrame({"fill": c["fill_id"].to_numpy()[lessons["fill"]], "bar": lessons["bar"].round(6)})
    mark = hashlib.sha256(np.sort(pd.util.hash_pandas_object(seen, index=False).to_numpy()).tobytes()).hexdigest()[:8]
    return f"{MODEL}-{lessons['fill'].nunique()}-{mark}"


def _joined(versions: list[str]) -> str:
    """One version of several stations' models."""
    readings = sum(int(v.split("-")[-2]) for v in versions)
    return f"{MODEL}-{readings}-{hashlib.sha256(' '.join(versions).encode()).hexdigest()[:8]}"
