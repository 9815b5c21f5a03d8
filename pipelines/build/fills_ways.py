"""Ways to the settled pressure of a fill: by the heat balance, by the wall, by a later reading.

Each is linear about its best guess: bar of settled pressure per kelvin of gas and per bar of reading.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.build.columns import floats
from shared import cooling, fill_heat, thermal
from shared.constants import REFERENCE_C
from shared.gauges import reading_sd_bar
from shared.walls import surface_m2

WALL, OUTSIDE, INSIDE, DELIVERY, START = range(len(fill_heat.PARAMETERS))
AMBIENT_SD_K = 0.8
"""Ambient is logged to a degree or so: between uniform ±1 K (0.58) and normal with SD 1 K."""
ASSUMED_AMBIENT_SD_K, ASSUMED_START_SD_BAR = 5.0, 25.0
"""What a value that the settings state for all fills is worth."""
WALL_READING_SD_K = 1.5
WALL_DOUBTFUL_K = 30.0
"""One spot of the wall by hand; further off than this from the heat balance it was not this wall."""
SETTLED_SD_K = 0.5
SLOWER, TRAILS_SHARE = 1.3, 0.7
"""Cooling may be this much slower than computed; and surroundings that went from the ambient to the settled
temperature at one pace are followed a time constant behind (the exact answer is 1; some change early)."""
RELAXED_SHARE = 0.3
"""Uncertain share of the warmth that is left when a reading is taken early."""
IN_WATER_SD_K = 1.0
TRANSMITTER_SD_BAR = 2.0
IN_WATER_LEAST_SD_BAR = 1.0
MINUTES_SD = 0.5
"""Of the logarithm of minutes that nobody logged."""
PROCESS_BAR, PROCESS_SHARE = 0.3, 0.04
"""What no two fills have in common: in bar, and as a share of the cooling."""
WARM_HOURS, USED_BAR, MOST_TOP_UPS = 6.0, 60.0, 4
"""A fill this soon after the unit's last one, which came back with no more than this used, begins warm. Six hours are
seven time constants; a greater fall of pressure is a dive, and water takes the heat away."""
WARM_START_SHARE = 0.35
"""Uncertain share of the warmth that was left of the earlier fill: nobody logs what stood where."""
PLAUSIBLE_RISE_K = (-12.0, 90.0)
"""Gas at stop is this much warmer than the room, or a little colder where the cylinder came in from the cold; a later
reading that says otherwise is of another fill."""


@dataclass(frozen=True)
class Way:
    """Settled pressure at 15 °C by one way, its slopes, and the noise of one fill (SD), bar."""

    bar: np.ndarray
    per_k: np.ndarray
    per_bar: np.ndarray
    noise_bar: np.ndarray


@dataclass(frozen=True)
class Reading:
    """Settled pressure at 15 °C by later readings, its SD, and bar there per bar of the reading's gauge."""

    bar: np.ndarray
    sd_bar: np.ndarray
    per_bar: np.ndarray


