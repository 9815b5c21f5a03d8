"""What the warehouse knows of files: how each was read, the parts of samples they gave, and the runs.

A file is known by its place in the inbox (`file`) and its content (`file_sha256`).
"""

from collections.abc import Collection, Iterable
from typing import Any

import pandas as pd

from pipelines.warehouse.store import Warehouse

_THIS = "file = ? AND file_sha256 = ?"
_WRITTEN = "SELECT DISTINCT file, file_sha256 FROM"


# --- readings -------------------------------------------------------------------------------------
def readings(
    warehouse: Warehouse,
    columns: Iterable[str],
    *,
    file: str | None = None,
    sha256: str | None = None,
    either: bool = False,
    among: tuple[str, Collection[Any]] | None = None,
) -> list[dict[str, Any]]:
    """Readings of all files, or of this place, or of this content, with these columns; the last of a place last.

    With both, of this content in this place, or with `either` of the place and of the content; `among`: those that
    have one of these values in a column.
    """
    columns = tuple(columns)
    asked = {name: value for name, value in (("file", file), ("file_sha256", sha256)) if value is not None}
    where = (" OR " if either else " AND ").join([f"{name} = ?" for name in asked] or ["true"])
    values: list[Any] = list(asked.values())
    if among is not None:
        where, values = f"{among[0]} IN (SELECT unnest(?))", [list(among[1])]
    rows = warehouse.con.execute(
        f"SELECT {', '.join(columns)}, coalesce(read_nth, 0), epoch_us(received_at), rowid FROM ingest_files "
        f"WHERE {where}",
        values,
    ).fetchall()
    rows.sort(key=lambda row: row[-3:])  # here: for the few there are, a sort of DuckDB's costs as much as the query
    return [dict(zip(columns, row, strict=False)) for row in rows]


def known(warehouse: Warehouse) -> set[tuple[str, str]]:
    """Place and content of all readings: file, file_sha256."""
    return set(warehouse.con.execute("SELECT file, file_sha256 FROM ingest_files").fetchall())


def count(warehouse: Warehouse) -> int:
    """How many readings there are."""
    return int(warehouse.one("SELECT count(*) FROM ingest_files"))


def as_listed(warehouse: Warehouse) -> str:
    """Changes with anything that the archive's list says of readings."""
    of_each = "hash(file, file_sha256, archived, size, mtime_ns, modified_at, layout, received_at)"
    return str(warehouse.one(f"SELECT count(*) || ' ' || coalesce(bit_xor({of_each}), 0) FROM ingest_files"))


def agreed(warehouse: Warehouse) -> str:
    """What stood for readings and the archive's list when they last said the same; empty where that is not known."""
    return warehouse.one("SELECT value FROM meta WHERE key = 'listed'") or ""


def set_agreed(warehouse: Warehouse, said: str) -> None:
    """Note what stands for readings and the archive's list, which say the same."""
    with warehouse.transaction(changes=False):
        warehouse.con.execute("DELETE FROM meta WHERE key = 'listed'")
        warehouse.con.execute("INSERT INTO meta VALUES ('listed', ?)", [said])


def read_once(warehouse: Warehouse) -> dict[str, tuple[int, int, str]]:
    """size, mtime_ns and hash of the layout of each place that was read once and names nothing that is looked up."""
    rows = warehouse.con.execute(
        "SELECT file, any_value(size), any_value(mtime_ns), any_value(mapping_hash) FROM ingest_files "
        "GROUP BY file HAVING count(*) = 1 AND coalesce(max(len(refs)), 0) = 0"
    ).fetchall()
    return {file: (size, mtime_ns, layout) for file, size, mtime_ns, layout in rows}


def places(warehouse: Warehouse) -> list[str]:
    """Where all files lie, or lay, in the inbox."""
    return [row[0] for row in warehouse.con.execute("SELECT DISTINCT file FROM ingest_files").fetchall()]


