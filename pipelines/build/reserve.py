"""How near each dive of a member came to the gas that would bring the team up, and why.

Looks back at logged dives; it plans none.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.build.divers import codes_of
from pipelines.build.watch import chance_before_each
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.constants import ATM_BAR, BAR_PER_METRE_EN13319, FRESH_WATER_KG_M3, GRAVITY_M_S2, SALT_WATER_KG_M3
from shared.reserve import (
    CAUSES,
    AscentPolicy,
    Traces,
    ascent_bar_min,
    cause_shares,
    critical_rmv_l_min,
    least_at,
    team_rmv_l_min,
)
from shared.thermal import amount_free_l
from shared.thinning import kept_points

OUT_OF_RESERVE = {"gas_missing", "not_open_circuit", "loop_tanks_recorded", "no_tanks", "end_above_start"}
"""Flags of a dive that has no reserve row: too much of its gas is unknown."""

PROFILE_POINTS = 400

RESERVE_EXTRAS = (
    "started_at",
    "critical_rmv_l_min",
    "chance_before",
    "start_lacking_free_l",
    "fill_low_bar",
    "fill_id",
)
"""Columns beyond the contract, for the watch and the pages: the rate the dive would have borne, the chance
of going below as seen before it, what the start lacked, and how low its fill had settled."""


def ascent_policy(policy: Policy) -> AscentPolicy:
    """The policy's ascent as the physics takes it."""
    r = policy.reserve
    return AscentPolicy(r.minutes_before_ascent, r.ascent_m_min, r.stop_depth_m, r.stop_min, r.stop_below_m)


def water_density_kg_m3(dives: pd.DataFrame, policy: Policy) -> np.ndarray:
    """Density that turns each dive's depths into pressure: by its water, or 10 m a bar where depths are so."""
    if policy.dives.depth_calibration == "en13319":
        return np.full(len(dives), BAR_PER_METRE_EN13319 * 1e5 / GRAVITY_M_S2)
    return np.where(dives["water"].to_numpy(object) == "fresh", FRESH_WATER_KG_M3, SALT_WATER_KG_M3)


@dataclass(frozen=True)
class _Start:
    """What a dive should have held at its start, and where the difference went, free litres, (D,)."""

    short_free_l: np.ndarray
    cooling_free_l: np.ndarray
    fill_low_bar: np.ndarray
    not_refilled: np.ndarray
    unknown: np.ndarray


def build_member_reserve(
    member_id: str,
    dives: pd.DataFrame,
    consumption: pd.DataFrame,
    trace: pd.DataFrame,
    trend: pd.DataFrame,
    fills: pd.DataFrame,
    units: pd.DataFrame,
    policy: Policy,
    *,
    tank_use: pd.DataFrame,
    state: pd.DataFrame,
    model: pd.DataFrame,
) -> dict[str, pd.DataFrame]:
    """Reserve and thinned profile of a member's dives.

    Parameters
    ----------
    member_id : str
    dives, consumption, trace, tank_use : DataFrame
        The member's: `dives` as taken in, the others as the dives' step made them.
    trend, state : DataFrame
        The member's `consumption_trend` and `trend_state`.
    fills : DataFrame
        `fill_quality` rows of the fills that the dives name.
    units, model : DataFrame
        Of the station: units, and the trend's shared fits.
    policy : Policy

    Returns
    -------
    dict of DataFrame
        `dive_reserve` and `dive_profile`. A dive without samples, or with gas missing, has no row.
    """
    about = _about(member_id, dives, consumption, tank_use, trace, policy)
    samples, start = _samples(trace, about)
    about = about.loc[samples["dive_id"].iloc[start]]
    if not len(about):
        return _frames(pd.DataFrame({c: [] for c in RESERVE_EXTRAS}), samples.iloc[:0])
    dive = np.repeat(np.arange(len(about)), np.diff(np.r_[start, len(samples)]))
    team_rmv = team_rmv_l_min(
        policy.reserve.stressed_rmv_l_min, about["team_size"].to_numpy(float), _member_rate(about, trend, policy)
    )
    need = (
        ascent_bar_min(
            samples["depth_m"].to_numpy(float),
            about["surface_pressure_bar_abs"].to_numpy(float)[dive],
            about["water_density_kg_m3"].to_numpy(float)[dive],
            ascent_policy(policy),
        )
        * team_rmv[dive]
    )
    amount = samples["back_amount_free_l"].to_numpy(float)
    traces = Traces(
        start=start,
        content_free_l=amount - samples["unusable_free_l"].to_numpy(float),
        required_free_l=need,
        used_free_l=np.maximum(amount[start][dive] - amount, 0.0),
    )
    lacked = _start(about, samples.iloc[start], tank_use, fills, units, policy.fleet.unexplained_use_bar)
    made = _rows(about, samples, traces, lacked, trend, state, model, policy)
    samples = samples.assign(required_free_l=need, margin_free_l=traces.margin_free_l)
    keep = kept_points(
        start,
        [samples["depth_m"].to_numpy(float), samples["tank_bar"].to_numpy(float)],
        [samples["gas_c"].to_numpy(float), samples["usable_free_l"].to_numpy(float), need, traces.margin_free_l],
        PROFILE_POINTS,
    )
    return _frames(made, samples[keep])


