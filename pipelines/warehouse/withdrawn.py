"""What people have withdrawn, and what follows from it for stored rows, samples, problems and readings.

The table `withdrawn` says what stands; the states of rows are brought to it again and again, so that a run that died
half way, or a file that is read again, never leaves something out by chance.
"""

from typing import Any

import pandas as pd

from pipelines.warehouse.key_text import BETWEEN, key_text
from pipelines.warehouse.store import REGISTERS, STORED, Warehouse
from schemas.sources import SOURCES

FILES, PROBLEMS, WITHDRAWALS, SAMPLES = "files", "problems", "withdrawals", "dive_samples"

_NOT_PLACED = "('waiting', 'rejected')"
_OF_FILE = "file_sha256 IN (SELECT key FROM withdrawn WHERE source = 'files')"
#: by register, its ids that a row may name no more, for they were withdrawn or wait for something that was
_OUT = "state IN ('withdrawn', 'waiting')"
_GONE = {
    "member": f"SELECT member_id FROM rows_members WHERE {_OUT}",
    "cylinder": f"SELECT cylinder_id FROM rows_cylinders WHERE {_OUT}",
    "unit": f"SELECT cylinder_id FROM rows_cylinders WHERE {_OUT} UNION SELECT set_id FROM rows_cylinders "
    f"WHERE {_OUT} AND set_id IS NOT NULL",
    "fill": f"SELECT fill_id FROM rows_fills WHERE {_OUT}",
}
_TABLE_OF = {
    "member": "rows_members",
    "cylinder": "rows_cylinders",
    "unit": "rows_cylinders",
    "fill": "rows_fills",
    "dive": "rows_dives",
}
_LINKED = (("member", "member"), ("cylinder", "unit"))


# --- what is declared and what stands -------------------------------------------------------------
def declared(warehouse: Warehouse) -> pd.DataFrame:
    """Withdrawals that count: source and key as written, withdrawn_at, withdrawn_by, reason, received_at."""
    return warehouse.frame(
        "SELECT w.source, w.key, w.withdrawn_at, w.withdrawn_by, w.reason, min(f.received_at) AS received_at "
        "FROM rows_withdrawals w LEFT JOIN ingest_files f ON f.file = w.file AND f.file_sha256 = w.file_sha256 "
        "WHERE w.state = 'current' GROUP BY ALL ORDER BY w.withdrawn_at, w.source, w.key"
    )


def to_settle(warehouse: Warehouse) -> bool:
    """Whether anything was ever withdrawn, and something has changed since it was last brought into effect."""
    if not warehouse.one("SELECT 1 FROM (SELECT 1 FROM rows_withdrawals UNION ALL SELECT 1 FROM withdrawn) LIMIT 1"):
        return False
    return warehouse.one("SELECT value FROM meta WHERE key = 'withdrawals_settled'") != str(warehouse.version())


def set_settled(warehouse: Warehouse) -> None:
    """Everything is as the withdrawals say, at this version of the warehouse."""
    warehouse.con.execute("DELETE FROM meta WHERE key = 'withdrawals_settled'")
    warehouse.con.execute("INSERT INTO meta VALUES ('withdrawals_settled', ?)", [str(warehouse.version())])


