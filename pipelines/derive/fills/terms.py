"""The causes of error that the settling model knows, and which of them act on which estimate of a fill."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats, looked_up
from pipelines.derive.fills.estimates import DELIVERY, JET, NATURAL, OUTSIDE, START, WALL, KnownAtStop, Later
from shared.filling import settling_causes
from shared.filling.heat import StopState

PRIOR_SD = {
    "outside": 0.3, "natural": 0.4, "natural_helium": 0.4, "jet": 0.5, "film_size": 0.15, "wall": 0.08,
    "wall_size": 0.05, "delivery": 5.0, "start": 1.0, "ambient": 0.7, "rise": 0.06, "rise_source": 0.04,
    "film": 2.0,
}  # fmt: skip
"""How far each cause may be off before any settled reading (logarithm, K or share). Judgement, no source."""
COMPOSITE_WALL_SD = 0.2
"""Of a composite's wall (logarithm): how much of it takes part in a fill is known less well."""
OWN_WALL_SD = 0.06
WALL_UNKNOWN_FACTOR = 1.8
"""A unit's own wall (logarithm), and how much less is known of it when its mass is estimated."""
STATED_OFFSET_SHARE = 0.25
"""What is left of a gauge's uncertainty once its offset was measured and stated."""
IN_WATER_BIAS_SD_BAR = 2.0
"""What readings in the water by one diver's transmitter have in common; a station's, where nobody says whose."""
MONTHLY, QUARTERLY = 36, 108
"""A gauge is followed by months while it has been used for so many, then by quarters, at last by years."""
WALL_NONE = "none"


@dataclass(frozen=True)
class Known:
    """All estimates of a station's fills: at stop, by later readings, and the state they are linear about."""

    state: StopState
    at_stop: KnownAtStop
    later: dict[str, Later]


@dataclass(frozen=True)
class Model:
    """Causes, estimates and fills as `shared.filling.settling` takes them, and when each reading became known.

    `kind` and `known_at` are (ranks, fills) like the readings of `fills`. `offsets` are those of gauges that were
    measured and stated: levers, value and SD of each, by the moment from which it was known.
    """

    causes: settling_causes.Causes
    estimates: settling_causes.Estimates
    fills: settling_causes.Fills
    kind: np.ndarray
    known_at: np.ndarray
    offsets: list[tuple[np.datetime64, np.ndarray, float, float]]


#: later readings: column of the moment they became known, and whether they hold only if nobody used the cylinder
KINDS = {
    "settled": ("settled_known_at", False),
    "arrival": ("arrived_known_at", True),
    "in_water": ("in_water_known_at", False),
}


def build_model(c: pd.DataFrame, known: Known, kinds: Sequence[str]) -> Model:
    """Put together the causes and estimates of one station's fills; `kinds` of later readings are used."""
    n = len(c)
    at_stop, later = known.at_stop, {k: known.later[k] for k in kinds}
    there = [np.arange(n), np.flatnonzero(np.isfinite(at_stop.by_wall.bar))]
    there += [np.flatnonzero(np.isfinite(v.bar) & np.isfinite(at_stop.by_model.bar)) for v in later.values()]
    blocks = [_at_stop_levers(c, known, wall=False), _at_stop_levers(c, known, wall=True)]
    blocks += [_later_levers(c, k, v) for k, v in later.items()]
    terms = _terms(c, blocks, there)
    rows = np.concatenate(there)
    share = np.where(c["mass_known"], 1.0, WALL_UNKNOWN_FACTOR)
    gas, film = known.state.gas_per, known.state.gas_per - known.state.wall_per
    own_per = [at_stop.by_model.per_k * gas[:, WALL] * share, at_stop.by_wall.per_k * film[:, WALL] * share]
    own_per += [np.zeros(n)] * len(later)
    unit, units = pd.factorize(c["unit_id"].astype("str"), sort=True)
    own = settling_causes.Term(
        "own_wall", unit[rows], list(units), np.concatenate([v[at] for v, at in zip(own_per, there, strict=True)]),
        OWN_WALL_SD,
    )  # fmt: skip
    causes, column, per = settling_causes.number_causes(terms, own)
    bars = [at_stop.by_model.bar, at_stop.by_wall.bar, *(v.bar for v in later.values())]
    sds = [at_stop.by_model.noise_bar, at_stop.by_wall.noise_bar, *(reading.sd_bar for reading in later.values())]
    estimates = settling_causes.Estimates(
        np.concatenate([v[at] for v, at in zip(bars, there, strict=True)]),
        np.maximum(np.concatenate([v[at] for v, at in zip(sds, there, strict=True)]), 0.05),
        column,
        per,
        np.asarray(own.level),
        np.nan_to_num(own.per),
        np.concatenate([np.zeros(n + len(there[1])), *_marked(later, there, lambda k: KINDS[k][1])]).astype(bool),
        np.concatenate([np.zeros(n + len(there[1])), *_marked(later, there, lambda k: k == "settled")]).astype(bool),
    )
    fills, kind, known_at = _in_order(c, there, list(later), at_stop.stop_sd_bar)
    return Model(causes, estimates, fills, kind, known_at, _stated_offsets(c, causes))


