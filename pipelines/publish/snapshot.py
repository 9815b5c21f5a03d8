"""Write a snapshot: new parts beside linked old ones, the manifest, and last the pointer.

A published path is never written again. Whatever dies on the way leaves a folder without a pointer to
it, which a later publish clears away; the last snapshot goes on being served.
"""

import contextlib
import hashlib
import io
import json
import os
import re
import shutil
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from pipelines.publish.together import fingerprint, pieces, places
from schemas.fields import Field
from schemas.frames import conform, empty, from_arrow
from schemas.snapshot import FIRST_LOOK, MANIFEST, POINTER, Manifest, Part, SnapshotDamaged, current_name, part_bytes
from schemas.tables import TABLES, Table

#: a snapshot is removed once a later one has been out for so long, and two later ones exist
KEEP = timedelta(hours=1)

#: of parts just written so many bytes are at hand for the steps that read them next; others are read back
HELD_BYTES = 64_000_000

#: so many parts of a table are kept as one beside them: most runs change none of them, and each costs a read
MANY_PARTS = 20
TOGETHER = "parts_together"

#: rows of a large part that are stored as one group: who asks for a day or a cylinder reads no others
GROUP_ROWS = 8192

#: how a snapshot is named: by its moment
NAMED = "%Y%m%dT%H%M%S%f"

ARROW = {
    "text": pa.string(),
    "choice": pa.string(),
    "float": pa.float64(),
    "int": pa.int64(),
    "bool": pa.bool_(),
    "time": pa.timestamp("us", tz="UTC"),
    "date": pa.date32(),
    "codes": pa.list_(pa.string()),
    "ids": pa.list_(pa.string()),
    "json": pa.string(),
}


