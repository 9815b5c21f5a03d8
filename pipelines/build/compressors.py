"""Each compressor: hours, filter life, free air delivery, service, next air test."""

import numpy as np
import pandas as pd

from pipelines.build.air_tests import air_test_due_on, judge_tests
from schemas.policy import Policy
from shared.constants import REFERENCE_C
from shared.purity import water_load
from shared.thermal import amount_free_l

COLUMNS = [
    "compressor_id",
    "hours",
    "hours_since_filter",
    "filter_hours_left",
    "service_due_on",
    "free_air_delivery_l_min",
    "delivery_change_pct",
    "air_test_due_on",
    "state",
    "reasons",
]
# air leaves the last separator about so much above the intake where nobody read it; common practice, no source
OUTLET_ABOVE_AMBIENT_K = 10.0
FILTER_NEARLY_SHARE = 0.1
DELIVERY_FALLS_PCT = -10.0
USE_DAYS = 90


def build_compressor_health(inputs: dict[str, pd.DataFrame], policy: Policy, as_of_on: pd.Timestamp) -> pd.DataFrame:
    """The `compressor_health` table: a row a compressor.

    Notes
    -----
    Filter hours run faster when the air that reaches the filter is warmer, in the ratio of saturation
    vapour pressures (an estimate). Delivery is the real-gas content gained in a timed run over its
    minutes, gas taken at the ambient temperature of the run.
    """
    end = (pd.Timestamp(as_of_on) + pd.Timedelta(days=1)).tz_localize(policy.time_zone)
    log = inputs["compressor_log"]
    log = log[log["read_at"] < end].sort_values(["compressor_id", "read_at", "event"], ignore_index=True)
    tests = judge_tests(inputs["air_tests"], policy)
    tests = tests[tests["measured"] & (tests["sampled_on"] <= pd.Timestamp(as_of_on))]
    rows = [
        _one(
            c,
            log[log["compressor_id"] == c.compressor_id],
            tests[tests["compressor_id"] == c.compressor_id],
            policy,
            pd.Timestamp(as_of_on),
        )
        for c in inputs["compressors"].itertuples(index=False)
    ]
    made = pd.DataFrame(rows, columns=COLUMNS)
    for name in ("service_due_on", "air_test_due_on"):
        made[name] = pd.to_datetime(made[name]).astype("datetime64[us]")
    for name in ("hours", "hours_since_filter", "filter_hours_left", "free_air_delivery_l_min", "delivery_change_pct"):
        made[name] = made[name].astype("float64")
    made["reasons"] = made["reasons"].astype("object")
    return made.astype({"compressor_id": "str", "state": "str"}).sort_values("compressor_id", ignore_index=True)


def filter_hours(log: pd.DataFrame, reference_c: float) -> tuple[float, float, float, list[str]]:
    """Hours since the filter was changed: plain, weighted by the water load, and the load of late.

    Parameters
    ----------
    log : DataFrame
        One compressor's log in order of time.
    reference_c : float
        Intake temperature at which the filter's stated life holds, °C; NaN where none is stated.
    """
    changes = log.index[log["event"].eq("filter_change")]
    reasons = []
    if len(changes) == 0:
        return np.nan, np.nan, np.nan, ["filter_change_unknown"]
    since = log.loc[changes[-1] :]
    hours = since["hours"].to_numpy("float64")
    ran = np.clip(np.diff(hours), 0, None)
    outlet = since["outlet_c"].fillna(since["ambient_c"] + OUTLET_ABOVE_AMBIENT_K).to_numpy("float64")
    load = water_load(outlet, reference_c + OUTLET_ABOVE_AMBIENT_K)
    # the run up to a reading is taken at that reading's temperatures, else the one before
    load = pd.Series(load).ffill().bfill().fillna(1.0).to_numpy()
    if np.isfinite(reference_c) and np.isfinite(outlet).any():
        reasons.append("filter_life_estimated")
    else:
        reasons.append("filter_life_uncorrected")
    weighted = float(np.sum(ran * load[1:]))
    plain = float(ran.sum())
    return plain, weighted, (weighted / plain if plain > 0 else float(load[-1])), reasons


def deliveries(log: pd.DataFrame) -> pd.DataFrame:
    """Free air delivery of each timed run: read_at, free_l_min, assumed_temperature."""
    runs = log.dropna(subset=["pumped_from_bar", "pumped_to_bar", "pumped_volume_l", "pumped_minutes"])
    runs = runs[(runs["pumped_minutes"] > 0) & (runs["pumped_to_bar"] > runs["pumped_from_bar"])]
    gas_c = runs["ambient_c"].fillna(REFERENCE_C).to_numpy("float64")
    volume = runs["pumped_volume_l"].to_numpy("float64")
    gained = amount_free_l(volume, runs["pumped_to_bar"].to_numpy("float64"), gas_c, strict=False) - amount_free_l(
        volume, runs["pumped_from_bar"].to_numpy("float64"), gas_c, strict=False
    )
    return pd.DataFrame(
        {
            "read_at": runs["read_at"].to_numpy(),
            "free_l_min": np.asarray(gained, float) / runs["pumped_minutes"].to_numpy("float64"),
            "assumed_temperature": runs["ambient_c"].isna().to_numpy(),
        }
    )


