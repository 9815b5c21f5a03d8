"""Each compressor: hours, filter life, free air delivery, service, next air test, and what is not known of them."""

import numpy as np
import pandas as pd

from pipelines.derive.air.compressor_hours import Meter, read_meter
from pipelines.derive.air.of_fills import feeds_of_sources
from pipelines.derive.air.purity_tests import air_on_days, air_record, faults_of_tests
from pipelines.derive.fleet.inspections import local_day
from schemas.codes import worst
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.air.purity import judge, limits_of, purity_rules, water_load
from shared.air.sources import feed_of
from shared.filling import heat as fill_heat
from shared.gas import walls
from shared.gas.constants import AIR_O2_PCT, REFERENCE_C
from shared.gas.thermal import amount_free_l

FILTER_NEARLY_SHARE = 0.1
DELIVERY_FALLS_PCT = -10.0
USE_DAYS = 90
LOG_LATE_DAYS = 14
"""With fills since and no reading for so long, hours are behind. A judgement."""
VESSEL_LEAST_BAR = 200.0
"""What a cylinder that is pumped up is at least made for, where only the pressure reached is known."""


def build_compressor_health(inputs: dict[str, pd.DataFrame], policy: Policy, as_of_on: pd.Timestamp) -> pd.DataFrame:
    """The `compressor_health` table: a row a compressor that a register, a log or a test names.

    Notes
    -----
    Filter hours run faster when the air that reaches the filter is warmer, in the ratio of saturation
    vapour pressures (an estimate). Delivery is the real-gas content gained in a timed run over its
    minutes, the gas as warm at the end as the heat balance of the fill makes it.
    """
    today = pd.Timestamp(as_of_on)
    end = (today + pd.Timedelta(days=1)).tz_localize(policy.time_zone)
    known = feeds_of_sources(inputs)
    names = [name for name, feed in known.items() if name in feed.compressors]
    log = inputs["compressor_log"]
    log = log[log["read_at"] < end].sort_values(["compressor_id", "read_at", "hours", "event"], ignore_index=True)
    record = air_record(inputs["air_tests"], policy, today)
    air = air_on_days(record, np.array(names, dtype=object), np.full(len(names), np.datetime64(today, "D")), policy)
    air.index = pd.Index(names, dtype="object")
    faults = faults_of_tests(inputs["air_tests"], policy)
    register = inputs["compressors"].drop_duplicates("compressor_id", keep="last").set_index("compressor_id")
    last_fill = _last_fill_on(inputs, known, policy, end)
    too_oily = _too_oily_for_oxygen(inputs, known, policy, today)
    rows = []
    for name in names:
        meter = read_meter(log[log["compressor_id"] == name].reset_index(drop=True))
        about = register.reindex([name]).iloc[0]
        row = {"compressor_id": name} | _air(air.loc[name], name, faults, today)
        reasons = [
            *row.pop("reasons"),
            *(["air_not_oxygen_compatible"] if name in too_oily else []),
            *_log_reasons(meter, last_fill.get(name, pd.NaT), policy.time_zone),
        ]
        for part in (_filter(meter, about), _delivery(meter.log, about), _service(meter, about, today, policy)):
            reasons += part.pop("reasons")
            row |= part
        severity = worst(reasons)
        state = severity if severity in ("stop", "attention") else "good"
        rows.append(row | {"hours": meter.hours, "state": state, "reasons": reasons})
    made = pd.DataFrame(rows, columns=list(TABLES["compressor_health"].fields))
    return conform(made, TABLES["compressor_health"].fields.values()).sort_values("compressor_id", ignore_index=True)


# --- its air ----------------------------------------------------------------------------------
def _air(air: pd.Series, name: str, faults: dict[tuple, str], today: pd.Timestamp) -> dict:
    reasons = []
    if air["state"] == "failed":
        reasons.append("compressor_air_failed")
    if air["state"] == "never_tested":
        reasons.append("air_never_tested")
    elif today > air["due_on"]:
        reasons.append("air_test_is_overdue")
    if air["missing"] and air["state"] != "never_tested":
        reasons.append("air_test_incomplete")
    return {
        "air_test_due_on": air["due_on"],
        "air_state": air["state"],
        "air_failed_on": air["failed_on"],
        "air_fault": faults.get((name, air["failed_on"])),
        "reasons": reasons,
    }


