"""Every version of a row that came in, as it is stored."""

import pandas as pd

from pipelines.warehouse.key_text import key_text
from pipelines.warehouse.store import Warehouse


def versions(warehouse: Warehouse, source: str, key: str) -> pd.DataFrame:
    """Stored rows of a key in the order in which they win, the last one most; a file read again counts once.

    With the columns of the source: state, file, file_sha256, row_number, line, order_at and received_at.
    """
    return warehouse.frame(
        f"SELECT r.*, f.received_at FROM rows_{source} r "
        "LEFT JOIN ingest_files f ON f.file = r.file AND f.file_sha256 = r.file_sha256 "
        f"WHERE {key_text(source, 'r')} = $key AND r.state <> 'replaced' "
        "ORDER BY r.order_at, r.file, r.file_sha256, r.row_number",
        {"key": key},
    )


def problems_of_rows(warehouse: Warehouse, source: str, file: str, sha256: str, row_number: int) -> list[str]:
    """What is open or was dismissed of a stored row, in words."""
    rows = warehouse.con.execute(
        "SELECT DISTINCT message FROM rejects WHERE source = ? AND file = ? AND file_sha256 = ? AND row_number = ? "
        "AND resolved_at IS NULL ORDER BY message",
        [source, file, sha256, row_number],
    ).fetchall()
    return [row[0] for row in rows]
