"""Settled pressure of every fill: heat balance, what settled readings taught, and how sure.

The learning is `shared.settling`; here its terms are named: which station, source, gauge, material, size and unit
a fill touches, and how many bar each kind of error makes there.
"""

import hashlib
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipelines.build.fills_context import floats
from shared import fill_heat, settling, thermal
from shared.constants import REFERENCE_C

WALL, OUTSIDE, INSIDE, DELIVERY, START = range(len(fill_heat.PARAMETERS))

PRIOR_SD = {
    "outside": 0.4,
    "inside": 0.6,
    "inside_size": 0.2,
    "inside_helium": 0.4,
    "wall": 0.08,
    "wall_size": 0.05,
    "delivery": 6.0,
    "start": 1.5,
    "ambient": 0.7,
    "rise": 0.08,
    "rise_source": 0.05,
    "film": 2.0,
}
"""How far each cause may be off before any settled reading (log, K or share). Judgement, no source."""
OWN_WALL_SD = 0.06
WALL_UNKNOWN_FACTOR = 1.8
"""A unit's own wall (log), and how much less is known of it when its mass is estimated."""
AMBIENT_SD_K = 0.8
WALL_READING_SD_K = 1.0
SETTLED_SD_K = 0.3
IN_WATER_SD_K = 1.0
TRANSMITTER_SD_BAR = 2.0
RELAXED_SHARE = 0.3
"""Uncertain share of the warmth that is left when a reading is taken early."""
PROCESS_BAR, PROCESS_SHARE = 0.3, 0.04
MINUTES_SD = 0.5
GAUGE_WALK_SD_BAR = 0.25
"""How far a sound gauge may move in a month (SD, bar). Judgement, no source."""
MOST_GAUGE_STEPS = 120
PLAUSIBLE_RISE_K = (-20.0, 90.0)
"""Gas at stop is this much warmer than the room; a settled reading that says otherwise is of another fill."""
MODEL = "settling-1"


@dataclass(frozen=True)
class Settled:
    """Settled pressures of fills, bar at 15 °C, with their SD, and the tables about the model."""

    bar_15c: np.ndarray
    sd_bar: np.ndarray
    basis: np.ndarray
    doubtful: np.ndarray
    version: str
    model: pd.DataFrame
    check: pd.DataFrame
    fit: settling.SettlingFit
    learned: pd.DataFrame


@dataclass(frozen=True)
class _Way:
    """One way to predict: settled pressure, its slopes, its noise."""

    bar: np.ndarray
    per_k: np.ndarray
    per_bar: np.ndarray
    noise_bar: np.ndarray


def settle(c: pd.DataFrame, policy) -> Settled:
    """Settled pressure of every fill of a context frame (see `fills_context`), by the best basis there is."""
    n = len(c)
    mix = floats(c["gas_o2_pct"]), floats(c["gas_he_pct"]), floats(c["gas_ar_pct"])
    state = _with_still_fills(c, fill_heat.temperature_at_stop(conditions(c)))
    by_model, by_wall = _ways(c, state, mix)
    measured, measured_sd, offset_share = _measured(c, state, mix, policy)
    soft, soft_sd = _in_water(c, mix, policy)

    rows = _design(c, state, by_model, by_wall, offset_share)
    ask = replace(rows, per=np.vstack([rows.per[:-1], np.zeros(2 * n)]))
    predicted = np.concatenate([by_model.bar, by_wall.bar])
    noise = np.concatenate([by_model.noise_bar, by_wall.noise_bar])
    wall_known = np.isfinite(by_wall.bar)
    place = np.where(wall_known, n + np.arange(n), np.arange(n))  # the row that a fill without reading is told from

    doubtful = np.isfinite(measured) & ~_plausible(c, measured, mix)
    measured = np.where(doubtful, np.nan, measured)
    lesson = _lessons(c, measured, measured_sd, soft, soft_sd, predicted, noise, wall_known)
    fit, check = _learn_in_order_of_time(c, rows, ask, lesson, place, predicted, noise, measured)

    correction = fit.correct(ask.rows(place))
    bar = predicted[place] + correction.mean_bar
    sd = np.sqrt(correction.sd_bar**2 + (fit.noise_scale * noise[place]) ** 2)
    # a reading in the water of the dive is softer than one at the station: weigh it with the prediction
    known_soft = np.isfinite(soft) & np.isfinite(bar) & (np.abs(soft - bar) < 4.0 * np.hypot(sd, soft_sd))
    weight = np.where(known_soft, sd**2 / (sd**2 + soft_sd**2), 0.0)
    bar = bar + weight * np.where(known_soft, soft - bar, 0.0)
    sd = sd * np.sqrt(1.0 - weight)
    basis = np.where(wall_known, "wall", np.where(np.isfinite(bar), "model", "")).astype(object)
    settled = np.isfinite(measured)
    basis[settled | known_soft] = "settled"
    bar, sd = np.where(settled, measured, bar), np.where(settled, measured_sd, sd)
    lesson["left_bar"] = lesson["error"] - fit.correct(rows.rows(lesson["row"].to_numpy())).mean_bar
    version = _version(c, lesson)
    return Settled(
        bar,
        sd,
        basis,
        doubtful,
        version,
        _model_table(c, fit, ask.rows(np.arange(n)), by_model, settled),
        check,
        fit,
        lesson,
    )