def _too_oily_for_oxygen(inputs: dict, known: dict, policy: Policy, today: pd.Timestamp) -> set[str]:
    """Compressors that feed a source marked oxygen compatible, and whose last test is beyond what that asks for."""
    rules = purity_rules()
    standard = policy.air.purity_standard or (rules.tests.get(policy.rule_set) or rules.tests["adr"]).standard
    narrowed = rules.oxygen_compatible.get(standard)
    marked = inputs["sources"].loc[inputs["sources"]["oxygen_compatible"].fillna(False).astype(bool), "source_id"]
    asked = {name for source in marked for name in feed_of(source, known).compressors}
    tests = inputs["air_tests"]
    tests = tests[tests["compressor_id"].isin(asked) & (tests["sampled_on"] <= today) & tests["oil_mg_m3"].notna()]
    if narrowed is None or tests.empty:
        return set()
    newest = tests.sort_values("sampled_on").drop_duplicates("compressor_id", keep="last")
    limit = limits_of(narrowed)["oil_mg_m3"]
    found = judge({"oil_mg_m3": newest["oil_mg_m3"].to_numpy("float64")}, {"oil_mg_m3": limit})["oil_mg_m3"] == "fail"
    return set(newest.loc[found, "compressor_id"])


# --- its log ----------------------------------------------------------------------------------
def _last_fill_on(inputs: dict, known: dict, policy: Policy, end: pd.Timestamp) -> dict[str, pd.Timestamp]:
    """The day of the last fill that came from each compressor, through whatever bank."""
    fills = inputs["fills"]
    last = fills[fills["filled_at"] < end].groupby("source_id")["filled_at"].max()
    days = local_day(last, policy.time_zone)
    found: dict[str, pd.Timestamp] = {}
    for source, day in days.items():
        for name in feed_of(source, known).compressors:
            found[name] = max(found.get(name, day), day)
    return found


def _log_reasons(meter: Meter, last_fill_on: pd.Timestamp, time_zone: str) -> list[str]:
    if meter.log.empty:
        return ["hours_not_logged"]
    reasons = []
    if meter.broken.any():
        reasons.append("hours_meter_fell")
    if meter.slips.any():
        reasons.append("hours_reading_left_out")
    read_on = local_day(meter.log["read_at"], time_zone).iloc[-1]
    if last_fill_on > read_on + pd.Timedelta(days=LOG_LATE_DAYS):
        reasons.append("compressor_log_late")
    return reasons


def _filter(meter: Meter, about: pd.Series) -> dict:
    """Hours since the filter was changed, and how many of its life are left by the water it had to take up.

    Where the meter was changed or misread since, what ran is a least, and nothing is said to be left.
    """
    log, life, reference_c = meter.log, about["filter_life_hours"], about["filter_reference_c"]
    none = {"hours_since_filter": np.nan, "filter_hours_left": np.nan}
    lacks = [] if np.isfinite(life) else ["filter_life_unknown"]
    changes = log.index[log["event"].eq("filter_change")]
    if len(changes) == 0:
        return none | {"reasons": [*lacks, "filter_change_unknown"]}
    plain, whole = meter.since(changes[-1])
    since = log.loc[changes[-1] :]
    rise = fill_heat.COMPRESSOR_RISE_K
    outlet = since["outlet_c"].fillna(since["ambient_c"] + rise).to_numpy("float64")
    load = water_load(outlet, reference_c + rise)
    # the run up to a reading is taken at that reading's temperatures, else the one before
    load = pd.Series(load).ffill().bfill().fillna(1.0).to_numpy()
    corrected = np.isfinite(reference_c) and np.isfinite(outlet).any()
    reasons = ["filter_life_estimated" if corrected else "filter_life_uncorrected"]
    weighted = float(np.sum(np.diff(meter.run[changes[-1] :]) * load[1:]))
    of_late = weighted / plain if plain > 0 else float(load[-1])
    left = (life - weighted) / of_late if of_late > 0 else np.nan
    if left <= 0:
        reasons.append("filter_used_up")
    elif left <= FILTER_NEARLY_SHARE * life:
        reasons.append("filter_nearly_used_up")
    return {
        "hours_since_filter": plain,
        "filter_hours_left": left if whole or left <= 0 else np.nan,
        "reasons": [*lacks, *reasons],
    }


