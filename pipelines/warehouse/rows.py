"""Questions about the stored rows of sources, whichever file gave them."""

from collections.abc import Iterable
from typing import Any

import pandas as pd

from pipelines.warehouse.arrow import as_arrow
from pipelines.warehouse.store import Warehouse
from schemas.sources import SOURCES

FEW = 50
"""So many keys are asked for as they stand: a join with a table of them is planned longer than it runs."""


def _same_key(source: str, one: str, other: str) -> str:
    return " AND ".join(f"{one}.{n} IS NOT DISTINCT FROM {other}.{n}" for n in SOURCES[source].key)


def changed_by(warehouse: Warehouse, source: str, column: str, files: Iterable[tuple[str, str]]) -> set[str]:
    """What stands in a column of the rows that count since these files (path, SHA-256) came; not of such as say again
    what all others of their key said.
    """
    found: set[str] = set()
    for file, sha256 in files:
        others = f"FROM rows_{source} o WHERE {_same_key(source, 'r', 'o')} AND o.file_sha256 <> r.file_sha256"
        rows = warehouse.con.execute(
            f"""
            SELECT DISTINCT r.{column} FROM rows_{source} r
            WHERE r.file = ? AND r.file_sha256 = ? AND r.state = 'current'
              AND (NOT EXISTS (SELECT 1 {others} AND o.row_hash = r.row_hash)
                   OR EXISTS (SELECT 1 {others} AND o.row_hash <> r.row_hash))""",
            [file, sha256],
        ).fetchall()
        found |= {row[0] for row in rows if row[0] is not None}
    return found


def count_overruled(warehouse: Warehouse, source: str, file: str, sha256: str) -> int:
    """Rows of a file that do not count because one that looks newer has their key, with other values."""
    return warehouse.one(
        f"""
        SELECT count(*) FROM rows_{source} r JOIN rows_{source} c ON {_same_key(source, "r", "c")}
        WHERE r.file = ? AND r.file_sha256 = ? AND r.state = 'superseded' AND c.state = 'current'
          AND c.row_hash <> r.row_hash AND c.file_sha256 <> r.file_sha256
          AND (c.order_at <> r.order_at OR c.file = r.file)""",
        [file, sha256],
    )


def count_that_would_win(warehouse: Warehouse, source: str, file: str, sha256: str, at: pd.Timestamp) -> int:
    """Rows of a file that would count, had it been saved at that time."""
    return warehouse.one(
        f"""
        SELECT count(*) FROM rows_{source} r JOIN rows_{source} c ON {_same_key(source, "r", "c")}
        WHERE r.file = ? AND r.file_sha256 = ? AND r.state = 'superseded' AND r.revised_at IS NULL
          AND c.state = 'current' AND c.row_hash <> r.row_hash AND c.order_at <= ?""",
        [file, sha256, at],
    )


def of_same_time(warehouse: Warehouse, source: str, file: str, sha256: str) -> list[tuple[str, int]]:
    """Other files of the same moment with other values under the same keys: file, rows."""
    return warehouse.con.execute(
        f"""
        SELECT c.file, count(*) FROM rows_{source} r JOIN rows_{source} c ON {_same_key(source, "r", "c")}
        WHERE r.file = ? AND r.file_sha256 = ? AND c.file <> r.file AND c.order_at = r.order_at
          AND r.state IN ('current', 'superseded') AND c.state IN ('current', 'superseded')
          AND c.row_hash <> r.row_hash
        GROUP BY c.file ORDER BY c.file""",
        [file, sha256],
    ).fetchall()


def corrections_taken_back(warehouse: Warehouse, source: str, file: str, sha256: str) -> list[tuple[str, int]]:
    """Files whose correction of a row no longer counts, since this place says again what it said before: file, rows."""
    return warehouse.con.execute(
        f"""
        SELECT o.file, count(DISTINCT r.rowid) FROM rows_{source} r
        JOIN rows_{source} o ON {_same_key(source, "r", "o")} JOIN rows_{source} e ON {_same_key(source, "r", "e")}
        WHERE r.file = $file AND r.file_sha256 = $sha AND r.state = 'current' AND r.revised_at IS NULL
          AND e.file = $file AND e.file_sha256 <> $sha AND e.row_hash = r.row_hash AND e.state = 'superseded'
          AND o.file <> $file AND o.state = 'superseded' AND o.row_hash <> r.row_hash AND o.order_at >= e.order_at
        GROUP BY o.file ORDER BY o.file""",
        {"file": file, "sha": sha256},
    ).fetchall()