def set_standing(warehouse: Warehouse, standing: pd.DataFrame) -> int:
    """Let these stand and no others, each with the rows that are out for it ranked anew; gives what changed.

    `standing` has source, key, withdrawn_at, withdrawn_by, reason and received_at, source and key as they are known.
    """
    columns = "source, key, withdrawn_at, withdrawn_by, reason"
    with warehouse.lent("wanted", standing):
        different = f"(SELECT {columns} FROM %s EXCEPT SELECT {columns} FROM %s)"
        moved = warehouse.con.execute(
            f"SELECT DISTINCT source, key FROM {different % ('wanted', 'withdrawn')} "
            f"UNION SELECT DISTINCT source, key FROM {different % ('withdrawn', 'wanted')}"
        ).fetchall()
        if not moved:
            return 0
        warehouse.con.execute("DELETE FROM withdrawn")
        warehouse.con.execute("INSERT INTO withdrawn BY NAME SELECT *, 0 AS rows_out FROM wanted")
    warehouse.forget_answers()
    of_files = [key for source, key in moved if source == FILES]
    for source in warehouse.stored():
        of_rows = [key for s, key in moved if s == source]
        if of_rows or of_files:
            keys = warehouse.frame(
                f"SELECT DISTINCT {', '.join(SOURCES[source].key)} FROM rows_{source} WHERE "
                f"({key_text(source)} IN (SELECT unnest($keys)) OR file_sha256 IN (SELECT unnest($files))) "
                "AND state IN ('current', 'superseded', 'withdrawn')",
                {"keys": of_rows, "files": of_files},
            )
            warehouse.rank(source, keys)
    return len(moved)


# --- what follows ---------------------------------------------------------------------------------
def leave_out(warehouse: Warehouse, now: pd.Timestamp) -> int:
    """Rows that wait or were rejected, samples and readings of what is withdrawn: let go of them, close their problems.

    Gives how many changed.
    """
    con, changed, sources = warehouse.con, 0, warehouse.withdrawn_sources()
    for source in warehouse.stored():
        if not sources & {source, FILES}:
            continue
        out = warehouse.is_withdrawn(source, "r")
        gone = con.execute(
            f"UPDATE rows_{source} AS r SET state = 'left_out' WHERE r.state IN {_NOT_PLACED} AND {out} "
            "RETURNING file, file_sha256, row_number"
        ).fetchall()
        if gone:
            changed += len(gone)
            files, hashes, numbers = (list(part) for part in zip(*gone, strict=True))
            con.execute(
                "UPDATE rejects SET resolved_at = $now, waiting = false WHERE resolved_at IS NULL AND source = $source "
                "AND (file, file_sha256, row_number) IN (SELECT unnest($files), unnest($hashes), unnest($numbers))",
                {"now": now, "source": source, "files": files, "hashes": hashes, "numbers": numbers},
            )
    if FILES not in sources:
        return changed
    for query in (
        f"UPDATE lake_parts SET state = 'withdrawn' WHERE state = 'current' AND {_OF_FILE}",
        f"UPDATE lake_parts SET state = 'left_out' WHERE state = 'waiting' AND {_OF_FILE}",
        f"UPDATE ingest_files SET outcome = 'withdrawn' WHERE outcome <> 'withdrawn' AND {_OF_FILE}",
    ):
        changed += _count(warehouse, query)
    closed = f"UPDATE rejects SET resolved_at = ?, waiting = false WHERE resolved_at IS NULL AND {_OF_FILE}"
    return changed + _count(warehouse, closed, [now])


def _count(warehouse: Warehouse, query: str, parameters: list | None = None) -> int:
    return int(warehouse.con.execute(query, parameters or []).fetchall()[0][0])


def registers_out(warehouse: Warehouse) -> set[str]:
    """Of which registers anything is out: `member`, `cylinder`, `unit`, `fill`, `dive`."""
    asked = [f"SELECT '{of}' WHERE EXISTS (SELECT 1 FROM {table} WHERE {_OUT})" for of, table in _TABLE_OF.items()]
    return {of for (of,) in warehouse.con.execute(" UNION ALL ".join(asked)).fetchall()}


