"""One diver's season on one page: what stands on it, from the published tables alone."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from schemas import season, words
from schemas.policy import Reserve
from shared.trend.level import NAMED_FROM_CHANCE

SEASON_TABLES = ("dive_consumption", "consumption_trend", "dive_reserve", "dive_tank_use", "reserve_watch")
#: dives that find room on the page, the newest
MOST_DIVES = 22
#: the strip of rates, in points
STRIP = (640.0, 70.0)


def season_page(
    tables: Mapping[str, pd.DataFrame], name: str, as_of_on: pd.Timestamp, zone: str, policy: Reserve
) -> dict[str, Any]:
    """What stands on `season.html`.

    Parameters
    ----------
    tables : mapping
        Rows of this member, by the names of SEASON_TABLES.
    name : str
        As people know the member.
    as_of_on : Timestamp
        The day of the snapshot.
    zone : str
    policy : Reserve
    """
    consumption, reserve = tables["dive_consumption"], tables["dive_reserve"]
    watch = tables["reserve_watch"]
    year = season.season(
        consumption,
        tables["consumption_trend"],
        reserve,
        tables["dive_tank_use"],
        watch.iloc[0].to_dict() if len(watch) else None,
        as_of_on,
        policy.watch_days,
        policy.surfacing_min_bar,
        NAMED_FROM_CHANCE,
    )
    dives = season.of_last_year(consumption, as_of_on, policy.watch_days)
    kept = reserve[["dive_id", "surfaced_bar", "below_surfacing_min", "least_margin_free_l", "below_policy"]]
    rows = dives.merge(kept, on="dive_id", how="left").sort_values("started_at", ascending=False)
    known = dives["rmv_l_min"].dropna()
    return {
        "title": f"Season of {name}",
        "caution": words.NOT_A_PLAN,
        "change": year.change,
        "figures": year.figures,
        "shortfall": year.shortfall,
        "causes": [(word, words.share(share), _wide(share)) for word, share in year.causes if abs(share) >= 0.005],
        "cylinder_head": season.CYLINDER_HEAD,
        "cylinders": year.cylinders,
        "strip": season.strip(dives, *STRIP),
        "strip_size": STRIP,
        "strip_says": f"Rate of each dive, {words.between(known.min(), known.max(), 1, 'L/min')}, from "
        f"{words.day(dives['started_at'].min())} to {words.day(dives['started_at'].max())}"
        if len(known)
        else "",
        "dives": [_dive(row, zone, policy.surfacing_min_bar) for row in rows.head(MOST_DIVES).to_dict("records")],
        "more_dives": max(len(rows) - MOST_DIVES, 0),
        "none": "" if len(rows) else "No dive of the last year is known.",
    }


def _wide(share: float) -> float:
    """How wide the bar of a share is drawn, per cent."""
    return round(100.0 * min(max(share, 0.0), 1.0), 1)


def _dive(row: Mapping[str, Any], zone: str, least_bar: float) -> dict[str, Any]:
    low = words.known(row["below_surfacing_min"]) and bool(row["below_surfacing_min"])
    thin = words.known(row["below_policy"]) and bool(row["below_policy"])
    return {
        "started": words.clock(row["started_at"], zone),
        "depth": words.number(row["max_depth_m"], 0, "m"),
        "minutes": words.number(row["duration_min"], 0, "min"),
        "used": words.number(row["gas_used_free_l"], 0, "L"),
        "rmv": words.with_interval(row["rmv_l_min"], row["rmv_low_l_min"], row["rmv_high_l_min"], 1, "L/min"),
        "plain": words.number(row["ideal_rmv_l_min"], 1, "L/min"),
        "margin": words.number(row["least_margin_free_l"], 0, "L") + (", below" if thin else ""),
        "surfaced": f"{words.under(row['surfaced_bar'], least_bar, 'bar')}, below"
        if low
        else words.number(row["surfaced_bar"], 0, "bar"),
    }
