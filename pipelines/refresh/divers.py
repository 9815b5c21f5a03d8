"""Trends and reserves, a part a member, from the tables of their dives."""

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from pipelines.derive.columns import places
from pipelines.refresh.engine import Refresh
from pipelines.refresh.reads import whole
from pipelines.refresh.step import EVERY, Frames, Given, Later, Part, Step

TREND_TABLES = ("consumption_trend", "trend_state")
RESERVE_TABLES = ("reserve_margins", "dive_profile", "kit_balance")
_CONSUMPTION = (
    "dive_id",
    "member_id",
    "started_at",
    "fill_id",
    "dives_since_fill",
    "duration_min",
    "mean_depth_m",
    "max_depth_m",
    "rmv_l_min",
    "rmv_low_l_min",
    "rmv_high_l_min",
    "method",
    "flags",
    "water_c",
)
_DIVES_OF_TREND = ("member_id", "dive_id", "water_c", "suit", "gas_shared")


# --- trends -----------------------------------------------------------------------------------
def _trend_months(given: Given) -> Frames:
    from pipelines.derive.divers.trend import fit_trend_months

    memo = given.memo.get("trend_model")
    return {"trend_model": fit_trend_months(given["dive_consumption"], given["dives"], memo, given.today)}


TREND_MONTHS = Step(
    name="trend_months",
    version=3,
    build=_trend_months,
    gives=("trend_model",),
    reads={"dive_consumption": _CONSUMPTION, "dives": _DIVES_OF_TREND},
    day="month",
    remembers=("trend_model",),
)


def _effects(given: Given) -> Frames:
    from pipelines.derive.divers.trend import build_condition_effects

    return {"condition_effects": build_condition_effects(given["trend_model"], given.today)}


EFFECTS = Step(
    name="condition_effects",
    version=2,
    build=_effects,
    gives=("condition_effects",),
    reads={"trend_model": EVERY},
    day="month",
)


def _trend(given: Given) -> Frames:
    from pipelines.derive.divers.trend import build_member_trend

    return build_member_trend(given["dive_consumption"], given["dives"], given["trend_model"])


TREND = Step(
    name="trend",
    version=3,
    build=_trend,
    gives=TREND_TABLES,
    reads={"dive_consumption": _CONSUMPTION, "dives": _DIVES_OF_TREND, "trend_model": EVERY},
    together=True,
    counted="members' trends",
)


# --- reserves ---------------------------------------------------------------------------------
def _reserve(given: Given) -> Frames:
    from pipelines.derive.divers.kits import build_kits
    from pipelines.derive.divers.reserve import build_member_reserve

    made = build_member_reserve(
        given.part,
        given["dives"],
        given["dive_consumption"],
        given["dive_trace"],
        given["consumption_trend"],
        given["fills_before_dives"],
        given["units"],
        given.policy,
        tank_use=given["dive_tank_use"],
        surfacing=given["dive_surfacing"],
        state=given["trend_state"],
        model=given["trend_model"],
    )
    return made | build_kits(
        given["kits"], given["dives"], given["dive_tanks_all"], given["dive_tank_use"], given["units"], given.policy
    )


RESERVE = Step(
    name="reserve",
    version=4,
    build=_reserve,
    gives=RESERVE_TABLES,
    reads={
        "dives": whole("dives"),
        "dive_consumption": _CONSUMPTION,
        "dive_trace": EVERY,
        "consumption_trend": ("member_id", "dive_id", "started_at", "level_rmv_l_min", "planning_rmv_l_min"),
        "trend_state": EVERY,
        "trend_model": EVERY,
        "fills_before_dives": (
            "fill_id",
            "unit_id",
            "target_pressure_bar",
            "settled_pressure_bar_15c",
            "stopped_early_free_l",
            "cooling_free_l",
        ),
        "units": ("unit_id", "permitted_bar", "water_capacity_l", "empty_mass_kg", "material"),
        "dive_tank_use": (
            "member_id",
            "dive_id",
            "tank_no",
            "unit_id",
            "role",
            "o2_pct",
            "he_pct",
            "start_pressure_bar",
            "end_pressure_bar",
            "gas_used_free_l",
            "start_gas_c",
            "fill_id",
        ),
        "dive_surfacing": EVERY,
        "dive_tanks_all": tuple(c for c in whole("dive_tanks") if c != "tank_ref"),
        "kits": whole("kits"),
    },
    settings=("reserve", "time_zone", "dives.depth_calibration", "fleet.unexplained_use_bar", "filling.ppo2_least_bar"),
    resolution={
        "fills_before_dives.settled_pressure_bar_15c": 0.05,
        "fills_before_dives.stopped_early_free_l": 0.1,
        "fills_before_dives.cooling_free_l": 0.1,
    },
    weighed_by="dive_consumption",
    counted="members' reserves",
)


def _corrections(given: Given) -> Frames:
    from pipelines.derive.divers.reserve_chance import fit_corrections

    return {"reserve_correction": fit_corrections(given["reserve_margins"], given.today)}


CORRECTIONS = Step(
    name="reserve_corrections",
    version=1,
    build=_corrections,
    gives=("reserve_correction",),
    reads={"reserve_margins": ("started_at", "chance_drawn", "below_policy", "flags")},
    day="month",
)


def _stated(given: Given) -> Frames:
    from pipelines.derive.divers.reserve import with_chances

    return {"dive_reserve": with_chances(given["reserve_margins"], given["reserve_correction"])}


