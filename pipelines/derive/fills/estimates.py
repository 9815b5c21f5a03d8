"""Estimates of what each fill settles to: by the heat balance, by the wall, by readings that came later.

Each is linear about its best guess: bar of settled pressure per kelvin of gas and per bar of reading.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats
from shared.filling import heat as fill_heat
from shared.filling.gauges import reading_sd_bar
from shared.gas import cooling, thermal
from shared.gas.constants import REFERENCE_C
from shared.gas.walls import surface_m2

WALL, OUTSIDE, NATURAL, JET, DELIVERY, START = range(len(fill_heat.PARAMETERS))
START_SD_K = 0.8
"""How far from the room's temperature a cylinder is when its fill begins; nobody logs where it stood."""
ASSUMED_START_SD_BAR = 25.0
"""What a start pressure that the settings state for all fills is worth."""
WALL_READING_SD_K = 1.3
WALL_DOUBTFUL_K = 30.0
"""One spot of the wall by hand; further off than this from the heat balance it was not this wall."""
SETTLED_SD_K, ARRIVED_SD_K = 0.5, 1.2
"""Gas of a cylinder at rest against the room's thermometer; and of one that was brought in, from wherever it stood."""
THERMOMETER_SD_K = 0.3
"""What all readings of a room's thermometer have in common: nothing that is read tells it, so it stays."""
TRAILS_SHARE = 0.7
"""Surroundings that went from one temperature to another at one pace are followed a time constant later (the exact
answer is 1; some change early)."""
WARMTH_SHARE = 0.12
"""Uncertain share of the warmth that is left when a reading is taken early, beside what the causes say."""
UNCOMPUTED_RISE_K, UNCOMPUTED_SHARE, UNCOMPUTED_S = 25.0, 0.5, 3000.0
"""Gas of a cylinder whose heat cannot be computed (not in the register, no start pressure): how much warmer than the
room it is taken to be at stop, the uncertain share of that, and how fast it goes (a steel 12's 50 minutes)."""
MOST_WALK_K2_H = 0.1
"""A room's walls let it wander by a third of a kelvin in an hour. Logs that jump about more say where the thermometer
was; a change from stop to reading is counted by itself."""
KEPT_SHARE, MOST_KEPT = 0.6, 0.8
"""Gas that was warmer at stop than computed leaves gas and wall together this share warmer."""
LEAK_BAR_DAY = 0.03
"""What a cylinder that nobody used may lose between two readings, SD, bar a day."""
IN_WATER_SD_K = 1.0
TRANSMITTER_SD_BAR = 2.0
IN_WATER_LEAST_SD_BAR = 1.0
MINUTES_SD = 0.5
"""Of the logarithm of minutes that nobody logged, before the source's other fills say it."""
PROCESS_BAR, PROCESS_SHARE = 0.2, 0.03
"""What no two fills have in common: in bar, and as a share of the cooling."""
WARM_HOURS, USED_BAR, MOST_TOP_UPS = 6.0, 60.0, 4
"""A fill this soon after the unit's last one, which came back with no more than this used, begins warm. Six hours are
seven time constants; a greater fall of pressure is a dive, and water takes the heat away."""
WARM_START_SHARE = 0.35
"""Uncertain share of the warmth that was left of the earlier fill: nobody logs what stood where."""
ARRIVED_DAYS = 90.0
ARRIVED_BAR = (-30.0, 20.0)
"""A cylinder that comes back within so many days and so near to what it should have settled to may be unused."""
PLAUSIBLE_RISE_K = (-12.0, 90.0)
"""Gas at stop is this much warmer than the room, or a little colder where the cylinder came in from the cold; a later
reading that says otherwise is of another fill."""


@dataclass(frozen=True)
class AtStop:
    """Settled pressure at 15 °C by what is known at stop, bar, its slopes, and the noise of one fill (SD), bar.

    `stop_sd_bar` is what the reading of the stop pressure adds, which the heat balance and the wall share.
    """

    bar: np.ndarray
    per_k: np.ndarray
    per_bar: np.ndarray
    noise_bar: np.ndarray


