"""Readings of a station turned into intervals in which nobody breathed, and leak rates from them."""

import numpy as np
import pandas as pd

from pipelines.build.fills_context import steps_bar
from pipelines.build.inspections import local_day
from pipelines.build.units import cylinders_of_units_on, set_membership
from schemas.policy import Policy
from shared.constants import AIR_O2_PCT
from shared.gauges import offset_sd_bar
from shared.leaks import Intervals, leak_rates
from shared.thermal import amount_free_l

# SD of the content a reading tells, bar, before the fleet's own scatter corrects it. Judgements, no source.
LEFT_SD_BAR = {"settled": 1.0, "wall": 1.8, "model": 2.2}
ARRIVAL_TEMPERATURE_SD_K = 1.5
DIVE_START_TEMPERATURE_SD_K = 5.0
DIVE_END_TEMPERATURE_SD_K = 3.0
# on simulated dives the gas runs about 4 K below the water (physics of expansion)
DIVE_END_BELOW_WATER_K = 4.0
DIVE_READING_SD_BAR = 1.0
MODEL_OFFSET_SD_BAR = 2.0
# a leak slows as the pressure falls, by how much depends on where it is: what a nearly empty cylinder loses
# a day says so much less about a full one, bar per day
LOW_PRESSURE_SD_BAR_PER_DAY = 0.5
FULL_BAR = 200.0
LEAST_GROUP = 6
CUTS = ("valve_service", "visual", "hydrostatic")

JUDGED = [
    "fill_id",
    "filled_at",
    "unit_id",
    "station_id",
    "gauge_id",
    "start_pressure_bar",
    "stop_pressure_bar",
    "ambient_c",
    "fill_minutes",
    "settled_pressure_bar_15c",
    "gas_c_basis",
    "o2_pct",
    "he_pct",
]
RATE_COLUMNS = [
    "unit_id",
    "leak_bar_per_day",
    "leak_low_bar_per_day",
    "leak_high_bar_per_day",
    "leak_flag",
    "intervals",
    "span_days",
]


