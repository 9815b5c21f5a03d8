"""Readings of a station turned into intervals in which nobody breathed, and leak rates from them."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.derive.fills.slips import stop_below_start
from pipelines.derive.fills.station_wide import steps_bar
from pipelines.derive.fleet.inspections import local_day
from pipelines.derive.units import cylinders_of_units_on, set_membership
from schemas.policy import Policy
from shared.filling.gauges import offset_sd_bar
from shared.fleet.leaks import Intervals, leak_rates
from shared.gas.constants import AIR_O2_PCT, Z80
from shared.gas.thermal import amount_free_l

# error of what arrives beyond the gauge's: the gas is not quite as warm as the thermometer says. A judgement.
ARRIVAL_TEMPERATURE_SD_K = 1.3
# so many readings of the same mark of the scale count as one at most: those of one stretch of time
MOST_ALIKE = 3.0
# what a fill's belief is off by apart from what it has in common with the station's others, at most, bar
OWN_SD_BAR = {"settled": 1.0, "wall": 1.3, "model": 1.5}
# what readings of one way have in common, bar: how warm the gas was taken to be, and a check gauge's offset
WARMTH_SD_BAR = {"settled": 0.6, "wall": 1.5, "model": 2.5, "dive_start": 1.5, "dive_end": 0.7}
# how much the gas of a small top-up warms is not what whole fills teach: bar of error a top-up of so many bar
TOP_UP_SD_BAR, TOP_UP_BAR, LARGEST_TOP_UP_BAR = 1.0, 25.0, 80.0
DIVERS_GAUGE_SD_BAR = 2.0
SEASON_SD_BAR = 0.7
DIVE_READING_SD_BAR = 0.7
# gas at the start of a dive, where its trace does not say; at its end, below the water by what leaving gas cools
DIVE_START_TEMPERATURE_SD_K = 5.0
FITTED_TEMPERATURE_SD_K = 3.0
DIVE_END_TEMPERATURE_SD_K = 3.0
DIVE_END_BELOW_WATER_K = 4.0
FULL_BAR = 200.0
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
    "settled_low_bar_15c",
    "settled_high_bar_15c",
    "gas_c_basis",
    "o2_pct",
    "he_pct",
]
NO_GAUGES_CHECKED = pd.DataFrame(
    {"gauge_id": pd.Series(dtype="str"), "month_on": pd.Series(dtype="datetime64[us]")}
    | {c: pd.Series(dtype="float64") for c in ("offset_bar", "offset_low_bar", "offset_high_bar")}
)
# of each reading: its gauge, the way it was come by and a top-up's warmth, how far each is in it, and the prior SDs
ALIKE = ("gauge", "way", "top_up")
COMMON = tuple(f"{name}{part}" for name in ALIKE for part in ("", "_sd", "_share"))
EVENT_COLUMNS = ["unit_id", "at", "order", "kind", "content", "sd", *COMMON, "fill_id", "dive_id"]
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
    gauge_check: pd.DataFrame = NO_GAUGES_CHECKED,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Leak rates by unit, and the intervals they stand on.

    Parameters
    ----------
    inputs : dict of DataFrame
        Fills, dives and registers. What lies in the future, or is not to count yet, is not among their rows.
    fill_quality : DataFrame
        What each fill holds, with its 80 % interval, as it was before anything was read of it at its next arrival:
        a belief that has the arrival in it already would hide what leaked in between.
    gauge_check : DataFrame
        Offset of each gauge by month: arrivals are read on the gauge whose offset the fills' beliefs have taken out.

    Returns
    -------
    rates : DataFrame
        A row a unit with usable intervals: rate, 80 % interval, flag, number and length of intervals.
    intervals : DataFrame
        Each interval with its loss; `use` says that it counted, `unexplained` that it was use nobody logged.
    """
    intervals = leak_intervals(inputs, fill_quality, dive_tank_use, policy, gauge_check)
    names, unit = np.unique(intervals["unit_id"].to_numpy(object).astype(str), return_inverse=True)
    effects = common_effects(intervals)
    found = (
        leak_rates(
            as_arrays(intervals, unit, effects),
            len(names),
            effects.sd_bar,
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


@dataclass(frozen=True)
class CommonEffects:
    """What readings have in common: places (m, 6) and signs (m, 6) by interval, the prior SD of each, and kinds."""

    place: np.ndarray
    sign: np.ndarray
    sd_bar: np.ndarray
    kind: np.ndarray


def common_effects(intervals: pd.DataFrame) -> CommonEffects:
    """The gauges and ways of reading behind each interval: `left - arrived` has the first's errors and not the last's.

    One gauge at both ends of an interval falls out of it as far as the fill's belief did not correct it.
    """
    columns = [(f"{end}_{n}", 1.0 if end == "from" else -1.0) for end in ("from", "to") for n in ALIKE]
    named = pd.concat([intervals[name] for name, _ in columns], keys=range(len(columns)))
    sd = pd.concat([intervals[f"{name}_sd"] for name, _ in columns], keys=range(len(columns))).astype("float64")
    place, names = pd.factorize(named)
    place = place.reshape(len(columns), -1)
    share = np.stack([intervals[f"{name}_share"].to_numpy(float) for name, _ in columns])
    sign = np.where(place >= 0, share * np.array([s for _, s in columns])[:, None], 0.0)
    prior = sd.groupby(place.ravel()).max().reindex(range(max(len(names), 1))).fillna(1.0).to_numpy(float)
    kind, _ = pd.factorize(intervals["kind"])
    return CommonEffects(np.maximum(place, 0).T, sign.T, prior, kind)


def as_arrays(intervals: pd.DataFrame, unit: np.ndarray, effects: CommonEffects) -> Intervals:
    """Intervals as the rates are found from them."""
    values = {c: intervals[c].to_numpy(float) for c in ("days", "loss_bar", "sd_bar", "biased", "full_share")}
    return Intervals(unit=unit, effect=effects.place, sign=effects.sign, kind=effects.kind, **values)


def leak_intervals(
    inputs: dict[str, pd.DataFrame],
    fill_quality: pd.DataFrame,
    dive_tank_use: pd.DataFrame,
    policy: Policy,
    gauge_check: pd.DataFrame = NO_GAUGES_CHECKED,
) -> pd.DataFrame:
    """Intervals between readings of one unit with no use, inspection or loan between them.

    From a fill to the unit's next fill or to the start of its next dive, and from the end of a dive to
    the next fill. Use of a set's own cylinders, or of the set by its cylinders, ends an interval.
    """
    fills = _fill_events(inputs, fill_quality, policy, gauge_check)
    dives = _dive_events(inputs, dive_tank_use)
    events = pd.concat(
        [e for e in (fills, dives, _blocks(fills, dives, inputs)) if len(e)] or [fills], ignore_index=True
    )
    # dives alone have no top-ups; frames without rows, and times computed from minutes, come in other dtypes
    events = events.reindex(columns=events.columns.union(COMMON, sort=False))
    events["at"] = pd.to_datetime(events["at"], utc=True).astype("datetime64[us, UTC]")
    events = events.sort_values(["unit_id", "at", "order"], kind="stable", ignore_index=True)
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
            "kind": a["way"].astype("str") + " > " + b["kind"].astype("str"),
            **{f"{end}_{c}": e[c] for end, e in (("from", a), ("to", b)) for c in COMMON},
            # what a unit's wall and habits do to a fill's belief is in every interval that begins with one
            "biased": a["kind"].eq("left").to_numpy(float),
            "fill_id": b["fill_id"].astype("str"),
            "dive_id": b["dive_id"].astype("str"),
        }
    )
    between = 0.5 * (a["content"].astype(float) + b["content"].astype(float).clip(lower=0.0))
    made["full_share"] = (between / FULL_BAR).clip(0.0, 1.0)
    made = made[np.isfinite(made["loss_bar"])].reset_index(drop=True)
    keep = ~_inspected_within(made, inputs, policy) & ~_on_loan_within(made, inputs)
    return made[keep].reset_index(drop=True)


