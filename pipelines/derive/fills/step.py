"""The fills step: what is really in each cylinder, whether it may be handed over, and what was learned."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats
from pipelines.derive.fills.between import gas_from_elsewhere
from pipelines.derive.fills.chain import cylinders_by_fill, last_fills
from pipelines.derive.fills.context import (
    FillContext,
    fill_context,
    most_settled_bar_15c,
    with_readings_in_water,
)
from pipelines.derive.fills.history import kept_checks, settling_record, with_first_published
from pipelines.derive.fills.learned import as_frame
from pipelines.derive.fills.mix import build_mix
from pipelines.derive.fills.settling import SettledNow, settle
from pipelines.derive.fills.settling_then import settle_then
from pipelines.derive.fills.station_fills import Estimates, Settled, estimate, estimate_in_water
from pipelines.derive.fills.station_wide import as_written
from pipelines.derive.fills.verdict import build_verdict
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.filling.limits import filling_rules
from shared.filling.permitted import above_permitted
from shared.gas import mix as gas
from shared.gas import thermal
from shared.gas.constants import REFERENCE_C, Z80

UNKNOWN_SD_PCT = {"o2": 8.0, "he": 10.0}
"""How far gas of which nothing is known may be from what it is taken for, molar per cent (SD): mostly air or nitrox,
now and then trimix. Judgement, no source."""
MANY_FILLS = 2000
"""From so many fills on what is read today teaches tomorrow, so that new ones can be judged without all others."""
GAS_LAW_SD = 0.001
"""Of density by GERG-2008 (Kunz and Wagner 2012: 0.1 %)."""
KEEP = ("on_hold",)
"""Columns beside the contract's: a hold that still stands."""
FOR_DIVES = (
    "fill_id",
    "unit_id",
    "filled_at",
    "gas_c",
    "gas_and_wall_c",
    "settled_pressure_bar_15c",
    "settled_low_bar_15c",
    "settled_high_bar_15c",
    "target_pressure_bar",
    "stopped_early_free_l",
    "cooling_free_l",
    "max_operating_depth_m",
    "max_operating_depth_deco_m",
    "in_test",
)
"""What dives and their reserves look at of a fill, beside its row."""


@dataclass(frozen=True)
class PreparedFills:
    """Fills with what is looked up for them, and all estimates of what they settle to.

    `taught_until`: what was read later teaches nothing yet; None where all of it does.
    """

    context: FillContext
    estimates: Estimates
    taught_until: pd.Timestamp | None = None


def prepare_fills(
    inputs: dict[str, pd.DataFrame],
    units: pd.DataFrame,
    policy: Policy,
    dive_first_readings: pd.DataFrame | None = None,
    day_began_at: pd.Timestamp | None = None,
) -> PreparedFills:
    """What both what is believed of fills today and what was believed of them then are made from.

    Parameters
    ----------
    inputs : dict of DataFrame
        Current accepted rows of every source.
    units : DataFrame
        The `units` table.
    policy : Policy
    dive_first_readings : DataFrame, optional
        fill_id, pressure_bar, water_c, minutes, optionally sd_bar, member_id and read_at: the first steady pressure
        in the water of the dive that followed.
    day_began_at : Timestamp, optional
        From `MANY_FILLS` on what was read since then teaches nothing yet, so that a new fill moves no other.
    """
    context = fill_context(inputs, units, policy, dive_first_readings)
    many = day_began_at is not None and not pd.isna(day_began_at) and len(context.fills) >= MANY_FILLS
    until = day_began_at.tz_convert("UTC") if day_began_at is not None and many else None
    return PreparedFills(context, estimate(context.fills, policy, _without_zone(until)), until)


def read_in_water(prepared: PreparedFills, readings: pd.DataFrame | None, policy: Policy) -> PreparedFills:
    """The same fills with these first readings in the water (see `prepare_fills`) in the place of those they had."""
    context, until = prepared.context, prepared.taught_until
    fills = with_readings_in_water(context.fills, readings)
    estimates = estimate_in_water(prepared.estimates, fills, policy, _without_zone(until))
    return PreparedFills(context._replace(fills=fills), estimates, until)


