"""What people did to rows: holds they released, rows that say other than before."""

import pandas as pd

from pipelines.warehouse.key_text import key_text
from pipelines.warehouse.store import STORED, Warehouse
from schemas.sources import SOURCES

#: rows that came in so lately are compared with what was known before them
CORRECTED_WITHIN = pd.Timedelta(days=30)
#: of these a newer row is no correction
_NEVER = ("withdrawals",)


def releases(warehouse: Warehouse) -> pd.DataFrame:
    """Releases that count: fill_id, unit_id, released_at, released_by, reason."""
    return warehouse.frame(
        "SELECT r.fill_id, f.unit_id, r.released_at, r.released_by, r.reason FROM rows_releases r "
        "LEFT JOIN rows_fills f ON f.fill_id = r.fill_id AND f.state = 'current' "
        "WHERE r.state = 'current' ORDER BY r.released_at, r.fill_id"
    )


def corrections(warehouse: Warehouse, since: pd.Timestamp) -> pd.DataFrame:
    """Rows that came in since and say other than the version before: source, key, file, received_at.

    A file that is saved again with the same rows corrects none; two versions of one file are no correction.
    """
    found = [_of_source(warehouse, source, since) for source in STORED if source not in _NEVER]
    found = [rows for rows in found if len(rows)]
    if not found:
        return pd.DataFrame({"source": [], "key": [], "file": [], "received_at": []})
    return pd.concat(found, ignore_index=True)


def _of_source(warehouse: Warehouse, source: str, since: pd.Timestamp) -> pd.DataFrame:
    if not warehouse.one(f"SELECT 1 FROM rows_{source} WHERE state = 'superseded' LIMIT 1"):
        return pd.DataFrame()
    names = list(SOURCES[source].key)
    columns, same = ", ".join(f"r.{n}" for n in names), " AND ".join(f"r.{n} IS NOT DISTINCT FROM n.{n}" for n in names)
    came = "JOIN ingest_files f ON f.file = r.file AND f.file_sha256 = r.file_sha256"
    # by the columns of the key, and its text for what is found alone: a log saved each day has many old rows
    return warehouse.frame(
        f"""
        WITH new AS (SELECT {columns}, r.rowid AS id, r.row_hash, r.file, f.received_at FROM rows_{source} r {came}
                     WHERE r.state = 'current' AND f.received_at >= $since),
             before AS (SELECT n.id, arg_max(r.row_hash, r.order_at) AS row_hash
                        FROM rows_{source} r {came} JOIN new n ON {same}
                        WHERE r.state = 'superseded' AND f.received_at < n.received_at GROUP BY n.id)
        SELECT '{source}' AS source, {key_text(source, "n")} AS key, n.file, n.received_at
        FROM new n JOIN before b USING (id) WHERE b.row_hash <> n.row_hash ORDER BY n.received_at, key
        """,
        {"since": since},
    )