def conditions(c: pd.DataFrame) -> fill_heat.FillConditions:
    """The heat balance's view of a context frame."""
    return fill_heat.FillConditions(
        floats(c["start_pressure_bar"]),
        floats(c["stop_pressure_bar"]),
        floats(c["ambient_c"]),
        floats(c["minutes"]),
        floats(c["water_capacity_l"]),
        floats(c["cylinders"]),
        floats(c["wall_j_k"]),
        floats(c["delivery_c"]),
        floats(c["delivery_bar"]),
        floats(c["gas_o2_pct"]),
        floats(c["gas_he_pct"]),
        floats(c["gas_ar_pct"]),
    )


def _with_still_fills(c: pd.DataFrame, state: fill_heat.StopState) -> fill_heat.StopState:
    """Where nothing was added the gas is as warm as the room."""
    still = floats(c["stop_pressure_bar"]) <= floats(c["start_pressure_bar"])
    ambient = floats(c["ambient_c"])
    gas_j_k = np.where(still, floats(c["water_capacity_l"]) * floats(c["stop_pressure_bar"]) * 0.9, state.gas_j_k)
    per = [np.where(still[:, None], 0.0, p) for p in (state.gas_per, state.wall_per)]
    return fill_heat.StopState(
        np.where(still, ambient, state.gas_c), np.where(still, ambient, state.wall_c), gas_j_k, *per
    )


def _linear(stop, gas_c, mix):
    """Settled pressure at 15 °C and its slopes with gas temperature and with the stop reading."""
    at = thermal.settled_pressure_bar(stop, gas_c, REFERENCE_C, *mix, strict=False)
    warmer = thermal.settled_pressure_bar(stop, gas_c + 1.0, REFERENCE_C, *mix, strict=False)
    higher = thermal.settled_pressure_bar(stop + 1.0, gas_c, REFERENCE_C, *mix, strict=False)
    return at, warmer - at, higher - at


def _ways(c: pd.DataFrame, state: fill_heat.StopState, mix) -> tuple[_Way, _Way]:
    stop = floats(c["stop_pressure_bar"]) - np.nan_to_num(floats(c["gauge_offset_stated_bar"]))
    step_sd = floats(c["gauge_step_bar"]) / np.sqrt(12.0)
    bar, per_k, per_bar = _linear(stop, state.gas_c, mix)
    process = PROCESS_BAR + PROCESS_SHARE * np.abs(per_k * (state.gas_c - floats(c["ambient_c"])))
    minutes_k = np.where(c["minutes_known"], 0.0, MINUTES_SD) * np.abs(
        state.gas_per[:, OUTSIDE] + state.gas_per[:, INSIDE]
    )
    noise = np.sqrt((per_bar * step_sd) ** 2 + per_k**2 * (AMBIENT_SD_K**2 + minutes_k**2) + process**2)
    by_model = _Way(bar, per_k, per_bar, noise)
    bar, per_k, per_bar = _linear(stop, floats(c["wall_c"]) + (state.gas_c - state.wall_c), mix)
    noise = np.sqrt((per_bar * step_sd) ** 2 + (per_k * WALL_READING_SD_K) ** 2 + (process / 2) ** 2)
    return by_model, _Way(bar, per_k, per_bar, noise)


