"""A station's published tables for a notebook, in two lines.

>>> from schemas.analysis import open_station
>>> open_station("station").table("fill_quality")  # doctest: +SKIP
"""

from pathlib import Path

import pandas as pd

from schemas.snapshot import Manifest, read_manifest, read_table, table_glob
from schemas.tables import TABLES


class PublishedStation:
    """One snapshot of a station: it does not change, whatever is published after it was opened."""

    def __init__(self, published: Path, manifest: Manifest):
        self._published, self._manifest = published, manifest

    @property
    def as_of_on(self) -> pd.Timestamp:
        """The day that the snapshot takes as today."""
        return pd.Timestamp(self._manifest.as_of_on)

    @property
    def tables(self) -> dict[str, str]:
        """Names of the tables, each with what a row of it is."""
        return {t.name: t.says for t in TABLES.values() if not t.internal}

    def table(self, name: str, columns: list[str] | None = None) -> pd.DataFrame:
        """A table with the columns of `schemas/DICTIONARY.md`, or those of them that are asked for.

        Raises
        ------
        KeyError
            No such table or column; the message lists those there are.
        """
        if name not in self.tables:
            raise KeyError(f"No table {name!r}. There are: {', '.join(self.tables)}.")
        unknown = [c for c in columns or () if c not in TABLES[name].fields]
        if unknown:
            raise KeyError(f"{name} has no column {', '.join(unknown)}. It has: {', '.join(TABLES[name].fields)}.")
        return read_table(self._published, self._manifest, name, columns=columns)

    def query(self, sql: str) -> pd.DataFrame:
        """What DuckDB answers, every published table being a view of its name; times are UTC."""
        import duckdb

        with duckdb.connect() as db:
            db.execute("SET TimeZone = 'UTC'")
            for name in self.tables:
                files = table_glob(self._published, self._manifest, name).replace("'", "''")
                db.execute(f"CREATE VIEW {name} AS SELECT * FROM read_parquet('{files}', union_by_name = true)")
            return db.execute(sql).df()


def open_station(station: str | Path) -> PublishedStation:
    """The newest snapshot of the station in this folder.

    Raises
    ------
    NothingPublished
        The folder holds no published snapshot yet; `coldfill run` makes one.
    """
    published = Path(station) / "published"
    return PublishedStation(published, read_manifest(published))