def _frames(reserve: pd.DataFrame, profile: pd.DataFrame) -> dict[str, pd.DataFrame]:
    profile = conform(profile.reset_index(drop=True), TABLES["dive_profile"].fields.values())
    extras = [c for c in RESERVE_EXTRAS if c not in TABLES["dive_reserve"].fields]
    reserve = reserve.astype({"started_at": "datetime64[us, UTC]", "fill_id": "str"})
    reserve = conform(reserve, TABLES["dive_reserve"].fields.values(), keep=extras)
    return {"dive_reserve": reserve, "dive_profile": profile}


def _about(
    member_id: str,
    dives: pd.DataFrame,
    consumption: pd.DataFrame,
    tank_use: pd.DataFrame,
    trace: pd.DataFrame,
    policy: Policy,
) -> pd.DataFrame:
    """A row a dive that may be judged, by time, indexed by dive_id."""
    wanted = ["surface_pressure_bar_abs", "water", "team_size", "overhead", "mandatory_stops"]
    usable = np.array([not OUT_OF_RESERVE.intersection(codes_of(f)) for f in consumption["flags"]], bool)
    rows = consumption[usable & consumption["dive_id"].isin(trace["dive_id"].unique()).to_numpy(bool)]
    rows = rows[["dive_id", "started_at", "fill_id", "dives_since_fill", "rmv_l_min", "flags"]]
    rows = rows.merge(dives[["dive_id", *wanted]], on="dive_id", how="left").sort_values(["started_at", "dive_id"])
    rows["member_id"] = member_id
    rows["surface_pressure_bar_abs"] = rows["surface_pressure_bar_abs"].fillna(ATM_BAR)
    rows["water_density_kg_m3"] = water_density_kg_m3(rows, policy)
    rows["team_size"] = rows["team_size"].astype("float64").fillna(policy.reserve.team_size)
    overhead = rows["overhead"].fillna(False).to_numpy(bool)
    stops = rows["mandatory_stops"].fillna(False).to_numpy(bool)
    back = tank_use[tank_use["role"] == "back"].groupby("dive_id")[["o2_pct", "he_pct"]].mean()
    rows = rows.join(back, on="dive_id")
    rows["o2_pct"] = rows["o2_pct"].fillna(20.95)
    rows["he_pct"] = rows["he_pct"].fillna(0.0)
    # one tank that may not be breathed at the surface is enough, whatever the others make on average
    leanest = rows["dive_id"].map(tank_use[tank_use["role"] == "back"].groupby("dive_id")["o2_pct"].min())
    hypoxic = leanest.fillna(20.95).to_numpy(float) < 100 * policy.filling.ppo2_least_bar - 1e-9
    rows["is_overhead"] = overhead
    rows["no_direct_ascent"] = overhead | stops | hypoxic
    return rows.set_index("dive_id", drop=False)