def _design(c: pd.DataFrame, state: fill_heat.StopState, by_model: _Way, by_wall: _Way, offset_share: np.ndarray):
    """Terms for 2n rows: each fill predicted by the heat balance, then each by its wall."""
    n = len(c)

    def twice(column):
        code, levels = pd.factorize(pd.Series(column).astype("str"), sort=True)
        return np.tile(code, 2), list(levels)

    def per_kelvin(model, wall):
        return np.concatenate([by_model.per_k * model, by_wall.per_k * wall])

    gas, film = state.gas_per, state.gas_per - state.wall_per
    station = twice("at " + c["station"])
    source = twice(c["station"] + "/" + c["source"])
    size = twice(c["station"] + "/" + c["size"])
    rise = state.gas_c - floats(c["ambient_c"])
    helium = floats(c["gas_he_pct"]) / 100.0
    zero, one = np.zeros(n), np.ones(n)
    unknown_outlet = np.where(c["outlet_known"], 0.5, 1.0)
    gauge_prior = _gauge_priors(c)
    gauges = twice(c["gauge"])
    per_bar = np.concatenate([by_model.per_bar, by_wall.per_bar])
    step, window = gauge_steps(c)
    terms = [
        settling.Term("gauge", *gauges, -per_bar, 3.2, gauge_prior),
        settling.Term("gauge_walk", *gauges, -per_bar, GAUGE_WALK_SD_BAR * np.sqrt(window), step=np.tile(step, 2)),
        *(
            settling.Term(of, *level, per_kelvin(model, wall), PRIOR_SD[of])
            for of, level, model, wall in (
                ("outside", station, gas[:, OUTSIDE], film[:, OUTSIDE]),
                ("inside", station, gas[:, INSIDE], film[:, INSIDE]),
                ("inside_size", size, gas[:, INSIDE], film[:, INSIDE]),
                ("inside_helium", station, gas[:, INSIDE] * helium, film[:, INSIDE] * helium),
                ("wall", twice(c["station"] + "/" + c["material"]), gas[:, WALL], film[:, WALL]),
                ("wall_size", size, gas[:, WALL], film[:, WALL]),
                ("delivery", source, gas[:, DELIVERY] * unknown_outlet, film[:, DELIVERY] * unknown_outlet),
                ("start", station, gas[:, START], film[:, START]),
                ("ambient", station, one, zero),
                ("rise", station, rise, zero),
                ("rise_source", source, rise, zero),
                ("film", station, zero, one),
            )
        ),
        settling.Term("gauge", *twice(c["settled_gauge"]), np.tile(offset_share, 2), 0.25, gauge_prior),
    ]
    own_size = np.where(c["mass_known"], 1.0, WALL_UNKNOWN_FACTOR)
    own = settling.Term(
        "own_wall", *twice(c["unit_id"]), per_kelvin(gas[:, WALL] * own_size, film[:, WALL] * own_size), OWN_WALL_SD
    )
    return settling.design(terms, own)