class Publisher:
    """Collects the tables of one snapshot and publishes them at once."""

    def __init__(self, published: Path, previous: Manifest | None, started_at: pd.Timestamp):
        self.published, self.previous = published, previous
        published.mkdir(parents=True, exist_ok=True)
        self.first_name = started_at.strftime(NAMED)
        while (published / self.first_name).exists() or (published / _next(self.first_name)).exists():
            self.first_name = _next(self.first_name)  # two passes within a microsecond, or a clock set back
        self.name = _next(self.first_name)
        self.folder = published / self.name
        self.tables: dict[str, dict[str, Part]] = {}
        self._sound: dict[tuple[str, str], bool] = {}
        self._written: dict[tuple[str, str], pa.Table] = {}
        self._held = 0

    def unchanged(self, table: str, part: str, fingerprint: str) -> bool:
        """Whether the last snapshot holds this part, made from the same inputs."""
        place = self._previous_place(table, part)
        return place is not None and place[0].fingerprint == fingerprint and self._is_sound(table, part)

    def has_previous(self, table: str, part: str) -> bool:
        """Whether the last snapshot holds this part."""
        return self._previous_place(table, part) is not None and self._is_sound(table, part)

    def _is_sound(self, table: str, part: str) -> bool:
        """Whether a part of the last snapshot is as it was written; one that is not counts as absent."""
        if (table, part) not in self._sound:
            old, path = self._in_previous(table, part)
            self._sound[table, part] = is_sound(path, old)
        return self._sound[table, part]

    def holds(self, table: str, part: str, fingerprint: str) -> bool:
        """Whether this snapshot holds the part already, made from the same inputs."""
        made = self.tables.get(table, {}).get(part)
        return made is not None and made.fingerprint == fingerprint

    def read_previous(self, table: str, *parts: str) -> pd.DataFrame:
        """Parts of the last snapshot, one after the other."""
        return _joined([_stored(self._in_previous(table, part)[1]) for part in parts], table)

    def stored_previous(self, table: str, part: str = "all", columns: list[str] | None = None) -> pa.Table:
        """A part of the last snapshot as it is stored, or some of its columns."""
        return _stored(self._in_previous(table, part)[1], columns)

    def _previous_place(self, table: str, part: str) -> tuple[Part, Path] | None:
        """What the last snapshot's manifest says of a part, and where the part should be."""
        old = self.previous.tables.get(table, {}).get(part) if self.previous else None
        if not (self.previous and old):
            return None
        # put together as a text: thousands of parts are asked for
        return old, Path(f"{self.published}{os.sep}{self.previous.name}{os.sep}{table}{os.sep}{old.file}")

    def _in_previous(self, table: str, part: str) -> tuple[Part, Path]:
        place = self._previous_place(table, part)
        if place is None:
            raise KeyError(f"The last snapshot has no part {part} of {table}.")
        return place

    def read(self, table: str, *parts: str) -> pd.DataFrame:
        """Parts of this snapshot, one after the other, as any reader will see them."""
        return _joined([self.stored(table, part) for part in parts], table)

    def read_together(self, table: str, *parts: str) -> pd.DataFrame:
        """As `read`; many parts are read as one where they are the same as in the last snapshot."""
        made = [self.tables[table][part] for part in parts]
        if len(parts) < MANY_PARTS or not all(one.sha256 for one in made):
            return self.read(table, *parts)
        asked = [(part, one.sha256) for part, one in zip(parts, made, strict=True)]
        print_ = fingerprint(asked)
        if self.unchanged(TOGETHER, table, print_):
            self.link(TOGETHER, table)
            for part in parts:
                self._take(table, part)
            return _joined([self.stored(TOGETHER, table)], table)
        data = self._pieces(table, asked) or [self.stored(table, part) for part in parts]
        for part in parts:
            self._take(table, part)
        frame = _joined(data, table)
        whole = (
            pa.Table.from_pandas(frame, preserve_index=False, nthreads=1)
            if TABLES[table].internal
            else pa.concat_tables(data)
        )
        self.tables.setdefault(TOGETHER, {})[table] = _write_part(self.folder, TOGETHER, table, whole, print_)
        again = _joined([self.stored(TOGETHER, table)], table)
        if not (again.dtypes.equals(frame.dtypes) and again.equals(frame)):
            del self.tables[TOGETHER][table]
        return frame

    def keep_together(self, table: str) -> None:
        """Take over what the last snapshot keeps as one of a table's parts, where this run has not asked for them."""
        if table not in self.tables.get(TOGETHER, {}) and self.has_previous(TOGETHER, table):
            self.link(TOGETHER, table)

    def _pieces(self, table: str, asked: list[tuple[str, str]]) -> list[pa.Table] | None:
        """Parts, those that stand as the last snapshot keeps them as one; None where most are new."""
        if self.previous is None or not self.has_previous(TOGETHER, table):
            return None
        at = places(self.previous.tables.get(table, {}), self.previous.tables[TOGETHER][table])
        stand = sum(part in at and at[part].sha256 == sha256 for part, sha256 in asked)
        if 2 * stand < len(asked):
            return None

        def stored(part: str) -> pa.Table:
            return self._written.get((table, part)) or _stored(self.folder / table / self.tables[table][part].file)

        return pieces(asked, self.stored_previous(TOGETHER, table), at, stored)

    def stored(self, table: str, part: str = "all") -> pa.Table:
        """A part of this snapshot as it is stored."""
        if (data := self._take(table, part)) is not None:
            return data
        return _stored(self.folder / table / self.tables[table][part].file)

    def _take(self, table: str, part: str) -> pa.Table | None:
        """A part that is at hand, which it is not any more."""
        data = self._written.pop((table, part), None)
        self._held -= 0 if data is None else data.nbytes
        return data

    def none(self, table: str) -> pd.DataFrame:
        """A table without rows; a working table has at least its key."""
        if TABLES[table].internal:
            return pd.DataFrame({"member_id": pd.Series([], dtype="str"), "dive_id": pd.Series([], dtype="str")})
        return empty(TABLES[table].fields.values())

    def link(self, table: str, part: str, fingerprint: str = "") -> int:
        """Take a part over from the last snapshot as it is; gives its rows.

        With a fingerprint it is what other inputs would give too.
        """
        old, source = self._in_previous(table, part)
        old = replace(old, fingerprint=fingerprint or old.fingerprint)
        folder = f"{self.folder}{os.sep}{table}"
        if not self.tables.get(table):
            os.makedirs(folder, exist_ok=True)
        target = f"{folder}{os.sep}{old.file}"
        with contextlib.suppress(FileNotFoundError):
            os.unlink(target)
        _link(source, target)
        self.tables.setdefault(table, {})[part] = old
        return old.rows

    def write(self, table: str, part: str, frame: pd.DataFrame, fingerprint: str) -> int:
        """Write a part; gives its rows."""
        declared = TABLES[table]
        if declared.internal:
            data = pa.Table.from_pandas(frame, preserve_index=False, nthreads=1)
        else:
            data = arrow_table(frame, declared)
        return self.write_stored(table, part, data, fingerprint)

    def write_stored(self, table: str, part: str, data: pa.Table, fingerprint: str) -> int:
        """Write a part that is at hand as it is to be stored; gives its rows."""
        self.tables.setdefault(table, {})[part] = _write_part(self.folder, table, part, data, fingerprint)
        self._take(table, part)
        self._written[table, part] = data
        self._held += data.nbytes
        while self._held > HELD_BYTES:
            self._take(*next(iter(self._written)))  # the oldest
        return data.num_rows

    def finish(self, manifest: Manifest) -> Manifest:
        """Write the manifest and swap the pointer; from here on readers see the new snapshot."""
        manifest.tables = self.tables
        # an analyst's query must find every table, also an empty one
        for table in (t.name for t in TABLES.values() if not t.internal):
            if not self.tables.get(table):
                self.write(table, "all", pd.DataFrame(), "empty")
        write_durably(self.folder / MANIFEST, manifest.to_json())
        write_durably(self.published / POINTER, self.name + "\n")
        return manifest

    def first_look(self, manifest: Manifest, instead: Mapping[str, pa.Table] | None = None) -> None:
        """Show what there is so far, beside what the last snapshot has of all other tables.

        Its name lies before that of the snapshot to come, so that it ends with the run that publishes. Tables that are
        shown `instead` are no part of that one.
        """
        assert self.previous is not None
        folder = self.published / self.first_name
        manifest.name, manifest.others_of = self.first_name, self.previous.created_at
        manifest.tables = self.previous.tables | self.tables
        for table, parts in manifest.tables.items():
            source = (self.folder if table in self.tables else self.published / self.previous.name) / table
            (folder / table).mkdir(parents=True, exist_ok=True)
            for part in parts.values():
                _link(f"{source}{os.sep}{part.file}", f"{folder}{os.sep}{table}{os.sep}{part.file}")
        for table, data in (instead or {}).items():
            shutil.rmtree(folder / table)
            manifest.tables = manifest.tables | {table: {"all": _write_part(folder, table, "all", data, "")}}
        write_durably(folder / MANIFEST, manifest.to_json())
        write_durably(self.published / FIRST_LOOK, self.first_name + "\n")

    def abandon(self) -> None:
        """Remove what was written, when nothing is to be published after all; what is out stays."""
        with contextlib.suppress(SnapshotDamaged):
            if current_name(self.published) == self.name:
                return
        shutil.rmtree(self.folder, ignore_errors=True)


