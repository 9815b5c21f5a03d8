"""Read a member's dive samples from the Parquet lake: newest file first for each moment of a dive."""

from pathlib import Path

import pandas as pd

from pipelines.store import Warehouse
from schemas.frames import conform, empty
from schemas.sources import SOURCES

_FIELDS = list(SOURCES["dive_samples"].fields.values())


def parts_by_member(warehouse: Warehouse) -> pd.DataFrame:
    """The parts that count: member_id, path, order_at, file, in the order in which they win (last wins)."""
    return warehouse.frame("SELECT member_id, path, order_at, file, file_sha256 FROM lake_parts WHERE state = 'current' ORDER BY member_id, order_at, file, file_sha256, path")


def read_samples(lake: Path, paths: list[str]) -> pd.DataFrame:
    """The samples of these parts, later parts winning, ordered by dive and time."""
    frames = [pd.read_parquet(lake / path) for path in paths]
    if not frames:
        return empty(_FIELDS)
    rows = pd.concat(frames, ignore_index=True).drop_duplicates(["member_id", "dive_id", "t_s"], keep="last")
    return conform(rows, _FIELDS).sort_values(["member_id", "dive_id", "t_s"], ignore_index=True)


def unused_parts(lake: Path, warehouse: Warehouse) -> list[Path]:
    """Part files that no row of the warehouse names: left by a pass that died."""
    named = {row[0] for row in warehouse.con.execute("SELECT path FROM lake_parts").fetchall()}
    return [p for p in lake.rglob("*.parquet") if p.relative_to(lake).as_posix() not in named]
