"""The warehouse: every row that ever came in, with its file, line and history. One process writes it.

Row states: `current` (the one that counts), `superseded` (a newer file has the key), `waiting` (names
something unknown; tried again each run), `rejected`, `answered` (waited or was rejected, and a newer file has
given the row), `withdrawn` (a person took it out), `left_out` (waited or was rejected, and a person took it
out), `replaced` (its file was read again).
"""

import contextlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from pipelines.warehouse.arrow import as_arrow, as_frame
from pipelines.warehouse.columns import BESIDE, LAKE_PARTS, NOT_STORED, PROVENANCE
from pipelines.warehouse.earlier_names import rename_earlier
from pipelines.warehouse.key_text import key_text
from pipelines.warehouse.row_hash import NOT_SAID, row_hash
from pipelines.warehouse.trouble import (
    WarehouseBusy,
    WarehouseDamaged,
    newer,
    older,
    trouble,
)
from pipelines.warehouse.whole import is_new, made_whole
from schemas.codes import all_codes
from schemas.frames import DUCKDB, conform, empty
from schemas.sources import SOURCES
from schemas.tables import TABLES

__all__ = ["FIRST_PUBLISHED", "MACHINE_ROOM", "STORED", "Warehouse", "WarehouseBusy", "WarehouseDamaged", "all_current"]

FORM = 1
"""Form of the warehouse: raise it where an earlier version would misread or break what this one writes.

A column or table more needs no new form. Either way an existing warehouse is changed only once it is backed up
(`pipelines.station.upgrade`); how, stands in `Warehouse._create` and `earlier_names`.
"""
#: sources whose rows answer `ids`, `dives` and the like
_ANSWERS = {
    "members": ("member", "member_names"),
    "cylinders": ("cylinder", "unit", "working_pressures"),
    "fills": ("fill",),
    "dives": ("dives",),
    "links": ("links",),
}
#: by what a reference names, the ids it may have
REGISTERS = {
    "member": "SELECT member_id FROM rows_members WHERE state = 'current'",
    "cylinder": "SELECT cylinder_id FROM rows_cylinders WHERE state = 'current'",
    "fill": "SELECT fill_id FROM rows_fills WHERE state = 'current'",
    "unit": "SELECT cylinder_id FROM rows_cylinders WHERE state = 'current' UNION SELECT set_id "
    "FROM rows_cylinders WHERE state = 'current' AND set_kind = 'manifolded' AND set_id IS NOT NULL",
}
#: of published tables, what stays as it was first published
FIRST_PUBLISHED = {
    "fill_quality": ("fill_id", "handed_over_verdict", "handed_over_settled_bar_15c"),
    "settling_check": tuple(TABLES["settling_check"].fields),
}
STORED = tuple(name for name in SOURCES if name != "dive_samples")
MACHINE_ROOM = ("ingest_files", "rejects", "notices", "withdrawn", "runs")

#: in a smaller file, some thousand rows beside 3 MB of empty tables, DuckDB's optimizer and a second thread cost a
#: query more than they save
SMALL_BYTES = 4_000_000
#: a warehouse that is given so many rows at once is small no more
MANY_ROWS = 2_000