def _content(pressure, gas_c, o2_pct, he_pct) -> np.ndarray:
    """Free litres a litre of capacity; 'bar'."""
    return amount_free_l(1.0, np.maximum(pressure, 0.0), gas_c, o2_pct, he_pct, strict=False)


def _fill_events(
    inputs: dict[str, pd.DataFrame], fill_quality: pd.DataFrame, policy: Policy, gauge_check: pd.DataFrame
) -> pd.DataFrame:
    """Two readings a fill: what was in the unit when it came, and what left with it."""
    raw = inputs["fills"].set_index("fill_id")[["settled_at", "settled_gauge_id"]]
    f = fill_quality[JUDGED].merge(raw, left_on="fill_id", right_index=True, how="left")
    f = f.sort_values(["unit_id", "filled_at"], ignore_index=True)
    f["start_pressure_bar"] = f["start_pressure_bar"].mask(stop_below_start(f))
    o2, he = f["o2_pct"].fillna(AIR_O2_PCT), f["he_pct"].fillna(0.0)
    before_o2 = o2.groupby(f["unit_id"]).shift().fillna(AIR_O2_PCT)
    before_he = he.groupby(f["unit_id"]).shift().fillna(0.0)
    gauges = inputs["gauges"].drop_duplicates("gauge_id").set_index("gauge_id")
    station = f["station_id"].astype("object").fillna("")
    gauge = f["gauge_id"].astype("object").where(f["gauge_id"].notna(), "gauge of " + station)
    day = local_day(f["filled_at"], policy.time_zone)
    offset, gauge_sd, not_learned = _gauge_offsets(gauge, day, gauges, gauge_check)
    step = (
        gauge.map(gauges["step_bar"])
        .astype("float64")
        .fillna(gauge.map(steps_bar(gauge, f["start_pressure_bar"], f["stop_pressure_bar"])))
    )

    # what rounding did to a reading it does again to the same reading of the same unit: many of them are one
    reads = f.groupby([f["unit_id"], gauge, f["start_pressure_bar"]])["fill_id"].transform("size")
    alike = np.sqrt(reads.fillna(1.0).clip(1.0, MOST_ALIKE).astype("float64"))

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
            "sd": np.hypot(step * alike / np.sqrt(12), ARRIVAL_TEMPERATURE_SD_K * start / 288.15),
            "gauge": gauge,
            "gauge_sd": gauge_sd,
            "gauge_share": 1.0,
            # the room is not as warm as the thermometer says, by what the season makes of it
            "way": "arrived " + day.dt.strftime("%Y-%m").astype("object"),
            "way_sd": SEASON_SD_BAR,
            "way_share": 1.0,
            "fill_id": f["fill_id"],
        }
    )
    left_content = _content(f["settled_pressure_bar_15c"].to_numpy(float), 15.0, o2.to_numpy(), he.to_numpy())
    basis = f["gas_c_basis"].astype("object").where(f["gas_c_basis"].notna(), "model")
    settled = basis.eq("settled")
    other = f["settled_gauge_id"].astype("object").where(settled)
    added = (f["stop_pressure_bar"] - f["start_pressure_bar"]).astype("float64")
    top_up = basis.eq("model") & added.between(0.0, LARGEST_TOP_UP_BAR)
    left = pd.DataFrame(
        {
            "unit_id": f["unit_id"],
            "at": f["settled_at"].where(
                settled & f["settled_at"].notna() & (f["settled_at"] >= f["filled_at"]), f["filled_at"]
            ),
            "order": 1,
            "kind": "left",
            "content": left_content,
            "sd": _own_sd(f, basis),
            # a settled reading on the check gauge has that gauge's offset in what all such readings have in common
            "gauge": gauge.where(~settled, other),
            "gauge_sd": gauge_sd,
            # what settled fills have taught of a gauge is out of its other fills' beliefs
            "gauge_share": np.where(settled, 1.0, not_learned),
            "way": basis,
            "way_sd": np.hypot(
                basis.map(WARMTH_SD_BAR).astype(float).fillna(WARMTH_SD_BAR["model"]),
                np.where(settled, policy.filling.check_gauge_limit_bar / 2, 0.0),
            ),
            "way_share": 1.0,
            "top_up": pd.Series("top-up", f.index, dtype="object").where(top_up),
            "top_up_sd": TOP_UP_SD_BAR,
            "top_up_share": added.where(top_up, 0.0) / TOP_UP_BAR,
            "fill_id": f["fill_id"],
        }
    )
    return pd.concat([arrived, left], ignore_index=True).assign(dive_id=None)


