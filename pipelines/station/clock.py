"""The only place that reads the clock, and what a station takes as today."""

import contextlib
import os
from datetime import date
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

import pandas as pd

from pipelines.station.settings import SettingsError, Station
from pipelines.warehouse.rows import newest
from pipelines.warehouse.store import Warehouse
from schemas.check import end_of_tomorrow

#: what has happened, never what is planned: the last of these is the last day of the data
_HAPPENED = {
    "fills": ("filled_at", "settled_at"),
    "fill_readings": ("read_at",),
    "dives": ("started_at",),
    "inspections": ("inspected_on",),
    "loans": ("out_at", "back_at"),
    "returns": ("back_at",),
    "compressor_log": ("read_at",),
    "air_tests": ("sampled_on",),
    "releases": ("released_at",),
}


def now() -> pd.Timestamp:
    """This moment, UTC, to the microsecond."""
    return pd.Timestamp.now(tz="UTC").as_unit("us")


def own_zone() -> str:
    """The time zone of this machine by its IANA name, or the empty text where it does not say."""
    named = os.environ.get("TZ", "").lstrip(":")
    place = Path(named if named.startswith("/") else "/etc/localtime")
    with contextlib.suppress(OSError):
        named = named or str(place.resolve()).partition("zoneinfo/")[2]
    return named if named in available_timezones() else ""


def fixed_day(station: Station, as_of: str | None) -> pd.Timestamp | None:
    """The day that a person has said is today, if one has: `--as-of`, else `today` in station.toml.

    Raises
    ------
    SettingsError
        `--as-of` is no day.
    """
    given = as_of or (station.today if station.today not in ("clock", "data") else None)
    try:
        day = date.fromisoformat(str(given)) if given else None
    except ValueError:
        day = date.min
    if day is not None and not 1900 <= day.year < 2200:
        raise SettingsError([f"--as-of {given}: write the day as 2031-05-20."])
    return pd.Timestamp(day).as_unit("us") if day else None


def latest_moment(station: Station, as_of: str | None, moment: pd.Timestamp) -> pd.Timestamp:
    """Nothing that has happened lies after this: the end of tomorrow at the station, UTC."""
    today = fixed_day(station, as_of) or moment.tz_convert(station.time_zone).tz_localize(None).normalize()
    return end_of_tomorrow(today, station.time_zone)


def as_of_day(station: Station, as_of: str | None, moment: pd.Timestamp, warehouse: Warehouse) -> pd.Timestamp:
    """The day taken as today, naive midnight at the station."""
    given = fixed_day(station, as_of)
    if given is not None:
        return given
    today = moment.tz_convert(station.time_zone).tz_localize(None).normalize().as_unit("us")
    if station.today != "data":
        return today
    at, _ = newest_record(warehouse)
    return today if at is None else day_of(at, station)


def day_of(at: Any, station: Station) -> pd.Timestamp:
    """The day of a moment at the station, naive midnight."""
    return pd.Timestamp(at).tz_convert(station.time_zone).tz_localize(None).normalize().as_unit("us")


def newest_record(warehouse: Warehouse) -> tuple[pd.Timestamp | None, str]:
    """The last moment that any current row says has happened, UTC, and the file and column that say so."""
    found = newest(warehouse, _HAPPENED)
    if found is None:
        return None, ""
    at, file, column = found
    return pd.Timestamp(at).tz_convert("UTC").as_unit("us"), f"{file}, {column}"
