"""Remove what no figure needs any more: closed problems, old runs, rows that count no longer."""

import pandas as pd

from pipelines.warehouse.store import Warehouse

#: states of rows that a newer one has taken the place of
SUPERSEDED = ("superseded", "answered")
#: of rows whose file was read again
REPLACED = ("replaced",)


def is_due(warehouse: Warehouse, day: pd.Timestamp) -> bool:
    """Whether nothing was removed on this day yet."""
    return warehouse.one("SELECT value FROM meta WHERE key = 'tidied'") != f"{day:%Y-%m-%d}"


def note_done(warehouse: Warehouse, day: pd.Timestamp) -> None:
    """Nothing more is removed on this day."""
    warehouse.con.execute("DELETE FROM meta WHERE key = 'tidied'")
    warehouse.con.execute("INSERT INTO meta VALUES ('tidied', ?)", [f"{day:%Y-%m-%d}"])


def remove_closed_problems(warehouse: Warehouse, before: pd.Timestamp) -> int:
    """Problems that were fixed before a moment; gives how many. One that was dismissed is not fixed."""
    return _removed(warehouse, "rejects WHERE resolved_at < ?", before)


def remove_runs(warehouse: Warehouse, before: pd.Timestamp) -> int:
    """Runs that began before a moment, but for the last one."""
    return _removed(warehouse, "runs WHERE started_at < ? AND rowid < (SELECT max(rowid) FROM runs)", before)


def remove_rows(warehouse: Warehouse, states: tuple[str, ...], before: pd.Timestamp) -> int:
    """Rows in these states whose file came in before a moment."""
    listed = ", ".join(f"'{state}'" for state in states)
    old = "(SELECT file, file_sha256 FROM ingest_files WHERE received_at < ?)"
    return sum(
        _removed(warehouse, f"{table} WHERE state IN ({listed}) AND (file, file_sha256) IN {old}", before)
        for table in (
            *(f"rows_{source}" for source in warehouse.stored()),
            *(["lake_parts"] if states == REPLACED else []),
        )
    )


def _removed(warehouse: Warehouse, which: str, before: pd.Timestamp) -> int:
    return int(warehouse.con.execute(f"DELETE FROM {which}", [before]).fetchall()[0][0])