def no_longer_in_file(warehouse: Warehouse, source: str, file: str, sha256: str) -> list[str]:
    """Keys that an earlier content of this place gave and this one has not, as words; they still count."""
    named = ", ".join(f"CAST(o.{n} AS VARCHAR)" for n in SOURCES[source].key)
    rows = warehouse.con.execute(
        f"""
        SELECT DISTINCT concat_ws(' ', {named}) AS named FROM rows_{source} o
        WHERE o.file = $file AND o.file_sha256 <> $sha AND o.state = 'current' AND NOT EXISTS
              (SELECT 1 FROM rows_{source} n WHERE n.file = $file AND n.file_sha256 = $sha
               AND {_same_key(source, "o", "n")})
        ORDER BY named
        """,
        {"file": file, "sha": sha256},
    ).fetchall()
    return [row[0] for row in rows]


def in_state(warehouse: Warehouse, source: str, state: str, file: str | None = None) -> pd.DataFrame:
    """Whole stored rows in a state, with their rowid as `id`; of one file, if asked."""
    return warehouse.frame(
        f"SELECT rowid AS id, * FROM rows_{source} WHERE state = $state AND coalesce(file = $file, true)",
        {"state": state, "file": file},
    )


def where_rows_wait(warehouse: Warehouse) -> set[str]:
    """Tables of which a row or part waits for a register."""
    tables = [*(f"rows_{source}" for source in warehouse.stored()), "lake_parts"]
    asked = [f"SELECT '{table}' WHERE EXISTS (SELECT 1 FROM {table} WHERE state = 'waiting')" for table in tables]
    return {name for (name,) in warehouse.con.execute(" UNION ALL ".join(asked)).fetchall()}


def delete(warehouse: Warehouse, source: str, ids: list[int]) -> None:
    """Take rows out, because they are stored anew."""
    warehouse.con.execute(f"DELETE FROM rows_{source} WHERE rowid IN (SELECT unnest(?))", [ids])


def reject(warehouse: Warehouse, source: str, ids: list[int]) -> None:
    """Let these rows count no more; older ones of their keys do again."""
    warehouse.con.execute(f"UPDATE rows_{source} SET state = 'rejected' WHERE rowid IN (SELECT unnest(?))", [ids])
    warehouse.rank(source, warehouse.keys_of(source, ids))


def reorder(warehouse: Warehouse, file: str, sha256: str, modified_at: pd.Timestamp) -> bool:
    """A known file was saved again: its rows and samples may win now. Gives whether anything changed."""
    order_at = modified_at.floor("2s")
    parts = "SELECT path FROM lake_parts WHERE state = 'current' ORDER BY member_id, order_at, file, path"
    changed, before = 0, warehouse.con.execute(parts).fetchall()
    for source in warehouse.stored():
        mine = f"rows_{source} WHERE file = ? AND file_sha256 = ? AND revised_at IS NULL"
        keys = warehouse.frame(f"SELECT {', '.join(SOURCES[source].key)} FROM {mine}", [file, sha256])
        if len(keys):
            warehouse.con.execute(
                f"UPDATE {mine.replace(' WHERE', ' SET order_at = ? WHERE')}", [order_at, file, sha256]
            )
            changed += warehouse.rank(source, keys)
    warehouse.con.execute(
        "UPDATE lake_parts SET order_at = ? WHERE file = ? AND file_sha256 = ?", [order_at, file, sha256]
    )
    return bool(changed) or warehouse.con.execute(parts).fetchall() != before


def are_new(warehouse: Warehouse, source: str, rows: pd.DataFrame) -> bool:
    """Whether these rows stand for themselves: each has a key of its own, no row that is stored has any of them in
    whatever state, and nobody has taken out any row of this source or any file.
    """
    names = list(SOURCES[source].key)
    keys = rows[names]
    if warehouse.withdrawn_sources() & {source, "files"} or keys.duplicated().any():
        return False
    asked = keys[names[0]].tolist() if len(names) == 1 and len(keys) <= FEW else [None]
    if all(isinstance(key, str) for key in asked):
        marks = ", ".join("?" * len(asked))
        return warehouse.one(f"SELECT 1 FROM rows_{source} WHERE {names[0]} IN ({marks}) LIMIT 1", asked) is None
    # the member of a row that waits may not be told yet
    same = " AND ".join(
        f"(r.{n} IS NOT DISTINCT FROM k.{n}" + (" OR r.member_id IS NULL)" if n == "member_id" else ")") for n in names
    )
    with warehouse.lent("keys", as_arrow(keys)):
        return not warehouse.one(f"SELECT EXISTS (SELECT 1 FROM rows_{source} r JOIN keys k ON {same})")


