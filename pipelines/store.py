"""The warehouse: every row that ever came in, with its file, line and history. One process writes it.

Row states: `current` (the one that counts), `superseded` (a newer file has the key), `waiting` (names
something unknown; tried again each pass), `replaced` (its file was read again, or taken back).
"""

import uuid
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pandas as pd

from schemas.frames import DUCKDB, conform, empty
from schemas.sources import SOURCES
from schemas.tables import TABLES

#: kept beside the contract's columns in every stored row
PROVENANCE = {
    "assumed": "VARCHAR[]", "value_flags": "VARCHAR[]", "row_number": "BIGINT", "line": "BIGINT", "file": "VARCHAR",
    "file_sha256": "VARCHAR", "order_at": "TIMESTAMPTZ", "state": "VARCHAR", "row_hash": "VARCHAR",
}
LAKE_PARTS = {"path": "VARCHAR", "file": "VARCHAR", "file_sha256": "VARCHAR", "member_id": "VARCHAR", "month_on": "TIMESTAMP", "rows": "BIGINT",
              "order_at": "TIMESTAMPTZ", "state": "VARCHAR", "waiting_for": "VARCHAR"}
#: columns of the machine room that are not published
_BESIDE = {"ingest_files": {"size": "BIGINT", "mtime_ns": "BIGINT", "archived": "VARCHAR"}, "rejects": {"waiting": "BOOLEAN"}}
STORED = tuple(name for name in SOURCES if name != "dive_samples")
MACHINE_ROOM = ("ingest_files", "rejects", "notices", "runs")


class WarehouseBusy(RuntimeError):
    """Another process has the warehouse open for writing."""


class Warehouse:
    """The station's DuckDB file. Open it in one process only; readers use the published snapshots."""

    def __init__(self, path: Path):
        try:
            self.con = duckdb.connect(str(path))
        except duckdb.IOException as error:
            raise WarehouseBusy(
                f"{path.name} is in use by another process. Is another `coldfill run` or `coldfill schedule` at work? "
                "Wait until it has finished, then run again."
            ) from error
        self.con.execute("SET GLOBAL TimeZone='UTC'")
        self.con.execute("SET preserve_insertion_order=true")
        self._create()

    def close(self) -> None:
        self.con.close()

    def _create(self) -> None:
        """Make the tables; a warehouse of an earlier version gets the columns that have come since."""
        wanted: dict[str, dict[str, str]] = {"meta": {"key": "VARCHAR", "value": "VARCHAR"}, "lake_parts": LAKE_PARTS}
        for name in STORED:
            wanted[f"rows_{name}"] = {f.name: DUCKDB[f.kind] for f in SOURCES[name].fields.values()} | PROVENANCE
        for name in MACHINE_ROOM:
            wanted[name] = {f.name: DUCKDB[f.kind] for f in TABLES[name].fields.values()} | _BESIDE.get(name, {})
        there: dict[str, set[str]] = {}
        for table, column in self.con.execute("SELECT table_name, column_name FROM information_schema.columns").fetchall():
            there.setdefault(table, set()).add(column)
        if all(set(columns) <= there.get(table, set()) for table, columns in wanted.items()):
            return
        with self.transaction(changes=False):
            for table, columns in wanted.items():
                if table not in there:
                    self.con.execute(f"CREATE TABLE {table} ({_columns(columns)})")
                for column in set(columns) - there.get(table, set(columns)):
                    self.con.execute(f'ALTER TABLE {table} ADD COLUMN "{column}" {columns[column]}')
            if "meta" not in there:
                self.con.execute("INSERT INTO meta VALUES ('version', '0')")

    # --- transactions and the version ---------------------------------------------------------
    @contextmanager
    def transaction(self, *, changes: bool = True) -> Iterator[None]:
        """All or nothing; a transaction that changes something raises the warehouse's version."""
        self.con.execute("BEGIN")
        try:
            yield
            if changes:
                self.con.execute("UPDATE meta SET value = CAST(CAST(value AS BIGINT) + 1 AS VARCHAR) WHERE key = 'version'")
            self.con.execute("COMMIT")
        except BaseException:
            self.con.execute("ROLLBACK")
            raise

    def version(self) -> int:
        return int(self.one("SELECT value FROM meta WHERE key = 'version'"))

    # --- reading ------------------------------------------------------------------------------
    def frame(self, query: str, parameters: list | None = None) -> pd.DataFrame:
        return self.con.execute(query, parameters or []).df()

    def one(self, query: str, parameters: list | None = None):
        """The first value of the first row, or None; leaves no result open on the connection."""
        rows = self.con.execute(query, parameters or []).fetchall()
        return rows[0][0] if rows else None

    def current(self, source: str) -> pd.DataFrame:
        """The rows that count, with the contract's columns, `assumed`, `value_flags` and `row_hash`."""
        rows = self.frame(f"SELECT * FROM rows_{source} WHERE state = 'current' ORDER BY {_key(source)}")
        return conform(rows, SOURCES[source].fields.values(), keep=("assumed", "value_flags", "row_hash"))

    def ids(self, register: str) -> set[str]:
        """What a reference may name: `member`, `cylinder`, `unit`, `fill`."""
        query = {
            "member": "SELECT member_id FROM rows_members WHERE state = 'current'",
            "cylinder": "SELECT cylinder_id FROM rows_cylinders WHERE state = 'current'",
            "fill": "SELECT fill_id FROM rows_fills WHERE state = 'current'",
            "unit": "SELECT cylinder_id FROM rows_cylinders WHERE state = 'current' UNION "
                    "SELECT set_id FROM rows_cylinders WHERE state = 'current' AND set_kind = 'manifolded' AND set_id IS NOT NULL",
        }[register]
        return {row[0] for row in self.con.execute(query).fetchall()}

    def sets_not_joined(self) -> dict[str, list[str]]:
        """Independent and sidemount sets by id, with their cylinders."""
        rows = self.con.execute(
            "SELECT set_id, list(cylinder_id ORDER BY cylinder_id) FROM rows_cylinders WHERE state = 'current' AND set_id IS NOT NULL "
            "GROUP BY set_id HAVING NOT bool_or(set_kind = 'manifolded')"
        ).fetchall()
        return dict(rows)

    def dives(self) -> pd.DataFrame:
        """Known dives: member_id, dive_id, started_at."""
        return self.frame("SELECT member_id, dive_id, started_at FROM rows_dives WHERE state = 'current'")

    # --- writing rows -------------------------------------------------------------------------
    def insert(self, table: str, frame: pd.DataFrame) -> None:
        """Append rows by name; columns the table has and the frame lacks stay empty."""
        if len(frame):
            self.con.register("incoming", frame)
            try:
                self.con.execute(f"INSERT INTO {table} BY NAME SELECT * FROM incoming")
            finally:
                self.con.unregister("incoming")

    def add_rows(self, source: str, frame: pd.DataFrame, state: str) -> None:
        """Store typed rows of one source in a state; accepted ones then stand as `superseded` until ranked."""
        if frame.empty:
            return
        declared = SOURCES[source]
        rows = conform(frame, declared.fields.values(), keep=[c for c in PROVENANCE if c in frame])
        rows["row_hash"] = row_hash(rows[list(declared.fields)].drop(columns="revised_at"))
        rows["state"] = state
        self.insert(f"rows_{source}", rows)

    def rank(self, source: str, keys: pd.DataFrame) -> None:
        """Let the newest file's row be current for each of these keys; all others are superseded.

        Newest by revised_at, else by the file's modification time to 2 s, then by the file's name, so
        that the order in which files arrive does not matter.
        """
        if keys.empty:
            return
        names = list(SOURCES[source].key)
        self.con.register("keys", keys[names].drop_duplicates())
        same = " AND ".join(f"r.{n} IS NOT DISTINCT FROM k.{n}" for n in names)
        self.con.execute(f"""
            UPDATE rows_{source} AS t SET state = ranked.state
            FROM (SELECT r.rowid AS id,
                         CASE WHEN row_number() OVER (PARTITION BY {', '.join('r.' + n for n in names)}
                              ORDER BY r.order_at DESC, r.file DESC, r.file_sha256 DESC, r.row_number DESC) = 1
                              THEN 'current' ELSE 'superseded' END AS state
                  FROM rows_{source} r SEMI JOIN keys k ON {same}
                  WHERE r.state IN ('current', 'superseded', 'new')) AS ranked
            WHERE t.rowid = ranked.id AND t.state <> ranked.state
        """)
        self.con.unregister("keys")

    def replace_file(self, file: str, sha256: str, now: pd.Timestamp) -> None:
        """Take back what an earlier reading of this very file gave: its rows, parts and open problems."""
        for source in STORED:
            keys = self.frame(f"SELECT {_key(source)} FROM rows_{source} WHERE file = ? AND file_sha256 = ? "
                              "AND state IN ('current', 'superseded')", [file, sha256])
            self.con.execute(f"UPDATE rows_{source} SET state = 'replaced' WHERE file = ? AND file_sha256 = ?", [file, sha256])
            self.rank(source, keys)
        self.con.execute("UPDATE lake_parts SET state = 'replaced' WHERE file = ? AND file_sha256 = ?", [file, sha256])
        self.con.execute("UPDATE rejects SET resolved_at = ?, waiting = false WHERE file = ? AND file_sha256 = ? AND resolved_at IS NULL",
                         [now, file, sha256])


