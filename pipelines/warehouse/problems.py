"""Rows that were rejected (`rejects`), and what is to be known of files besides (`notices`)."""

from collections.abc import Iterable
from typing import NamedTuple

import pandas as pd

from pipelines.warehouse.store import Warehouse

_OF_A_FILE = "file IN (SELECT unnest(?)) AND row_number IS NULL AND resolved_at IS NULL"


def number_of(content: str) -> str:
    """The SQL expression for a problem's number, by that of its content: the same each time that it is read."""
    return f"""substr(md5(concat_ws('|', {content}, coalesce(CAST(row_number AS VARCHAR), ''),
               coalesce("column", ''), rule)), 1, 10)"""


def add(warehouse: Warehouse, found: pd.DataFrame) -> None:
    """List problems, each with its number; one that was dismissed stays so."""
    if found.empty:
        return
    warehouse.insert("rejects", found)
    number(warehouse)


def number(warehouse: Warehouse) -> None:
    """Give problems that have no number theirs."""
    warehouse.con.execute(f"UPDATE rejects SET problem_id = {number_of('file_sha256')} WHERE problem_id IS NULL")


def any_without_number(warehouse: Warehouse) -> bool:
    """Whether an earlier version listed problems without numbers."""
    return warehouse.one("SELECT 1 FROM rejects WHERE problem_id IS NULL LIMIT 1") is not None


def count_open(warehouse: Warehouse) -> int:
    """How many rejects nobody has fixed or dismissed yet."""
    return warehouse.one("SELECT count(*) FROM rejects WHERE resolved_at IS NULL AND dismissed_at IS NULL")


def still_open(warehouse: Warehouse) -> pd.DataFrame:
    """Rejects that nobody has fixed or dismissed yet: file and problem_id."""
    return warehouse.frame(
        "SELECT file, problem_id FROM rejects WHERE resolved_at IS NULL AND dismissed_at IS NULL ORDER BY ALL"
    )


def open_since(warehouse: Warehouse, moment: pd.Timestamp) -> pd.DataFrame:
    """Open rejects first seen at this moment, by file and row."""
    return warehouse.frame(
        "SELECT * FROM rejects WHERE resolved_at IS NULL AND first_seen_at = ? ORDER BY file, row_number", [moment]
    )


def any_open_of_files(warehouse: Warehouse, files: list[str]) -> bool:
    """Whether one of these files stands refused as a whole."""
    return warehouse.one(f"SELECT 1 FROM rejects WHERE {_OF_A_FILE} LIMIT 1", [files]) is not None


def close_of_files(warehouse: Warehouse, files: list[str], now: pd.Timestamp) -> None:
    """These files were refused as a whole and are no problem any more."""
    warehouse.con.execute(f"UPDATE rejects SET resolved_at = ? WHERE {_OF_A_FILE}", [now, files])


def close_of_older_content(warehouse: Warehouse, file: str, sha256: str, now: pd.Timestamp) -> None:
    """A newer content stands in this place: it answers what was rejected there, but not what waits."""
    warehouse.con.execute(
        "UPDATE rejects SET resolved_at = ? "
        "WHERE file = ? AND file_sha256 <> ? AND resolved_at IS NULL AND NOT waiting",
        [now, file, sha256],
    )


def close_of_moved(warehouse: Warehouse, moved: pd.DataFrame, now: pd.Timestamp) -> None:
    """Rows that waited and count now: close their rejects, and let the counts of their files follow.

    What waited within one run never was a problem to anybody and leaves no reject. `moved` has source, file,
    file_sha256 and row_number.
    """
    con = warehouse.con
    con.register("moved", moved)
    theirs = """waiting AND EXISTS (SELECT 1 FROM moved m
        WHERE m.file = rejects.file AND m.file_sha256 = rejects.file_sha256
          AND m.source = rejects.source AND m.row_number = rejects.row_number)"""
    con.execute(f"DELETE FROM rejects WHERE first_seen_at = ? AND {theirs}", [now])
    con.execute(f"UPDATE rejects SET resolved_at = ?, waiting = false WHERE {theirs}", [now])
    con.execute("""
        UPDATE ingest_files SET rows_accepted = rows_accepted + m.n, rows_rejected = rows_rejected - m.n
        FROM (SELECT file, file_sha256, count(*) AS n FROM moved GROUP BY ALL) m
        WHERE m.file = ingest_files.file AND m.file_sha256 = ingest_files.file_sha256""")
    con.unregister("moved")


# --- notices --------------------------------------------------------------------------------------
class Notice(NamedTuple):
    """What is listed of a file."""

    file: str
    value: str | None
    rule: str
    message: str


def listed(warehouse: Warehouse, rules: Iterable[str]) -> list[Notice]:
    """Notices under these rules."""
    asked = list(rules)
    rows = warehouse.con.execute(
        f"SELECT file, value, rule, message FROM notices WHERE rule IN ({', '.join('?' * len(asked))}) ORDER BY ALL",
        asked,
    ).fetchall()
    return [Notice(*row) for row in rows]


def unlist(warehouse: Warehouse, file: str, rules: Iterable[str], value: str | None = None) -> None:
    """Take notices of a file under these rules away; with a value, those that name it alone."""
    if not warehouse.one("SELECT 1 FROM notices WHERE file = ? LIMIT 1", [file]):  # of most files there are none
        return
    warehouse.con.execute(
        "DELETE FROM notices WHERE file = $file AND rule IN (SELECT unnest($rules)) "
        "AND ($value IS NULL OR value = $value)",
        {"file": file, "rules": list(rules), "value": value},
    )