def _samples(trace: pd.DataFrame, about: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
    """Samples of these dives in the dives' order and time's, and where each dive starts."""
    order = pd.Series(np.arange(len(about)), index=about.index)
    known = trace["back_amount_free_l"].notna() & trace["unusable_free_l"].notna() & trace["depth_m"].notna()
    rows = trace[known & trace["dive_id"].isin(about.index)]
    rows = rows.assign(order=order.reindex(rows["dive_id"]).to_numpy())
    rows = rows.sort_values(["order", "t_s"], kind="stable", ignore_index=True)
    start = np.flatnonzero(np.r_[True, np.diff(rows["order"].to_numpy()) != 0]) if len(rows) else np.zeros(0, int)
    return rows.drop(columns="order"), start


def _before(about: pd.DataFrame, trend: pd.DataFrame, column: str) -> np.ndarray:
    """The trend's value at the last row begun before each dive; NaN for the first ones."""
    ordered = trend.sort_values("started_at")
    place = np.searchsorted(ordered["started_at"].to_numpy(), about["started_at"].to_numpy(), side="left") - 1
    return np.where(place >= 0, np.r_[ordered[column].to_numpy(float), np.nan][place], np.nan)


def _member_rate(about: pd.DataFrame, trend: pd.DataFrame, policy: Policy) -> np.ndarray | None:
    if policy.reserve.stressed_rate != "own":
        return None
    return np.fmax(policy.reserve.stressed_rmv_l_min, 1.5 * _before(about, trend, "planning_rmv_l_min"))


def _start(about, first, tank_use: pd.DataFrame, fills, units: pd.DataFrame, unexplained_bar: float) -> _Start:
    """What the target holds at 15 °C against what was there, split as the fill's own shortfall.

    What lacks far beyond that shortfall was used since without a record: the dive started short by it.
    """
    mix = about["o2_pct"].to_numpy(float), about["he_pct"].to_numpy(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        capacity = first["back_amount_free_l"].to_numpy(float) / amount_free_l(
            1.0, first["tank_bar"].to_numpy(float), first["gas_c"].to_numpy(float), *mix, strict=False
        )
    columns = ["target_pressure_bar", "settled_pressure_bar_15c", "stopped_early_free_l", "cooling_free_l"]
    known = fills.drop_duplicates("fill_id").set_index("fill_id")[columns].reindex(about["fill_id"])
    again = about["dives_since_fill"].astype("float64").fillna(0.0).to_numpy() > 0
    target = np.where(again, np.nan, known["target_pressure_bar"].to_numpy(float))
    linked = np.isfinite(target)
    back = tank_use[tank_use["role"] == "back"][["dive_id", "unit_id"]]
    permitted = back.merge(units[["unit_id", "permitted_bar"]].drop_duplicates("unit_id"), on="unit_id", how="left")
    permitted = permitted.groupby("dive_id")["permitted_bar"].min().reindex(about.index).to_numpy(float)
    wanted = np.where(linked, target, permitted)
    held = first["back_amount_free_l"].to_numpy(float)
    lacking = np.maximum(np.nan_to_num(capacity * amount_free_l(1.0, wanted, 15.0, *mix, strict=False) - held), 0.0)
    early = np.maximum(np.nan_to_num(known["stopped_early_free_l"].to_numpy(float)), 0.0)
    cooled = np.maximum(np.nan_to_num(known["cooling_free_l"].to_numpy(float)), 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        by_cooling = np.where(linked & (early + cooled > 0), cooled / (early + cooled), 0.0)
    unlogged = lacking - (early + cooled)
    unlogged = np.where(linked & (unlogged > capacity * unexplained_bar), unlogged, 0.0)
    cooling = (lacking - unlogged) * by_cooling
    low = np.where(linked, target - known["settled_pressure_bar_15c"].to_numpy(float), np.nan)
    return _Start(lacking - cooling, cooling, low, again, ~np.isfinite(wanted))


def _rows(about, samples, traces, lacked, trend, state, model, policy: Policy) -> pd.DataFrame:
    least = least_at(traces.margin_free_l, traces.start)
    margin = traces.margin_free_l[least]
    last = np.r_[traces.start[1:], len(samples)] - 1
    rmv = about["rmv_l_min"].to_numpy(float)
    level = _before(about, trend, "level_rmv_l_min")
    level = np.where(np.isnan(level), _population_level(about, state), level)
    with np.errstate(invalid="ignore"):
        saved = np.nan_to_num(np.clip(1.0 - level / rmv, 0.0, 1.0))
    shares, _ = cause_shares(traces, lacked.short_free_l, lacked.cooling_free_l, saved)
    below = margin < 0
    usable = samples["usable_free_l"].to_numpy(float)
    overhead = about["is_overhead"].to_numpy(bool)
    thirds = np.where(overhead, usable[last] - usable[traces.start] / 3.0, np.nan)
    made = pd.DataFrame(
        {
            "dive_id": about["dive_id"],
            "member_id": about["member_id"],
            "started_at": about["started_at"],
            "fill_id": about["fill_id"],
            "surfaced_bar": samples["tank_bar"].to_numpy(float)[last],
            "surfaced_free_l": usable[last],
            "least_margin_free_l": margin,
            "least_margin_at_s": samples["t_s"].to_numpy(float)[least],
            "least_margin_depth_m": samples["depth_m"].to_numpy(float)[least],
            "required_free_l_there": traces.required_free_l[least],
            "least_margin_one_side_free_l": _one_side(samples, traces),
            "thirds_margin_free_l": thirds,
            "critical_rmv_l_min": critical_rmv_l_min(traces, rmv),
            "start_lacking_free_l": np.where(lacked.unknown, np.nan, lacked.short_free_l + lacked.cooling_free_l),
            "fill_low_bar": lacked.fill_low_bar,
        }
    ).reset_index(drop=True)
    made["below_surfacing_min"] = pd.array(made["surfaced_bar"] < policy.reserve.surfacing_min_bar, "boolean")
    made.loc[made["surfaced_bar"].isna(), "below_surfacing_min"] = pd.NA
    floor = about["no_direct_ascent"].to_numpy(bool)
    made["below_policy"] = pd.array(below, "boolean")
    made.loc[(floor & ~below) | np.isnan(margin), "below_policy"] = pd.NA
    made["cause"] = np.where(below, np.array(CAUSES)[np.argmax(np.nan_to_num(shares), axis=1)], "none")
    told = [dict(zip(CAUSES, share, strict=True)) for share in shares.tolist()]
    made["cause_shares"] = pd.Series([t if b else None for t, b in zip(told, below, strict=True)], dtype="object")
    broken = policy.reserve.thirds & (np.nan_to_num(thirds) < 0)
    raised = {
        "no_direct_ascent": floor,
        "not_refilled": lacked.not_refilled,
        "start_target_unknown": lacked.unknown,
        "below_thirds": broken,
    }
    made["flags"] = [[code for code, on in raised.items() if on[i]] for i in range(len(made))]
    made["chance_before"] = chance_before_each(made, state, model, policy)
    return made


def _population_level(about: pd.DataFrame, state: pd.DataFrame) -> np.ndarray:
    """Level that stands in before a member's first trend row: the population's, as the state before it has it."""
    begin = state.drop_duplicates("dive_id").set_index("dive_id")["level_log"].reindex(about.index).to_numpy(float)
    return np.exp(np.where(np.isfinite(begin), begin, np.log(16.0)))


def _one_side(samples: pd.DataFrame, traces: Traces) -> np.ndarray:
    """Least margin with the lesser side alone: its content above what is unusable, less what is required."""
    usable = samples["usable_free_l"].to_numpy(float)
    content = traces.content_free_l
    side = samples["one_side_usable_free_l"].to_numpy(float)
    # of a set found not joined the breathed side is all there is, and all that is unusable lies in it
    share = np.where(side == usable, 1.0, 0.5)
    side = side - share * (usable - content)
    margin = side - traces.required_free_l
    return margin[least_at(margin, traces.start)]