def _without_zone(moment: pd.Timestamp | None) -> np.datetime64 | None:
    return None if moment is None else moment.tz_localize(None).to_datetime64()


def build_fills_today(
    prepared: PreparedFills,
    inputs: dict[str, pd.DataFrame],
    policy: Policy,
    as_of_on: pd.Timestamp | None = None,
) -> dict[str, pd.DataFrame]:
    """The tables fill_quality (handed_over_* are today's), settling_model and gauge_check.

    Beside them `settling_corrections`: what each station's record says of its next predictions; and of a station of
    many fills `settling_learned`: what its readings have taught (see `judge_some`).

    Parameters
    ----------
    as_of_on : Timestamp, optional
        Today: later air tests are not known yet. Not needed where `inputs` hold none.
    """
    now, tables = settle(prepared.estimates, policy)
    c, gauges, known = prepared.context.fills, tables.gauges, None
    if prepared.taught_until is not None:
        gauges, known = with_this_month(gauges, c), {one.station: one.settled_known_at for one in tables.learned}
    frame = judged(prepared.context, now, gauges, inputs, policy, as_of_on, settled_known_at=known)
    made = {"settling_model": tables.model, "gauge_check": tables.gauges}
    declared = {name: conform(table, TABLES[name].fields.values()) for name, table in made.items()}
    taught = prepared.estimates.taught
    return {k: v.reset_index(drop=True) for k, v in declared.items()} | {
        "fill_quality": frame,
        "settling_corrections": tables.corrections,
        "settling_learned": as_frame([one for one in tables.learned if one.station in taught]),
    }


def judged(
    context: FillContext,
    s: SettledNow,
    gauges: pd.DataFrame,
    inputs: dict[str, pd.DataFrame],
    policy: Policy,
    as_of_on: pd.Timestamp | None = None,
    *,
    settled_known_at: Mapping[str, np.ndarray] | None = None,
) -> pd.DataFrame:
    """The table fill_quality of some fills, with handed_over_* as of today.

    Parameters
    ----------
    context : FillContext
        All fills of some cylinders.
    s : SettledNow
        What these settle to.
    gauges : DataFrame
        gauge_check.
    settled_known_at : mapping of ndarray, optional
        By station, when all its settled readings became known, in order; where the context holds some fills alone.
    """
    c = context.fills
    q, unknown_mix = _pressures(c, s, policy)
    _in_water(c, q, _dives_that_teach(inputs), policy)
    _content(c, q, s, unknown_mix)
    mix = _mix(context, q, policy)
    marks = [list(found) for found in c["marks"]]
    for code, mask in (("settled_reading_doubtful", s.doubtful), ("wall_reading_doubtful", s.wall_doubtful)):
        for at in np.flatnonzero(mask):
            marks[at].append(code)
    c = as_written(c).assign(marks=pd.Series(marks, c.index, dtype="object"))
    of_fills = context._replace(fills=c)
    verdict = build_verdict(of_fills, q, mix, inputs, policy, _drifting(c, gauges), as_of_on, settled_known_at)
    frame = _joined(c, q, mix, verdict)
    frame["model_version"] = s.version
    frame["cylinder_ids"] = cylinders_by_fill(context.chain, len(c)).to_numpy()
    frame["latest_fill"] = pd.array(np.isin(np.arange(len(c)), last_fills(context.chain)), dtype="boolean")
    frame["on_hold"] = ((frame["verdict"] == "stop") & ~frame["released"] & frame["latest_fill"]).astype("boolean")
    frame = with_first_published(frame, None)
    return conform(frame, TABLES["fill_quality"].fields.values(), keep=KEEP).reset_index(drop=True)


