"""How a part of a table is stored: rows as Arrow with declared types, in one Parquet file, and back."""

import contextlib
import hashlib
import io
import json
import re
from collections.abc import Collection
from functools import lru_cache
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from schemas.fields import Field
from schemas.frames import conform, from_arrow
from schemas.snapshot import Part
from schemas.tables import TABLES, Table

#: rows of a large part that are stored as one group: who asks for a day or a cylinder reads no others
GROUP_ROWS = 8192
#: parts of fewer bytes are stored as they are: to compress column by column takes as long as all the rest of writing
LITTLE_BYTES = 10_000

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


def write_part(folder: Path, table: str, part: str, data: pa.Table, fingerprint: str) -> Part:
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
    compression = "zstd" if data.nbytes >= LITTLE_BYTES else "none"
    pq.write_table(data, made, compression=compression, use_dictionary=texts, row_group_size=group_rows)
    return made.getbuffer()


@lru_cache(maxsize=256)
def _without_rows(table: str) -> bytes:
    """A declared table without rows as it is stored: most tables of a small station, the same each time."""
    return bytes(_as_parquet(arrow_table(pd.DataFrame(), TABLES[table])))


def as_frame(parts: list[pa.Table], table: str, columns: Collection[str] | None = None) -> pd.DataFrame:
    """Parts of a table as one frame; a working table is not declared, so a part's empty column has no type.

    `columns` are those that the parts hold of a declared table, where it is not all.
    """
    if TABLES[table].internal:
        frames = [part.to_pandas(use_threads=False) for part in parts]
        return frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
    fields = [f for f in TABLES[table].fields.values() if columns is None or f.name in columns]
    return _declared(pa.concat_tables(parts), fields)


def stored(path: Path, columns: list[str] | None = None) -> pa.Table:
    """A part as it is stored; parts are small, and threads cost more than they save."""
    return pq.ParquetFile(io.BytesIO(path.read_bytes())).read(columns, use_threads=False)


def _declared(rows: pa.Table, fields: list[Field]) -> pd.DataFrame:
    frame = from_arrow(rows, fields)
    for field in fields:
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