def answer(warehouse: Warehouse, source: str, file: str, sha256: str, now: pd.Timestamp, *, own: bool = False) -> None:
    """Let go of rows of older files that wait or were rejected, where this file has given their key; with `own` those
    of this file, where a newer one that came before has given it.

    Nobody need fix them any more.
    """
    if not warehouse.one(f"SELECT 1 FROM rows_{source} WHERE state IN ('waiting', 'rejected') LIMIT 1"):
        return
    # a key may lack its member, where the file was to tell by the dive
    same = " AND ".join(
        f"(w.{n} IS NOT DISTINCT FROM c.{n}" + (" OR w.member_id IS NULL)" if n == "member_id" else ")")
        for n in SOURCES[source].key
    )
    answered = warehouse.con.execute(
        f"""
        SELECT DISTINCT w.rowid, w.file, w.file_sha256, w.row_number
        FROM rows_{source} w JOIN rows_{source} c ON {same}
        WHERE {"w" if own else "c"}.file = ? AND {"w" if own else "c"}.file_sha256 = ?
          AND c.state = 'current' AND w.state IN ('waiting', 'rejected')
          AND (w.file, w.file_sha256) <> (c.file, c.file_sha256)
          AND (w.order_at, w.file) <= (c.order_at, c.file)""",
        [file, sha256],
    ).df()
    if len(answered):
        warehouse.con.register("answered", answered)
        warehouse.con.execute(
            f"UPDATE rows_{source} SET state = 'answered' WHERE rowid IN (SELECT rowid FROM answered)"
        )
        warehouse.con.execute(
            """
            UPDATE rejects SET resolved_at = ?, waiting = false FROM answered a
            WHERE rejects.resolved_at IS NULL AND rejects.source = ? AND rejects.file = a.file
              AND rejects.file_sha256 = a.file_sha256 AND rejects.row_number = a.row_number""",
            [now, source],
        )
        warehouse.con.unregister("answered")


def current_of_keys(warehouse: Warehouse, source: str, keys: pd.DataFrame) -> pd.DataFrame:
    """Where the current rows of these keys stand: id, file, file_sha256, row_number, line."""
    same = " AND ".join(f"r.{name} IS NOT DISTINCT FROM k.{name}" for name in keys)
    with warehouse.lent("keys", keys):
        return warehouse.frame(
            "SELECT r.rowid AS id, r.file, r.file_sha256, r.row_number, r.line "
            f"FROM rows_{source} r SEMI JOIN keys k ON {same} WHERE r.state = 'current'"
        )


def known_places(warehouse: Warehouse, source: str, keys: pd.DataFrame, *, member_may_lack: bool = False) -> list[int]:
    """Which of these keys, by place, have a current row; a key may lack its member, where the dive tells it."""
    owner = " OR k.member_id IS NULL" if member_may_lack else ""
    same = " AND ".join(f"(k.{n} IS NOT DISTINCT FROM c.{n}{owner if n == 'member_id' else ''})" for n in keys)
    with warehouse.lent("keys", keys.assign(place=range(len(keys)))):
        rows = warehouse.con.execute(
            f"SELECT DISTINCT k.place FROM keys k JOIN rows_{source} c ON {same} WHERE c.state = 'current' ORDER BY 1"
        ).fetchall()
    return [row[0] for row in rows]


def newest(warehouse: Warehouse, happened: dict[str, tuple[str, ...]]) -> tuple[Any, str, str] | None:
    """The last moment that a current row says has happened, the file and the column; columns by source."""
    asked = " UNION ALL ".join(
        f"SELECT max(CAST({column} AS TIMESTAMPTZ)), arg_max(file, {column}), '{column}' "
        f"FROM rows_{source} WHERE state = 'current'"
        for source, columns in happened.items()
        for column in columns
    )
    return max((row for row in warehouse.con.execute(asked).fetchall() if row[0] is not None), default=None)


def link_targets(warehouse: Warehouse) -> list[tuple]:
    """Current links: source_ref, kind, target_id, member_id."""
    return warehouse.con.execute(
        "SELECT source_ref, kind, target_id, member_id FROM rows_links WHERE state = 'current' ORDER BY ALL"
    ).fetchall()


def revised_ahead(warehouse: Warehouse, latest: pd.Timestamp) -> set[tuple[str, str]]:
    """Files with rows that say they were revised after a moment, and count or would: file, file_sha256."""
    asked = [
        f"SELECT file, file_sha256 FROM rows_{source} WHERE revised_at > $latest AND state IN ('current', 'superseded')"
        for source in warehouse.stored()
    ]
    if not asked:
        return set()
    return set(warehouse.con.execute(" UNION ".join(asked), {"latest": latest}).fetchall())