def rows_naming_what_is_out(warehouse: Warehouse, source: str, registers: set[str]) -> pd.DataFrame:
    """Rows that count and name something that is out, of these registers.

    Returns
    -------
    DataFrame
        id, file, file_sha256, row_number, line, column, value, and found: what to bring back.
    """
    where = "r.rowid AS id, r.file, r.file_sha256, r.row_number, r.line"
    asked = []
    for column, register in SOURCES[source].references.items():
        if register == "dive":
            if "dive" not in registers:
                continue
            asked.append(
                f"SELECT {where}, '{column}' AS \"column\", r.dive_id AS value, "
                f"'dives:' || {key_text('dives', 'd')} AS found "
                f"FROM rows_{source} r JOIN rows_dives d ON d.member_id = r.member_id AND d.dive_id = r.dive_id "
                f"AND d.{_OUT} WHERE r.state = 'current' AND NOT EXISTS (SELECT 1 FROM rows_dives c WHERE "
                "c.state = 'current' AND c.member_id = r.member_id AND c.dive_id = r.dive_id)"
            )
            continue
        kinds = _LINKED if register == "link" else ((None, register),)
        for kind, of in kinds:
            if of not in registers:
                continue
            only = f"AND r.kind = '{kind}' " if kind else ""
            table = {"member": "members", "fill": "fills"}.get(of, "cylinders")
            asked.append(
                f"SELECT {where}, '{column}' AS \"column\", r.{column} AS value, '{table}:' || r.{column} AS found "
                f"FROM rows_{source} r WHERE r.state = 'current' {only}AND r.{column} IN ({_GONE[of]}) "
                f"AND r.{column} NOT IN ({REGISTERS[of]})"
            )
    if not asked:
        return pd.DataFrame()
    rows = warehouse.frame(f"SELECT DISTINCT * FROM ({' UNION ALL '.join(asked)}) ORDER BY ALL")
    return rows.drop_duplicates("id")


def let_wait(warehouse: Warehouse, source: str, ids: list[int]) -> None:
    """Let these rows count no more until what they name is known again; older ones of their keys may."""
    warehouse.con.execute(f"UPDATE rows_{source} SET state = 'waiting' WHERE rowid IN (SELECT unnest(?))", [ids])
    warehouse.rank(source, warehouse.keys_of(source, ids))


def gone_ids(warehouse: Warehouse, register: str) -> set[str]:
    """Ids of a register that were withdrawn and are not known otherwise."""
    only = _GONE[register].replace(_OUT, "state = 'withdrawn'")
    return {row[0] for row in warehouse.con.execute(f"{only} EXCEPT {REGISTERS[register]}").fetchall()}


def gone_dives(warehouse: Warehouse) -> set[tuple[str, str]]:
    """member_id and dive_id of withdrawn dives."""
    return set(
        warehouse.con.execute(
            "SELECT member_id, dive_id FROM rows_dives WHERE state = 'withdrawn' EXCEPT "
            "SELECT member_id, dive_id FROM rows_dives WHERE state = 'current'"
        ).fetchall()
    )


def to_read_again(warehouse: Warehouse) -> set[tuple[str, str]]:
    """Files, by place and sha256, with something that was left out and is not withdrawn any more.

    So are files whose row waited or was rejected, and was answered by a row that does not count any more.
    """
    both = "SELECT DISTINCT file, file_sha256 FROM"
    asked = [
        f"{both} lake_parts WHERE state IN ('withdrawn', 'left_out') AND NOT {_OF_FILE}",
        f"{both} ingest_files WHERE outcome = 'withdrawn' AND NOT {_OF_FILE}",
    ]
    there = [
        f"SELECT '{source}', '{state}' WHERE EXISTS (SELECT 1 FROM rows_{source} WHERE state = '{state}')"
        for source in warehouse.stored()
        for state in ("left_out", "answered")
    ]
    for source, state in warehouse.con.execute(" UNION ALL ".join(there)).fetchall() if there else ():
        out = warehouse.is_withdrawn(source, "r")
        if state == "left_out":
            asked.append(f"{both} rows_{source} r WHERE r.state = 'left_out' AND NOT {out}")
        else:
            # a key may lack its member, where the file was to tell by the dive
            same = " AND ".join(
                f"(r.{n} IS NOT DISTINCT FROM c.{n}" + (" OR r.member_id IS NULL)" if n == "member_id" else ")")
                for n in SOURCES[source].key
            )
            asked.append(
                f"{both} rows_{source} r WHERE r.state = 'answered' AND NOT {out} AND NOT EXISTS "
                f"(SELECT 1 FROM rows_{source} c WHERE c.state = 'current' AND {same} "
                f"AND (r.order_at, r.file) <= (c.order_at, c.file))"
            )
    return set(warehouse.con.execute(" UNION ".join(asked)).fetchall())


