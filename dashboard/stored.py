"""Rows of a published table out of its Parquet parts: the columns and groups of rows asked for, and no others."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from dashboard.kept import Kept
from schemas.fields import Field
from schemas.frames import from_arrow
from schemas.snapshot import Part, as_written, damaged, lacking, part_bytes

#: of large parts, which are read column by column, the bytes stay at hand: they were compared with their hash once
_LARGE, _MOST_BYTES = 250_000, 96_000_000
_parts = Kept(_MOST_BYTES)


@dataclass(frozen=True)
class Span:
    """From `low` up to before `high`; None is no end."""

    low: Any = None
    high: Any = None


@dataclass(frozen=True)
class Chosen:
    """Rows by a mask over all rows: `mask` is a function of a module, given the columns `by`."""

    mask: Callable[[pd.DataFrame], pd.Series]
    by: tuple[str, ...]


def opened(path: Path, part: Part, columns: Iterable[str] = ()) -> pq.ParquetFile:
    """A part, once its bytes are known to be those that were written, and to hold these columns.

    Raises
    ------
    SnapshotDamaged
        They are not, or do not: what a column would say is not known then. Or the file is gone.
    """
    try:
        now = path.stat()
    except OSError:
        raise damaged(f"The part {path.parent.name}/{path.name} of snapshot {path.parent.parent.name}") from None
    # the same bytes in a later snapshot are the same file
    which = (part.sha256 or str(path), now.st_dev, now.st_ino, now.st_mtime_ns, now.st_size)
    large = now.st_size >= _LARGE
    data = _parts.get(which, lambda: part_bytes(path, part).getvalue()) if large else part_bytes(path, part)
    with as_written(path):
        file = pq.ParquetFile(pa.BufferReader(data) if large else data)
    if unknown := [c for c in columns if c not in file.schema_arrow.names]:
        raise lacking(path.parent.parent.name, f"column {', '.join(unknown)} of {path.parent.name}")
    return file


def rows(file: pq.ParquetFile, columns: Iterable[str], where: Mapping[str, Any]) -> pa.Table:
    """Of these columns the rows that hold what is asked for."""
    wanted = _wanted(file, columns)
    if not where:
        return file.read(columns=wanted, use_threads=False)
    found = []
    for group in range(file.num_row_groups):
        if not _may_hold(file, group, where):
            continue
        mask = _mask(file.read_row_group(group, columns=list(where), use_threads=False), where)
        if pc.any(mask).as_py():
            found.append(file.read_row_group(group, columns=wanted, use_threads=False).filter(mask))
    return pa.concat_tables(found) if found else file.schema_arrow.empty_table().select(wanted)


def rows_at(file: pq.ParquetFile, columns: Iterable[str], mask: np.ndarray) -> pa.Table:
    """Of these columns the rows of a mask over all; groups of rows without one are not read."""
    wanted = _wanted(file, columns)
    found, begin = [], 0
    for group in range(file.num_row_groups):
        of_group = mask[begin : begin + file.metadata.row_group(group).num_rows]
        begin += len(of_group)
        if of_group.any():
            found.append(file.read_row_group(group, columns=wanted, use_threads=False).filter(pa.array(of_group)))
    return pa.concat_tables(found) if found else file.schema_arrow.empty_table().select(wanted)


def _wanted(file: pq.ParquetFile, columns: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(columns)) or file.schema_arrow.names[:1]  # rows need one to be counted by


def as_frame(found: Iterable[pa.Table], fields: list[Field]) -> pd.DataFrame:
    """Rows of several parts as one frame of exactly these columns."""
    made = [from_arrow(one, fields) for one in found if one.num_rows]
    if not made:
        return from_arrow(pa.table({}), fields)
    return made[0] if len(made) == 1 else pd.concat(made, ignore_index=True)


def listing(table: pa.Table, column: str, codes: Iterable[str], count: int) -> dict[str, np.ndarray]:
    """By code a mask of the rows whose list holds it, without a list of Python's a row."""
    masks = {code: np.zeros(count, bool) for code in codes}
    lists = table[column].combine_chunks()
    words, of_row = pc.list_flatten(lists), pc.list_parent_indices(lists).to_numpy(zero_copy_only=False)
    for code, mask in masks.items():
        mask[of_row[pc.fill_null(pc.equal(words, code), fill_value=False).to_numpy(zero_copy_only=False)]] = True
    return masks


def highest(file: pq.ParquetFile, column: str) -> Any:
    """The greatest value of a column, by what the part says of its groups of rows where it does; None of none."""
    said = [one[1] for group in range(file.num_row_groups) if (one := _said(file, group, column)) is not None]
    if said and len(said) == file.num_row_groups:
        return max(said)
    return pc.max(file.read(columns=[column], use_threads=False)[column]).as_py()


def _may_hold(file: pq.ParquetFile, group: int, where: Mapping[str, Any]) -> bool:
    """Whether a group of rows can hold what is asked for, by the least and greatest values it says it has."""
    for column, value in where.items():
        said = _said(file, group, column)
        if said is None:
            continue
        least, greatest = said
        if isinstance(value, Span):
            if (value.low is not None and greatest < value.low) or (value.high is not None and least >= value.high):
                return False
        elif not any(least <= one <= greatest for one in (value if isinstance(value, frozenset) else (value,))):
            return False
    return True


def _said(file: pq.ParquetFile, group: int, column: str) -> tuple[Any, Any] | None:
    place = file.schema_arrow.get_field_index(column)
    of_column = file.metadata.row_group(group).column(place) if place < file.metadata.num_columns else None
    if of_column is None or of_column.path_in_schema != column or not of_column.is_stats_set:
        return None
    said = of_column.statistics
    return (said.min, said.max) if said.has_min_max else None


def _mask(table: pa.Table, where: Mapping[str, Any]) -> pa.ChunkedArray:
    mask = None
    for column, value in where.items():
        cells = table[column]
        tests = []
        if isinstance(value, Span):
            tests += [pc.greater_equal(cells, pa.scalar(value.low, cells.type))] if value.low is not None else []
            tests += [pc.less(cells, pa.scalar(value.high, cells.type))] if value.high is not None else []
        elif isinstance(value, frozenset):
            tests.append(pc.is_in(cells, value_set=pa.array(sorted(value), cells.type)))
        else:
            tests.append(pc.equal(cells, pa.scalar(value, cells.type)))
        for test in tests:
            mask = test if mask is None else pc.and_kleene(mask, test)
    return pc.fill_null(mask, fill_value=False) if mask is not None else pa.chunked_array([[True] * table.num_rows])
