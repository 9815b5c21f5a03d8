"""How near each dive of a member came to the gas that would bring the team up, and why.

Looks back at logged dives; it plans none.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.derive.divers.reserve_chance import chance_before_each, correct_chances, month_of
from pipelines.derive.divers.trend import codes_of
from pipelines.derive.dives.samples import AT_SURFACE_M, water_density
from schemas.codes import codes_that
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.diving.reserve import (
    CAUSES,
    AscentPolicy,
    Traces,
    ascent_bar_min,
    cause_shares,
    critical_rmv_l_min,
    least_at,
    team_rmv_l_min,
)
from shared.diving.thinning import kept_points
from shared.gas.constants import (
    AIR_O2_PCT,
    ATM_BAR,
)
from shared.gas.thermal import amount_free_l

NO_MARGIN = codes_that(lambda c: c.no_margin)
"""Flags of a dive that has no margin: too much of its gas is unknown."""

CLOSED_LOOP = codes_that(lambda c: c.closed_loop)
"""Flags of a dive whose cylinders do not say what was left to breathe."""

PROFILE_POINTS = 400


def ascent_policy(policy: Policy) -> AscentPolicy:
    """The policy's ascent as the physics takes it."""
    r = policy.reserve
    return AscentPolicy(r.minutes_before_ascent, r.ascent_m_min, r.stop_depth_m, r.stop_min, r.stop_below_m)


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
    surfacing: pd.DataFrame,
    state: pd.DataFrame,
    model: pd.DataFrame,
) -> dict[str, pd.DataFrame]:
    """Reserve and thinned profile of a member's dives.

    Parameters
    ----------
    member_id : str
    dives, consumption, trace, tank_use, surfacing : DataFrame
        The member's: `dives` as taken in, the others as the dives' step made them.
    trend, state : DataFrame
        The member's `consumption_trend` and `trend_state`.
    fills : DataFrame
        What the fills that the dives name were taken for when they were made (`fills_before_dives`).
    units, model : DataFrame
        Of the station: units, and the trend's shared fits.
    policy : Policy

    Returns
    -------
    dict of DataFrame
        `reserve_margins`, a row a dive with an end pressure: what needs samples and all of the gas is empty
        without them. The columns of `dive_reserve` with, instead of `chance_before`, `chance_drawn` (not yet
        corrected by the station's record) and `log_rmv` (of dives in the trend). `dive_profile`, of the dives
        that have a margin.
    """
    every = _about(member_id, dives, consumption, tank_use, trace, surfacing, policy)
    samples, start = _samples(trace, every[every["may_have_margin"]])
    about = every.loc[samples["dive_id"].iloc[start]]
    made, profile = _margins(about, samples, start, trend, tank_use, fills, units, state, policy)
    made = _with_surfacing(made, every, surfacing, policy)
    of_trend = state[state["in_trend"].astype(bool)]["dive_id"] if len(state) else []
    rate = every["rmv_l_min"].where(every["dive_id"].isin(of_trend)).reindex(made["dive_id"]).to_numpy(float)
    made["log_rmv"] = np.log(np.where(rate > 0, rate, np.nan))
    made = conform(made, TABLES["dive_reserve"].fields.values(), keep=["log_rmv"]).drop(columns="chance_before")
    made["chance_drawn"] = chance_before_each(made, state, model, policy)
    profile = conform(profile.reset_index(drop=True), TABLES["dive_profile"].fields.values())
    return {"reserve_margins": made, "dive_profile": profile}


def with_chances(margins: pd.DataFrame, correction: pd.DataFrame) -> pd.DataFrame:
    """`dive_reserve` from `reserve_margins`: chances as the station's record before each month corrects them."""
    chance = correct_chances(margins["chance_drawn"].to_numpy(float), month_of(margins["started_at"]), correction)
    return conform(margins.assign(chance_before=chance), TABLES["dive_reserve"].fields.values())


