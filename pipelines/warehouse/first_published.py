"""What people saw of a fill when it was first shown; later snapshots, or lost ones, change nothing of it."""

from collections.abc import Mapping

import pandas as pd
import pyarrow as pa

from pipelines.warehouse.store import FIRST_PUBLISHED, Warehouse
from schemas.frames import conform
from schemas.tables import TABLES


def keep(warehouse: Warehouse, published: Mapping[str, pd.DataFrame | pa.Table]) -> None:
    """Keep what a snapshot says of fills it is the first to show: later snapshots, or lost ones, change nothing.

    A prediction stands as long as its reading does; then that of the new reading is kept in its place.
    """
    for name, frame in published.items():
        if not len(frame):
            continue
        with warehouse.transaction(changes=False), warehouse.lent("published", _lent(name, frame)):
            if name == "settling_check":
                warehouse.con.execute(f"DELETE FROM first_{name} WHERE fill_id IN (SELECT fill_id FROM published)")
            warehouse.con.execute(
                f"INSERT INTO first_{name} BY NAME SELECT * FROM published "
                f"WHERE fill_id NOT IN (SELECT fill_id FROM first_{name})"
            )


def new_of(warehouse: Warehouse, published: Mapping[str, pd.DataFrame | pa.Table]) -> dict[str, pd.DataFrame]:
    """Of these tables, the rows that `keep` would add or change; nothing of one without rows."""
    found = {}
    for name, frame in published.items():
        if not len(frame):
            continue
        columns = ", ".join(FIRST_PUBLISHED[name])
        others = f"EXCEPT SELECT {columns} FROM first_{name}"
        beside = others if name == "settling_check" else f"WHERE fill_id NOT IN (SELECT fill_id FROM first_{name})"
        with warehouse.lent("published", _lent(name, frame)):
            found[name] = warehouse.frame(f"SELECT {columns} FROM published {beside} ORDER BY fill_id")
    return found


def _lent(name: str, rows: pd.DataFrame | pa.Table) -> pa.Table:
    """The columns that are kept, as far as a snapshot of an earlier version has them."""
    if isinstance(rows, pa.Table):
        return rows.select([column for column in FIRST_PUBLISHED[name] if column in rows.column_names])
    return pa.Table.from_pandas(rows[list(FIRST_PUBLISHED[name])], preserve_index=False)


def is_kept(warehouse: Warehouse) -> bool:
    """Whether anything is kept of what was published at first."""
    return warehouse.one("SELECT 1 FROM first_fill_quality LIMIT 1") is not None


def kept(warehouse: Warehouse, name: str) -> pd.DataFrame:
    """What a table published of fills at first: `fill_quality`, or `settling_check` before readings were known."""
    return _rows(warehouse, name, "")


def kept_of(warehouse: Warehouse, fill_ids: pd.Series) -> pd.DataFrame:
    """What was published at first of some fills."""
    with warehouse.lent("asked", pd.DataFrame({"fill_id": fill_ids.to_numpy(object)})):
        return _rows(warehouse, "fill_quality", "WHERE fill_id IN (SELECT fill_id FROM asked)")


def _rows(warehouse: Warehouse, name: str, where: str) -> pd.DataFrame:
    found = warehouse.frame(f"SELECT * FROM first_{name} {where} ORDER BY fill_id")
    return conform(found, [TABLES[name].fields[c] for c in FIRST_PUBLISHED[name]])