def _service(meter: Meter, about: pd.Series, today: pd.Timestamp, policy: Policy) -> dict:
    """The day on which the hours between services run out at the use of the last weeks.

    Without a service on record the hours since are at least those of the log and of the meter itself; when the next
    one is due nobody knows.
    """
    interval, log = about["service_hours"], meter.log
    none = {"service_due_on": pd.NaT, "reasons": []}
    if not np.isfinite(interval):
        return none
    services = log.index[log["event"].eq("service")]
    if len(services) == 0:
        at_least = np.nanmax([meter.run[-1], meter.hours]) if len(log) else np.nan
        due = ["service_due"] if at_least >= interval else []
        return none | {"reasons": ["service_unknown", *due]}
    since, whole = meter.since(services[-1])
    days = local_day(log["read_at"], policy.time_zone)
    reached = np.flatnonzero(meter.run - meter.run[services[-1]] >= interval)
    if len(reached):
        return {"service_due_on": days.iloc[reached[0]], "reasons": ["service_due"]}
    if not whole:
        return none
    spent, elapsed = _use(meter, today, policy.time_zone)
    if not (spent > 0 and elapsed > 0):
        return none | {"reasons": ["service_day_unknown"]}
    ahead = (interval - since) / (spent / elapsed)
    due_on = days.iloc[-1] + pd.Timedelta(days=min(int(ahead), 3650))
    return {"service_due_on": due_on, "reasons": ["service_may_be_due"] if due_on < today else []}


def _use(meter: Meter, today: pd.Timestamp, time_zone: str) -> tuple[float, float]:
    """Hours run and days passed over the readings of late, over all of them where there is only one."""
    at = meter.log["read_at"].dt.tz_convert(time_zone).dt.tz_localize(None)
    late = np.flatnonzero((at >= today - pd.Timedelta(days=USE_DAYS)).to_numpy())
    first = late[0] if len(late) > 1 else 0
    return float(meter.run[-1] - meter.run[first]), (at.iloc[-1] - at.iloc[first]) / pd.Timedelta(days=1)


# --- its delivery -----------------------------------------------------------------------------
def deliveries(log: pd.DataFrame) -> pd.DataFrame:
    """Free air delivery of each timed run: read_at, free_l_min, gas_c at its end, assumed_temperature.

    Notes
    -----
    What is pumped up begins as warm as the room and is taken for steel made for the pressure reached (single cylinders
    up to 50 L). The air inside is hot at the end, so the gauge reads high: see `shared.filling.heat`.
    """
    runs = log.dropna(subset=["pumped_from_bar", "pumped_to_bar", "pumped_volume_l", "pumped_minutes"])
    runs = runs[(runs["pumped_minutes"] > 0) & (runs["pumped_to_bar"] > runs["pumped_from_bar"])]
    ambient = runs["ambient_c"].fillna(REFERENCE_C).to_numpy("float64")
    start, stop, volume, minutes = (
        runs[c].to_numpy("float64") for c in ("pumped_from_bar", "pumped_to_bar", "pumped_volume_l", "pumped_minutes")
    )
    steel = np.full(len(runs), "steel", dtype=object)
    wall_kg = walls.wall_mass_kg(steel, volume, np.maximum(stop, VESSEL_LEAST_BAR))
    outlet = runs["outlet_c"].to_numpy("float64")
    air = np.full(len(runs), AIR_O2_PCT), np.zeros(len(runs)), np.full(len(runs), np.nan)
    conditions = fill_heat.FillConditions(
        start,
        stop,
        ambient,
        minutes,
        volume,
        np.maximum(np.round(volume / 50.0), 1.0),
        walls.wall_heat_capacity_j_k(steel, wall_kg),
        np.where(np.isfinite(outlet), outlet, ambient + fill_heat.COMPRESSOR_RISE_K),
        np.full(len(runs), np.nan),
        *air,
    )
    gas_c = fill_heat.temperature_at_stop(conditions, sensitivities=False).gas_c
    gained = amount_free_l(volume, stop, gas_c, strict=False) - amount_free_l(volume, start, ambient, strict=False)
    return pd.DataFrame(
        {
            "read_at": runs["read_at"].to_numpy(),
            "free_l_min": np.asarray(gained, float) / minutes,
            "gas_c": gas_c,
            "assumed_temperature": runs["ambient_c"].isna().to_numpy(),
        }
    )


def _delivery(log: pd.DataFrame, about: pd.Series) -> dict:
    runs = deliveries(log)
    delivery = runs["free_l_min"].iloc[-1] if len(runs) else np.nan
    rated = about["rated_delivery_free_l_min"]
    against = rated if np.isfinite(rated) else (runs["free_l_min"].head(3).median() if len(runs) > 3 else np.nan)
    change = 100 * (delivery / against - 1)
    reasons = ["delivery_falls"] if change < DELIVERY_FALLS_PCT else []
    if len(runs) and runs["assumed_temperature"].iloc[-1]:
        reasons.append("delivery_temperature_assumed")
    return {"free_air_delivery_l_min": delivery, "delivery_change_pct": change, "reasons": reasons}