def build_leaks(
    inputs: dict[str, pd.DataFrame],
    fill_quality: pd.DataFrame,
    dive_tank_use: pd.DataFrame,
    policy: Policy,
    as_of_on: pd.Timestamp,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Leak rates by unit, and the intervals they stand on.

    Returns
    -------
    rates : DataFrame
        A row a unit with usable intervals: rate, 80 % interval, flag, number and length of intervals.
    intervals : DataFrame
        Each interval with its loss; `use` says that it counted, `unexplained` that it was use nobody logged.
    """
    intervals = leak_intervals(inputs, fill_quality, dive_tank_use, policy, as_of_on)
    names, unit = np.unique(intervals["unit_id"].to_numpy(object).astype(str), return_inverse=True)
    told = _pooled_groups(intervals["group"])
    groups, group = np.unique(told.to_numpy(object).astype(str), return_inverse=True)
    group_sd = intervals["group_sd"].groupby(told).max().reindex(groups).to_numpy(float)
    found = (
        leak_rates(
            Intervals(unit, group, *(intervals[c].to_numpy(float) for c in ("days", "loss_bar", "sd_bar"))),
            len(names),
            group_sd,
            flag_bar_per_day=policy.fleet.leak_flag_bar_per_day,
            probability=policy.fleet.leak_probability,
            least_hours=policy.fleet.leak_least_hours,
            unexplained_bar=policy.fleet.unexplained_use_bar,
        )
        if len(intervals)
        else None
    )
    if found is None:
        empty = pd.DataFrame({c: pd.Series(dtype="float64") for c in RATE_COLUMNS}).astype(
            {"unit_id": "str", "leak_flag": "boolean"}
        )
        return empty, intervals.assign(use=pd.Series(dtype=bool), unexplained=pd.Series(dtype=bool))
    rates = pd.DataFrame(
        {
            "unit_id": names,
            "leak_bar_per_day": found.rate_bar_per_day,
            "leak_low_bar_per_day": found.low_bar_per_day,
            "leak_high_bar_per_day": found.high_bar_per_day,
            "leak_flag": pd.array(found.flag, dtype="boolean"),
            "intervals": found.intervals,
            "span_days": found.span_days,
        }
    ).astype({"unit_id": "str"})
    rates = rates[np.isfinite(rates["leak_bar_per_day"])].reset_index(drop=True)
    return rates, intervals.assign(use=found.use, unexplained=found.unexplained)


def _pooled_groups(group: pd.Series) -> pd.Series:
    """Pairs of readings seen too seldom for an offset of their own share one: those of all divers together."""
    seldom = group.groupby(group).transform("size") < LEAST_GROUP
    return group.where(~seldom, group.str.replace(r"dives of .*?(?= > |$)", "dives", regex=True))


def leak_intervals(
    inputs: dict[str, pd.DataFrame],
    fill_quality: pd.DataFrame,
    dive_tank_use: pd.DataFrame,
    policy: Policy,
    as_of_on: pd.Timestamp,
) -> pd.DataFrame:
    """Intervals between readings of one unit with no use, inspection or loan between them.

    From a fill to the unit's next fill or to the start of its next dive, and from the end of a dive to
    the next fill. Use of a set's own cylinders, or of the set by its cylinders, ends an interval.
    """
    fills = _fill_events(inputs, fill_quality, policy)
    dives = _dive_events(inputs, dive_tank_use)
    end = (pd.Timestamp(as_of_on) + pd.Timedelta(days=1)).tz_localize(policy.time_zone)
    events = pd.concat(
        [e for e in (fills, dives, _blocks(fills, dives, inputs)) if len(e)] or [fills], ignore_index=True
    )
    # frames without rows, and times computed from minutes, come in other dtypes
    events["at"] = pd.to_datetime(events["at"], utc=True).astype("datetime64[us, UTC]")
    events = events[events["at"] < end].sort_values(["unit_id", "at", "order"], kind="stable", ignore_index=True)
    after = events.shift(-1)
    same = events["unit_id"].eq(after["unit_id"])
    opens = events["kind"].isin(("left", "dive_end"))
    closes = after["kind"].eq("arrived") | (after["kind"].eq("dive_start") & events["kind"].eq("left"))
    pick = (same & opens & closes).to_numpy(bool)
    a, b = events[pick].reset_index(drop=True), after[pick].reset_index(drop=True)
    made = pd.DataFrame(
        {
            "unit_id": a["unit_id"].astype("str"),
            "from_at": a["at"],
            "to_at": b["at"].astype(a["at"].dtype),
            "days": (b["at"].astype(a["at"].dtype) - a["at"]).dt.total_seconds() / 86400,
            "loss_bar": a["content"].astype(float) - b["content"].astype(float),
            "sd_bar": np.hypot(a["sd"].astype(float), b["sd"].astype(float)),
            "group": a["gauge"].astype("str") + " > " + b["gauge"].astype("str"),
            "group_sd": np.where(
                a["instrument"].eq(b["instrument"]),
                MODEL_OFFSET_SD_BAR,
                np.hypot(np.hypot(a["gauge_sd"].astype(float), b["gauge_sd"].astype(float)), MODEL_OFFSET_SD_BAR),
            ),
            "fill_id": b["fill_id"].astype("str"),
            "dive_id": b["dive_id"].astype("str"),
        }
    )
    between = 0.5 * (a["content"].astype(float) + b["content"].astype(float).clip(lower=0.0))
    emptiness = 1 - (between / FULL_BAR).clip(upper=1.0)
    made["sd_bar"] = np.hypot(made["sd_bar"], LOW_PRESSURE_SD_BAR_PER_DAY * emptiness * made["days"])
    made = made[np.isfinite(made["loss_bar"])].reset_index(drop=True)
    keep = ~_inspected_within(made, inputs, policy) & ~_on_loan_within(made, inputs)
    return made[keep].reset_index(drop=True)


def _content(pressure, gas_c, o2_pct, he_pct) -> np.ndarray:
    """Free litres a litre of capacity; 'bar'."""
    return amount_free_l(1.0, np.maximum(pressure, 0.0), gas_c, o2_pct, he_pct, strict=False)


def _fill_events(inputs: dict[str, pd.DataFrame], fill_quality: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Two readings a fill: what was in the unit when it came, and what left with it."""
    raw = inputs["fills"].set_index("fill_id")[["settled_at", "settled_gauge_id"]]
    f = fill_quality[JUDGED].merge(raw, left_on="fill_id", right_index=True, how="left")
    f = f.sort_values(["unit_id", "filled_at"], ignore_index=True)
    o2, he = f["o2_pct"].fillna(AIR_O2_PCT), f["he_pct"].fillna(0.0)
    before_o2 = o2.groupby(f["unit_id"]).shift().fillna(AIR_O2_PCT)
    before_he = he.groupby(f["unit_id"]).shift().fillna(0.0)
    gauges = inputs["gauges"].drop_duplicates("gauge_id").set_index("gauge_id")
    gauge = (
        f["gauge_id"]
        .astype("object")
        .where(f["gauge_id"].notna(), "gauge of " + f["station_id"].astype("object").fillna(""))
    )
    class_sd = pd.Series(
        offset_sd_bar(gauges["accuracy_class"].astype("float64"), gauges["span_bar"].astype("float64")), gauges.index
    )
    gauge_sd = gauge.map(class_sd).astype("float64").fillna(offset_sd_bar())
    offset = gauge.map(gauges["offset_bar"]).astype("float64").fillna(0.0)
    step = gauge.map(gauges["step_bar"]).astype("float64").fillna(
        gauge.map(steps_bar(gauge, f["start_pressure_bar"], f["stop_pressure_bar"])).astype("float64")
    )

    start_c = f["ambient_c"].to_numpy(float)
    start = _content(
        (f["start_pressure_bar"] - offset).to_numpy(float), start_c, before_o2.to_numpy(), before_he.to_numpy()
    )
    minutes = pd.to_timedelta(f["fill_minutes"].fillna(0.0), unit="min")
    arrived = pd.DataFrame(
        {
            "unit_id": f["unit_id"],
            "at": f["filled_at"] - minutes,
            "order": 0,
            "kind": "arrived",
            "content": start,
            "sd": np.hypot(step / np.sqrt(12), ARRIVAL_TEMPERATURE_SD_K * start / 288.15),
            "gauge": "start " + gauge,
            "instrument": gauge,
            "gauge_sd": gauge_sd,
            "fill_id": f["fill_id"],
        }
    )
    left_content = _content(f["settled_pressure_bar_15c"].to_numpy(float), 15.0, o2.to_numpy(), he.to_numpy())
    basis = f["gas_c_basis"].astype("object").where(f["gas_c_basis"].notna(), "model")
    settled = basis.eq("settled")
    check = f["settled_gauge_id"].astype("object").where(f["settled_gauge_id"].notna(), "check gauge")
    instrument = gauge.where(~settled, check)
    left = pd.DataFrame(
        {
            "unit_id": f["unit_id"],
            "at": f["settled_at"].where(
                settled & f["settled_at"].notna() & (f["settled_at"] >= f["filled_at"]), f["filled_at"]
            ),
            "order": 1,
            "kind": "left",
            "content": left_content,
            "sd": np.hypot(
                basis.map(LEFT_SD_BAR).astype(float).fillna(2.2), np.where(settled, 0.0, step / np.sqrt(12))
            ),
            "gauge": basis + " " + instrument,
            "instrument": instrument,
            "gauge_sd": np.where(settled, policy.filling.check_gauge_limit_bar / 2, gauge_sd),
            "fill_id": f["fill_id"],
        }
    )
    return pd.concat([arrived, left], ignore_index=True).assign(dive_id=None)


def _dive_events(inputs: dict[str, pd.DataFrame], dive_tank_use: pd.DataFrame) -> pd.DataFrame:
    """Start and end of every dive a unit took part in; without pressures they only mark the use."""
    use = dive_tank_use.dropna(subset=["unit_id"])
    dives = inputs["dives"].drop_duplicates(["member_id", "dive_id"])
    wanted = ["member_id", "dive_id", "started_at", "duration_min", "air_c", "water_c"]
    d = use.merge(dives[[c for c in wanted if c in dives]], on=["member_id", "dive_id"], how="inner")
    d = d.reindex(columns=[*d.columns, *[c for c in wanted if c not in d.columns]])
    if d.empty:
        return pd.DataFrame(
            columns=[
                "unit_id",
                "at",
                "order",
                "kind",
                "content",
                "sd",
                "gauge",
                "instrument",
                "gauge_sd",
                "fill_id",
                "dive_id",
            ]
        )
    air_c = d["air_c"].astype(float).fillna(15.0).to_numpy()
    water_c = d["water_c"].astype(float).fillna(12.0).to_numpy()
    o2, he = d["o2_pct"].fillna(AIR_O2_PCT).to_numpy(float), d["he_pct"].fillna(0.0).to_numpy(float)
    who = "dives of " + d["member_id"].astype("object")
    parts = []
    for kind, pressure, gas_c, sd_k in (
        ("dive_start", "start_pressure_bar", air_c, DIVE_START_TEMPERATURE_SD_K),
        ("dive_end", "end_pressure_bar", water_c - DIVE_END_BELOW_WATER_K, DIVE_END_TEMPERATURE_SD_K),
    ):
        content = _content(d[pressure].to_numpy(float), gas_c, o2, he)
        minutes = d["duration_min"].astype(float).fillna(60.0) if kind == "dive_end" else 0.0 * water_c
        parts.append(
            pd.DataFrame(
                {
                    "unit_id": d["unit_id"],
                    "at": d["started_at"] + pd.to_timedelta(minutes, unit="min"),
                    "order": 2,
                    "kind": kind,
                    "content": content,
                    "sd": np.hypot(DIVE_READING_SD_BAR, sd_k * content / 288.15),
                    "gauge": kind + " " + who,
                    "instrument": who,
                    "gauge_sd": 2.0,
                    "dive_id": d["dive_id"],
                }
            )
        )
    return pd.concat(parts, ignore_index=True).assign(fill_id=None)


def _blocks(fills: pd.DataFrame, dives: pd.DataFrame, inputs: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Use of a set marks its cylinders, and the other way round: nothing can be said across it."""
    members = set_membership(inputs)[["set_id", "cylinder_id"]].drop_duplicates()
    both = pd.concat(
        [
            members.rename(columns={"set_id": "unit_id", "cylinder_id": "other"}),
            members.rename(columns={"cylinder_id": "unit_id", "set_id": "other"}),
        ]
    )
    events = pd.concat(
        [e[["unit_id", "at", "order"]] for e in (fills, dives) if len(e)] or [fills[["unit_id", "at", "order"]]]
    )
    marks = events.merge(both, on="unit_id", how="inner").drop(columns="unit_id").rename(columns={"other": "unit_id"})
    return marks.assign(
        kind="block",
        content=np.nan,
        sd=np.nan,
        gauge=None,
        instrument=None,
        gauge_sd=np.nan,
        fill_id=None,
        dive_id=None,
    )


def _inspected_within(made: pd.DataFrame, inputs: dict[str, pd.DataFrame], policy: Policy) -> np.ndarray:
    """Intervals that hold an inspection, or begin before the valve was last off."""
    inspections = inputs["inspections"][["cylinder_id", "inspected_on", "kind"]]
    start = local_day(made["from_at"], policy.time_zone)
    pairs = cylinders_of_units_on(inputs, made["unit_id"], start)
    pairs["start"] = start.to_numpy()[pairs["row"].to_numpy()]
    pairs["end"] = local_day(made["to_at"], policy.time_zone).to_numpy()[pairs["row"].to_numpy()]
    hit = pairs.merge(inspections, on="cylinder_id", how="inner")
    within = (hit["inspected_on"] > hit["start"]) & (hit["inspected_on"] <= hit["end"])
    before_cut = hit["kind"].isin(CUTS) & (hit["inspected_on"] > hit["start"])
    out = np.zeros(len(made), bool)
    out[hit.loc[within | before_cut, "row"].unique()] = True
    return out


def _on_loan_within(made: pd.DataFrame, inputs: dict[str, pd.DataFrame]) -> np.ndarray:
    """Intervals between two fills while the unit was lent: what happened outside is not known."""
    loans = inputs["loans"][["unit_id", "out_at", "back_at"]]
    asked = made[["unit_id", "from_at", "to_at", "dive_id"]].reset_index(names="row")
    hit = asked.merge(loans, on="unit_id", how="inner")
    hit = hit[
        (hit["out_at"] < hit["to_at"])
        & (hit["back_at"].isna() | (hit["back_at"] > hit["from_at"]))
        & hit["dive_id"].isna()
    ]
    out = np.zeros(len(made), bool)
    out[hit["row"].unique()] = True
    return out