def samples_out(warehouse: Warehouse) -> dict[str, list[tuple[str, str, float | None]]]:
    """Withdrawn samples by member: member_id, dive_id and t_s, or None for all of the dive."""
    found: dict[str, list[tuple[str, str, float | None]]] = {}
    asked = "SELECT key FROM withdrawn WHERE source = 'dive_samples' ORDER BY key"
    for (key,) in warehouse.con.execute(asked).fetchall():
        member, dive, *moment = key.split(BETWEEN)
        found.setdefault(member, []).append((member, dive, float(moment[0]) if moment else None))
    return found


# --- problems -------------------------------------------------------------------------------------
def dismiss(warehouse: Warehouse) -> int:
    """Bring what the problems say of being dismissed to what stands; gives how many changed."""
    return _count(
        warehouse,
        """
        UPDATE rejects AS r SET dismissed_at = w.withdrawn_at, dismissed_by = w.withdrawn_by,
               dismissed_reason = w.reason
        FROM (SELECT p.rowid AS id, d.withdrawn_at, d.withdrawn_by, d.reason FROM rejects p
              LEFT JOIN withdrawn d ON d.source = 'problems' AND d.key = p.problem_id) AS w
        WHERE w.id = r.rowid AND (r.dismissed_at, r.dismissed_by, r.dismissed_reason)
              IS DISTINCT FROM (w.withdrawn_at, w.withdrawn_by, w.reason)
        """,
    )


def reopen_of_content_before(warehouse: Warehouse) -> int:
    """Problems that a newer content of their place had answered, and that stand again now that it is withdrawn."""
    changed = 0
    if FILES not in warehouse.withdrawn_sources():
        return 0
    places = f"(SELECT file FROM ingest_files WHERE {_OF_FILE})"
    # the last content of each place that is not withdrawn
    last = f"""(SELECT file, arg_max(file_sha256, coalesce(read_nth, 0)) FROM ingest_files
                WHERE NOT {_OF_FILE} AND file IN {places} GROUP BY file)"""
    for source in warehouse.stored():
        changed += _count(
            warehouse,
            f"""
            UPDATE rejects AS p SET resolved_at = NULL FROM rows_{source} r
            WHERE p.resolved_at IS NOT NULL AND p.severity = 'row' AND p.source = '{source}' AND r.state = 'rejected'
              AND (p.file, p.file_sha256, p.row_number) = (r.file, r.file_sha256, r.row_number)
              AND (p.file, p.file_sha256) IN {last}
              AND p.rowid IN (SELECT max(rowid) FROM rejects GROUP BY file, file_sha256, problem_id)
            """,
        )
    return changed


