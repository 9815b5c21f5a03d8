"""The fleet, its plan of inspections, and the air: what stands for today."""

import numpy as np
import pandas as pd

from pipelines.derive.columns import in_time
from pipelines.refresh.engine import Refresh
from pipelines.refresh.reads import (
    AIR_TESTS,
    HISTORY,
    INSPECTED_RULES,
    INSPECTED_SETTINGS,
    PURITY_RULES,
    PURITY_SETTINGS,
    REGISTER,
    SETS,
    whole,
)
from pipelines.refresh.step import EVERY, Frames, Given, Part, Shelf, Step


def _leaks(given: Given) -> Frames:
    from pipelines.derive.fleet.leaks import build_leaks

    rates, intervals = build_leaks(
        given, given["fills_of_leaks"], given["dive_tank_use"], given.policy, given["gauge_check"]
    )
    shown = ["unit_id", "to_at", "loss_bar", "fill_id", "dive_id", "use", "unexplained"]
    return {"leak_rates": rates, "leak_intervals": intervals[shown].astype({"fill_id": "str", "dive_id": "str"})}


_DIVE = ("member_id", "dive_id")
_SETTLED = ("settled_pressure_bar_15c", "settled_low_bar_15c", "settled_high_bar_15c")

#: from many readings, each of which says little: what is read today counts tomorrow where fills are many (`_before`)
LEAKS = Step(
    name="leaks",
    version=2,
    build=_leaks,
    gives=("leak_rates", "leak_intervals"),
    reads={
        "cylinders": SETS["cylinders"],
        "set_members": SETS["set_members"],
        "inspections": ("cylinder_id", "inspected_on", "kind"),
        "loans": ("unit_id", "out_at", "back_at"),
        "gauges": whole("gauges"),
        "fills": ("fill_id", "settled_at", "settled_gauge_id"),
        "dives": (*_DIVE, "started_at", "duration_min", "air_c", "water_c"),
        "fills_of_leaks": (
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
        ),
        "dive_tank_use": (
            *_DIVE,
            "unit_id",
            "o2_pct",
            "he_pct",
            "start_pressure_bar",
            "end_pressure_bar",
            "gas_used_free_l",
            "start_gas_c",
        ),
        "gauge_check": ("gauge_id", "month_on", "offset_bar", "offset_low_bar", "offset_high_bar"),
    },
    # a fill judged again with others of its cylinder comes out alike, but for the last digits
    resolution={f"fills_of_leaks.{name}": 0.001 for name in (*_SETTLED, "o2_pct", "he_pct")}
    # and so does an earlier dive when its member hands in another
    | {"dive_tank_use.gas_used_free_l": 0.01, "dive_tank_use.start_gas_c": 0.001},
    settings=("time_zone", "fleet", "filling.check_gauge_limit_bar"),
    counted="leak fits",
)


def _without_what_nothing_followed(shelf: Shelf, made: pd.Series, used: np.ndarray) -> pd.DataFrame:
    """The fills without what those hold that nobody has used or filled again: no interval begins with them yet, and
    what is read of them now would have all leaks fitted anew.

    Parameters
    ----------
    made, used : Series, ndarray
        Which fills, and which rows of `dive_tank_use`, count.
    """
    quality, began = shelf["fill_quality"], shelf["dives"].drop_duplicates(list(_DIVE)).set_index(list(_DIVE))
    use = shelf["dive_tank_use"][used]
    at = began["started_at"].reindex(pd.MultiIndex.from_frame(use[list(_DIVE)])).array
    dived = use[["unit_id"]].assign(at=at).groupby("unit_id")["at"].max().astype("datetime64[us, UTC]")
    ordered = quality.loc[made, ["unit_id", "filled_at", "fill_id"]]
    ordered = ordered.take(in_time(ordered))
    last = ordered[~ordered["unit_id"].duplicated(keep="last")]
    dived_at = dived.reindex(last["unit_id"]).to_numpy("datetime64[us]")
    followed = dived_at >= last["filled_at"].to_numpy("datetime64[us]")
    held = quality.index.isin(last.index[~followed])
    then = {name: quality[name].mask(held) for name in _SETTLED}
    return quality.assign(**then, gas_c_basis=quality["gas_c_basis"].mask(held, "model"))


def _before(refresh: Refresh) -> Part:
    """What happened until the day began, or until it ends where a station has few fills."""
    shelf, until = refresh.shelf, refresh.shelf["day_began"]["at"].iloc[0]
    if pd.isna(until):
        tomorrow = refresh.today + pd.Timedelta(days=1)
        until = tomorrow.tz_localize(refresh.policy.time_zone, nonexistent="shift_forward", ambiguous=True)
    quality, dives = shelf["fill_quality"], shelf["dives"]
    dived = (dives["started_at"] < until).to_numpy(bool)
    then = pd.MultiIndex.from_frame(dives.loc[dived, list(_DIVE)])
    made = {"fills_of_leaks": quality["filled_at"] < until, "fills": shelf["fills"]["filled_at"] < until}
    used = pd.MultiIndex.from_frame(shelf["dive_tank_use"][list(_DIVE)]).isin(then)
    followed = _without_what_nothing_followed(shelf, made["fills_of_leaks"], used)
    shelf.put("fills_of_leaks", followed, same_as="fill_quality", but=(*_SETTLED, "gas_c_basis"))
    return Part(
        rows={name: np.flatnonzero(which) for name, which in (made | {"dives": dived, "dive_tank_use": used}).items()}
    )


