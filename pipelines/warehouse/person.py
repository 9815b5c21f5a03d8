"""Questions about one member's stored rows, whichever file gave them and whether they count or not."""

from dataclasses import dataclass
from pathlib import Path

import duckdb
import pandas as pd

from pipelines.warehouse.arrow import as_frame
from pipelines.warehouse.problems import number_of
from pipelines.warehouse.store import FIRST_PUBLISHED, STORED, Warehouse
from schemas.sources import SOURCES

#: columns beside `member_id` that name a member
_OTHERS = {"cylinders": "owner_id", "links": "target_id"}


class NobodyKnown(ValueError):
    """No row names the member."""


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


def samples_of(warehouse: Warehouse, member: str) -> int:
    """How many samples of a member lie in the lake, whatever their state."""
    return int(warehouse.one("SELECT coalesce(sum(rows), 0) FROM lake_parts WHERE member_id = ?", [member]) or 0)


def problems_of(warehouse: Warehouse, contents: list[str]) -> int:
    """How many rows of these contents were rejected; what they say cannot be told apart by member."""
    return int(warehouse.one("SELECT count(*) FROM rejects WHERE file_sha256 IN (SELECT unnest(?))", [contents]) or 0)


# --- to forget them -------------------------------------------------------------------------------
@dataclass(frozen=True)
class Known:
    """What means a member: names and addresses that nobody else has, and what other systems call them."""

    names: list[str]
    addresses: list[str]
    aliases: list[str]
    #: names and addresses that somebody else has too
    shared: list[str]
    #: ids of other members and of things
    others: list[str]
    things: list[str]
    #: whether a unit, gauge, compressor, source or station has the same id
    means_more: bool


def known_of(warehouse: Warehouse, member: str) -> Known:
    """What the stored rows say means a member, whether they count or not."""
    rows = warehouse.con.execute("SELECT member_id, display_name, email FROM rows_members").fetchall()
    mine = [row for row in rows if row[0] == member]
    others = [row for row in rows if row[0] != member and row[0] is not None]
    folded = [{str(row[n]).strip().casefold() for row in others if row[n]} for n in (1, 2)]
    given = [sorted({str(row[n]).strip() for row in mine if row[n]}) for n in (1, 2)]
    shared = [v for n in (0, 1) for v in given[n] if v.casefold() in folded[n]]
    aliases = warehouse.con.execute(
        "SELECT DISTINCT source_ref FROM rows_links WHERE kind = 'member' AND target_id = $member AND source_ref "
        "NOT IN (SELECT source_ref FROM rows_links WHERE kind = 'member' AND target_id <> $member "
        "AND source_ref IS NOT NULL) ORDER BY 1",
        {"member": member},
    ).fetchall()
    things = _things(warehouse)
    return Known(
        [v for v in given[0] if v not in shared],
        [v for v in given[1] if v not in shared],
        [row[0] for row in aliases if row[0] and row[0] not in {o[0] for o in others}],
        shared,
        sorted({o[0] for o in others} | things - {member}),
        sorted(things),
        member in things,
    )


def _things(warehouse: Warehouse) -> set[str]:
    """Ids of what is no person: units, gauges, compressors, sources of gas, stations."""
    named = {
        "cylinders": ("cylinder_id", "set_id"),
        "set_members": ("set_id", "cylinder_id"),
        "fills": ("unit_id", "gauge_id", "source_id", "station_id"),
        "gauges": ("gauge_id", "station_id"),
        "sources": ("source_id",),
        "compressors": ("compressor_id",),
    }
    asked = [f"SELECT {c} AS id FROM rows_{source}" for source, columns in named.items() for c in columns]
    found = warehouse.con.execute(f"SELECT DISTINCT id FROM ({' UNION ALL '.join(asked)}) WHERE id IS NOT NULL")
    return {row[0] for row in found.fetchall()}


def numbers_after(warehouse: Warehouse, moved: dict[str, str]) -> dict[str, str]:
    """Numbers of problems as they are once contents have other hashes: old to new."""
    pairs = pd.DataFrame({"old": list(moved), "new": list(moved.values())}, dtype="str")
    pairs = pairs[pairs["new"] != ""]
    if pairs.empty:
        return {}
    with warehouse.lent("moved", pairs):
        rows = warehouse.con.execute(
            f"SELECT problem_id, {number_of('m.new')} FROM rejects JOIN moved m ON m.old = file_sha256 "
            "WHERE problem_id IS NOT NULL"
        ).fetchall()
    return dict(rows)


def carried(path: Path) -> dict[str, pd.DataFrame]:
    """Of a warehouse that is put aside, what no original holds: what was first published, and the runs."""
    with duckdb.connect(str(path), read_only=True) as con:
        con.execute("SET TimeZone='UTC'")
        there = {row[0] for row in con.execute("SELECT table_name FROM information_schema.tables").fetchall()}
        wanted = [t for t in (*(f"first_{name}" for name in FIRST_PUBLISHED), "runs") if t in there]
        return {table: as_frame(con.sql(f"SELECT * FROM {table}").to_arrow_table()) for table in wanted}


def take_over(warehouse: Warehouse, tables: dict[str, pd.DataFrame]) -> None:
    """Put what was carried into a new warehouse."""
    with warehouse.transaction(changes=False):
        for table, frame in tables.items():
            warehouse.insert(table, frame)
