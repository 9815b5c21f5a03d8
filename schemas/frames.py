"""From declared fields to frames: one dtype a kind, in pandas, Arrow and DuckDB alike."""

from collections.abc import Iterable
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from schemas.fields import Field

if TYPE_CHECKING:
    import pyarrow as pa

PANDAS = {
    "text": "str",
    "choice": "str",
    "float": "float64",
    "int": "Int64",
    "bool": "boolean",
    "time": "datetime64[us, UTC]",
    "date": "datetime64[us]",
    "codes": "object",
    "ids": "object",
    "json": "object",
}
_DTYPES = {kind: pd.api.types.pandas_dtype(name) for kind, name in PANDAS.items()}
#: of Arrow's types, those that would turn into others where something is missing
_NULLABLE = {"int64": _DTYPES["int"], "bool": _DTYPES["bool"]}
DUCKDB = {
    "text": "VARCHAR",
    "choice": "VARCHAR",
    "float": "DOUBLE",
    "int": "BIGINT",
    "bool": "BOOLEAN",
    "time": "TIMESTAMPTZ",
    "date": "TIMESTAMP",
    "codes": "VARCHAR[]",
    "ids": "VARCHAR[]",
    "json": "VARCHAR",
}


def empty(fields: Iterable[Field]) -> pd.DataFrame:
    """A frame without rows that has these columns, each with its dtype."""
    return _without_rows(tuple(fields)).copy()


@lru_cache(maxsize=256)
def _without_rows(fields: tuple[Field, ...]) -> pd.DataFrame:
    return pd.DataFrame({field.name: pd.Series([], dtype=PANDAS[field.kind]) for field in fields})


def conform(frame: pd.DataFrame, fields: Iterable[Field], *, keep: Iterable[str] = ()) -> pd.DataFrame:
    """The same rows with exactly these columns, in order, each with its dtype; missing ones empty.

    Parameters
    ----------
    frame : DataFrame
    fields : iterable of Field
    keep : iterable of str
        Further columns to keep as they are, after the declared ones.

    Raises
    ------
    TypeError
        A column cannot take its dtype; the message names it.
    """
    fields, keep = tuple(fields), tuple(keep)
    if frame.empty and not len(frame.index):  # most of a small station's tables
        return _without_rows(fields).assign(**{name: frame[name] for name in keep})
    there, wanted = tuple(frame.columns), tuple(dict.fromkeys((*(field.name for field in fields), *keep)))
    if len(set(there)) == len(there) and set(wanted) <= set(there):  # most of it is right: take it as it stands
        made = frame.copy(deep=False) if wanted == there else frame[list(wanted)]
        for dtype, field in zip(list(made.dtypes)[: len(fields)], fields, strict=True):
            if not is_declared(dtype, field):
                made[field.name] = _as_declared(frame[field.name], field)
        return made
    columns = {
        field.name: _as_declared(frame[field.name], field)
        if field.name in there
        else pd.Series(_nothing(field.kind, len(frame)), index=frame.index, copy=True)
        for field in fields
    }
    return pd.DataFrame(columns | {name: frame[name] for name in keep}, index=frame.index)


def from_arrow(rows: "pa.Table", fields: Iterable[Field]) -> pd.DataFrame:
    """A table as it is stored as a frame with exactly these columns, each with its dtype."""
    fields = tuple(fields)
    if not rows.num_rows:
        return empty(fields)
    frame = rows.to_pandas(types_mapper=lambda kind: _NULLABLE.get(str(kind)), date_as_object=False, use_threads=False)
    return conform(frame, fields)


def is_declared(dtype: Any, field: Field) -> bool:
    """Whether a column has its dtype; compared with a dtype, where a name would be read anew each time."""
    return bool(dtype == _DTYPES[field.kind])


def _as_declared(column: pd.Series, field: Field) -> pd.Series:
    try:
        return _cast(column, field)
    except (TypeError, ValueError) as error:
        raise TypeError(f"column {field.name} cannot be {PANDAS[field.kind]}: {error}") from error


@lru_cache(maxsize=256)
def _nothing(kind: str, n: int) -> pd.api.extensions.ExtensionArray:
    """A column of which nothing is known."""
    return pd.Series([None if PANDAS[kind] != "object" else pd.NA] * n, dtype=PANDAS[kind]).array


def _cast(column: pd.Series, field: Field) -> pd.Series:
    wanted = PANDAS[field.kind]
    if is_declared(column.dtype, field):
        return column
    if field.kind in ("codes", "ids", "json"):
        return column.astype("object")
    if field.kind == "time":
        return pd.to_datetime(column, utc=True).astype(wanted)
    if field.kind == "date":
        column = pd.to_datetime(column)
        return (column.dt.tz_localize(None) if column.dt.tz is not None else column).astype(wanted)
    if field.kind == "int" and column.dtype == "object":
        column = pd.to_numeric(column)
    return column.astype(wanted)


def lists(marks: dict[str, np.ndarray], n: int) -> list[list[str]]:
    """A list of codes a row, from a mask a code."""
    found: list[list[str]] = [[] for _ in range(n)]
    for code, mask in marks.items():
        for i in np.flatnonzero(np.asarray(mask, bool)):
            found[i].append(code)
    return found
