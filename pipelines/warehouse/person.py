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
    """Contents of files that name a member: file, file_sha256, and whether every row of it is that member's alone.

    Of a row that was rejected nobody can say whose it is, so a content with one counts as naming others.
    """
    parts = ["SELECT file, file_sha256, member_id = $member AS mine FROM lake_parts"]
    for source in STORED:
        asked = _is_members(source) or "false"
        parts.append(f"SELECT file, file_sha256, coalesce({asked}, false) AS mine FROM rows_{source}")
    unread = "SELECT file_sha256 FROM ingest_files WHERE rows_rejected > 0"
    return warehouse.frame(
        f"SELECT file, file_sha256, bool_and(coalesce(mine, false)) AND file_sha256 NOT IN ({unread}) AS alone "
        f"FROM ({' UNION ALL '.join(parts)}) "
        "GROUP BY file, file_sha256 HAVING bool_or(mine) ORDER BY file, file_sha256",
        {"member": member},
    )


def parts_of(warehouse: Warehouse, member: str) -> pd.DataFrame:
    """Parts of the lake that may hold a member's samples, whether they count, wait or were withdrawn; the last wins.

    One that waits is not divided by member yet.
    """
    return warehouse.frame(
        "SELECT member_id, path, order_at, file, file_sha256, sha256 FROM lake_parts "
        "WHERE (member_id = $member OR state = 'waiting') AND state IN ('current', 'waiting', 'withdrawn', 'left_out') "
        "ORDER BY order_at, file, file_sha256, path",
        {"member": member},
    )


def problems_of(warehouse: Warehouse, contents: list[str]) -> int:
    """How many rows of these contents were rejected; what they say cannot be told apart by member."""
    return int(warehouse.one("SELECT count(*) FROM rejects WHERE file_sha256 IN (SELECT unnest(?))", [contents]) or 0)