def _stated_offsets(
    c: pd.DataFrame, causes: settling_causes.Causes
) -> list[tuple[np.datetime64, np.ndarray, float, float]]:
    """What was stated of gauges' offsets: known from the day of the check, from the first where no day is given."""
    names = ["gauge", "gauge_offset_stated_bar", "gauge_limit_bar", "gauge_checked_on"]
    rows = c[c["gauge_offset_stated_bar"].notna()].drop_duplicates("gauge")[names]
    steps: dict[str, list[tuple[int, int]]] = {}
    for (of, gauge, month), column in causes.column.items():
        if of == "gauge_walk":
            steps.setdefault(gauge, []).append((month, column))
    found = []
    for gauge, offset, limit, on in rows.itertuples(index=False):
        if ("gauge", gauge, 0) not in causes.column:
            continue
        levers = np.zeros(len(causes))
        levers[causes.column["gauge", gauge, 0]] = 1.0
        month = np.datetime64(on, "M").astype(int) if pd.notna(on) else 0
        until = [pair for pair in steps.get(gauge, []) if pair[0] <= month]
        if until:
            levers[max(until)[1]] = 1.0
        at = np.datetime64(on, "us") if pd.notna(on) else np.datetime64("1900-01-01", "us")
        found.append((at, levers, float(offset), max(float(limit) / 2.0 * STATED_OFFSET_SHARE, 0.02)))
    return sorted(found, key=lambda one: one[0])


def _marked(later: dict[str, Later], there: list[np.ndarray], says) -> list[np.ndarray]:
    return [np.full(len(at), says(k)) for k, at in zip(later, there[2:], strict=True)]


def _in_order(
    c: pd.DataFrame, there: list[np.ndarray], kinds: list[str], stop_sd_bar: np.ndarray
) -> tuple[settling_causes.Fills, np.ndarray, np.ndarray]:
    """Rows of each fill's estimates, its readings in the order in which they became known."""
    n = len(c)
    begins = np.cumsum([0, *(len(at) for at in there)])
    wall = np.full(n, settling_causes.NONE)
    wall[there[1]] = begins[1] + np.arange(len(there[1]))
    row = np.full((max(len(kinds), 1), n), settling_causes.NONE)
    at = np.full(row.shape, np.datetime64("NaT", "us"))
    for i, kind in enumerate(kinds):
        row[i, there[2 + i]] = begins[2 + i] + np.arange(len(there[2 + i]))
        at[i, there[2 + i]] = c[KINDS[kind][0]].to_numpy("datetime64[us]")[there[2 + i]]
    order = np.argsort(np.where(row >= 0, at, np.datetime64("NaT", "us")), axis=0, kind="stable")  # NaT comes last
    names = np.array([*kinds, ""] if kinds else [""], dtype=object)
    kind_of = np.where(row >= 0, np.arange(len(row))[:, None], -1)
    row, at, kind_of = (np.take_along_axis(v, order, axis=0) for v in (row, at, kind_of))
    fills = settling_causes.Fills(np.arange(n), wall, row, stop_sd_bar)
    return fills, names[kind_of], at


@dataclass(frozen=True)
class _Levers:
    """Levers of one kind of estimate of every fill, by group; gauges with their own place and month."""

    per: dict[str, np.ndarray]
    gauge: np.ndarray
    gauge_per: np.ndarray
    step: np.ndarray
    fill_gauge_per: np.ndarray
    by_diver: bool = False


def _at_stop_levers(c: pd.DataFrame, known: Known, *, wall: bool) -> _Levers:
    """The heat balance: gas by all that warms it. The wall: what lies between it and the gas."""
    state, at_stop = known.state, known.at_stop.by_wall if wall else known.at_stop.by_model
    k = state.gas_per - state.wall_per if wall else state.gas_per
    rise = np.zeros(len(c)) if wall else state.gas_c - floats(c["room_c"])
    helium = floats(c["gas_he_pct"]) / 100.0
    one, zero = np.ones(len(c)), np.zeros(len(c))
    kelvin = {
        "outside": k[:, OUTSIDE],
        "natural": k[:, NATURAL],
        "natural_helium": (k[:, NATURAL] + k[:, JET]) * helium,
        "jet": k[:, JET],
        "film_size": k[:, NATURAL] + k[:, JET],
        "wall": k[:, WALL] * np.where(c["material"] == "composite", COMPOSITE_WALL_SD / PRIOR_SD["wall"], 1.0),
        "wall_size": k[:, WALL],
        "delivery": k[:, DELIVERY] * np.where(c["outlet_known"], 0.5, 1.0),
        "start": k[:, START],
        "ambient": zero if wall else one,
        "rise": rise,
        "rise_source": rise,
        "film": one if wall else zero,
    }
    step = steps_of_fills(c)
    return _Levers(
        {name: at_stop.per_k * per for name, per in kelvin.items()},
        c["gauge"].to_numpy(object), -at_stop.per_bar, step, zero,
    )  # fmt: skip