def gauge_steps(c: pd.DataFrame) -> tuple[np.ndarray, int]:
    """Step of time in which each fill's gauge is followed, and how many months one step has.

    Months, unless many gauges over many years would make the model large.
    """
    month = c["filled_on"].to_numpy("datetime64[M]").astype(int)
    window = 1
    for window in (1, 3, 6, 12, 60):
        if len(set(zip(c["gauge"], month // window, strict=True))) <= MOST_GAUGE_STEPS:
            break
    return month // window, window


def _gauge_priors(c: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Offset of each gauge beyond what is stated: SD half its class limit, a quarter of that once stated."""
    filling = c.drop_duplicates("gauge")
    stated = np.where(filling["gauge_offset_stated_bar"].notna(), 0.25, 1.0)
    prior = {
        g: (0.0, float(s)) for g, s in zip(filling["gauge"], filling["gauge_limit_bar"] / 2.0 * stated, strict=True)
    }
    check = c[c["settled_usable"]].drop_duplicates("settled_gauge")
    for g, limit in zip(check["settled_gauge"], check["settled_limit_bar"], strict=True):
        prior.setdefault(g, (0.0, max(float(limit) / 2.0, 1e-3)))
    return prior


def _measured(c: pd.DataFrame, state: fill_heat.StopState, mix, policy):
    """What settled readings say of the pressure at 15 °C, its SD, and bar there per bar of offset."""
    reading = np.where(c["settled_usable"], floats(c["settled_pressure_bar"]), np.nan)
    surroundings, hours = floats(c["settled_c"]), floats(c["settled_hours"])
    wall = floats(c["wall_j_k"])
    constant = fill_heat.settling_time_constant_s(
        state.gas_j_k, wall, floats(c["water_capacity_l"]), floats(c["cylinders"])
    )
    relaxed = fill_heat.relaxed_c(state, wall, surroundings, hours * 3600.0, constant)
    early = hours < policy.filling.settle_hours
    gas_c = np.where(early & np.isfinite(relaxed), relaxed, surroundings)
    bar, per_k, per_bar = _linear(reading, gas_c, mix)
    warmth = np.where(early, np.abs(gas_c - surroundings) * RELAXED_SHARE, 0.0)
    step_sd = floats(c["settled_step_bar"]) / np.sqrt(12.0)
    limit = floats(c["settled_limit_bar"])
    sd = np.sqrt(per_bar**2 * (step_sd**2 + (limit / 2.0) ** 2) + per_k**2 * (SETTLED_SD_K**2 + warmth**2))
    return bar, sd, np.where(np.isfinite(bar), per_bar, 0.0)


def _in_water(c: pd.DataFrame, mix, policy):
    """The same from the first steady reading in the water of the dive that followed."""
    minutes = floats(c["in_water_minutes"])
    bar, per_k, per_bar = _linear(floats(c["in_water_bar"]), floats(c["in_water_c"]), mix)
    warmth = np.where(minutes >= policy.filling.settle_minutes_in_water, 0.0, 2.0)
    sd = np.sqrt((per_bar * TRANSMITTER_SD_BAR) ** 2 + per_k**2 * (IN_WATER_SD_K**2 + np.nan_to_num(warmth) ** 2))
    stated = floats(c["in_water_sd_bar"])
    return bar, np.where(stated > 0, np.maximum(per_bar * stated, 1.0), sd)


def _plausible(c: pd.DataFrame, bar_15c: np.ndarray, mix) -> np.ndarray:
    stop, ambient = floats(c["stop_pressure_bar"]), floats(c["ambient_c"])
    least = thermal.settled_pressure_bar(
        stop, np.minimum(ambient + PLAUSIBLE_RISE_K[1], 150.0), REFERENCE_C, *mix, strict=False
    )
    most = thermal.settled_pressure_bar(
        stop, np.maximum(ambient + PLAUSIBLE_RISE_K[0], -40.0), REFERENCE_C, *mix, strict=False
    )
    slack = 1.5 * floats(c["gauge_limit_bar"])
    return (bar_15c > least - slack) & (bar_15c < most + slack)


def _lessons(c, measured, measured_sd, soft, soft_sd, predicted, noise, wall_known) -> pd.DataFrame:
    """What may be learned from: design row, error, noise, and when it became known."""
    n = len(c)
    settled = np.flatnonzero(np.isfinite(measured) & np.isfinite(predicted[:n]))
    by_wall = settled[wall_known[settled]]
    in_water = np.flatnonzero(np.isfinite(soft) & ~np.isfinite(measured) & np.isfinite(predicted[:n]))
    known, later = (c[name].to_numpy("datetime64[us]") for name in ("settled_known_at", "in_water_known_at"))
    limit_sd = floats(c["settled_limit_bar"]) / 2.0
    # the check gauge's own offset is a term of its own, so it is not counted again as noise
    reading_sd = np.sqrt(np.maximum(measured_sd**2 - limit_sd**2, 0.01))
    parts = [
        pd.DataFrame(
            {
                "fill": settled,
                "row": settled,
                "bar": measured[settled],
                "sd": reading_sd[settled],
                "at": known[settled],
                "kind": "settled",
            }
        ),
        pd.DataFrame(
            {
                "fill": by_wall,
                "row": n + by_wall,
                "bar": measured[by_wall],
                "sd": reading_sd[by_wall],
                "at": known[by_wall],
                "kind": "wall",
            }
        ),
        pd.DataFrame(
            {
                "fill": in_water,
                "row": in_water,
                "bar": soft[in_water],
                "sd": soft_sd[in_water],
                "at": later[in_water],
                "kind": "in_water",
            }
        ),
    ]
    lesson = pd.concat(parts, ignore_index=True)
    lesson["error"] = lesson["bar"] - predicted[lesson["row"]]
    lesson["sd"] = np.hypot(lesson["sd"], noise[lesson["row"]])
    return lesson.sort_values(["at", "fill", "kind"], ignore_index=True)


def _learn_in_order_of_time(c, rows, ask, lesson, place, predicted, noise, measured):
    """Learn as time went by; each settled fill is predicted from what was known when it was filled."""
    fit = settling.SettlingFit(rows)
    filled = c["filled_at"].to_numpy("datetime64[us]")
    known_at = lesson["at"].to_numpy()
    of_settled = (lesson["kind"] == "settled").to_numpy()
    told = np.flatnonzero(np.isfinite(measured) & np.isfinite(predicted[place]))
    known_before = np.searchsorted(known_at, filled[told], side="right")
    settled_before = np.concatenate([[0], np.cumsum(of_settled)])[known_before]
    blocks = settling.growing_blocks(known_before)
    mean, sd = np.full(len(told), np.nan), np.full(len(told), np.nan)
    done = 0

    def learn_up_to(end):
        nonlocal done
        part = lesson.iloc[done:end]
        taught = rows.rows(part["row"].to_numpy())
        soft = (part["kind"] == "in_water").to_numpy()
        taught.per[-1, soft] = 0.0
        fit.learn(taught, part["error"].to_numpy(), part["sd"].to_numpy())
        done = end

    for begin, end in zip(blocks, [*blocks[1:], len(told)], strict=True):
        if begin == end:
            continue
        learn_up_to(known_before[begin])
        at = place[told[begin:end]]
        correction = fit.correct(ask.rows(at))
        mean[begin:end] = predicted[at] + correction.mean_bar
        sd[begin:end] = np.sqrt(correction.sd_bar**2 + (fit.noise_scale * noise[at]) ** 2)
    learn_up_to(len(lesson))
    check = pd.DataFrame(
        {
            "fill_id": c["fill_id"].to_numpy()[told],
            "settled_fills_before": pd.array(settled_before, dtype="Int64"),
            "predicted_bar": mean,
            "predicted_low_bar": mean - settling.Z80 * sd,
            "predicted_high_bar": mean + settling.Z80 * sd,
            "measured_bar": measured[told],
        }
    )
    return fit, check


def _model_table(c, fit, rows, by_model, settled) -> pd.DataFrame:
    """What is believed per station, source, material and size, at that group's middle fill."""
    columns = ["station_id", "source_id", "material", "size"]
    known = np.isfinite(by_model.bar)
    if not known.any():
        return pd.DataFrame(
            columns=[
                *columns,
                "settled_fills",
                "effect_bar",
                "effect_low_bar",
                "effect_high_bar",
                "gain_of_next_reading_bar",
            ]
        )
    effect = fit.correct(rows)
    frame = pd.DataFrame({k: c[k].astype(object).where(c[k].notna(), "") for k in columns})
    frame["settled_fills"] = settled.astype("int64")
    frame["effect_bar"], frame["sd"] = effect.mean_bar, effect.sd_bar
    frame["noise"] = fit.noise_scale * by_model.noise_bar
    frame = frame[known]
    table = frame.groupby(columns, as_index=False, sort=True).agg(
        settled_fills=("settled_fills", "sum"),
        effect_bar=("effect_bar", "mean"),
        sd=("sd", "median"),
        noise=("noise", "median"),
    )
    variance, noise = table["sd"] ** 2, table["noise"] ** 2
    after = variance - variance**2 / (variance + noise)
    table["effect_low_bar"] = table["effect_bar"] - settling.Z80 * table["sd"]
    table["effect_high_bar"] = table["effect_bar"] + settling.Z80 * table["sd"]
    table["gain_of_next_reading_bar"] = settling.Z80 * (np.sqrt(variance + noise) - np.sqrt(after + noise))
    for name in columns:
        table[name] = table[name].where(table[name] != "")
    return table.drop(columns=["sd", "noise"]).astype({k: "str" for k in columns} | {"settled_fills": "Int64"})


def _version(c: pd.DataFrame, lesson: pd.DataFrame) -> str:
    """The model's name, how many readings it has seen, and a mark that changes with them."""
    seen = pd.util.hash_pandas_object(
        pd.DataFrame({"fill": c["fill_id"].to_numpy()[lesson["fill"]], "bar": lesson["bar"].round(6)}), index=False
    ).to_numpy()
    mark = hashlib.sha256(np.sort(seen).tobytes()).hexdigest()[:8]
    return f"{MODEL}-{lesson['fill'].nunique()}-{mark}"
