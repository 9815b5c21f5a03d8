"""What pages ask of a station's fills: few rows and columns of what may be ten seasons of them."""

from collections.abc import Collection
from datetime import date

import pandas as pd

from dashboard.data import Chosen, Snapshot, Span
from schemas import holds, typed_day

#: fills of so long are what a station is like now
LATELY = pd.Timedelta(days=400)
#: what forms begin with and ask about
_OF_FORMS = (
    "fill_id",
    "filled_at",
    "unit_id",
    "station_id",
    "operator",
    "source_id",
    "gauge_id",
    "ambient_c",
    "stop_pressure_bar",
    "o2_pct",
    "he_pct",
    "gas_c_basis",
    "settled_pressure_bar_15c",
    "settled_low_bar_15c",
    "settled_high_bar_15c",
)
_DAY = pd.Timedelta(days=1)


def _of_lately(fills: pd.DataFrame) -> pd.Series:
    """Those of `LATELY`, and the last of each source, gauge and place; as old as it takes for surroundings."""
    at, warm = fills["filled_at"], fills["ambient_c"].notna()
    since = min(at.max(), at[warm].max()) if warm.any() else at.max()
    ordered = fills.sort_values("filled_at", kind="stable")
    last = ~ordered.duplicated(["source_id", "station_id", "gauge_id"], keep="last")
    return (at > since - LATELY) | last.reindex(fills.index)


_LATELY = Chosen(_of_lately, ("filled_at", "ambient_c", "source_id", "station_id", "gauge_id"))
_INSIDE = Chosen(holds.still_inside, ("filled_at", "unit_id", "latest_fill"))


def inside(snapshot: Snapshot) -> pd.DataFrame:
    """Fills whose gas some cylinder holds still, every column."""
    return snapshot.table("fill_quality", chosen=_INSIDE)


def lately(snapshot: Snapshot, units: Collection[str] = ()) -> pd.DataFrame:
    """What forms and advice begin with: recent fills, and all of these units."""
    recent = snapshot.table("fill_quality", _OF_FORMS, _LATELY)
    if not units:
        return recent
    own = snapshot.table("fill_quality", _OF_FORMS, unit_id=frozenset(units))
    return pd.concat([own[~own["fill_id"].isin(recent["fill_id"])], recent], ignore_index=True)


def days(snapshot: Snapshot) -> dict[date, str]:
    """Days with fills as the station counts them, the newest first, each as it is said."""

    def found() -> dict[date, str]:
        at = snapshot.table("fill_quality", ["filled_at"])["filled_at"]
        local = at.dt.tz_convert(snapshot.zone).dt.tz_localize(None).dt.normalize()
        with_fills = sorted((day.date() for day in local.dropna().unique()), reverse=True)
        today = snapshot.as_of_on.date()
        return {day: typed_day.said(day, today) for day in with_fills}

    return snapshot.once("days of fills", found)


def of_day(snapshot: Snapshot, day: date) -> pd.DataFrame:
    """The fills of one day as the station counts it, every column, in order of time."""
    about = pd.Timestamp(day, tz="UTC")  # no zone is a day away
    near = snapshot.table("fill_quality", filled_at=Span(about - _DAY, about + 2 * _DAY))
    local = near["filled_at"].dt.tz_convert(snapshot.zone).dt.date
    return near[local == day].sort_values("filled_at")


def superseded(snapshot: Snapshot, fills: pd.DataFrame) -> pd.Series:
    """Of these fills a mask: whether all cylinders of each were filled again since."""
    still = snapshot.table("fill_quality", ["fill_id"], _INSIDE)["fill_id"]
    return ~fills["fill_id"].isin(still)