# --- what is shown --------------------------------------------------------------------------------
def describe(warehouse: Warehouse) -> list[tuple[str, str]]:
    """Say beside each withdrawal what is out for it; gives file and key of rows that came again since."""
    con = warehouse.con
    con.execute("UPDATE withdrawn SET files = [], rows_out = 0, given_again_in = []")
    sources = {s for (s,) in con.execute("SELECT DISTINCT source FROM withdrawn").fetchall()}
    for source in sorted(sources & set(STORED)):
        con.execute(f"""
            UPDATE withdrawn AS w SET files = o.files, rows_out = o.n, given_again_in = coalesce(o.again, [])
            FROM (SELECT d.key, list(DISTINCT r.file ORDER BY r.file) AS files, count(*) AS n,
                         list(DISTINCT r.file ORDER BY r.file) FILTER (
                             WHERE r.order_at > d.withdrawn_at OR f.received_at > d.received_at) AS again
                  FROM withdrawn d JOIN rows_{source} r ON {key_text(source, "r")} = d.key
                  LEFT JOIN ingest_files f ON f.file = r.file AND f.file_sha256 = r.file_sha256
                  WHERE d.source = '{source}' AND r.state IN ('withdrawn', 'left_out') GROUP BY d.key) AS o
            WHERE w.source = '{source}' AND w.key = o.key""")
    if FILES in sources:
        con.execute("""
        UPDATE withdrawn AS w SET files = o.files, rows_out = o.n
        FROM (SELECT file_sha256, list(file ORDER BY file) AS files, sum(rows_accepted) AS n
              FROM ingest_files GROUP BY file_sha256) AS o
        WHERE w.source = 'files' AND w.key = o.file_sha256""")
    if PROBLEMS in sources:
        con.execute("""
        UPDATE withdrawn AS w SET files = o.files
        FROM (SELECT problem_id, list(DISTINCT file ORDER BY file) AS files FROM rejects GROUP BY problem_id) AS o
        WHERE w.source = 'problems' AND w.key = o.problem_id""")
    return con.execute(
        "SELECT unnest(given_again_in), source || ':' || key FROM withdrawn WHERE len(given_again_in) > 0"
    ).fetchall()


# --- finding what a person means ------------------------------------------------------------------
def keys_like(warehouse: Warehouse, source: str, values: tuple[Any, ...]) -> list[str]:
    """Keys of stored rows that have these parts: as they are, else but for capitals and blanks.

    Parameters
    ----------
    values : tuple
        The parts of the key, each of its kind; None for an empty one.
    """
    fields, names = SOURCES[source].fields, SOURCES[source].key
    exact, loose = [], []
    for name in names:
        exact.append(f"{name} IS NOT DISTINCT FROM ?")
        folded = "lower(regexp_replace(trim({}), '\\s+', ' ', 'g'))"
        is_text = fields[name].kind in ("text", "choice")
        loose.append(f"{folded.format(name)} IS NOT DISTINCT FROM {folded.format('?')}" if is_text else exact[-1])
    for same in (exact, loose):
        rows = warehouse.con.execute(
            f"SELECT DISTINCT {key_text(source)} AS key FROM rows_{source} "
            f"WHERE {' AND '.join(same)} AND state NOT IN ('replaced', 'answered') ORDER BY key",
            list(values),
        ).fetchall()
        if rows:
            return [row[0] for row in rows]
    return []


def known_texts(warehouse: Warehouse, source: str, texts: list[str]) -> set[str]:
    """Which of these texts are keys of stored rows as they stand."""
    rows = warehouse.con.execute(
        f"SELECT DISTINCT {key_text(source)} FROM rows_{source} "
        f"WHERE {key_text(source)} IN (SELECT unnest(?)) AND state NOT IN ('replaced', 'answered')",
        [texts],
    ).fetchall()
    return {row[0] for row in rows}


def contents(warehouse: Warehouse) -> pd.DataFrame:
    """Every content that was read: file, file_sha256, in the order in which they were read."""
    return warehouse.frame(
        "SELECT file, file_sha256, outcome FROM ingest_files ORDER BY coalesce(read_nth, 0), received_at, rowid"
    )


def every_withdrawal(warehouse: Warehouse) -> pd.DataFrame:
    """Withdrawals that count or wait, as written: source, key, withdrawn_at, withdrawn_by, reason."""
    return warehouse.frame(
        "SELECT source, key, withdrawn_at, withdrawn_by, reason FROM rows_withdrawals "
        "WHERE state IN ('current', 'waiting') ORDER BY withdrawn_at"
    )
