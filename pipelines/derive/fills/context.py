"""Fills with everything that is looked up for them: unit, gauge, source, mix, the later reading.

One frame with a row a fill in the order of time; what is not known stays empty and is said in `flags`.
"""

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats, in_time, looked_up
from pipelines.derive.fills.between import gas_from_elsewhere, readings_between
from pipelines.derive.fills.chain import chain_of_fills
from pipelines.derive.fills.residue import follow_residue
from pipelines.derive.fills.slips import CLOCKS_DIFFER, impossible_times
from pipelines.derive.fills.station_wide import gas_to_fill, limit_bar, with_station_wide
from pipelines.derive.fleet.inspections import local_day, unit_states_at
from pipelines.derive.readings_apart import APART
from pipelines.derive.units import OF_FILLS, cylinders_of_units_on
from schemas.codes import codes_that
from schemas.frames import lists
from schemas.policy import Policy
from schemas.sources import SOURCES
from shared.filling.conditions import (
    PLAUSIBLE_RISE_K,
    believed_wall_mass,
    delivery,
    outlet_rise_k,
)
from shared.filling.size_class import size_class
from shared.gas import thermal
from shared.gas.constants import AIR_O2_PCT, REFERENCE_C
from shared.gas.mixing import TRACE_PCT
from shared.gas.walls import wall_heat_capacity_j_k, wall_resistance_m2_k_w

OF_ROWS = [*sorted(codes_that(lambda c: c.time_taken)), APART]
"""What the flags of a fill's row say of it."""
NO_HOUR = ("date_without_time", "month_without_day")
MINUTES = (SOURCES["fills"].fields["fill_minutes"].low, SOURCES["fills"].fields["fill_minutes"].high)
THICK_FROM_BAR = 250.0
"""Cylinders above this working pressure have walls of another thickness for their size."""
WARM_K = 20.0
"""How much warmer than the room the gas is taken to be at stop, before anything is computed."""
ARGON_STATED_PCT = 1.0


class FillContext(NamedTuple):
    """Fills with what is looked up for them; their chain by cylinder; what cylinders read between them; in which state
    each was by its inspections (see `unit_states_at`).
    """

    fills: pd.DataFrame
    chain: pd.DataFrame
    readings: pd.DataFrame
    inspected: pd.DataFrame


def fill_context(
    inputs: dict[str, pd.DataFrame],
    units: pd.DataFrame,
    policy: Policy,
    first_readings: pd.DataFrame | None,
    only: Callable[[pd.DataFrame], np.ndarray] | None = None,
    all_fills: pd.DataFrame | None = None,
) -> FillContext:
    """Fills in the order of time, joined with what is known about their unit, gauge and source.

    Parameters
    ----------
    only : callable, optional
        Which of the fills, in the order of time, are asked for, as a mask: all fills of some cylinders, for these find
        their gas in one another. What the station's other fills say of them is in their context all the same.
    all_fills : DataFrame, optional
        What `station_wide_fills` gives of these inputs, where it is at hand.
    """
    fills = station_wide_fills(inputs, units, policy) if all_fills is None else all_fills
    if only is not None:
        fills = fills[only(fills)].reset_index(drop=True)
    marks = {"values_assumed": (fills["ambient_assumed"] | fills["start_assumed"]).to_numpy(bool)}
    marks |= dict(zip(OF_ROWS, _held(fills, "value_flags", OF_ROWS), strict=True))
    fills = _with_unit(fills, inputs, units, marks)
    fills = _with_delivery(fills, inputs)
    chain = chain_of_fills(inputs, fills, fills["filled_on"])
    fills = _with_minutes(fills, marks)
    readings = readings_between(inputs, fills, chain, policy)
    fills = _with_mix(fills, chain, readings, policy, marks)
    fills["last_dive_at"] = _last_dive_at(fills, inputs, "filled_at")
    fills["last_dive_before_settled_at"] = _last_dive_at(fills, inputs, "settled_at")
    fills = _with_arrival(fills)
    fills = _with_settled(fills, inputs["gauges"], policy, first_readings, marks)
    fills["marks"] = pd.Series(lists(marks, len(fills)), index=fills.index, dtype="object")
    return FillContext(fills, chain, readings, _inspected(inputs, fills, policy))