def _write_part(folder: Path, table: str, part: str, data: pa.Table, fingerprint: str) -> Part:
    """Write a part into a snapshot's folder; gives what its manifest is to say of it."""
    name = f"{_file_name(part)}.parquet"
    target = folder / table / name
    target.parent.mkdir(parents=True, exist_ok=True)
    target.unlink(missing_ok=True)  # a link to the last snapshot's part is not written through
    internal = TABLES[table].internal  # read whole
    made = _as_parquet(data, None if internal else GROUP_ROWS) if data.num_rows or internal else _without_rows(table)
    target.write_bytes(made)
    return Part(name, data.num_rows, fingerprint, hashlib.sha256(made).hexdigest())


def _as_parquet(data: pa.Table, group_rows: int | None = None) -> memoryview:
    made = io.BytesIO()
    # numbers seldom repeat: a dictionary of them costs time and room
    texts = [f.name for f in data.schema if pa.types.is_string(f.type) or pa.types.is_large_string(f.type)]
    pq.write_table(data, made, compression="zstd", use_dictionary=texts, row_group_size=group_rows)
    return made.getbuffer()


@lru_cache(maxsize=256)
def _without_rows(table: str) -> bytes:
    """A declared table without rows as it is stored: most tables of a small station, the same each time."""
    return bytes(_as_parquet(arrow_table(pd.DataFrame(), TABLES[table])))


def _next(name: str) -> str:
    """The name a microsecond later."""
    return (datetime.strptime(name, NAMED) + timedelta(microseconds=1)).strftime(NAMED)


def _link(source: Path | str, target: Path | str) -> None:
    try:
        os.link(source, target)
    except OSError:  # another file system, or one without links
        shutil.copy2(source, target)


def is_sound(path: Path, part: Part) -> bool:
    """Whether a part reads as it was written; of an earlier version, without a hash, whether it reads at all."""
    try:
        data = part_bytes(path, part)
        if not part.sha256:
            pq.read_table(data)
    except (SnapshotDamaged, pa.ArrowException, OSError):
        return False
    return True


def looks_altered(published: Path, manifest: Manifest) -> bool:
    """Whether a part of a snapshot is gone, or was written after its manifest and is not as it was written.

    Costs a look at each file; bits that rot without a new file time are found when the part is next read.
    """
    folder = published / manifest.name
    sealed_ns = (folder / MANIFEST).stat().st_mtime_ns
    for table, parts in manifest.tables.items():
        for part in parts.values():
            path = folder / table / part.file
            try:
                written_ns = path.stat().st_mtime_ns
            except OSError:
                return True
            if written_ns > sealed_ns and not is_sound(path, part):
                return True
    return False