def _later_levers(c: pd.DataFrame, kind: str, reading: Later) -> _Levers:
    """Readings: their gauge, how fast the room takes heat, the fill's own gauge."""
    names = {"settled": "settled_gauge", "arrival": "arrived_gauge", "in_water": "in_water_by"}
    per = {"outside": reading.per_outside}
    gauge_per = -reading.per_bar
    on = {"settled": "settled_on", "arrival": "arrived_on", "in_water": "filled_on"}[kind]
    gauge = c[names[kind]].astype(object).where(c[names[kind]].notna(), "").to_numpy(object)
    step = gauge_steps(c[names[kind]], c[on], c)
    return _Levers(per, gauge, gauge_per, step, reading.per_fill_gauge, kind == "in_water")


def _terms(c: pd.DataFrame, blocks: list[_Levers], there: list[np.ndarray]) -> list[settling_causes.Term]:
    def joined(values: list[np.ndarray]) -> np.ndarray:
        return np.concatenate([v[at] for v, at in zip(values, there, strict=True)])

    n, rows = len(c), np.concatenate(there)
    station, source = "at " + c["station"], c["station"] + "/" + c["source"]
    material, size = c["station"] + "/" + c["material"], c["station"] + "/" + c["build"]
    levels = {
        "outside": station, "natural": station, "natural_helium": station, "jet": source, "film_size": size,
        "wall": material, "wall_size": size, "delivery": source, "start": station, "ambient": station,
        "rise": station, "rise_source": source, "film": station,
    }  # fmt: skip
    terms = []
    for name, level in levels.items():
        code, names = pd.factorize(level.astype("str"), sort=True)
        per = joined([b.per.get(name, np.zeros(n)) for b in blocks])
        terms.append(settling_causes.Term(name, np.where(per != 0.0, code[rows], -1), list(names), per, PRIOR_SD[name]))
    priors = gauge_priors(c)
    readers = joined([b.gauge for b in blocks])
    by_gauge = np.isin(readers, list(priors))
    code, names = pd.factorize(readers.astype(str), sort=True)
    per, step = joined([b.gauge_per for b in blocks]), joined([b.step for b in blocks])
    diver = joined([np.full(n, b.by_diver) for b in blocks])
    terms.append(settling_causes.Term("gauge", np.where(by_gauge, code, -1), list(names), per, 1.0, priors))
    terms.append(settling_causes.Term("gauge_walk", np.where(by_gauge, code, -1), list(names), per, 1.0, step=step))
    terms.append(settling_causes.Term("in_water", np.where(diver, code, -1), list(names), per, IN_WATER_BIAS_SD_BAR))
    own, own_names = pd.factorize(c["gauge"].astype("str"), sort=True)
    per = joined([b.fill_gauge_per for b in blocks])
    at = np.where(per != 0.0, own[rows], -1)
    step = joined([steps_of_fills(c)] * len(blocks))
    terms.append(settling_causes.Term("gauge", at, list(own_names), per, 1.0, priors))
    terms.append(settling_causes.Term("gauge_walk", at, list(own_names), per, 1.0, step=step))
    return terms


def gauge_steps(gauge: pd.Series, on: pd.Series, c: pd.DataFrame) -> np.ndarray:
    """Step of time in which a gauge is followed: months, later quarters and years, counted from its first fill.

    `c` holds fills with their gauge and since when it is in use. A step stands for its first month.
    """
    first = c[["gauge", "gauge_since"]].drop_duplicates("gauge").set_index("gauge")["gauge_since"]
    return _steps(looked_up(gauge, first), on)


def steps_of_fills(c: pd.DataFrame) -> np.ndarray:
    """That step of each fill of a station and its own gauge."""
    return _steps(c["gauge_since"], c["filled_on"])


def _steps(since: pd.Series, on: pd.Series) -> np.ndarray:
    begun = since.to_numpy("datetime64[M]").astype(int)
    month = on.to_numpy("datetime64[M]").astype(int)
    known = (begun > 0) & (month > 0)
    age = np.where(known, month - begun, 0)
    coarse = np.where(age < MONTHLY, age, np.where(age < QUARTERLY, age // 3 * 3, age // 12 * 12))
    return np.where(known, begun + np.maximum(coarse, 0), 0)


def gauge_priors(c: pd.DataFrame) -> dict[str, float]:
    """SD of each filling gauge's offset, bar: half its class limit. A check gauge is what they are learned against."""
    filling = c.drop_duplicates("gauge")
    sds = floats(filling["gauge_limit_bar"]) / 2.0
    return {gauge: max(float(sd), 1e-3) for gauge, sd in zip(filling["gauge"], sds, strict=True)}
