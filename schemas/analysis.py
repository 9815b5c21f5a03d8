"""A station's published tables for a notebook, in two lines; of its folder, or of a copy at an address.

>>> from schemas.analysis import open_station
>>> open_station("station").table("fill_quality")  # doctest: +SKIP
>>> open_station("s3://bucket/quay").table("fill_quality")  # doctest: +SKIP
"""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from schemas.address import Place, is_address
from schemas.copied import CopiedSamples, Copy, part_tables, standing_copy
from schemas.copied_tables import samples_too
from schemas.frames import conform, empty
from schemas.samples import as_arrow, merged, read_samples_that_count
from schemas.snapshot import (
    Manifest,
    NothingPublished,
    Part,
    damaged,
    part_bytes,
    read_manifest,
    read_table,
    table_glob,
)
from schemas.tables import TABLES

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa


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

    def columns(self, name: str) -> list[str]:
        """Columns of a table.

        Raises
        ------
        KeyError
            No such table.
        """
        if name not in self.tables:
            raise KeyError(f"No table {name!r}. There are: {', '.join(self.tables)}.")
        return TABLES[name].columns

    def table(self, name: str, columns: list[str] | None = None) -> pd.DataFrame:
        """A table with the columns of `schemas/DICTIONARY.md`, or those of them that are asked for.

        Raises
        ------
        KeyError
            No such table or column; the message lists those there are.
        """
        there = self.columns(name)
        unknown = [c for c in columns or () if c not in there]
        if unknown:
            raise KeyError(f"{name} has no column {', '.join(unknown)}. It has: {', '.join(there)}.")
        return self._read(name, columns)

    def query(self, sql: str) -> pd.DataFrame:
        """What DuckDB answers, every published table being a view of its name; times are UTC."""
        import duckdb

        with duckdb.connect() as db:
            db.execute("SET TimeZone = 'UTC'")
            self._show(db, sql)
            return db.execute(sql).df()

    def samples(self, member_id: str | None = None) -> pd.DataFrame:
        """Samples of dives as they came in, of one member or of all; the newest of each moment, none that is withdrawn.

        Raises
        ------
        NothingPublished
            This snapshot does not say which samples count.
        """
        folder = self._published / self._manifest.name
        said = read_samples_that_count(folder)
        if said is None:
            raise NothingPublished(
                "This snapshot does not say which samples count; the next one that is published does."
            )
        mine = [p for p in said.parts if member_id in (None, p.member_id)]
        lake = self._published.parent / "lake"
        stored = [_sample_part(lake / p.path, p.sha256 or "") for p in mine]
        return _merged(stored, [p.order_at for p in mine], said.out)

    def _read(self, name: str, columns: list[str] | None) -> pd.DataFrame:
        return read_table(self._published, self._manifest, name, columns=columns)

    def _show(self, db: "duckdb.DuckDBPyConnection", sql: str) -> None:  # noqa: ARG002 - a copy asks
        """Let a query see the tables."""
        for name in self.tables:
            files = table_glob(self._published, self._manifest, name).replace("'", "''")
            db.execute(f"CREATE VIEW {name} AS SELECT * FROM read_parquet('{files}', union_by_name = true)")


class StationCopy(PublishedStation):
    """A copy of a station's snapshot at an address; tables and columns that are not copied are not there."""

    def __init__(self, place: Place, copy: Copy):
        self._place, self._copy = place, copy

    @property
    def as_of_on(self) -> pd.Timestamp:
        """The day that the snapshot takes as today."""
        return pd.Timestamp(self._copy.as_of_on)

    @property
    def copied_at(self) -> pd.Timestamp:
        """When it was copied, UTC."""
        return pd.Timestamp(self._copy.copied_at)

    @property
    def tables(self) -> dict[str, str]:
        """Names of the tables, each with what a row of it is."""
        return {name: says for name, says in super().tables.items() if name in self._copy.tables}

    def columns(self, name: str) -> list[str]:
        """Columns of a table.

        Raises
        ------
        KeyError
            No such table.
        """
        if name in super().tables and name not in self.tables:
            raise KeyError(
                f"{name} is not in this copy, which tells '{self._copy.people}' of people: people under [copy] in the "
                f"station's station.toml. There are: {', '.join(self.tables)}."
            )
        left_out = self._copy.left_out.get(name, ())
        return [c for c in super().columns(name) if c not in left_out]

    def samples(self, member_id: str | None = None) -> pd.DataFrame:
        """Samples of dives as they came in, of one member or of all; the newest of each moment, none that is withdrawn.

        Raises
        ------
        NothingPublished
            This copy has none.
        """
        if self._copy.samples is None and samples_too(self._copy.people):
            raise NothingPublished("This copy is of a snapshot that does not say which samples count; the next does.")
        if self._copy.samples is None:
            raise NothingPublished(
                f"This copy has no samples of dives. It tells '{self._copy.people}' of people: with 'ids' or 'names' "
                "under [copy] in the station's station.toml the next copy has them."
            )
        mine: list[CopiedSamples] = [p for p in self._copy.samples if member_id in (None, p.member_id)]
        return _merged(part_tables(self._place, mine), [p.order_at for p in mine], self._copy.samples_out)

    def _read(self, name: str, columns: list[str] | None) -> pd.DataFrame:
        fields = [f for f in TABLES[name].fields.values() if f.name in (columns or self.columns(name))]
        return conform(self._rows(name, [f.name for f in fields]).to_pandas(use_threads=False), fields)

    def _rows(self, name: str, columns: list[str] | None = None) -> "pa.Table":
        import pyarrow as pa

        stored = part_tables(self._place, self._copy.tables[name], columns)
        return pa.concat_tables(stored, promote_options="default")

    def _show(self, db: "duckdb.DuckDBPyConnection", sql: str) -> None:
        """Fetch the tables whose names stand in a query; the others are there without rows."""
        words = {word.lower() for word in re.findall(r"\w+", sql)}
        for name in self.tables:
            if name in words:
                db.register(name, self._rows(name))
            else:
                fields = [TABLES[name].fields[column] for column in self.columns(name)]
                db.register(name, empty(fields))


def open_station(station: str | Path) -> PublishedStation:
    """The newest snapshot of the station in this folder, or the newest copy at this address (`s3://bucket/quay`).

    Raises
    ------
    NothingPublished
        The folder holds no published snapshot yet; `coldfill run` makes one.
    AddressTrouble
        The address cannot be reached, or does not take the keys.
    """
    if isinstance(station, str) and is_address(station):
        place = Place(station)
        return StationCopy(place, standing_copy(place))
    published = Path(station) / "published"
    return PublishedStation(published, read_manifest(published))


def _sample_part(path: Path, sha256: str) -> "pa.Table":
    import pyarrow as pa

    try:
        return as_arrow(part_bytes(path, Part(path.name, 0, "", sha256)).getvalue())
    except (pa.ArrowException, OSError) as error:
        raise damaged(f"The part {path.name} of the lake") from error


def _merged(stored: list["pa.Table"], order_at: list[str], out: Any) -> pd.DataFrame:
    moments = pd.Series(pd.to_datetime(order_at, utc=True, format="ISO8601"))
    return merged(stored, moments.to_numpy(), out)