def _joined(parts: list[pa.Table], table: str) -> pd.DataFrame:
    """Parts of a table as one frame; a working table is not declared, so a part's empty column has no type."""
    if TABLES[table].internal:
        frames = [part.to_pandas(use_threads=False) for part in parts]
        return frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
    return _as_frame(pa.concat_tables(parts), table)


def _stored(path: Path, columns: list[str] | None = None) -> pa.Table:
    """A part as it is stored; parts are small, and threads cost more than they save."""
    return pq.ParquetFile(io.BytesIO(path.read_bytes())).read(columns, use_threads=False)


def _as_frame(rows: pa.Table, table: str) -> pd.DataFrame:
    frame = from_arrow(rows, TABLES[table].fields.values())
    for field in TABLES[table].fields.values():
        if field.kind == "json" and len(frame):
            read = [json.loads(text) if isinstance(text, str) else None for text in frame[field.name]]
            frame[field.name] = pd.Series(read, index=frame.index, dtype="object")
    return frame


def arrow_table(frame: pd.DataFrame, table: Table) -> pa.Table:
    """A frame as an Arrow table with the declared columns and types of a published table; metadata: key, units."""
    fields, schema = table.fields.values(), _schema(table.name, table.says, table.key, tuple(table.fields.values()))
    if not len(frame.index):
        return schema.empty_table()
    frame = conform(frame, fields)
    return pa.table([_arrow(frame[f.name], f.kind) for f in fields], schema=schema)


@lru_cache(maxsize=256)
def _schema(name: str, says: str, key: tuple[str, ...], fields: tuple[Field, ...]) -> pa.Schema:
    return pa.schema(
        [pa.field(f.name, ARROW[f.kind], metadata={"unit": f.unit, "meaning": f.says}) for f in fields],
        metadata={"table": name, "key": ", ".join(key), "meaning": says},
    )


def _arrow(column: pd.Series, kind: str) -> pa.Array:
    if kind in ("codes", "ids"):
        with contextlib.suppress(pa.ArrowException):
            made = pa.array(column.to_numpy(object), ARROW[kind])
            if not made.null_count:  # all are lists
                return made
        return pa.array(
            [list(v) if isinstance(v, (list, tuple)) or hasattr(v, "tolist") else [] for v in column], ARROW[kind]
        )
    if kind == "json":
        return pa.array(
            [
                None
                if v is None or v is pd.NA or (isinstance(v, float) and v != v)
                else v
                if isinstance(v, str)
                else json.dumps(v, ensure_ascii=False, sort_keys=True)
                for v in column
            ],
            ARROW[kind],
        )
    if kind == "date":
        return pa.array(column.dt.date.where(column.notna(), None), ARROW[kind])
    return pa.Array.from_pandas(column, type=ARROW[kind])


def _file_name(part: str) -> str:
    """A name that every file system takes; a hash keeps apart what only capitals or odd letters tell apart."""
    plain = re.sub(r"[^a-z0-9_-]", "_", part.lower())[:80]
    return plain if plain == part else f"{plain}-{hashlib.sha256(part.encode()).hexdigest()[:12]}"


def write_durably(path: Path, text: str) -> None:
    """All of the text or none of it: a temporary file, flushed, then put in place."""
    made = path.with_name(f".{path.name}.new")
    with open(made, "w", encoding="utf-8") as handle:
        handle.write(text)
        handle.flush()
        os.fsync(handle.fileno())
    os.replace(made, path)


def clear_old(published: Path, now: datetime, out: timedelta = KEEP) -> list[str]:
    """Remove snapshots nobody needs: not the current one, and older than two that have been out for so long."""
    current = current_name(published)
    names = sorted(p.name for p in published.iterdir() if p.is_dir() and re.fullmatch(r"\d{8}T\d{12}", p.name))
    settled = [n for n in names if (published / n / MANIFEST).exists() and _age(published / n / MANIFEST, now) > out]
    keep = {current, *settled[-2:]}
    gone = []
    for name in names:
        # one without a manifest died on the way; one not older than the last settled ones may still be read
        dead = not (published / name / MANIFEST).exists()
        if name not in keep and (dead or (settled and name < settled[-1])) and name != names[-1]:
            shutil.rmtree(published / name, ignore_errors=True)
            gone.append(name)
    return gone


def _age(path: Path, now: datetime) -> timedelta:
    return now - datetime.fromtimestamp(path.stat().st_mtime, tz=now.tzinfo)