def build_fills_then(prepared: PreparedFills, policy: Policy) -> dict[str, pd.DataFrame]:
    """`fills_before_dives`: what each fill was taken for when it was made, which no later fill and no dive changes;
    settling_check: what was predicted of each settled reading; settling_learned_then: what fills made since are taken
    for by.
    """
    s = settle_then(prepared.estimates, policy)
    check = conform(s.check, TABLES["settling_check"].fields.values()).reset_index(drop=True)
    learned = as_frame([one for one in s.learned if one.station in prepared.estimates.taught])
    before = taken_for(prepared.context, s, policy)
    return {"fills_before_dives": before, "settling_check": check, "settling_learned_then": learned}


def taken_for(context: FillContext, s: Settled, policy: Policy) -> pd.DataFrame:
    """The table fills_before_dives of all fills of some cylinders."""
    c = context.fills
    q, unknown_mix = _pressures(c, s, policy)
    _content(c, q, s, unknown_mix)
    then = _joined(c, q, _mix(context, q, policy), context.inspected[["in_test"]])
    return conform(then, [TABLES["fill_quality"].fields[k] for k in FOR_DIVES])


def with_this_month(gauges: pd.DataFrame, fills: pd.DataFrame) -> pd.DataFrame:
    """gauge_check with the month of the last fill; a gauge of which nothing was learned in it is as it last was."""
    last = gauges.sort_values("month_on").drop_duplicates("gauge_id", keep="last")
    month = fills["filled_on"].max().to_period("M").to_timestamp()
    return pd.concat([gauges, last[last["month_on"] < month].assign(month_on=month)], ignore_index=True)


def build_fills(
    inputs: dict[str, pd.DataFrame],
    units: pd.DataFrame,
    policy: Policy,
    as_of_on: pd.Timestamp | None = None,
    dive_first_readings: pd.DataFrame | None = None,
    previous: dict[str, pd.DataFrame] | None = None,
) -> dict[str, pd.DataFrame]:
    """All tables of fills at once; parameters as of `prepare_fills` and `build_fills_today`.

    Parameters
    ----------
    previous : dict of DataFrame, optional
        fill_quality and settling_check as last published: what people have seen stays as it was.
    """
    prepared = prepare_fills(inputs, units, policy, dive_first_readings)
    made = build_fills_today(prepared, inputs, policy, as_of_on) | build_fills_then(prepared, policy)
    first = previous or {}
    made["fill_quality"] = with_first_published(made["fill_quality"], first.get("fill_quality"))
    made["settling_check"] = kept_checks(made["settling_check"], first.get("settling_check"))
    record = settling_record(made["settling_check"], made["fill_quality"], made["settling_corrections"])
    return made | {"settling_record": record}


def _joined(*frames: pd.DataFrame) -> pd.DataFrame:
    """Frames side by side; of a column that stands in several the first counts."""
    frame = pd.concat(frames, axis=1)
    return frame.loc[:, ~frame.columns.duplicated()]


