"""Backups as `[backup]` says: one when the last is old enough, read back and compared, so many kept."""

import re
from pathlib import Path

import pandas as pd

from pipelines.station.backup import BackupRefused, listing_of, write_backup
from pipelines.station.settings import Station

_NAMED = "%Y%m%dT%H%M%S"


def scheduled(station: Station) -> list[Path]:
    """The backups that were written so, oldest first."""
    folder = station.backups.folder
    if folder is None or not folder.is_dir():
        return []
    name = re.compile(rf"{re.escape(_stem(station))}-\d{{8}}T\d{{6}}\.zip")
    return sorted(path for path in folder.iterdir() if name.fullmatch(path.name))


def backup_if_due(station: Station, now: pd.Timestamp) -> str:
    """Write a backup if the last is old enough, and remove the oldest above `keep`; call it while no run is at work.

    Returns
    -------
    str
        What was done; empty: nothing was due.

    Raises
    ------
    BackupRefused
        It cannot be written. Nothing older was removed then.
    """
    folder = station.backups.folder
    if folder is None:
        return ""
    there = scheduled(station)
    if there and now - made_at(there[-1]) < pd.Timedelta(days=station.backups.every_days) - pd.Timedelta(hours=1):
        return ""
    to = folder / f"{_stem(station)}-{now:{_NAMED}}.zip"
    try:
        # a drive that is not plugged in must not become a folder of this one
        if not folder.is_dir() and not folder.parent.is_dir():
            raise BackupRefused(f"{folder} is not there: plug its drive in, or correct to under [backup].")
        made = write_backup(station.folder, to, now)
    except OSError as error:
        says = f"{to} cannot be written ({error.strerror}). Make room, or correct to under [backup]."
        raise BackupRefused(says) from error
    for path in [*there, to][: -station.backups.keep]:
        path.unlink()
    return f"Backup {to}: {len(made.files)} files, {made.size / 1e6:.1f} MB, each read back and compared."


def made_at(path: Path) -> pd.Timestamp:
    """When a backup was written, by its name."""
    return pd.to_datetime(path.stem[-15:], format=_NAMED, utc=True)


def says_wrong(station: Station, now: pd.Timestamp) -> str:
    """What is wrong with the backups; empty: nothing, or none is asked for."""
    folder = station.backups.folder
    if folder is None:
        return ""
    there = scheduled(station)
    if not there:
        return f"No backup lies in {folder} yet. coldfill schedule writes one with its next run."
    try:
        listing_of(there[-1])
    except (BackupRefused, OSError) as error:
        return f"The last backup cannot be read: {error}"
    days = (now - made_at(there[-1])).total_seconds() / 86_400
    if days > station.backups.every_days + 1:
        return f"The last backup is {days:.0f} days old: {there[-1]}. See that coldfill schedule runs."
    return ""


def _stem(station: Station) -> str:
    """The beginning of their names: several stations may share a folder."""
    plain = re.sub(r"[^a-z0-9]+", "-", station.folder.resolve().name.lower()).strip("-")
    return f"coldfill-{plain or 'station'}"