def mix_of(c: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Oxygen, helium and argon that the gas laws are asked with, molar per cent."""
    return floats(c["gas_o2_pct"]), floats(c["gas_he_pct"]), floats(c["gas_ar_pct"])


def stop_state(c: pd.DataFrame) -> tuple[fill_heat.StopState, np.ndarray]:
    """Gas and wall at stop by the heat balance, and how warm they were when the fill began, °C.

    A cylinder filled again while still warm begins warmer than the room, by what the earlier fill left of its heat.
    """
    start_c = floats(c["ambient_c"]).copy()
    state = _stopped(c, start_c)
    row, before, seconds = _refilled_warm(c)
    for _ in range(MOST_TOP_UPS):
        # a top-up of a top-up begins with what that one left
        _, relaxed = cooled(c.iloc[before], _rows_of(state, before), floats(c["ambient_c"])[row], seconds)
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
    names = ("start_pressure_bar", "stop_pressure_bar", "ambient_c", "minutes", "water_capacity_l", "cylinders",
             "wall_j_k", "delivery_c", "delivery_bar", "gas_o2_pct", "gas_he_pct", "gas_ar_pct")
    known = [*(floats(c[name]) for name in names), start_c]
    state = fill_heat.temperature_at_stop(fill_heat.FillConditions(*known))
    still = floats(c["stop_pressure_bar"]) <= floats(c["start_pressure_bar"])
    gas_j_k = np.where(still, floats(c["water_capacity_l"]) * floats(c["stop_pressure_bar"]) * 0.9, state.gas_j_k)
    return fill_heat.StopState(
        np.where(still, start_c, state.gas_c), np.where(still, start_c, state.wall_c), gas_j_k,
        np.where(still[:, None], 0.0, state.gas_per), np.where(still[:, None], 0.0, state.wall_per),
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
        order["row"].to_numpy(int)[on], last["row"].to_numpy(float)[on].astype(int),
        np.maximum(seconds.to_numpy(float)[on], 0.0),
    )


def _linear(reading_bar: np.ndarray, gas_c: np.ndarray, mix) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    at, warmer, higher = (
        thermal.settled_pressure_bar(reading_bar + bar, gas_c + k, REFERENCE_C, *mix, strict=False)
        for bar, k in ((0.0, 0.0), (0.0, 1.0), (1.0, 0.0))
    )
    return at, warmer - at, higher - at


@dataclass(frozen=True)
class Ways:
    """By the heat balance alone, and by it together with the wall as read (NaN where it was not).

    `wall_share` is the weight of the wall's reading in the second.
    """

    by_model: Way
    by_wall: Way
    wall_share: np.ndarray
    wall_doubtful: np.ndarray


def ways(c: pd.DataFrame, state: fill_heat.StopState, start_c: np.ndarray) -> Ways:
    """Both ways of telling a fill's settled pressure before any later reading.

    The wall tells the gas temperature through the film between them; the heat balance tells it through the ambient.
    Their errors are apart, so where both are known they are weighed.
    """
    mix = mix_of(c)
    ambient, wall_c = floats(c["ambient_c"]), floats(c["wall_c"])
    stop = floats(c["stop_pressure_bar"]) - np.nan_to_num(floats(c["gauge_offset_stated_bar"]))
    step_sd = reading_sd_bar(floats(c["gauge_step_bar"]))
    bar, per_k, per_bar = _linear(stop, state.gas_c, mix)
    process = PROCESS_BAR + PROCESS_SHARE * np.abs(per_k * (state.gas_c - ambient))
    with_time = np.abs(state.gas_per[:, OUTSIDE] + state.gas_per[:, INSIDE])  # time acts as both films together
    minutes_k = np.where(c["minutes_known"], 0.0, MINUTES_SD) * with_time
    ambient_sd = np.where(c["ambient_assumed"], ASSUMED_AMBIENT_SD_K, AMBIENT_SD_K)
    risen = np.maximum(stop - floats(c["start_pressure_bar"]), 1.0)
    start_k = np.where(c["start_assumed"], ASSUMED_START_SD_BAR * np.abs(state.gas_c - ambient) / risen, 0.0)
    warm_k = WARM_START_SHARE * (start_c - ambient) * state.gas_per[:, START]
    apart = per_k**2 * (ambient_sd**2 + minutes_k**2 + start_k**2 + warm_k**2) + process**2
    by_model = Way(bar, per_k, per_bar, np.sqrt((per_bar * step_sd) ** 2 + apart))

    doubtful = np.abs(wall_c - state.wall_c) > WALL_DOUBTFUL_K
    by_film = np.where(doubtful, np.nan, wall_c) + (state.gas_c - state.wall_c)
    of_wall = (per_k * WALL_READING_SD_K) ** 2 + (process / 2) ** 2
    share = apart / (apart + of_wall)
    bar, per_k, per_bar = _linear(stop, share * by_film + (1.0 - share) * state.gas_c, mix)
    noise = np.sqrt((per_bar * step_sd) ** 2 + apart * of_wall / (apart + of_wall))
    return Ways(by_model, Way(bar, per_k, per_bar, noise), share, doubtful)


def settled_reading(c: pd.DataFrame, state: fill_heat.StopState, settle_hours: float) -> Reading:
    """By a reading of the closed cylinder at rest; taken early, the gas is relaxed from the heat balance's stop."""
    reading = floats(c["settled_pressure_bar"]) - np.nan_to_num(floats(c["settled_offset_stated_bar"]))
    reading = np.where(c["settled_usable"], reading, np.nan)
    surroundings, hours, wall = floats(c["settled_c"]), floats(c["settled_hours"]), floats(c["wall_j_k"])
    constant = cooling.time_constant_s(
        state.gas_j_k, wall, surface_m2(floats(c["water_capacity_l"]), floats(c["cylinders"]))
    )
    relaxed, _ = cooled(c, state, surroundings, hours * 3600.0)
    early = (hours < settle_hours) & np.isfinite(relaxed)
    gas_c = np.where(early, relaxed, surroundings)
    bar, per_k, per_bar = _linear(reading, gas_c, mix_of(c))
    warmth = np.where(early, np.abs(gas_c - surroundings) * RELAXED_SHARE, 0.0)
    # taken for settled it still holds what a slower cooling would have left, and trails surroundings that changed
    slower, _ = cooled(c, state, surroundings, hours * 3600.0, SLOWER)
    left_k = np.where(early, 0.0, np.nan_to_num(np.abs(slower - surroundings)))
    behind = np.minimum(constant / np.maximum(hours * 3600.0, 1.0), 1.0)
    changed_k = np.abs(surroundings - floats(c["ambient_c"]))
    trails_k = np.where(early, 0.0, np.nan_to_num(TRAILS_SHARE * behind * changed_k))
    of_gas_k2 = SETTLED_SD_K**2 + warmth**2 + left_k**2 + trails_k**2
    step_sd, offset_sd = reading_sd_bar(floats(c["settled_step_bar"])), floats(c["settled_limit_bar"]) / 2.0
    sd = np.sqrt(per_bar**2 * (step_sd**2 + offset_sd**2) + per_k**2 * of_gas_k2)
    sensible = np.isfinite(bar)
    return Reading(bar, sd, np.where(sensible, per_bar, 0.0))


def in_water_reading(c: pd.DataFrame, settle_minutes: float) -> Reading:
    """By the first steady reading in the water of the dive that followed."""
    bar, per_k, per_bar = _linear(floats(c["in_water_bar"]), floats(c["in_water_c"]), mix_of(c))
    warmth = np.where(floats(c["in_water_minutes"]) >= settle_minutes, 0.0, 2.0)
    sd = np.sqrt((per_bar * TRANSMITTER_SD_BAR) ** 2 + per_k**2 * (IN_WATER_SD_K**2 + warmth**2))
    stated = floats(c["in_water_sd_bar"])
    told = np.maximum(per_bar * stated, IN_WATER_LEAST_SD_BAR)
    return Reading(bar, np.where(stated > 0, told, sd), per_bar)


def implausible(c: pd.DataFrame, bar_15c: np.ndarray) -> np.ndarray:
    """True where a settled pressure asks for gas at stop that no fill makes: the reading is of something else."""
    stop, ambient, mix = floats(c["stop_pressure_bar"]), floats(c["ambient_c"]), mix_of(c)
    hottest = np.minimum(ambient + PLAUSIBLE_RISE_K[1], fill_heat.CELSIUS_MOST - 1.0)
    coldest = np.maximum(ambient + PLAUSIBLE_RISE_K[0], fill_heat.CELSIUS_LEAST + 1.0)
    least = thermal.settled_pressure_bar(stop, hottest, REFERENCE_C, *mix, strict=False)
    most = thermal.settled_pressure_bar(stop, coldest, REFERENCE_C, *mix, strict=False)
    slack = 1.5 * floats(c["gauge_limit_bar"])
    return np.isfinite(bar_15c) & ~((bar_15c > least - slack) & (bar_15c < most + slack))