def _mix(context: FillContext, pressures: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    c, limit = context.fills, policy.filling.oxygen_limit_pct
    most = floats(pressures["settled_high_bar_15c"])
    most = np.where(np.isfinite(most), most, most_settled_bar_15c(c))
    elsewhere = gas_from_elsewhere(c, context.chain, context.readings, policy, most)
    limit = filling_rules(policy.rule_set).oxygen_limit_pct if limit is None else limit
    return build_mix(c, context.chain, floats(pressures["gas_c"]), elsewhere, policy, limit)


def _mix_of(c: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return floats(c["gas_o2_pct"]), floats(c["gas_he_pct"]), floats(c["gas_ar_pct"])


@dataclass(frozen=True)
class _UnknownMix:
    """What gas of which nothing is known may change: settled pressure, bar, and content, free L (SD)."""

    bar: np.ndarray
    free_l: np.ndarray


def _unknown_mix(c: pd.DataFrame, s: Settled) -> _UnknownMix:
    """By how much more oxygen or helium would change what a fill settles to and what it holds.

    A settled reading is a pressure whatever the gas; without one the gas at stop cools by its own law.
    """
    bar2, litres2 = np.zeros(len(c)), np.zeros(len(c))
    capacity, stop = floats(c["water_capacity_l"]), floats(c["stop_pressure_bar"])
    for at, name in enumerate(("o2", "he")):
        share = floats(c[f"unknown_{name}_share"])
        on = np.flatnonzero((share > 0) & np.isfinite(s.bar_15c))
        if not on.size:
            continue
        taken = [part[on] for part in _mix_of(c)]
        other = list(taken)
        room_for = np.maximum(100.0 - np.nansum(taken, axis=0), 0.0)
        other[at] = taken[at] + np.minimum(UNKNOWN_SD_PCT[name] * share[on], room_for)
        settled = s.bar_15c[on]
        density = thermal.density_mol_l(settled, REFERENCE_C, *taken, strict=False)
        gas_c = thermal.gas_temperature_c(stop[on], density, *taken, strict=False)
        cooled = thermal.settled_pressure_bar(stop[on], gas_c, REFERENCE_C, *other, strict=False)
        moved = np.where(s.basis[on] == "settled", 0.0, np.nan_to_num(cooled - settled))
        holds = [
            thermal.usable_free_l(capacity[on], bar, REFERENCE_C, *gas, strict=False)
            for bar, gas in ((settled + moved, other), (settled, taken))
        ]
        bar2[on] += moved**2
        litres2[on] += np.nan_to_num(holds[0] - holds[1]) ** 2
    return _UnknownMix(np.sqrt(bar2), np.sqrt(litres2))


def _pressures(c: pd.DataFrame, s: Settled, policy: Policy) -> tuple[pd.DataFrame, _UnknownMix]:
    mix, unknown, reference_c = _mix_of(c), _unknown_mix(c, s), filling_rules(policy.rule_set).reference_c
    sd = np.hypot(s.sd_bar, unknown.bar)
    low, high = np.maximum(s.bar_15c - Z80 * sd, 0.0), s.bar_15c + Z80 * sd
    stop = floats(c["stop_pressure_bar"])
    density = thermal.density_mol_l(s.bar_15c, REFERENCE_C, *mix, strict=False)
    gas_c = thermal.gas_temperature_c(stop - s.gauge_offset_bar, density, *mix, strict=False)
    at_ref = [
        bar
        if reference_c == REFERENCE_C
        else thermal.settled_pressure_bar(bar, REFERENCE_C, reference_c, *mix, strict=False)
        for bar in (s.bar_15c, low, high)
    ]
    permitted = floats(c["permitted_bar"])
    over = pd.array(above_permitted(at_ref[0], permitted), dtype="boolean")
    over[~(np.isfinite(permitted) & np.isfinite(at_ref[0]))] = pd.NA
    pressures = pd.DataFrame(
        {
            "gas_c": gas_c,
            "gas_and_wall_c": gas_c + s.together_over_gas_k,
            "gas_c_basis": pd.Series(s.basis, c.index).where(np.isfinite(s.bar_15c)),
            "settled_pressure_bar_15c": s.bar_15c,
            "settled_low_bar_15c": low,
            "settled_high_bar_15c": high,
            "settled_pressure_bar_ref": at_ref[0],
            "low_ref": at_ref[1],
            "high_ref": at_ref[2],
            "reference_c": reference_c,
            "cooling_bar": stop - s.bar_15c,
            "over_working_pressure": over,
            "density": density,
        },
        index=c.index,
    )
    return pressures, unknown


def _dives_that_teach(inputs: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """The dives; at a station of many fills those from before the day began."""
    dives, began = inputs["dives"], inputs.get("day_began")
    until = pd.NaT if began is None else began["at"].iloc[0]
    return dives if pd.isna(until) else dives[dives["started_at"] < until]


def _in_water(c: pd.DataFrame, q: pd.DataFrame, dives: pd.DataFrame, policy: Policy) -> None:
    """What it reads in the water of the days before the fill: the median of that fortnight's dives."""
    known = dives[dives["water_c"].notna() & dives["started_at"].notna()].sort_values("started_at")
    water = np.full(len(c), np.nan)
    if len(known):
        at, value = known["started_at"].to_numpy("datetime64[us]"), known["water_c"].to_numpy(float)
        day = c["filled_on"].to_numpy("datetime64[us]")
        days, of = np.unique(day, return_inverse=True)
        first = np.searchsorted(at, days - np.timedelta64(policy.filling.in_water_days, "D"))
        last = np.searchsorted(at, days + np.timedelta64(1, "D"))
        medians = np.array([np.median(value[a:b]) if b > a else np.nan for a, b in zip(first, last, strict=True)])
        water = medians[of]
    q["water_c"] = water
    q["water_c_basis"] = pd.Series("last_dives", c.index).where(np.isfinite(water))
    mix = _mix_of(c)
    q["reads_in_water_bar"] = thermal.pressure_bar(floats(q["density"]), water, *mix, strict=False)


def _content(c: pd.DataFrame, q: pd.DataFrame, s: Settled, unknown: _UnknownMix) -> None:
    mix = _mix_of(c)
    capacity, target, stop = (floats(c[k]) for k in ("water_capacity_l", "target_pressure_bar", "stop_pressure_bar"))
    usable = thermal.usable_free_l(capacity, s.bar_15c, REFERENCE_C, *mix, strict=False)
    per_bar = thermal.usable_free_l(capacity, s.bar_15c + 1.0, REFERENCE_C, *mix, strict=False) - usable
    # pressure, capacity and the gas itself are uncertain apart from each other
    capacity_sd = np.nan_to_num(floats(c["capacity_sd_pct"])) / 100.0 if "capacity_sd_pct" in c else 0.0
    of_size = usable * np.hypot(capacity_sd, GAS_LAW_SD)
    sd = np.sqrt((per_bar * s.sd_bar) ** 2 + of_size**2 + unknown.free_l**2)
    early, compressibility, cooling = thermal.split_shortfall(capacity, target, stop, s.bar_15c, usable)
    nominal = capacity * target
    total = thermal.amount_free_l(capacity, s.bar_15c, REFERENCE_C, *mix, strict=False)
    start = np.maximum(floats(c["start_pressure_bar"]), 0.0)
    before = thermal.amount_free_l(capacity, start, floats(c["ambient_c"]), *mix, strict=False)
    q["nominal_free_l"], q["real_free_l"] = nominal, usable
    q["real_low_free_l"], q["real_high_free_l"] = np.maximum(usable - Z80 * sd, 0.0), usable + Z80 * sd
    q["shortfall_free_l"] = nominal - usable
    q["shortfall_pct"] = np.where(nominal > 0, 100.0 * (nominal - usable) / np.where(nominal > 0, nominal, 1.0), np.nan)
    q["stopped_early_free_l"], q["compressibility_free_l"], q["cooling_free_l"] = early, compressibility, cooling
    q["added_free_l"] = total - before
    q["gas_mass_kg"] = floats(q["density"]) * capacity * gas.molar_mass_g_mol(*mix) / 1000.0
    minutes = floats(c["fill_minutes"])
    rate = (stop - floats(c["start_pressure_bar"])) / np.where(minutes > 0, minutes, np.nan)
    q["fill_rate_bar_min"] = rate


def _drifting(c: pd.DataFrame, gauges: pd.DataFrame) -> np.ndarray:
    month = c["filled_on"].dt.to_period("M").dt.to_timestamp().astype("datetime64[us]")
    key = pd.MultiIndex.from_arrays([c["gauge"], month])
    bad = gauges[gauges["drifting"].fillna(False).astype(bool)]
    return key.isin(pd.MultiIndex.from_arrays([bad["gauge_id"], bad["month_on"].astype("datetime64[us]")]))