class Warehouse:
    """The station's DuckDB file. Open it in one process only; readers use the published snapshots.

    Parameters
    ----------
    path : Path
        Made if it is not there.
    upgrade : bool
        Bring one of an earlier form to the present one; whoever says so has backed it up.

    Raises
    ------
    WarehouseBusy, WarehouseDamaged
        It cannot be opened.
    WarehouseOlder
        It has an earlier form, and nobody said to bring it up to date.
    WarehouseNewer
        A later version wrote it.
    """

    def __init__(self, path: Path, *, upgrade: bool = False):
        if is_new(path):
            with made_whole(path) as made:
                Warehouse(made).close()
        try:
            self.con = duckdb.connect(str(path))
        except duckdb.Error as error:
            raise trouble(path, error) from error
        self.con.execute("SET GLOBAL TimeZone='UTC'")
        self.con.execute("SET preserve_insertion_order=true")
        self._small = not path.exists() or path.stat().st_size < SMALL_BYTES  # one in memory is no file
        if self._small:
            self.con.execute("PRAGMA disable_optimizer; SET threads=1")
        self._remembered: dict[str, Any] = {}
        self._with_rows: set[str] | None = None
        self._files = (path, path.with_name(f"{path.name}.wal"))
        self._keep_private()
        try:
            self._create(path, upgrade)
        except Exception as error:
            self.con.close()
            if isinstance(error, duckdb.Error):
                raise trouble(path, error) from error
            raise

    def close(self) -> None:
        self.con.close()

    def _create(self, path: Path, upgrade: bool) -> None:
        """Make the tables; a warehouse of an earlier version gets the columns that have come since."""
        wanted: dict[str, dict[str, str]] = {"meta": {"key": "VARCHAR", "value": "VARCHAR"}, "lake_parts": LAKE_PARTS}
        for name in STORED:
            wanted[f"rows_{name}"] = {f.name: DUCKDB[f.kind] for f in SOURCES[name].fields.values()} | PROVENANCE
        for name in MACHINE_ROOM:
            wanted[name] = {f.name: DUCKDB[f.kind] for f in TABLES[name].fields.values()} | BESIDE.get(name, {})
        for name, kept in FIRST_PUBLISHED.items():
            wanted[f"first_{name}"] = {c: DUCKDB[TABLES[name].fields[c].kind] for c in kept}
        there: dict[str, set[str]] = {}
        # without these bounds DuckDB makes every view of its own catalogue first: 12 ms of a run
        listed = self.con.execute(
            "SELECT table_name, column_name FROM duckdb_columns() "
            "WHERE database_name = current_database() AND schema_name = 'main' AND NOT internal"
        ).fetchall()
        for table, column in listed:
            there.setdefault(table, set()).add(column)
        form = self._form(there)
        if form > FORM:
            raise newer(path, form, FORM)
        if form == FORM and all(set(columns) <= there.get(table, set()) for table, columns in wanted.items()):
            return
        if "meta" in there and not upgrade:
            raise older(path)
        with self.transaction(changes=False):
            rename_earlier(self.con, there)
            made = [
                f"CREATE TABLE {name} ({_columns(columns)})" for name, columns in wanted.items() if name not in there
            ]
            if made:
                self.con.execute("; ".join(made))
            for table, columns in wanted.items():
                for column in set(columns) - there.get(table, set(columns)):
                    self.con.execute(f'ALTER TABLE {table} ADD COLUMN "{column}" {columns[column]}')
            if "meta" not in there:
                self.con.execute("INSERT INTO meta VALUES ('version', '0')")
            self.con.execute("DELETE FROM meta WHERE key = 'form'")
            self.con.execute("INSERT INTO meta VALUES ('form', ?)", [str(FORM)])

    def _form(self, there: dict[str, set[str]]) -> int:
        """The form that was written; 0 where none was."""
        said = self.one("SELECT value FROM meta WHERE key = 'form'") if "meta" in there else None
        return int(said) if said is not None and str(said).isdecimal() else 0

    # --- transactions and the version ---------------------------------------------------------
    @contextmanager
    def transaction(self, *, changes: bool = True) -> Iterator[None]:
        """All or nothing; a transaction that changes something raises the warehouse's version."""
        self.con.execute("BEGIN")
        try:
            yield
            if changes:
                self.raise_version()
            self.con.execute("COMMIT")
            self._keep_private()
        except BaseException:
            self._remembered.clear()
            with contextlib.suppress(duckdb.Error):  # a commit that failed has ended it: that error is the one to tell
                self.con.execute("ROLLBACK")
            raise

    def _keep_private(self) -> None:
        """The file and its log hold members' addresses: nobody but their owner reads them."""
        for path in self._files:
            with contextlib.suppress(OSError):
                if path.stat().st_mode & 0o077:
                    path.chmod(0o600)

    def raise_version(self) -> None:
        """What is published is out of date from here on."""
        self.con.execute("UPDATE meta SET value = CAST(CAST(value AS BIGINT) + 1 AS VARCHAR) WHERE key = 'version'")

    def version(self) -> int:
        return int(self.one("SELECT value FROM meta WHERE key = 'version'"))

    def mark(self) -> str:
        """What says whose warehouse this is; empty in one of an earlier version."""
        return self.one("SELECT value FROM meta WHERE key = 'mark'") or ""

    def set_mark(self, mark: str) -> None:
        """Say whose it is."""
        with self.transaction(changes=False):
            self.con.execute("DELETE FROM meta WHERE key = 'mark'")
            self.con.execute("INSERT INTO meta VALUES ('mark', ?)", [mark])

    # --- reading ------------------------------------------------------------------------------
    def frame(self, query: str, parameters: list | dict | None = None) -> pd.DataFrame:
        """The answer as a frame, by way of Arrow: three times as quick as DuckDB's own for a few rows."""
        return as_frame(self.con.sql(query, params=parameters or None).to_arrow_table())

    @contextmanager
    def lent(self, name: str, frame: pd.DataFrame | pa.Table) -> Iterator[None]:
        """Queries inside may name this frame."""
        self.con.register(name, frame)
        try:
            yield
        finally:
            self.con.unregister(name)

    def one(self, query: str, parameters: list | None = None):
        """The first value of the first row, or None; leaves no result open on the connection."""
        rows = self.con.execute(query, parameters or []).fetchall()
        return rows[0][0] if rows else None

    def stored(self) -> list[str]:
        """Sources of which any row is stored, in the order of taking in; perhaps one whose last row was removed."""
        if self._with_rows is None:
            asked = [f"SELECT '{name}' WHERE EXISTS (SELECT 1 FROM rows_{name})" for name in STORED]
            self._with_rows = {name for (name,) in self.con.execute(" UNION ALL ".join(asked)).fetchall()}
        return [name for name in STORED if name in self._with_rows]

    def whole(self, table: str) -> pd.DataFrame:
        """A table as it is stored."""
        return self.frame(f"SELECT * FROM {table}")

    def current(self, source: str) -> pd.DataFrame:
        """The rows that count, with the contract's columns, `assumed`, `value_flags` and `row_hash`."""
        if source not in self.stored():
            return _none_of(source).copy()
        columns = ", ".join(f'"{name}"' for name in (*SOURCES[source].fields, *NOT_STORED))
        rows = self.frame(f"SELECT {columns} FROM rows_{source} WHERE state = 'current' ORDER BY {_key(source)}")
        return conform(rows, SOURCES[source].fields.values(), keep=tuple(NOT_STORED))

    def once(self, name: str, ask: Callable[[], Any]) -> Any:
        """An answer that stands until a register changes; `_ANSWERS` has its name under what it rests on."""
        if name not in self._remembered:
            self._remembered[name] = ask()
        return self._remembered[name]

    def links(self) -> pd.DataFrame:
        """The current links."""
        return self.once("links", lambda: self.current("links"))

    def ids(self, register: str) -> set[str]:
        """What a reference may name: `member`, `cylinder`, `unit`, `fill`."""
        return self.once(register, lambda: {row[0] for row in self.con.execute(REGISTERS[register]).fetchall()})

    def member_names(self) -> set[str]:
        """Names of members, as they are shown to people."""
        asked = "SELECT display_name FROM rows_members WHERE state IN ('current', 'superseded', 'withdrawn')"
        return self.once("member_names", lambda: {row[0] for row in self.con.execute(asked).fetchall() if row[0]})

    def sets_not_joined(self) -> dict[str, list[str]]:
        """Independent and sidemount sets by id, with their cylinders."""
        rows = self.con.execute(
            "SELECT set_id, list(cylinder_id ORDER BY cylinder_id) FROM rows_cylinders "
            "WHERE state = 'current' AND set_id IS NOT NULL GROUP BY set_id HAVING NOT bool_or(set_kind = 'manifolded')"
        ).fetchall()
        return dict(rows)

    def dives(self) -> pd.DataFrame:
        """Known dives: member_id, dive_id, started_at."""
        return self.once(
            "dives", lambda: self.frame("SELECT member_id, dive_id, started_at FROM rows_dives WHERE state = 'current'")
        )

    # --- writing rows -------------------------------------------------------------------------
    def insert(self, table: str, frame: pd.DataFrame, more: Mapping[str, pa.Array] | None = None) -> None:
        """Append rows by name, with columns that the frame lacks; what the table has and neither gives stays empty."""
        if len(frame):
            if self._small and len(frame) >= MANY_ROWS:
                self._small = False
                self.con.execute("PRAGMA enable_optimizer; RESET threads")
            if self._with_rows is not None:
                self._with_rows.add(table.removeprefix("rows_"))
            # of a frame every text would be looked at to find its type: a third more
            self.con.register("incoming", as_arrow(frame, more))
            try:
                self.con.execute(f"INSERT INTO {table} BY NAME SELECT * FROM incoming")
            finally:
                self.con.unregister("incoming")

    def add_rows(
        self, source: str, frame: pd.DataFrame, state: str, provenance: Mapping[str, pa.Array] | None = None
    ) -> None:
        """Store typed rows of one source in a state; accepted ones whose key is not new stand as `superseded` until
        ranked. Of PROVENANCE the frame has what is not given beside it.
        """
        if frame.empty:
            return
        declared = SOURCES[source]
        more = {"state": pa.repeat(state, len(frame)), **(provenance or {})}
        kept = [c for c in PROVENANCE if c in frame and c not in more and c != "row_hash"]
        rows = conform(frame, declared.fields.values(), keep=kept)
        more["row_hash"] = row_hash(rows[[c for c in declared.fields if c not in NOT_SAID]])
        self.insert(f"rows_{source}", rows, more)

    def rank(self, source: str, keys: pd.DataFrame) -> int:
        """Let the newest file's row be current for each of these keys; all others are superseded, or withdrawn.

        Gives how many rows changed. Newest by revised_at, else by the file's modification time to 2 s, then by
        the file's name, so that the order in which files arrive does not matter.
        """
        if keys.empty:
            return 0
        names = list(SOURCES[source].key)
        self.con.register("keys", keys[names].drop_duplicates())
        same = " AND ".join(f"r.{n} IS NOT DISTINCT FROM k.{n}" for n in names)
        out = self.is_withdrawn(source, "r")
        changed = self.con.execute(f"""
            UPDATE rows_{source} AS t SET state = ranked.state
            FROM (SELECT r.rowid AS id,
                         CASE WHEN {out} THEN 'withdrawn'
                              WHEN row_number() OVER (PARTITION BY {", ".join("r." + n for n in names)}, {out}
                              ORDER BY r.order_at DESC, r.file DESC, r.file_sha256 DESC, r.row_number DESC) = 1
                              THEN 'current' ELSE 'superseded' END AS state
                  FROM rows_{source} r SEMI JOIN keys k ON {same}
                  WHERE r.state IN ('current', 'superseded', 'withdrawn')) AS ranked
            WHERE t.rowid = ranked.id AND t.state <> ranked.state
        """).fetchall()[0][0]
        self.con.unregister("keys")
        self.forget_answers(source)
        return changed

    def is_withdrawn(self, source: str, alias: str) -> str:
        """The SQL condition that a person has taken a stored row out, or its whole file."""
        sources = self.withdrawn_sources()
        of_file = f"{alias}.file_sha256 IN (SELECT key FROM withdrawn WHERE source = 'files')"
        of_key = f"{key_text(source, alias)} IN (SELECT key FROM withdrawn WHERE source = '{source}')"
        return f"({' OR '.join(['false'] + [of_file] * ('files' in sources) + [of_key] * (source in sources))})"

    def withdrawn_sources(self) -> set[str]:
        """Sources of which a person has taken out a row; `files`: whole files."""
        asked = "SELECT DISTINCT source FROM withdrawn"
        return self.once("withdrawn", lambda: {row[0] for row in self.con.execute(asked).fetchall()})

    def forget_answers(self, source: str | None = None) -> None:
        """What was asked of the registers and of withdrawals is to be asked anew; or what rests on one source."""
        if source is None:
            self._remembered.clear()
        for name in _ANSWERS.get(source or "", ()):
            self._remembered.pop(name, None)

    def keys_of(self, source: str, ids: list[int]) -> pd.DataFrame:
        """The keys of stored rows, whatever their state."""
        return self.frame(f"SELECT {_key(source)} FROM rows_{source} WHERE rowid IN (SELECT unnest(?))", [ids])

    # --- what is to be known of files ---------------------------------------------------------
    def noted(self, file: str, rule: str, value: str | None) -> bool:
        """Whether this is listed already."""
        return (
            self.one(
                "SELECT 1 FROM notices WHERE file = ? AND rule = ? AND value IS NOT DISTINCT FROM ?",
                [file, rule, value],
            )
            is not None
        )

    def note(self, file: str, rule: str, value: str | None, now: pd.Timestamp, **words: str) -> bool:
        """List what is to be known of a file, once; gives whether it is new."""
        if self.noted(file, rule, value):
            return False
        known = all_codes().get(rule)
        figures = {"value": value} | words
        message, fix = (known.words(figures), known.fix) if known else (rule.replace("_", " "), "")
        self.con.execute("INSERT INTO notices VALUES (?, ?, ?, ?, ?, ?)", [file, rule, value, message, fix, now])
        return True

    def replace_file(self, file: str, sha256: str, now: pd.Timestamp) -> None:
        """Take back what an earlier reading of this very file gave: its rows, parts and open problems."""
        there = [
            f"SELECT '{name}' WHERE EXISTS (SELECT 1 FROM rows_{name} WHERE file = $file AND file_sha256 = $sha256)"
            for name in self.stored()
        ]
        of_file = {"file": file, "sha256": sha256}
        for (source,) in self.con.execute(" UNION ALL ".join(there), of_file).fetchall() if there else ():
            keys = self.frame(
                f"SELECT {_key(source)} FROM rows_{source} WHERE file = ? AND file_sha256 = ? "
                "AND state IN ('current', 'superseded')",
                [file, sha256],
            )
            self.con.execute(
                f"UPDATE rows_{source} SET state = 'replaced' WHERE file = ? AND file_sha256 = ?", [file, sha256]
            )
            self.rank(source, keys)
        self.con.execute("UPDATE lake_parts SET state = 'replaced' WHERE file = ? AND file_sha256 = ?", [file, sha256])
        self.con.execute(
            "UPDATE rejects SET resolved_at = ?, waiting = false "
            "WHERE file = ? AND file_sha256 = ? AND resolved_at IS NULL",
            [now, file, sha256],
        )


@cache
def _none_of(source: str) -> pd.DataFrame:
    return empty(SOURCES[source].fields.values()).assign(**NOT_STORED)


def _columns(columns: dict[str, str]) -> str:
    return ", ".join(f'"{name}" {kind}' for name, kind in columns.items())


def _key(source: str) -> str:
    return ", ".join(SOURCES[source].key)


def all_current(warehouse: Warehouse, names: Iterable[str] = STORED) -> dict[str, pd.DataFrame]:
    """Every stored source's current rows, as the builders take them."""
    return {name: warehouse.current(name) for name in names}