STATED = Step(
    name="reserve_stated",
    version=1,
    build=_stated,
    gives=("dive_reserve",),
    reads={"reserve_margins": EVERY, "reserve_correction": EVERY},
)


def _watch(given: Given) -> Frames:
    from pipelines.derive.divers.watch import build_watch

    return build_watch(
        given["dive_reserve"],
        given["reserve_margins"],
        given["reserve_correction"],
        given["trend_state"],
        given["trend_model"],
        given.policy,
        given.today,
    )


WATCH = Step(
    name="watch",
    version=3,
    build=_watch,
    gives=("reserve_watch", "reserve_reliability"),
    reads={
        "dive_reserve": (
            "member_id",
            "dive_id",
            "started_at",
            "surfaced_bar",
            "below_policy",
            "below_surfacing_min",
            "least_margin_free_l",
            "chance_before",
            "cause",
            "cause_shares",
            "fill_low_bar",
            "flags",
        ),
        "reserve_margins": ("member_id", "dive_id", "critical_rmv_l_min", "log_rmv"),
        "reserve_correction": EVERY,
        "trend_state": EVERY,
        "trend_model": EVERY,
    },
    settings=("reserve",),
    day="day",
)

STEPS = (TREND_MONTHS, EFFECTS, TREND, RESERVE, CORRECTIONS, STATED, WATCH)


def build_trends(refresh: Refresh) -> None:
    """The shared model month by month, what conditions do, and each member's level and slope."""
    refresh.run(TREND_MONTHS)
    refresh.table("trend_model")
    refresh.run(EFFECTS)
    of_consumption, of_dives = (refresh.positions(n, "member_id") for n in ("dive_consumption", "dives"))
    known_then = _known_then(refresh)
    parts = [
        Part(
            member,
            rows={
                "dive_consumption": rows,
                "dives": of_dives[member],
                "trend_model": known_then(rows),
            },
        )
        for member, rows in sorted(of_consumption.items())
    ]
    refresh.run(TREND, parts, says="Trend of {}")
    for table in TREND_TABLES:
        refresh.table(table, parts)


def _known_then(
    refresh: Refresh, shared: str = "trend_model", of: str = "dive_consumption"
) -> Callable[[NDArray[np.int64]], NDArray[np.int64]]:
    """Of a member's dives, what all members shared until the month of the last; later months say nothing of them."""
    at = refresh.shelf[of]["started_at"].to_numpy("datetime64[us]")
    months = refresh.shelf[shared]["month_on"].to_numpy("datetime64[us]")

    def known(dives: NDArray[np.int64]) -> NDArray[np.int64]:
        return np.flatnonzero(months <= at[dives].max().astype("datetime64[M]")) if len(dives) else dives

    return known


def _known(found: list[np.ndarray]) -> np.ndarray:
    """The places that are one, each once."""
    each = np.unique(np.concatenate(found))
    return each[each >= 0]


def build_reserves(refresh: Refresh) -> None:
    """Each member's reserves, profiles and kits, and the watch over all members."""
    shelf, publisher = refresh.shelf, refresh.publisher
    of = {
        name: refresh.positions(name, "member_id")
        for name in (
            "dives",
            "dive_consumption",
            "consumption_trend",
            "trend_state",
            "dive_tank_use",
            "dive_surfacing",
            "dive_tanks_all",
            "kits",
        )
    }
    none = np.empty(0, "int64")
    fills, units = shelf["fills_before_dives"], shelf["units"]
    fill_of_dive, fill_of_tank = (
        places(shelf[name]["fill_id"], fills["fill_id"]) for name in ("dive_consumption", "dive_tank_use")
    )
    unit_of_tank, unit_of_row, unit_of_fill = (
        places(shelf[name]["unit_id"], units["unit_id"])
        for name in ("dive_tank_use", "dive_tanks_all", "fills_before_dives")
    )
    known_then = _known_then(refresh)
    parts = []
    for member in sorted(of["dive_consumption"]):
        rows = {name: own.get(member, none) for name, own in of.items()}
        named = [fill_of_dive[rows["dive_consumption"]], fill_of_tank[rows["dive_tank_use"]]]
        rows["fills_before_dives"] = _known(named)
        used = [
            unit_of_tank[rows["dive_tank_use"]],
            unit_of_row[rows["dive_tanks_all"]],
            unit_of_fill[rows["fills_before_dives"]],
        ]
        rows["units"] = _known(used)
        rows["trend_model"] = known_then(rows["dive_consumption"])
        trace = Later(publisher.tables["dive_trace"][member].fingerprint, partial(publisher.read, "dive_trace", member))
        parts.append(Part(member, rows, {"dive_trace": trace}))
    refresh.run(RESERVE, parts, says="Reserves of {}")
    refresh.table("reserve_margins", parts)
    refresh.run(CORRECTIONS)
    refresh.table("reserve_correction")
    of_margins = refresh.positions("reserve_margins", "member_id")
    corrected_then = _known_then(refresh, "reserve_correction", "reserve_margins")
    stated = []
    for part in parts:
        own = of_margins.get(part.name, none)
        stated.append(Part(part.name, {"reserve_margins": own, "reserve_correction": corrected_then(own)}))
    refresh.run(STATED, stated)
    refresh.table("dive_reserve", stated)
    refresh.run(WATCH)