def _fleet(given: Given) -> Frames:
    from pipelines.derive.fleet.health import build_fleet

    return build_fleet(
        given,
        given["units"],
        given["fill_quality"],
        given["dive_tank_use"],
        (given["leak_rates"], given["leak_intervals"]),
        given.policy,
        given.today,
    )


FLEET = Step(
    name="fleet",
    version=7,
    build=_fleet,
    gives=("cylinder_health", "cylinder_life"),
    reads={
        "cylinders": (
            *SETS["cylinders"],
            *REGISTER,
            "owner_id",
            "set_kind",
            "empty_mass_kg",
            "boot_fitted",
            "valve_pressure_bar",
            "working_pressure_bar",
        ),
        "set_members": SETS["set_members"],
        "inspections": tuple(c for c in whole("inspections") if c not in ("inspector", "note")),
        "inspections_not_taken": ("cylinder_id",),
        "loans": whole("loans"),
        "dives": (*_DIVE, "started_at"),
        "units": ("unit_id", "flags"),
        "fill_quality": (
            "fill_id",
            "filled_at",
            "unit_id",
            "start_pressure_bar",
            "target_pressure_bar",
            "stop_pressure_bar",
            "settled_pressure_bar_15c",
        ),
        "dive_tank_use": (*_DIVE, "unit_id", "gas_used_free_l"),
        "leak_rates": EVERY,
        "leak_intervals": EVERY,
    },
    settings=(*INSPECTED_SETTINGS, "filling.short_bar"),
    rules=INSPECTED_RULES,
    day="day",
    counted="fleet builds",
)


def _air(given: Given) -> Frames:
    from pipelines.derive.air.step import build_air

    return build_air(given, given.policy, given.today)


AIR = Step(
    name="air",
    version=5,
    build=_air,
    gives=("air_quality", "compressor_health", "recall", "gas_sources"),
    reads=SETS
    | {
        "cylinders": (*SETS["cylinders"], "owner_id"),
        "air_tests": AIR_TESTS,
        "compressors": whole("compressors"),
        "compressor_log": whole("compressor_log"),
        "sources": whole("sources"),
        "fills": (
            "fill_id",
            "filled_at",
            "unit_id",
            "station_id",
            "source_id",
            "fill_method",
            "member_id",
            "start_pressure_bar",
            "stop_pressure_bar",
        ),
        "loans": whole("loans"),
    },
    settings=PURITY_SETTINGS,
    rules=PURITY_RULES,
    day="day",
    counted="air builds",
)


def _plan(given: Given) -> Frames:
    from pipelines.derive.fleet.plan import build_plan

    return build_plan(given, given["units"], given.policy, given.today)


PLAN = Step(
    name="plan",
    version=4,
    build=_plan,
    gives=("inspection_plan", "booking_cover"),
    reads={
        "cylinders": (*SETS["cylinders"], *REGISTER, "owner_id"),
        "set_members": SETS["set_members"],
        "inspections": HISTORY,
        "bookings": whole("bookings"),
        "visits": whole("visits"),
        "loans": whole("loans"),
        "units": ("unit_id", "joined", "material", "water_capacity_l"),
    },
    settings=INSPECTED_SETTINGS,
    rules=INSPECTED_RULES,
    day="day",
    counted="plans",
)


def _suggested(given: Given) -> Frames:
    from pipelines.derive.dives.suggest import suggest_units

    asked = ("dive_tanks", "dives", "units", "cylinders", "loans", "fill_quality")
    return {"tank_suggestions": suggest_units(*(given[name] for name in asked))}


SUGGESTED = Step(
    name="tank_suggestions",
    version=2,
    build=_suggested,
    gives=("tank_suggestions",),
    reads={
        "dive_tanks": (
            "member_id",
            "dive_id",
            "tank_no",
            "unit_id",
            "tank_ref",
            "role",
            "water_capacity_l",
            "o2_pct",
            "start_pressure_bar",
        ),
        "dives": ("member_id", "dive_id", "started_at", "duration_min"),
        "units": ("unit_id", "set_id", "joined", "water_capacity_l"),
        "cylinders": ("cylinder_id", "owner_id"),
        "loans": ("unit_id", "member_id", "out_at", "back_at"),
        "fill_quality": ("unit_id", "filled_at", "member_id", "o2_pct", "settled_pressure_bar_15c"),
    },
)

STEPS = (LEAKS, FLEET, AIR, PLAN, SUGGESTED)


def build_fleet_and_air(refresh: Refresh) -> None:
    """The tables of the fleet, the air and the plan."""
    refresh.run(LEAKS, [_before(refresh)])
    for table in LEAKS.gives:
        refresh.table(table)
    refresh.run(FLEET)
    refresh.table("cylinder_health")
    refresh.run(AIR)
    refresh.run(PLAN)
    refresh.run(SUGGESTED)