def _about(
    member_id: str,
    dives: pd.DataFrame,
    consumption: pd.DataFrame,
    tank_use: pd.DataFrame,
    trace: pd.DataFrame,
    surfacing: pd.DataFrame,
    policy: Policy,
) -> pd.DataFrame:
    """A row a dive with samples of its gas or an end pressure, by time, indexed by dive_id."""
    wanted = ["surface_pressure_bar_abs", "water", "team_size", "overhead", "mandatory_stops"]
    traced = consumption["dive_id"].isin(trace["dive_id"].unique())
    rows = consumption[traced | consumption["dive_id"].isin(surfacing["dive_id"])]
    rows = rows[["dive_id", "started_at", "fill_id", "dives_since_fill", "rmv_l_min", "flags"]]
    rows = rows.merge(dives[["dive_id", *wanted]], on="dive_id", how="left").sort_values(["started_at", "dive_id"])
    rows["member_id"] = member_id
    rows["surface_pressure_bar_abs"] = rows["surface_pressure_bar_abs"].fillna(ATM_BAR)
    rows["water_density_kg_m3"] = water_density(rows["water"], policy)
    rows["team_size"] = rows["team_size"].astype("float64").fillna(policy.reserve.team_size)
    overhead = rows["overhead"].fillna(False).to_numpy(bool)
    stops = rows["mandatory_stops"].fillna(False).to_numpy(bool)
    back = tank_use[tank_use["role"] == "back"].groupby("dive_id")
    rows = rows.join(back[["o2_pct", "he_pct"]].mean(), on="dive_id")
    leanest = rows["dive_id"].map(back["o2_pct"].min()).fillna(AIR_O2_PCT).to_numpy(float)
    rows["o2_pct"] = rows["o2_pct"].fillna(AIR_O2_PCT)
    rows["he_pct"] = rows["he_pct"].fillna(0.0)
    # one tank that may not be breathed at the surface is enough, whatever the others make on average
    hypoxic = leanest < 100 * policy.filling.ppo2_least_bar - 1e-9
    rows["is_overhead"] = overhead
    rows["no_direct_ascent"] = overhead | stops | hypoxic
    codes = [set(codes_of(f)) for f in rows["flags"]]
    rows["may_have_margin"] = np.array([not NO_MARGIN & c for c in codes], bool)
    rows["closed"] = [sorted(CLOSED_LOOP & c) for c in codes]
    rows["end_above_start"] = np.array(["end_above_start" in c for c in codes], bool)
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
    """What the target holds at 15 °C against what was there, split as the fills' own shortfall.

    Each back cylinder has its own fill, or its permitted pressure where none is known; several stand for one by
    their mean. What lacks far beyond the fills' shortfall was used since without a record: the dive started
    short by it.
    """
    mix = about["o2_pct"].to_numpy(float), about["he_pct"].to_numpy(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        capacity = first["back_amount_free_l"].to_numpy(float) / amount_free_l(
            1.0, first["tank_bar"].to_numpy(float), first["gas_c"].to_numpy(float), *mix, strict=False
        )
    again = about["dives_since_fill"].astype("float64").fillna(0.0).to_numpy() > 0
    columns = ["target_pressure_bar", "settled_pressure_bar_15c", "stopped_early_free_l", "cooling_free_l"]
    known = fills.drop_duplicates("fill_id").set_index("fill_id")[columns]
    back = tank_use[(tank_use["role"] == "back") & tank_use["dive_id"].isin(about["dive_id"])]
    back = back[["dive_id", "unit_id", "fill_id"]].join(known, on="fill_id")
    permitted = units.drop_duplicates("unit_id").set_index("unit_id")["permitted_bar"]
    back["linked"] = np.isfinite(back["target_pressure_bar"].to_numpy(float))
    back["wanted"] = back["target_pressure_bar"].fillna(back["unit_id"].map(permitted).astype("float64"))
    back["low"] = back["target_pressure_bar"] - back["settled_pressure_bar_15c"]
    of_dive = back.groupby("dive_id")
    by_dive = of_dive[["low", "linked"]].max().reindex(about.index)
    # a cylinder of which nothing is known leaves open what the dive should have started with
    wanted = of_dive["wanted"].mean().where(of_dive["wanted"].count() == of_dive.size())
    wanted = wanted.reindex(about.index).to_numpy(float)
    # the posts of one set share its fill
    split = back.drop_duplicates(["dive_id", "fill_id"]).groupby("dive_id")[columns[2:]].sum().reindex(about.index)
    linked = by_dive["linked"].fillna(False).to_numpy(bool)
    held = first["back_amount_free_l"].to_numpy(float)
    lacking = np.maximum(np.nan_to_num(capacity * amount_free_l(1.0, wanted, 15.0, *mix, strict=False) - held), 0.0)
    early = np.maximum(np.nan_to_num(split["stopped_early_free_l"].to_numpy(float)), 0.0)
    cooled = np.maximum(np.nan_to_num(split["cooling_free_l"].to_numpy(float)), 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        by_cooling = np.where(linked & (early + cooled > 0), cooled / (early + cooled), 0.0)
    unlogged = lacking - (early + cooled)
    unlogged = np.where(linked & (unlogged > capacity * unexplained_bar), unlogged, 0.0)
    cooling = (lacking - unlogged) * by_cooling
    return _Start(lacking - cooling, cooling, by_dive["low"].to_numpy(float), again, ~np.isfinite(wanted))


def _margins(about, samples, start, trend, tank_use, fills, units, state, policy: Policy):
    """Least margin and cause of the dives with samples, a row a dive, and their thinned profiles."""
    if not len(about):
        return pd.DataFrame({"dive_id": pd.Series([], dtype="str")}), samples.iloc[:0]
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
    made = _rows(about, samples, traces, lacked, trend, state, policy)
    samples = samples.assign(required_free_l=need, margin_free_l=traces.margin_free_l)
    keep = kept_points(
        start,
        [samples["depth_m"].to_numpy(float), samples["tank_bar"].to_numpy(float)],
        [samples["gas_c"].to_numpy(float), samples["usable_free_l"].to_numpy(float), need, traces.margin_free_l],
        PROFILE_POINTS,
    )
    return made, samples[keep]


def _rows(about, samples, traces, lacked, trend, state, policy: Policy) -> pd.DataFrame:
    least = least_at(traces.margin_free_l, traces.start)
    margin = traces.margin_free_l[least]
    surfaced = surfaced_at(samples["depth_m"].to_numpy(float), traces.start)
    rmv = about["rmv_l_min"].to_numpy(float)
    level = _before(about, trend, "level_rmv_l_min")
    level = np.where(np.isnan(level), _population_level(about, state), level)
    with np.errstate(invalid="ignore"):
        saved = np.nan_to_num(np.clip(1.0 - level / rmv, 0.0, 1.0))
    shares, _ = cause_shares(traces, lacked.short_free_l, lacked.cooling_free_l, saved)
    below = margin < 0
    usable = samples["usable_free_l"].to_numpy(float)
    overhead = about["is_overhead"].to_numpy(bool)
    thirds = np.where(overhead, usable[surfaced] - usable[traces.start] / 3.0, np.nan)
    made = pd.DataFrame(
        {
            "dive_id": about["dive_id"],
            "member_id": about["member_id"],
            "started_at": about["started_at"],
            "fill_id": about["fill_id"],
            "surfaced_bar": samples["tank_bar"].to_numpy(float)[surfaced],
            "surfaced_free_l": usable[surfaced],
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
    floor = about["no_direct_ascent"].to_numpy(bool)
    made["below_policy"] = pd.array(below, "boolean")
    made.loc[(floor & ~below) | np.isnan(margin), "below_policy"] = pd.NA
    made["cause"] = np.where(below, np.array(CAUSES)[np.argmax(np.nan_to_num(shares), axis=1)], "none")
    by_cause = [dict(zip(CAUSES, share, strict=True)) for share in shares.tolist()]
    made["cause_shares"] = pd.Series([t if b else None for t, b in zip(by_cause, below, strict=True)], dtype="object")
    broken = policy.reserve.thirds & (np.nan_to_num(thirds) < 0)
    raised = {
        "no_direct_ascent": floor,
        "not_refilled": lacked.not_refilled,
        "start_target_unknown": lacked.unknown,
        "below_thirds": broken,
    }
    made["flags"] = [[code for code, on in raised.items() if on[i]] for i in range(len(made))]
    return made


def surfaced_at(depth_m: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Sample of each dive at which the diver is back at the surface for good; else its last sample, (D,)."""
    last = np.r_[start[1:], len(depth_m)] - 1
    under = np.where(depth_m > AT_SURFACE_M, np.arange(len(depth_m)), -1)
    return np.minimum(np.maximum.reduceat(under, start) + 1, last) if len(start) else last


def _with_surfacing(made: pd.DataFrame, every: pd.DataFrame, surfacing: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """All dives by time, with what they surfaced with: from samples where they say it, else from the ends."""
    ends = surfacing.drop_duplicates("dive_id").set_index("dive_id").reindex(every["dive_id"])
    judged = made.drop(columns=["member_id", "started_at", "fill_id"], errors="ignore").set_index("dive_id")
    has_margin = every["dive_id"].isin(judged.index).to_numpy(bool)
    rows = every[["dive_id", "member_id", "started_at", "fill_id"]].join(judged).reset_index(drop=True)
    contradicted = every["end_above_start"].to_numpy(bool)
    for name in ("surfaced_bar", "surfaced_free_l"):
        seen = rows[name].to_numpy(float) if name in rows else np.full(len(rows), np.nan)
        rows[name] = np.where(has_margin, seen, np.where(contradicted, np.nan, ends[name].to_numpy(float)))
    least_allowed = policy.reserve.surfacing_min_bar
    surfaced, lowest = rows["surfaced_bar"].to_numpy(float), ends["least_bar"].to_numpy(float)
    every_end = (ends["back_cylinders"] > 0) & (ends["back_cylinders"] == ends["back_ends"])
    all_known = every_end.to_numpy(bool) & ~contradicted
    # without sizes no mean is known, but pressures that all lie on one side of the line say enough
    below = np.where(np.isfinite(surfaced), surfaced < least_allowed, ends["most_bar"].to_numpy(float) < least_allowed)
    certain = np.isfinite(surfaced) | (all_known & (below | (lowest >= least_allowed)))
    closed = np.array([bool(c) for c in every["closed"]], bool)
    rows["below_surfacing_min"] = pd.array(below, "boolean")
    rows.loc[~certain | closed, "below_surfacing_min"] = pd.NA
    one_low = ends["apart"].fillna(False).to_numpy(bool) & (lowest < least_allowed) & ~contradicted & ~closed
    one_low &= ~rows["below_surfacing_min"].fillna(False).to_numpy(bool)
    raised = {
        "no_direct_ascent": every["no_direct_ascent"].to_numpy(bool) & ~has_margin,
        "margin_not_known": ~has_margin,
        "end_above_start": contradicted,
        "no_back_gas": (ends["back_cylinders"] == 0).to_numpy(bool) & ~closed,
        "end_pressure_missing": (ends["back_cylinders"] > ends["back_ends"]).to_numpy(bool) & ~has_margin & ~closed,
        "one_cylinder_low": one_low,
    }
    known = rows["flags"] if "flags" in rows else pd.Series([np.nan] * len(rows))
    rows["flags"] = [
        [*codes_of(f), *every["closed"].iloc[i], *(code for code, on in raised.items() if on[i])]
        for i, f in enumerate(known)
    ]
    return rows


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
