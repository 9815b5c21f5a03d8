"""What a look at the kept files needs to know: which originals there should be, and how far the last look came."""

from pipelines.warehouse.store import Warehouse


def originals_after(warehouse: Warehouse, sha256: str, most: int) -> list[tuple[str, list[str]]]:
    """Contents that were taken in, from the next hash on: sha256, and the places in the inbox that had it."""
    return warehouse.con.execute(
        "SELECT file_sha256, list_sort(list_distinct(list(file))) FROM ingest_files WHERE file_sha256 > ? "
        "GROUP BY file_sha256 ORDER BY file_sha256 LIMIT ?",
        [sha256, most],
    ).fetchall()


def samples_after(warehouse: Warehouse, path: str, most: int) -> list[tuple[str, str]]:
    """Parts of samples that count, from the next path on: path, sha256 of the part; none of an earlier version."""
    return warehouse.con.execute(
        "SELECT path, any_value(sha256) FROM lake_parts WHERE state = 'current' AND sha256 IS NOT NULL AND path > ? "
        "GROUP BY path ORDER BY path LIMIT ?",
        [path, most],
    ).fetchall()


def came_to(warehouse: Warehouse) -> str:
    """Where the last look ended; empty before the first."""
    return warehouse.one("SELECT value FROM meta WHERE key = 'looked_to'") or ""


def note_came_to(warehouse: Warehouse, place: str) -> None:
    """The next look begins after this place."""
    warehouse.con.execute("DELETE FROM meta WHERE key = 'looked_to'")
    warehouse.con.execute("INSERT INTO meta VALUES ('looked_to', ?)", [place])