def _columns(columns: dict[str, str]) -> str:
    return ", ".join(f'"{name}" {kind}' for name, kind in columns.items())


def _key(source: str) -> str:
    return ", ".join(SOURCES[source].key)


def row_hash(frame: pd.DataFrame) -> pd.Series:
    """A stable text hash a row, over all values of the frame."""
    plain = frame.copy()
    for name in plain.columns:
        if plain[name].dtype == "object":
            plain[name] = plain[name].map(lambda v: ";".join(v) if isinstance(v, list) else ("" if v is None else str(v)))
        elif str(plain[name].dtype) in ("boolean", "Int64"):
            plain[name] = plain[name].astype("float64")
    return pd.util.hash_pandas_object(plain, index=False).map("{:016x}".format).astype("str")


def frame_hash(frame: pd.DataFrame) -> str:
    """One hash for a frame, whatever its row order."""
    if frame.empty:
        return f"empty:{','.join(frame.columns)}"
    hashes = row_hash(frame).sort_values()
    return f"{len(hashes)}:{uuid.uuid5(uuid.NAMESPACE_OID, ''.join(hashes)).hex}"


def no_rows(source: str) -> pd.DataFrame:
    """An empty frame of a source, with the columns builders rely on."""
    made = empty(SOURCES[source].fields.values())
    return made.assign(assumed=pd.Series([], dtype="object"), value_flags=pd.Series([], dtype="object"),
                       row_hash=pd.Series([], dtype="str"))


def all_current(warehouse: Warehouse, names: Iterable[str] = STORED) -> dict[str, pd.DataFrame]:
    """Every stored source's current rows, as the builders take them."""
    return {name: warehouse.current(name) for name in names}