def record_reading(warehouse: Warehouse, row: dict[str, Any]) -> None:
    """Keep how a file was read, in place of an earlier reading of the same content there."""
    warehouse.con.execute(f"DELETE FROM ingest_files WHERE {_THIS}", [row["file"], row["file_sha256"]])
    warehouse.con.execute(
        f"INSERT INTO ingest_files ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})", list(row.values())
    )


def mark_seen(warehouse: Warehouse, files: list[str]) -> None:
    """These lie in the inbox as they were when last read."""
    warehouse.con.execute(
        "UPDATE ingest_files SET seen_again = seen_again + 1 WHERE file IN (SELECT unnest(?))", [files]
    )


def mark_touched(
    warehouse: Warehouse, file: str, sha256: str, size: int, mtime_ns: int, modified_at: pd.Timestamp
) -> None:
    """The same content stands there with another time of saving."""
    warehouse.con.execute(
        f"UPDATE ingest_files SET seen_again = seen_again + 1, size = ?, mtime_ns = ?, modified_at = ? WHERE {_THIS}",
        [size, mtime_ns, modified_at, file, sha256],
    )


def shift_counts(warehouse: Warehouse, file: str, sha256: str, accepted: int) -> None:
    """So many rows of a reading are accepted now that were rejected; fewer than none: the other way."""
    warehouse.con.execute(
        f"UPDATE ingest_files SET rows_accepted = rows_accepted + ?, rows_rejected = rows_rejected - ? WHERE {_THIS}",
        [accepted, accepted, file, sha256],
    )


def row_counts(warehouse: Warehouse, run: str) -> pd.DataFrame:
    """source, rows_read, rows_accepted, rows_rejected by file, of those that a run has read."""
    asked = "SELECT file, source, rows_read, rows_accepted, rows_rejected FROM ingest_files WHERE run_id = $run"
    return warehouse.frame(asked, {"run": run}).set_index("file")


def seen_again(warehouse: Warehouse) -> list[tuple[str, str, int]]:
    """How often each reading was met again: file, file_sha256, times."""
    return warehouse.con.execute("SELECT file, file_sha256, seen_again FROM ingest_files").fetchall()


# --- layouts that wait for a yes ------------------------------------------------------------------
def waiting_layouts(warehouse: Warehouse) -> list[tuple[str, str, str]]:
    """file, file_sha256 and the layout's hash of each reading whose new layout waits."""
    return warehouse.con.execute(
        "SELECT file, file_sha256, waits_for FROM ingest_files WHERE waits_for IS NOT NULL"
    ).fetchall()


def set_waiting_layout(warehouse: Warehouse, file: str, sha256: str, layout: str | None) -> None:
    """Note the hash of the layout that waits, or that none does any more."""
    warehouse.con.execute(f"UPDATE ingest_files SET waits_for = ? WHERE {_THIS}", [layout, file, sha256])


# --- dives whose member was guessed ---------------------------------------------------------------
def add_guessed(warehouse: Warehouse, file: str, sha256: str, dives: list[str]) -> None:
    """Rows of these dives were given to the only member with such a dive."""
    warehouse.con.execute(
        f"UPDATE ingest_files SET guessed = list_distinct(list_concat(coalesce(guessed, []), ?)) WHERE {_THIS}",
        [dives, file, sha256],
    )


def with_roles_linked(warehouse: Warehouse, run_id: str) -> set[tuple[str, str]]:
    """Files, by place and sha256, with a tank that had no role until this run took in a link that gives it one."""
    return set(
        warehouse.con.execute(
            "SELECT DISTINCT p.file, p.file_sha256 FROM rejects p JOIN rows_links l ON l.source_ref = p.value "
            "JOIN ingest_files i ON i.file = l.file AND i.file_sha256 = l.file_sha256 "
            "WHERE p.rule = 'uddf_role_unknown' AND p.resolved_at IS NULL AND l.kind = 'role' "
            "AND l.state = 'current' AND i.run_id = ?",
            [run_id],
        ).fetchall()
    )