def _service_due(log: pd.DataFrame, service_hours: float, today: pd.Timestamp, time_zone: str):
    """The day on which the hours between services run out at the use of the last weeks."""
    if log.empty or not np.isfinite(service_hours):
        return pd.NaT, []
    services = log[log["event"].eq("service")]
    reasons = [] if len(services) else ["service_unknown"]
    first = log["hours"].iloc[0]
    # without a recorded service a young machine counts from new
    from_hours = services["hours"].iloc[-1] if len(services) else (0.0 if first < service_hours else first)
    due_hours = from_hours + service_hours
    days = log["read_at"].dt.tz_convert(time_zone).dt.tz_localize(None)
    reached = np.flatnonzero(log["hours"].to_numpy("float64") >= due_hours)
    if len(reached):
        return days.iloc[reached[0]].normalize(), [*reasons, "service_due"]
    late = days >= today - pd.Timedelta(days=USE_DAYS)
    span = log[late] if late.sum() > 1 else log
    spent = span["hours"].iloc[-1] - span["hours"].iloc[0]
    elapsed = (span["read_at"].iloc[-1] - span["read_at"].iloc[0]) / pd.Timedelta(days=1)
    if not (spent > 0 and elapsed > 0):
        return pd.NaT, reasons
    ahead = (due_hours - log["hours"].iloc[-1]) / (spent / elapsed)
    return days.iloc[-1].normalize() + pd.Timedelta(days=min(int(ahead), 3650)), reasons


def _one(compressor, log: pd.DataFrame, tests: pd.DataFrame, policy: Policy, today: pd.Timestamp) -> dict:
    log = log.reset_index(drop=True)
    reasons: list[str] = []
    if log["hours"].diff().lt(0).any():
        reasons.append("hours_meter_fell")
    plain, weighted, load, filter_reasons = filter_hours(log, compressor.filter_reference_c)
    reasons += filter_reasons
    life = compressor.filter_life_hours
    left = (life - weighted) / load if np.isfinite(weighted) and load > 0 else np.nan
    if left <= 0:
        reasons.append("filter_used_up")
    elif left <= FILTER_NEARLY_SHARE * life:
        reasons.append("filter_nearly_used_up")

    runs = deliveries(log)
    delivery = runs["free_l_min"].iloc[-1] if len(runs) else np.nan
    rated = compressor.rated_delivery_free_l_min
    against = rated if np.isfinite(rated) else (runs["free_l_min"].head(3).median() if len(runs) > 3 else np.nan)
    change = 100 * (delivery / against - 1)
    if change < DELIVERY_FALLS_PCT:
        reasons.append("delivery_falls")
    if len(runs) and runs["assumed_temperature"].iloc[-1]:
        reasons.append("delivery_temperature_assumed")

    service_due, service_reasons = _service_due(log, compressor.service_hours, today, policy.time_zone)
    reasons += service_reasons
    tests = tests.sort_values("sampled_on")
    test_due = pd.NaT
    if tests.empty:
        reasons.append("air_never_tested")
    else:
        last = tests.iloc[-1]
        test_due = pd.Timestamp(air_test_due_on(np.array([last["sampled_on"]], "datetime64[D]"), policy)[0])
        if last["failed"]:
            reasons.append("compressor_air_failed")
        elif today > test_due:
            reasons.append("air_test_is_overdue")
        if not last["complete"]:
            reasons.append("air_test_incomplete")
    stop = {"compressor_air_failed", "filter_used_up"} & set(reasons)
    look = {
        "air_never_tested",
        "air_test_is_overdue",
        "air_test_incomplete",
        "service_due",
        "delivery_falls",
        "filter_nearly_used_up",
        "filter_change_unknown",
        "hours_meter_fell",
    } & set(reasons)
    return {
        "compressor_id": compressor.compressor_id,
        "hours": log["hours"].iloc[-1] if len(log) else np.nan,
        "hours_since_filter": plain,
        "filter_hours_left": left,
        "service_due_on": service_due,
        "free_air_delivery_l_min": delivery,
        "delivery_change_pct": change,
        "air_test_due_on": test_due,
        "state": "stop" if stop else "attention" if look else "good",
        "reasons": reasons,
    }