def _gauge_offsets(
    gauge: pd.Series, day: pd.Series, gauges: pd.DataFrame, gauge_check: pd.DataFrame
) -> tuple[pd.Series, pd.Series, np.ndarray]:
    """Offset of each reading's gauge in its month, bar, its SD, and the share of its error that nothing has taught.

    As settled fills have found it, else as stated.
    """
    class_sd = pd.Series(
        offset_sd_bar(gauges["accuracy_class"].astype("float64"), gauges["span_bar"].astype("float64")), gauges.index
    )
    sd = gauge.map(class_sd).astype("float64").fillna(offset_sd_bar())
    offset = gauge.map(gauges["offset_bar"]).astype("float64").fillna(0.0)
    if gauge_check.empty:
        return offset, sd, np.ones(len(gauge))
    found = gauge_check.drop_duplicates(["gauge_id", "month_on"]).set_index(["gauge_id", "month_on"])
    month = day.dt.to_period("M").dt.to_timestamp().astype("datetime64[us]")
    there = found.reindex(pd.MultiIndex.from_arrays([gauge.astype("object"), month]))
    known_sd = (there["offset_high_bar"] - there["offset_low_bar"]).to_numpy(float) / (2 * Z80)
    known = np.isfinite(there["offset_bar"].to_numpy(float)) & np.isfinite(known_sd)
    not_learned = np.where(known, np.clip((known_sd / sd.to_numpy(float)) ** 2, 0.0, 1.0), 1.0)
    return offset.mask(known, there["offset_bar"].to_numpy(float)), sd.mask(known, known_sd), not_learned