def ambiguous_now(warehouse: Warehouse) -> list[tuple[str, str]]:
    """Readings with a guessed dive that several members have by now: file, file_sha256."""
    return warehouse.con.execute(f"""
        {_WRITTEN} (SELECT file, file_sha256, unnest(guessed) AS dive_id FROM ingest_files)
        WHERE dive_id IN (SELECT dive_id FROM rows_dives WHERE state = 'current'
                          GROUP BY dive_id HAVING count(DISTINCT member_id) > 1)
    """).fetchall()


# --- parts of samples -----------------------------------------------------------------------------
def parts(warehouse: Warehouse, state: str) -> list[dict[str, Any]]:
    """The parts of samples in a state, with their rowid as `id`."""
    return warehouse.frame("SELECT rowid AS id, * FROM lake_parts WHERE state = ?", [state]).to_dict("records")


def part_paths(warehouse: Warehouse) -> set[str]:
    """Where every part lies that the warehouse knows, whatever its state, below the lake."""
    return {row[0] for row in warehouse.con.execute("SELECT DISTINCT path FROM lake_parts").fetchall()}


def drop_part(warehouse: Warehouse, part_id: int) -> None:
    """Forget a part whose samples now lie in others."""
    warehouse.con.execute("DELETE FROM lake_parts WHERE rowid = ?", [part_id])


def mark_lost(warehouse: Warehouse, paths: list[str]) -> None:
    """These parts can be read neither in the lake nor again from the archive."""
    warehouse.con.execute(
        "UPDATE lake_parts SET state = 'lost' WHERE state = 'current' AND path IN (SELECT unnest(?))", [paths]
    )


def parts_of_file(warehouse: Warehouse, file: str, sha256: str) -> list[tuple[str, str, bool]]:
    """Current parts that a place gave: path, sha256 of the part, and whether this content gave it."""
    return warehouse.con.execute(
        "SELECT path, sha256, file_sha256 = ? FROM lake_parts WHERE state = 'current' AND file = ?", [sha256, file]
    ).fetchall()


def rival_parts(
    warehouse: Warehouse, file: str, order_at: pd.Timestamp, members: list[str], months: list
) -> list[tuple[str, str, str, bool]]:
    """Current parts of these members and months that rank above a file, or beside it with another name.

    path, sha256 of the part, file, and whether it is newer.
    """
    return warehouse.con.execute(
        """
        SELECT DISTINCT path, sha256, file, order_at > ? FROM lake_parts
        WHERE state = 'current' AND (order_at > ? OR (order_at = ? AND file <> ?))
          AND (member_id, month_on) IN (SELECT unnest(?), unnest(?))
        """,
        [order_at] * 3 + [file, members, months],
    ).fetchall()


# --- runs -----------------------------------------------------------------------------------------
def record_run(warehouse: Warehouse, row: dict[str, Any]) -> None:
    """Keep what became of a run, in place of what was kept of it before."""
    warehouse.con.execute("DELETE FROM runs WHERE run_id = ?", [row["run_id"]])
    warehouse.insert("runs", pd.DataFrame([row]))


def last_run_at(warehouse: Warehouse, but: str) -> Any:
    """When the last run began whose outcome was another than this; None without one."""
    return warehouse.one("SELECT started_at FROM runs WHERE outcome <> ? ORDER BY rowid DESC LIMIT 1", [but])


def unpublished_runs(warehouse: Warehouse, most: int) -> list[tuple]:
    """The newest runs that published nothing: run_id, started_at, finished_at, as_of_on, outcome."""
    return warehouse.con.execute(
        "SELECT run_id, started_at, finished_at, as_of_on, outcome FROM runs WHERE outcome <> 'published' "
        "ORDER BY started_at DESC LIMIT ?",
        [most],
    ).fetchall()