def _inspected(inputs: dict[str, pd.DataFrame], fills: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """The state of each unit by its inspections when it was filled; what soiled it are fills of its own cylinders."""
    rows = inputs["fills"]
    if len(fills) < len(rows):
        rows = rows[rows["fill_id"].isin(fills["fill_id"])]
    return unit_states_at({**inputs, "fills": rows}, policy, fills["unit_id"], fills["filled_at"])


def station_wide_fills(inputs: dict[str, pd.DataFrame], units: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """All fills in the order of time, with what all of a station say of each."""
    fills = inputs["fills"].take(in_time(inputs["fills"])).reset_index(drop=True)
    fills["filled_on"] = local_day(fills["filled_at"], policy.time_zone)
    fills["station"] = fills["station_id"].astype(object).where(fills["station_id"].notna(), "")
    fills["ambient_assumed"], fills["start_assumed"] = _held(fills, "assumed", ("ambient_c", "start_pressure_bar"))
    return with_station_wide(fills, inputs, units)


def _held(fills: pd.DataFrame, column: str, words: Sequence[str]) -> list[np.ndarray]:
    """For each word, true for the fills whose list in this column holds it; most lists are empty, or missing."""
    values = fills[column].to_numpy(object) if column in fills else np.empty(0, object)
    kinds = (list, tuple, np.ndarray)
    filled = [i for i, v in enumerate(values) if isinstance(v, kinds) and len(v)]
    out = np.zeros((len(words), len(fills)), bool)
    for i in filled:
        out[:, i] = [word in values[i] for word in words]
    return list(out)


def _with_unit(fills: pd.DataFrame, inputs: dict, units: pd.DataFrame, marks: dict) -> pd.DataFrame:
    fills = fills.merge(units[[c for c in OF_FILLS if c in units]], on="unit_id", how="left")
    pairs = cylinders_of_units_on(inputs, fills["unit_id"], fills["filled_on"])
    no_hour = np.any([marks[code] for code in NO_HOUR], axis=0)
    marks |= impossible_times(fills, pairs, inputs, no_hour)
    fills["cylinders"] = np.maximum(np.bincount(pairs["row"], minlength=len(fills)), 1).astype(float)
    fills["material"] = fills["material"].astype(object).where(fills["material"].notna(), "")
    stamped = floats(fills["empty_mass_kg"]) if "empty_mass_kg" in fills else np.full(len(fills), np.nan)
    mass = believed_wall_mass(
        fills["material"], floats(fills["water_capacity_l"]), floats(fills["working_pressure_bar"]), stamped
    )
    fills["mass_known"] = mass.stamped
    fills["wall_j_k"] = wall_heat_capacity_j_k(fills["material"], mass.mass_kg)
    fills["wall_m2_k_w"] = wall_resistance_m2_k_w(fills["material"])
    marks["wall_mass_doubtful"] = mass.doubtful
    marks["wall_mass_estimated"] = ~mass.stamped
    fills["size"] = size_class(floats(fills["water_capacity_l"]))
    thick = np.where(floats(fills["working_pressure_bar"]) > THICK_FROM_BAR, " of 300 bar", "")
    fills["build"] = fills["material"] + ", " + fills["size"] + thick
    return fills


def _with_delivery(fills: pd.DataFrame, inputs: dict) -> pd.DataFrame:
    """How warm, and at what pressure, each fill's source delivers."""
    ambient, stop = floats(fills["room_c"]), floats(fills["stop_pressure_bar"])
    bank = (fills["source_kind"] == "bank").to_numpy()
    rise = _outlet_rise_by_then_k(fills, inputs["compressor_log"])
    fills["outlet_known"] = np.isfinite(rise)
    fills["delivery_c"], fills["delivery_bar"] = delivery(bank, ambient, stop, rise)
    return fills


def _outlet_rise_by_then_k(fills: pd.DataFrame, log: pd.DataFrame) -> np.ndarray:
    """How much warmer than its surroundings each fill's compressor delivers, K, by what its log said until then."""
    warmer = (log["outlet_c"] - log["ambient_c"]).astype(float)
    read = log.assign(rise=warmer, source=log["compressor_id"].astype("str"))
    read = read[read["rise"].notna() & read["read_at"].notna()]
    read = read.sort_values("read_at", kind="stable", ignore_index=True)
    if read.empty:
        return np.full(len(fills), np.nan)
    read["rise"] = read.groupby("source")["rise"].expanding().median().droplevel(0)
    read["rise"] = read["rise"].where(read["rise"].between(*PLAUSIBLE_RISE_K))
    asked = fills[["filled_at"]].assign(source=fills["source"].astype("str")).reset_index()
    found = pd.merge_asof(
        asked.sort_values("filled_at", kind="stable"), read[["read_at", "source", "rise"]],
        left_on="filled_at", right_on="read_at", by="source",
    )  # fmt: skip
    return floats(found.set_index("index")["rise"].reindex(fills.index))


def outlet_rises_k(compressor_log: pd.DataFrame) -> pd.Series:
    """How much warmer than its surroundings each compressor delivers, K, by its log."""
    found = {
        name: outlet_rise_k(rows["outlet_c"], rows["ambient_c"])
        for name, rows in compressor_log.groupby("compressor_id")
    }
    return pd.Series(found, dtype="float64", index=pd.Index(list(found), dtype=object))


def most_settled_bar_15c(fills: pd.DataFrame) -> np.ndarray:
    """The most that each fill can settle to: its gas at stop is at least as warm as the room."""
    most = thermal.settled_pressure_bar(
        floats(fills["most_read_bar"]), floats(fills["ambient_c"]), REFERENCE_C, strict=False
    )
    return np.asarray(most)


def _with_mix(
    fills: pd.DataFrame, chain: pd.DataFrame, readings: pd.DataFrame, policy: Policy, marks: dict
) -> pd.DataFrame:
    """The mix taken for the gas laws: as analysed, else as residue and addition make it, else as asked for.

    An analysis of oxygen says nothing of helium or argon: of these the expected share stands until they are analysed.
    """
    ambient = floats(fills["ambient_c"])
    elsewhere = gas_from_elsewhere(fills, chain, readings, policy, most_settled_bar_15c(fills))
    followed = follow_residue(
        fills, chain, ambient + WARM_K, elsewhere, policy.filling.least_arrival_bar, policy.filling.mix_tolerance_pct
    )
    left = {"he": followed.helium_left_pct, "ar": followed.argon_left_pct}
    analysed = {gas: floats(fills[f"analysed_{gas}_pct"]) for gas in ("o2", "he")}
    analysed["o2"] = np.where(np.isfinite(analysed["o2"]), analysed["o2"], floats(fills["second_analysed_o2_pct"]))
    taken = {}
    for gas in ("o2", "he", "ar"):
        foreseen = np.round(followed.expected[gas], 1)  # so that rows share their gas tables
        mix = np.where(np.isfinite(foreseen), foreseen, floats(fills[f"target_{gas}_pct"]))
        if gas in left:
            mix = np.fmax(mix, np.where(left[gas] >= TRACE_PCT, np.round(left[gas], 1), np.nan))
        known = analysed.get(gas, np.full(len(fills), np.nan))
        taken[gas] = np.where(np.isfinite(known), known, mix)
    o2, he, ar = taken["o2"], np.nan_to_num(taken["he"]), np.nan_to_num(taken["ar"])
    o2 = np.where(np.abs(o2 - AIR_O2_PCT) < 0.06, AIR_O2_PCT, o2)
    marks["mix_impossible"] = o2 + he + ar > 100.0 + 1e-6
    fills["gas_o2_pct"] = np.where(marks["mix_impossible"], np.nan, o2)
    fills["gas_he_pct"] = he
    for gas in ("o2", "he"):
        fills[f"unknown_{gas}_share"] = np.where(np.isfinite(analysed[gas]), 0.0, np.nan_to_num(followed.unknown_share))
    fills["gas_ar_pct"] = np.where(ar > ARGON_STATED_PCT, ar, np.nan)
    return fills


def _with_minutes(fills: pd.DataFrame, marks: dict) -> pd.DataFrame:
    """Minutes of the fill; where nobody logged them, at the rate usual for the source."""
    minutes = floats(fills["fill_minutes"])
    fills["minutes_known"] = np.isfinite(minutes)
    measure = gas_to_fill(fills, floats(fills["water_capacity_l"]))
    assumed = np.clip(np.maximum(measure, 1.0) / floats(fills["usual_rate"]), *MINUTES)
    fills["minutes"] = np.where(fills["minutes_known"], minutes, assumed)
    fills["minutes_sd"] = np.where(fills["minutes_known"], 0.0, fills["rate_scatter"])
    marks["fill_minutes_assumed"] = ~fills["minutes_known"].to_numpy()
    return fills


def _with_arrival(fills: pd.DataFrame) -> pd.DataFrame:
    """What the unit read when it came to its next fill, where no dive and no stated value lies between."""
    begun = fills["filled_at"] - pd.to_timedelta(fills["minutes"].astype(float), unit="min")
    seen = pd.DataFrame(
        {
            "arrived_bar": fills["start_pressure_bar"].where(~fills["start_assumed"]),
            "arrived_room_c": fills["room_c"],
            "arrived_room_sd_k": fills["room_sd_k"],
            "arrived_gauge": fills["gauge"],
            "arrived_step_bar": fills["gauge_step_bar"],
            "arrived_on": fills["filled_on"],
            "arrived_known_at": fills["filled_at"],
            "begun": begun,
            "dived": fills["last_dive_at"],
        }
    )
    later = seen.groupby(fills["unit_id"], dropna=True).shift(-1).reindex(fills.index)
    hours = (later["begun"] - fills["filled_at"]).dt.total_seconds() / 3600.0
    apart = (later["dived"] > fills["filled_at"]).fillna(False) | ~(hours > MINUTES_APART / 60.0)
    later["arrived_bar"] = later["arrived_bar"].mask(apart).astype(float)
    later["arrived_hours"] = hours.clip(lower=0.0)
    return pd.concat([fills, later.drop(columns=["begun", "dived"])], axis=1)


MINUTES_APART = 5.0
"""A fill begun sooner after the unit's last one went on with it: its start says nothing of how warm that was."""


def _last_dive_at(fills: pd.DataFrame, inputs: dict[str, pd.DataFrame], moment: str) -> pd.Series:
    """When the unit was last dived before a moment of each fill; NaT where it has none."""
    tanks = inputs["dive_tanks"][["member_id", "dive_id", "unit_id"]].dropna(subset=["unit_id"])
    dives = inputs["dives"][["member_id", "dive_id", "started_at"]].dropna(subset=["started_at"])
    if not (len(tanks) and len(dives)):
        return pd.Series(pd.NaT, fills.index, dtype="datetime64[us, UTC]")
    dived = tanks.merge(dives, on=["member_id", "dive_id"])[["unit_id", "started_at"]].drop_duplicates()
    asked = fills[["unit_id", moment]].assign(unit_id=fills["unit_id"].astype("str")).dropna(subset=[moment])
    found = pd.merge_asof(
        asked.reset_index().sort_values(moment, kind="stable"),
        dived.astype({"unit_id": "str"}).sort_values("started_at", kind="stable"),
        left_on=moment, right_on="started_at", by="unit_id",
    )  # fmt: skip
    return found.set_index("index")["started_at"].reindex(fills.index)


def _with_settled(
    fills: pd.DataFrame, gauges: pd.DataFrame, policy: Policy, first_readings: pd.DataFrame | None, marks: dict
) -> pd.DataFrame:
    reading, at_c = floats(fills["settled_pressure_bar"]), floats(fills["settled_c"])
    stated_at = fills["settled_at"].notna().to_numpy()
    hours = (fills["settled_at"] - fills["filled_at"]).dt.total_seconds().to_numpy(float, na_value=np.nan) / 3600.0
    read = np.isfinite(reading)
    next_fill = fills.groupby("unit_id")["filled_at"].shift(-1)
    marks["settled_temperature_missing"] = read & ~np.isfinite(at_c)
    marks["settled_before_stop"] = read & stated_at & (hours < 0)
    marks["settled_after_next_fill"] = read & stated_at & (fills["settled_at"] >= next_fill).to_numpy()
    marks["settled_time_assumed"] = read & ~stated_at
    # a reading on the way into the water is one of the fill: clocks differ
    dived = fills["last_dive_before_settled_at"]
    after = (dived > fills["filled_at"]) & (fills["settled_at"] > dived + CLOCKS_DIFFER)
    marks["settled_after_dive"] = read & stated_at & after.fillna(False).to_numpy(bool)
    out_of_turn = [marks[f"settled_{code}"] for code in ("before_stop", "after_next_fill", "after_dive")]
    usable = read & np.isfinite(at_c) & ~np.logical_or.reduce(out_of_turn)
    hours = np.where(stated_at, hours, policy.filling.settle_hours)
    marks["settled_early"] = usable & (hours < policy.filling.settle_hours)
    fills["settled_time_assumed"] = ~stated_at
    fills["settled_usable"], fills["settled_hours"] = usable, np.where(usable, hours, np.nan)
    cold_at = fills["filled_at"] + pd.Timedelta(hours=policy.filling.settle_hours)
    fills["settled_known_at"] = fills["settled_at"].where(fills["settled_at"].notna(), cold_at)
    fills["settled_on"] = local_day(fills["settled_known_at"], policy.time_zone)
    known, given = gauges.drop_duplicates("gauge_id", keep="last").set_index("gauge_id"), fills["settled_gauge_id"]
    limit = limit_bar(given, known)
    fills["settled_limit_bar"] = np.where(given.isna(), policy.filling.check_gauge_limit_bar, limit)
    fills["settled_offset_stated_bar"] = looked_up(given, known["offset_bar"]).astype(float)
    fills["settled_checked_on"] = looked_up(given, known["checked_on"]).astype("datetime64[us]")
    fills["settled_step_bar"] = np.fmax(floats(looked_up(given, known["step_bar"])), fills["settled_step_bar"])
    return with_readings_in_water(fills, first_readings)


def with_readings_in_water(fills: pd.DataFrame, first_readings: pd.DataFrame | None) -> pd.DataFrame:
    """The fills of a context with what transmitters read in the water of the dive that followed, and no other."""
    fills = fills.copy(deep=False)
    for name in ("in_water_bar", "in_water_c", "in_water_minutes", "in_water_sd_bar"):
        fills[name] = np.nan
    fills["in_water_by"] = "divers at " + fills["station"]
    for name in ("in_water_known_at", "in_water_dived_at"):
        fills[name] = pd.Series(pd.NaT, fills.index, dtype="datetime64[us, UTC]")
    if first_readings is not None and len(first_readings):
        soft = first_readings.drop_duplicates("fill_id").set_index("fill_id")
        for name, column in (
            ("in_water_bar", "pressure_bar"),
            ("in_water_c", "water_c"),
            ("in_water_minutes", "minutes"),
        ):
            fills[name] = looked_up(fills["fill_id"], soft[column]).astype(float)
        if "sd_bar" in soft:
            fills["in_water_sd_bar"] = looked_up(fills["fill_id"], soft["sd_bar"]).astype(float)
        if "member_id" in soft:
            who = looked_up(fills["fill_id"], soft["member_id"]).astype(object)
            fills["in_water_by"] = ("diver " + who).where(who.notna(), fills["in_water_by"])
        if "read_at" in soft:
            fills["in_water_known_at"] = looked_up(fills["fill_id"], soft["read_at"]).astype("datetime64[us, UTC]")
        if "dived_at" in soft:
            fills["in_water_dived_at"] = looked_up(fills["fill_id"], soft["dived_at"]).astype("datetime64[us, UTC]")
    # without a moment of its own the reading counts as known the day after the fill
    late = fills["filled_at"] + pd.Timedelta(days=1)
    fills["in_water_known_at"] = fills["in_water_known_at"].where(fills["in_water_known_at"].notna(), late)
    return fills
