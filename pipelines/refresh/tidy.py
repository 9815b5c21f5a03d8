"""What a run removes once a day, as `[keep]` says: never an original, nor a row that counts."""

import pandas as pd

from pipelines.station.settings import Station
from pipelines.warehouse import files, retention
from pipelines.warehouse.store import Warehouse
from schemas.entries import FOLDER as ENTRIES

#: a part of the lake that nobody names may be one that a run which died had just written, half an entry one of a form
_OF_A_DEAD_RUN = pd.Timedelta(days=1)
SET_ASIDE = "warehouse.duckdb*.set-aside-*"


def tidy(station: Station, warehouse: Warehouse, now: pd.Timestamp) -> int:
    """Remove what is older than `[keep]` says, once a day; gives how many rows and files went."""
    if not retention.is_due(warehouse, now):
        return 0
    keep, gone = station.keep, 0
    with warehouse.transaction(changes=False):
        for days, remove in (
            (keep.closed_problems_days, retention.remove_closed_problems),
            (keep.runs_days, retention.remove_runs),
            (keep.superseded_rows_days, lambda w, before: retention.remove_rows(w, retention.SUPERSEDED, before)),
            (keep.replaced_rows_days, lambda w, before: retention.remove_rows(w, retention.REPLACED, before)),
        ):
            if days:
                gone += remove(warehouse, now - pd.Timedelta(days=days))
        retention.note_done(warehouse, now)
    named = files.part_paths(warehouse)
    for path in station.lake.rglob("*.parquet"):
        if path.relative_to(station.lake).as_posix() not in named and _older(path, now, _OF_A_DEAD_RUN):
            path.unlink()
            gone += 1
    for path in (station.inbox / ENTRIES).glob(".*.part"):
        if _older(path, now, _OF_A_DEAD_RUN):
            path.unlink(missing_ok=True)
            gone += 1
    if keep.set_aside_days:
        for path in station.folder.glob(SET_ASIDE):
            if _older(path, now, pd.Timedelta(days=keep.set_aside_days)):
                path.unlink()
                gone += 1
    return gone


def _older(path, now: pd.Timestamp, than: pd.Timedelta) -> bool:
    return now - pd.Timestamp(path.stat().st_mtime, unit="s", tz="UTC") > than
