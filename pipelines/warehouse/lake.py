"""Read a member's dive samples from the Parquet lake: newest file first for each moment of a dive."""

from pathlib import Path

import numpy as np
import pandas as pd

from pipelines.warehouse.store import Warehouse
from schemas.frames import conform, empty
from schemas.sources import SOURCES

_FIELDS = list(SOURCES["dive_samples"].fields.values())


def parts_by_member(warehouse: Warehouse) -> pd.DataFrame:
    """The parts that count: member_id, path, order_at, file, in the order in which they win (last wins)."""
    return warehouse.frame(
        "SELECT member_id, path, order_at, file, file_sha256 FROM lake_parts WHERE state = 'current' "
        "ORDER BY member_id, order_at, file, file_sha256, path"
    )


def read_samples(lake: Path, parts: pd.DataFrame) -> pd.DataFrame:
    """The samples of these parts, later parts winning, ordered by dive and time.

    A sample that says when it was revised wins by that moment instead of its file's.
    """
    frames = [pd.read_parquet(lake / path) for path in parts["path"]]
    if not frames:
        return empty(_FIELDS)
    rows = pd.concat(frames, ignore_index=True)
    if len(frames) > 1:
        if rows["revised_at"].notna().any():
            of_file = np.repeat(parts["order_at"].to_numpy(), [len(f) for f in frames])
            order = pd.to_datetime(rows["revised_at"], utc=True).fillna(
                pd.Series(of_file, index=rows.index).astype("datetime64[us, UTC]")
            )
            rows = rows.iloc[np.argsort(order.to_numpy(), kind="stable")]
        rows = rows.drop_duplicates(["member_id", "dive_id", "t_s"], keep="last")
    return conform(rows, _FIELDS).sort_values(["member_id", "dive_id", "t_s"], ignore_index=True)