def sets_named_like_cylinders(warehouse: Warehouse) -> set[tuple[str, str]]:
    """file and set_id of each set that has the name of a cylinder."""
    current = "state = 'current'"
    cylinders = f"(SELECT cylinder_id FROM rows_cylinders WHERE {current})"
    return set(
        warehouse.con.execute(
            f"SELECT file, set_id FROM rows_cylinders WHERE {current} AND set_id IN {cylinders} UNION "
            f"SELECT file, set_id FROM rows_set_members WHERE {current} AND set_id IN {cylinders}"
        ).fetchall()
    )


def returns_without_loan(warehouse: Warehouse) -> set[tuple[str, str]]:
    """file and unit_id of each return of a unit that no loan had taken out by then."""
    return set(
        warehouse.con.execute(
            "SELECT file, unit_id FROM rows_returns r WHERE r.state = 'current' AND NOT EXISTS (SELECT 1 FROM "
            "rows_loans l WHERE l.state = 'current' AND l.unit_id = r.unit_id AND l.out_at <= r.back_at)"
        ).fetchall()
    )


def tanks_without_a_row_that_counts(warehouse: Warehouse) -> pd.DataFrame:
    """Rows of dive_tanks that were rejected or wait, where no current row has their dive and tank."""
    return warehouse.frame(
        "SELECT r.* FROM rows_dive_tanks r WHERE r.state IN ('waiting', 'rejected') AND r.dive_id IS NOT NULL "
        "AND NOT EXISTS (SELECT 1 FROM rows_dive_tanks c WHERE c.state = 'current' AND c.dive_id = r.dive_id "
        "AND c.tank_no IS NOT DISTINCT FROM r.tank_no "
        "AND c.member_id IS NOT DISTINCT FROM coalesce(r.member_id, c.member_id)) "
        "ORDER BY r.member_id, r.dive_id, r.tank_no, r.file, r.row_number"
    )


def fills_not_accepted(warehouse: Warehouse) -> pd.DataFrame:
    """Fills of the log that were rejected or wait and that no accepted row stands for: fill_id, unit_id, filled_at.

    A time that cannot be read is taken from the row above it in the same file.
    """
    rows = warehouse.frame("""
        SELECT fill_id, unit_id, filled_at FROM (
            SELECT fill_id, unit_id, state,
                   coalesce(filled_at, last_value(filled_at IGNORE NULLS) OVER (
                       PARTITION BY file, file_sha256 ORDER BY row_number
                       ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)) AS filled_at
            FROM rows_fills AS fills SEMI JOIN (
                SELECT DISTINCT file, file_sha256 FROM rows_fills WHERE state IN ('rejected', 'waiting')
            ) AS asked ON fills.file IS NOT DISTINCT FROM asked.file
                AND fills.file_sha256 IS NOT DISTINCT FROM asked.file_sha256
            WHERE state NOT IN ('replaced', 'answered', 'left_out')) AS dated
        WHERE state IN ('rejected', 'waiting') AND unit_id IS NOT NULL AND filled_at IS NOT NULL
          AND fill_id NOT IN (SELECT fill_id FROM rows_fills WHERE state = 'current')
        ORDER BY unit_id, filled_at, fill_id""")
    return rows.astype({"fill_id": "str", "unit_id": "str", "filled_at": "datetime64[us, UTC]"})


def inspections_not_taken(warehouse: Warehouse) -> pd.DataFrame:
    """Rejected rows of inspections that do not plainly say passed, and that nothing later answers: cylinder_id, and
    since when: inspected_on, missing where one of them does not say.

    A row of the same inspection that was taken answers it, or a later pass of its kind.
    """
    rows = warehouse.frame("""
        SELECT cylinder_id, CASE WHEN bool_and(inspected_on IS NOT NULL) THEN min(inspected_on) END AS inspected_on
        FROM rows_inspections AS out
        WHERE state = 'rejected' AND cylinder_id IS NOT NULL AND result IS DISTINCT FROM 'pass'
          AND NOT EXISTS (
              SELECT 1 FROM rows_inspections AS taken
              WHERE taken.state = 'current' AND taken.cylinder_id = out.cylinder_id AND taken.kind = out.kind
                AND (taken.inspected_on = out.inspected_on
                     OR (taken.inspected_on > out.inspected_on AND taken.result = 'pass')))
        GROUP BY cylinder_id ORDER BY cylinder_id""")
    return rows.astype({"cylinder_id": "str", "inspected_on": "datetime64[us]"})
