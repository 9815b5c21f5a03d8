"""Open a station's warehouse; one of an earlier form is brought to the present one, after a backup of the station."""

from pathlib import Path

import pandas as pd

from pipelines.station.backup import BACKUPS, write_backup
from pipelines.station.settings import Station
from pipelines.warehouse.store import FORM, Warehouse
from pipelines.warehouse.trouble import WarehouseOlder


def open_warehouse(station: Station, now: pd.Timestamp) -> tuple[Warehouse, Path | None]:
    """The warehouse, and where the backup lies if it was of an earlier form; call it while no run is at work.

    Raises
    ------
    BackupRefused, OSError
        The backup cannot be written: the warehouse is left as it was.
    WarehouseBusy, WarehouseDamaged, WarehouseNewer
        It cannot be opened.
    """
    try:
        return Warehouse(station.warehouse), None
    except WarehouseOlder:
        saved = station.folder / BACKUPS / f"before-form-{FORM}-{now:%Y%m%dT%H%M%S%f}.zip"
        write_backup(station.folder, saved, now)
        return Warehouse(station.warehouse, upgrade=True), saved
