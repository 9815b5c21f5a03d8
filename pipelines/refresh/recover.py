"""A build that meets a damaged part of the lake: its samples are read again from their originals, and it goes on."""

from collections.abc import Callable
from typing import TypeVar

import pandas as pd

from pipelines.intake.intake import Intake
from pipelines.warehouse.lake import PartDamaged, read_part
from pipelines.warehouse.store import Warehouse

T = TypeVar("T")


def build_past_damage(build: Callable[[], T], intake: Intake, warehouse: Warehouse, now: pd.Timestamp) -> T:
    """What `build` gives. When a part of the lake is damaged, all of them are read again and it begins anew.

    Samples whose original is lost too are left out and listed, so that one file never stops a station.
    """
    try:
        return build()
    except PartDamaged:
        _read_again(intake, warehouse, now)
    return build()


def _read_again(intake: Intake, warehouse: Warehouse, now: pd.Timestamp) -> None:
    damaged = _damaged(intake, warehouse)
    files = {(part["file"], part["file_sha256"]) for part in damaged}
    intake.read_again(files)
    lost = [part for part in _damaged(intake, warehouse) if (part["file"], part["file_sha256"]) in files]
    if not lost:
        return
    with warehouse.transaction():
        warehouse.con.execute(
            "UPDATE lake_parts SET state = 'lost' WHERE state = 'current' AND path IN (SELECT unnest(?))",
            [[part["path"] for part in lost]],
        )
        for file in sorted({part["file"] for part in lost}):
            rows = sum(part["rows"] for part in lost if part["file"] == file)
            warehouse.note(file, "samples_lost", f"{rows} samples", now)


def _damaged(intake: Intake, warehouse: Warehouse) -> list[dict]:
    found = []
    for part in warehouse.frame("SELECT * FROM lake_parts WHERE state = 'current'").to_dict("records"):
        try:
            read_part(intake.station.lake, part)
        except PartDamaged:
            found.append(part)
    return found
