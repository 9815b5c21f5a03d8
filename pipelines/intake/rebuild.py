"""A station whose warehouse is lost: refuse to publish an empty one, and read everything again when asked to."""

import contextlib
from pathlib import Path

import duckdb
import pandas as pd

from pipelines.intake.archive import Original, originals
from pipelines.intake.journal import Entry, Journal
from pipelines.station.settings import Station
from pipelines.warehouse.store import Warehouse
from pipelines.warehouse.trouble import WarehouseDamaged, WarehouseOlder
from schemas.snapshot import NothingPublished, SnapshotDamaged, current_name, read_manifest, read_table
from schemas.words import plural


class WarehouseLost(RuntimeError):
    """The warehouse is gone although this station has published or taken in something."""


def refuse_if_lost(station: Station) -> None:
    """Nothing, unless the warehouse is missing or empty and the station is not new.

    Raises
    ------
    WarehouseLost
        With what to do.
    """
    if station.warehouse.exists() and station.warehouse.stat().st_size:
        return
    name = _standing(station)
    if name is None and not Journal(station.archive).entries():
        return
    stands = f"snapshot {name} stands" if name else "the archive holds what was taken in"
    raise WarehouseLost(
        f"{station.warehouse.name} is missing or empty, though {stands}: a run from nothing would publish an empty "
        f"station. Nothing was changed. Put {station.warehouse.name} back, or read everything again from inbox/ and "
        f"archive/: coldfill rebuild --station {station.folder}"
    )


def refuse_if_newer(station: Station) -> None:
    """Nothing, unless a later version wrote the warehouse: what it keeps in the archive may be unknown here too.

    Raises
    ------
    WarehouseNewer
    """
    if not station.warehouse.exists():
        return
    with contextlib.suppress(WarehouseOlder, WarehouseDamaged, OSError, duckdb.Error):
        Warehouse(station.warehouse).close()


def _standing(station: Station) -> str | None:
    try:
        return current_name(station.published)
    except (OSError, SnapshotDamaged):  # a pointer with rubbish still says that something was published
        return "(unreadable)"


def prepare(station: Station, now: pd.Timestamp, *, without_missing: bool = False) -> list[str]:
    """Put the warehouse aside and complete the list of the archive; gives the places whose originals are missing.

    Parameters
    ----------
    without_missing : bool
        Take places out of the list whose originals are missing, so that the station goes on without their rows.

    Raises
    ------
    WarehouseLost
        Originals are missing and `without_missing` is not set. Nothing has been changed then.
    """
    journal = Journal(station.archive)
    entries = {(e.file, e.file_sha256): e for e in [*_of_snapshot(station), *journal.entries()]}
    have = originals(station)
    missing = sorted({e.file for e in entries.values() if e.file_sha256 not in have})
    if missing and not without_missing:
        shown = ", ".join(missing[:5]) + (" and others" if len(missing) > 5 else "")
        raise WarehouseLost(
            f"The originals of {plural(len(missing), 'file')} are missing or damaged, in archive/ and in inbox/: "
            f"{shown}. Bring them back, or go on without their rows: coldfill rebuild --without-missing. "
            "Nothing was changed."
        )
    for path in (station.warehouse, station.warehouse.with_name(station.warehouse.name + ".wal")):
        if path.exists():
            path.rename(path.with_name(f"{path.name}.set-aside-{now:%Y%m%dT%H%M%S%f}"))
    journal.write_anew([e for e in entries.values() if e.file_sha256 in have])
    return missing


def _of_snapshot(station: Station) -> list[Entry]:
    """What the snapshot that stands says of files: of a station whose archive kept no list yet."""
    try:
        manifest = read_manifest(station.published)
        rows = read_table(station.published, manifest, "ingest_files")
    except (NothingPublished, OSError, ValueError, TypeError, KeyError):
        return []
    have = originals(station)
    rows = rows.dropna(subset=["file", "file_sha256", "modified_at"]).sort_values("received_at", kind="stable")
    made = []
    for row in rows.itertuples():
        original = have.get(str(row.file_sha256), Original(f"{row.file_sha256}{Path(str(row.file)).suffix}", 0))
        at = pd.Timestamp(row.modified_at)
        made.append(Entry(str(row.file), str(row.file_sha256), original.name, original.size, at.value, at.isoformat()))
    return made