@dataclass(frozen=True)
class Later:
    """Settled pressure at 15 °C by a later reading, its noise (SD), bar there per bar of the reading's gauge.

    `per_fill_gauge` is bar per bar of the fill's own gauge, `per_outside` per unit of the logarithm of the film
    outside, `per_k` per kelvin of the room's thermometer.
    """

    bar: np.ndarray
    sd_bar: np.ndarray
    per_bar: np.ndarray
    per_k: np.ndarray
    per_fill_gauge: np.ndarray
    per_outside: np.ndarray


def mix_of(c: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Oxygen, helium and argon that the gas laws are asked with, molar per cent."""
    return floats(c["gas_o2_pct"]), floats(c["gas_he_pct"]), floats(c["gas_ar_pct"])


def stop_state(c: pd.DataFrame) -> tuple[fill_heat.StopState, np.ndarray]:
    """Gas and wall at stop by the heat balance, and how warm they were when the fill began, °C.

    A cylinder filled again while still warm begins warmer than the room, by what the earlier fill left of its heat.
    """
    start_c = floats(c["room_c"]).copy()
    state = _stopped(c, start_c)
    row, before, seconds = _refilled_warm(c)
    for _ in range(MOST_TOP_UPS):
        # a top-up of a top-up begins with what that one left
        _, relaxed = cooled(c.iloc[before], _rows_of(state, before), floats(c["room_c"])[row], seconds)
        moved = np.isfinite(relaxed) & (np.abs(relaxed - start_c[row]) > 0.05)
        if not moved.any():
            break
        start_c[row[moved]] = relaxed[moved]
        again = _stopped(c.iloc[row[moved]], start_c[row[moved]])
        for name, value in again.__dict__.items():
            getattr(state, name)[row[moved]] = value
    return state, start_c


def cooled(
    c: pd.DataFrame, state: fill_heat.StopState, room_c: np.ndarray, seconds: np.ndarray, slower: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Gas, and gas and wall together, so many seconds after stop, °C; `slower` is a factor on the time it takes."""
    wall = floats(c["wall_j_k"])
    return cooling.cooled_c(
        state.gas_c, cooling.gas_and_wall_c(state.gas_c, state.wall_c, state.gas_j_k, wall), room_c, seconds / slower,
        state.gas_j_k, wall, surface_m2(floats(c["water_capacity_l"]), floats(c["cylinders"])),
    )  # fmt: skip


def _rows_of(state: fill_heat.StopState, rows: np.ndarray) -> fill_heat.StopState:
    return fill_heat.StopState(*(value[rows] for value in state.__dict__.values()))


def _stopped(c: pd.DataFrame, start_c: np.ndarray) -> fill_heat.StopState:
    """Where nothing was added, gas and wall are as they were."""
    names = (
        "start_pressure_bar",
        "stop_pressure_bar",
        "room_c",
        "minutes",
        "water_capacity_l",
        "cylinders",
        "wall_j_k",
        "delivery_c",
        "delivery_bar",
        "gas_o2_pct",
        "gas_he_pct",
        "gas_ar_pct",
    )
    known = [*(floats(c[name]) for name in names), start_c, floats(c["wall_m2_k_w"])]
    state = fill_heat.temperature_at_stop(fill_heat.FillConditions(*known))
    still = floats(c["stop_pressure_bar"]) <= floats(c["start_pressure_bar"])
    gas_j_k = np.where(still, floats(c["water_capacity_l"]) * floats(c["stop_pressure_bar"]) * 0.9, state.gas_j_k)
    return fill_heat.StopState(
        np.where(still, start_c, state.gas_c),
        np.where(still, start_c, state.wall_c),
        gas_j_k,
        np.where(still[:, None], 0.0, state.gas_per),
        np.where(still[:, None], 0.0, state.wall_per),
    )


def _refilled_warm(c: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fills of a unit soon after its last one with little used between: their rows, those of the last, and seconds."""
    order = c.assign(row=np.arange(len(c))).sort_values(["unit_id", "filled_at"], kind="stable")
    last = order.groupby("unit_id")[["row", "filled_at", "stop_pressure_bar"]].shift()
    begun = order["filled_at"] - pd.to_timedelta(order["minutes"].astype(float), unit="min")
    seconds = (begun - last["filled_at"]).dt.total_seconds()
    soon = (seconds > -60.0) & (seconds < WARM_HOURS * 3600.0)
    soon &= order["start_pressure_bar"] > last["stop_pressure_bar"] - USED_BAR
    soon &= ~(order["last_dive_at"] > last["filled_at"])
    on = soon.fillna(False).to_numpy(bool)
    return (
        order["row"].to_numpy(int)[on],
        last["row"].to_numpy(float)[on].astype(int),
        np.maximum(seconds.to_numpy(float)[on], 0.0),
    )


def _linear(reading_bar: np.ndarray, gas_c: np.ndarray, mix) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    at, warmer, higher = (
        thermal.settled_pressure_bar(reading_bar + bar, gas_c + k, REFERENCE_C, *mix, strict=False)
        for bar, k in ((0.0, 0.0), (0.0, 1.0), (1.0, 0.0))
    )
    return at, warmer - at, higher - at


@dataclass(frozen=True)
class KnownAtStop:
    """Estimates by the heat balance and by the wall as read (NaN where it was not), before any later reading.

    `stop_sd_bar` is what the stop pressure's own reading adds to both.
    """

    by_model: AtStop
    by_wall: AtStop
    stop_sd_bar: np.ndarray
    wall_doubtful: np.ndarray


def known_at_stop(c: pd.DataFrame, state: fill_heat.StopState, start_c: np.ndarray) -> KnownAtStop:
    """The heat balance tells the gas temperature through the ambient, the wall through the film between them."""
    mix = mix_of(c)
    ambient, wall_c, stop = floats(c["room_c"]), floats(c["wall_c"]), floats(c["stop_pressure_bar"])
    step_sd = reading_sd_bar(floats(c["gauge_step_bar"]))
    bar, per_k, per_bar = _linear(stop, state.gas_c, mix)
    process = PROCESS_BAR + PROCESS_SHARE * np.abs(per_k * (state.gas_c - ambient))
    with_time = np.abs(state.gas_per[:, OUTSIDE] + state.gas_per[:, JET])  # time acts as the jet and the room do
    minutes_k = floats(c["minutes_sd"]) * with_time
    risen = np.maximum(stop - floats(c["start_pressure_bar"]), 1.0)
    start_bar = np.where(c["start_assumed"], ASSUMED_START_SD_BAR, step_sd)
    start_k = start_bar * np.abs(state.gas_c - ambient) / risen
    warm_k = np.hypot(START_SD_K, WARM_START_SHARE * (start_c - ambient)) * state.gas_per[:, START]
    noise = np.sqrt(per_k**2 * (floats(c["room_sd_k"]) ** 2 + minutes_k**2 + start_k**2 + warm_k**2) + process**2)
    by_model = AtStop(bar, per_k, per_bar, noise)
    doubtful = np.abs(wall_c - state.wall_c) > WALL_DOUBTFUL_K
    by_film = np.where(doubtful, np.nan, wall_c) + (state.gas_c - state.wall_c)
    bar_w, per_k_w, per_bar_w = _linear(stop, by_film, mix)
    noise_w = np.hypot(per_k_w * WALL_READING_SD_K, process / 2)
    return KnownAtStop(by_model, AtStop(bar_w, per_k_w, per_bar_w, noise_w), np.abs(per_bar * step_sd), doubtful)


def settled_reading(c: pd.DataFrame, state: fill_heat.StopState, at_stop: AtStop) -> Later:
    """By a reading of the closed cylinder at rest, with what is left of its heat as the heat balance has it."""
    reading = np.where(c["settled_usable"], floats(c["settled_pressure_bar"]), np.nan)
    # a check gauge's stated offset is taken out here; that of a filling gauge is followed in time
    stated = np.where(c["settled_on_check_gauge"], np.nan_to_num(floats(c["settled_offset_stated_bar"])), 0.0)
    surroundings, hours = floats(c["settled_c"]), floats(c["settled_hours"])
    changed_k = surroundings - floats(c["room_c"])
    step_sd = reading_sd_bar(floats(c["settled_step_bar"]))
    assumed = c["settled_time_assumed"].to_numpy(bool)
    return _after(c, state, at_stop, reading - stated, surroundings, hours, step_sd, SETTLED_SD_K, changed_k, assumed)


def arrival_reading(c: pd.DataFrame, state: fill_heat.StopState, at_stop: AtStop) -> Later:
    """By what the filling gauge reads when the cylinder comes back for its next fill, if nobody used it.

    On the gauge of the stop reading that gauge's offset cancels.
    """
    reading, room, hours = floats(c["arrived_bar"]), floats(c["arrived_room_c"]), floats(c["arrived_hours"])
    changed_k = room - floats(c["room_c"])
    sd = np.hypot(reading_sd_bar(floats(c["arrived_step_bar"])), LEAK_BAR_DAY * hours / 24.0)
    stood_k = np.hypot(ARRIVED_SD_K, floats(c["arrived_room_sd_k"]))
    found = _after(c, state, at_stop, reading, room, hours, sd, stood_k, changed_k)
    off = found.bar - at_stop.bar
    near = (off > ARRIVED_BAR[0]) & (off < ARRIVED_BAR[1]) & (hours < ARRIVED_DAYS * 24.0)
    return Later(np.where(near, found.bar, np.nan), *(getattr(found, n) for n in list(found.__dict__)[1:]))


def _after(
    c: pd.DataFrame, state: fill_heat.StopState, at_stop: AtStop, reading: np.ndarray, room_c: np.ndarray,
    hours: np.ndarray, reading_sd: np.ndarray, room_sd_k: float | np.ndarray, changed_k: np.ndarray,
    cold: np.ndarray | bool = False,
) -> Later:  # fmt: skip
    """A reading some hours after stop, put to the temperature that the gas had come to (`cold`: the room's).

    Gas that was warmer at stop than computed, by δ, is kept·δ warmer then. With s the settled pressure, m that of the
    heat balance, y that of the reading with the computed temperature: s = m + per_k·δ and s = y + per_k'·kept·δ, so
    s = (y − k·m)/(1 − k) with k = kept·per_k'/per_k.
    """
    seconds = hours * 3600.0
    gas_c, _ = cooled(c, state, room_c, seconds)
    log = 0.1
    slower, _ = cooled(c, state, room_c, seconds, np.exp(log))
    computed = np.isfinite(gas_c)
    at_stop_c = np.fmax(floats(c["room_c"]), room_c) + UNCOMPUTED_RISE_K
    otherwise_c = room_c + (at_stop_c - room_c) * np.exp(-seconds / UNCOMPUTED_S)
    gas_c, slower = np.where(computed, gas_c, otherwise_c), np.where(computed, slower, otherwise_c)
    left_k = np.nan_to_num(gas_c - room_c)
    gas_c, slower = (np.where(np.isfinite(v) & ~np.asarray(cold), v, room_c) for v in (gas_c, slower))
    bar, *slopes = _linear(reading, gas_c, mix_of(c))
    # levers must not hang on the reading itself: a prediction of it is made with them
    expected = np.where(np.isfinite(bar), at_stop.bar, np.nan)
    _, per_k, per_bar = (np.where(np.isfinite(v), v, s) for v, s in zip(
        _linear(expected, gas_c, mix_of(c)), (bar, *slopes), strict=True
    ))  # fmt: skip
    constant = cooling.time_constant_s(
        state.gas_j_k, floats(c["wall_j_k"]), surface_m2(floats(c["water_capacity_l"]), floats(c["cylinders"]))
    )
    constant = np.where(np.isfinite(constant), constant, UNCOMPUTED_S)
    kept = np.where(cold, 0.0, np.nan_to_num(KEPT_SHARE * np.exp(-seconds / constant)))
    k = np.clip(np.nan_to_num(kept * per_k / np.minimum(at_stop.per_k, -0.05)), 0.0, MOST_KEPT)
    follows = np.minimum(constant / np.maximum(seconds, 1.0), 1.0)
    trails_k = np.nan_to_num(TRAILS_SHARE * follows * changed_k)
    warmth_k = np.where(cold, 1.0, np.where(computed, WARMTH_SHARE, UNCOMPUTED_SHARE)) * np.abs(left_k)
    # of a room that walks, what a body that follows it with this time constant is away from it
    walk = np.minimum(np.nan_to_num(floats(c["room_walk_k2_h"]), nan=MOST_WALK_K2_H), MOST_WALK_K2_H)
    wanders_k2 = np.nan_to_num(walk * np.minimum(constant / 3600.0, hours) / 2.0)
    sd = np.sqrt((per_bar * reading_sd) ** 2 + per_k**2 * (room_sd_k**2 + trails_k**2 + warmth_k**2 + wanders_k2))
    model = np.nan_to_num(at_stop.bar)
    k = np.where(np.isfinite(at_stop.bar), k, 0.0)
    out = Later(
        (bar - k * model) / (1.0 - k),
        sd / (1.0 - k),
        per_bar / (1.0 - k),
        per_k / (1.0 - k),
        np.nan_to_num(k * at_stop.per_bar / (1.0 - k)),
        per_k * (gas_c - slower) / log / (1.0 - k),
    )
    return Later(out.bar, *(np.where(np.isfinite(out.bar), v, 0.0) for v in list(out.__dict__.values())[1:]))


def in_water_reading(c: pd.DataFrame, settle_minutes: float) -> Later:
    """By the first steady reading in the water of the dive that followed."""
    bar, per_k, per_bar = _linear(floats(c["in_water_bar"]), floats(c["in_water_c"]), mix_of(c))
    warmth = np.where(floats(c["in_water_minutes"]) >= settle_minutes, 0.0, 2.0)
    sd = np.sqrt((per_bar * TRANSMITTER_SD_BAR) ** 2 + per_k**2 * (IN_WATER_SD_K**2 + warmth**2))
    stated = floats(c["in_water_sd_bar"])
    sd = np.where(stated > 0, np.maximum(per_bar * stated, IN_WATER_LEAST_SD_BAR), sd)
    per_bar = np.where(np.isfinite(bar), per_bar, 0.0)
    zero = np.zeros(len(bar))
    return Later(bar, sd, per_bar, zero, zero, zero)


def implausible(c: pd.DataFrame, bar_15c: np.ndarray) -> np.ndarray:
    """True where a settled pressure asks for gas at stop that no fill makes: the reading is of something else."""
    stop, ambient, mix = floats(c["most_read_bar"]), floats(c["ambient_c"]), mix_of(c)
    hottest = np.minimum(ambient + PLAUSIBLE_RISE_K[1], fill_heat.CELSIUS_MOST - 1.0)
    coldest = np.maximum(ambient + PLAUSIBLE_RISE_K[0], fill_heat.CELSIUS_LEAST + 1.0)
    least = thermal.settled_pressure_bar(stop, hottest, REFERENCE_C, *mix, strict=False)
    least = np.where(np.isfinite(floats(c["stop_pressure_bar"])), least, -np.inf)
    most = thermal.settled_pressure_bar(stop, coldest, REFERENCE_C, *mix, strict=False)
    slack = 1.5 * floats(c["gauge_limit_bar"])
    return np.isfinite(bar_15c) & ~((bar_15c > least - slack) & (bar_15c < most + slack))
