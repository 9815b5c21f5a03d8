"""Questions about one member's stored rows, whichever file gave them and whether they count or not."""

import pandas as pd

from pipelines.warehouse.store import STORED, Warehouse
from schemas.sources import SOURCES

#: columns beside `member_id` that name a member
_OTHERS = {"cylinders": "owner_id", "links": "target_id"}


def _is_members(source: str) -> str:
    """The SQL condition for rows that name the member $member; '' where a source names none."""
    fields = SOURCES[source].fields
    named = [c for c in ("member_id", _OTHERS.get(source, "")) if c in fields]
    of_links = " AND kind = 'member'" if source == "links" else ""
    return " OR ".join(f"({c} = $member{of_links if c == 'target_id' else ''})" for c in named)


def rows_of(warehouse: Warehouse, member: str) -> dict[str, pd.DataFrame]:
    """By source all stored rows that name a member, with the contract's columns, `file`, `row_number` and `state`."""
    found = {}
    for source in STORED:
        if asked := _is_members(source):
            columns = ", ".join(f'"{c}"' for c in (*SOURCES[source].fields, "file", "row_number", "state"))
            rows = warehouse.frame(
                f"SELECT {columns} FROM rows_{source} WHERE {asked} ORDER BY file, row_number", {"member": member}
            )
            if len(rows):
                found[source] = rows
    return found


def contents_of(warehouse: Warehouse, member: str) -> pd.DataFrame:
    """Contents of files that name a member: file, file_sha256, and whether every row of it is that member's alone."""
    parts = ["SELECT file, file_sha256, member_id = $member AS mine FROM lake_parts"]
    for source in STORED:
        asked = _is_members(source) or "false"
        parts.append(f"SELECT file, file_sha256, coalesce({asked}, false) AS mine FROM rows_{source}")
    return warehouse.frame(
        f"SELECT file, file_sha256, bool_and(coalesce(mine, false)) AS alone FROM ({' UNION ALL '.join(parts)}) "
        "GROUP BY file, file_sha256 HAVING bool_or(mine) ORDER BY file, file_sha256",
        {"member": member},
    )


def problems_of(warehouse: Warehouse, contents: list[str]) -> int:
    """How many rows of these contents were rejected; what they say cannot be told apart by member."""
    return int(warehouse.one("SELECT count(*) FROM rejects WHERE file_sha256 IN (SELECT unnest(?))", [contents]) or 0)