def _own_sd(f: pd.DataFrame, basis: pd.Series) -> pd.Series:
    """SD of what each fill is believed to hold, bar, without what all fills of its kind have in common."""
    sd = (f["settled_high_bar_15c"] - f["settled_low_bar_15c"]).astype("float64") / (2 * Z80)
    most = basis.map(OWN_SD_BAR).astype("float64").fillna(OWN_SD_BAR["model"])
    return sd.where(sd > 0).fillna(most).clip(upper=most)


def _dive_events(inputs: dict[str, pd.DataFrame], dive_tank_use: pd.DataFrame) -> pd.DataFrame:
    """Start and end of every dive a unit took part in; without pressures they only mark the use."""
    use = dive_tank_use.dropna(subset=["unit_id"])
    dives = inputs["dives"].drop_duplicates(["member_id", "dive_id"])
    wanted = ["member_id", "dive_id", "started_at", "duration_min", "air_c", "water_c"]
    d = use.merge(dives[[c for c in wanted if c in dives]], on=["member_id", "dive_id"], how="inner")
    d = d.reindex(columns=[*d.columns, *[c for c in (*wanted, "start_gas_c", "gas_used_free_l") if c not in d.columns]])
    if d.empty:
        return pd.DataFrame(columns=EVENT_COLUMNS)
    fitted = d["start_gas_c"].astype(float)
    start_c = fitted.fillna(d["air_c"].astype(float)).fillna(15.0).to_numpy()
    end_c = d["water_c"].astype(float).fillna(12.0).to_numpy() - DIVE_END_BELOW_WATER_K
    start_sd_k = np.where(fitted.notna(), FITTED_TEMPERATURE_SD_K, DIVE_START_TEMPERATURE_SD_K)
    o2, he = d["o2_pct"].fillna(AIR_O2_PCT).to_numpy(float), d["he_pct"].fillna(0.0).to_numpy(float)
    who = "dives of " + d["member_id"].astype("object")
    minutes = pd.to_timedelta(d["duration_min"].astype(float).fillna(60.0), unit="min")
    parts = []
    for kind, pressure, gas_c, sd_k, at in (
        ("dive_start", "start_pressure_bar", start_c, start_sd_k, d["started_at"]),
        ("dive_end", "end_pressure_bar", end_c, DIVE_END_TEMPERATURE_SD_K, d["started_at"] + minutes),
    ):
        content = _content(d[pressure].to_numpy(float), gas_c, o2, he)
        parts.append(
            pd.DataFrame(
                {
                    "unit_id": d["unit_id"],
                    "at": at,
                    "order": 2,
                    "kind": kind,
                    "content": content,
                    "sd": np.hypot(DIVE_READING_SD_BAR, sd_k * content / 288.15),
                    "gauge": who,
                    "gauge_sd": DIVERS_GAUGE_SD_BAR,
                    "gauge_share": 1.0,
                    "way": kind,
                    "way_sd": WARMTH_SD_BAR[kind],
                    "way_share": 1.0,
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
    nothing = {c: None if c in ALIKE else np.nan for c in COMMON}
    return marks.assign(kind="block", content=np.nan, sd=np.nan, fill_id=None, dive_id=None, **nothing)


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
