"""Answers of the database as frames, by way of Arrow."""

from collections.abc import Mapping

import pandas as pd
import pyarrow as pa

#: below so many values threads cost more than they save
FEW_VALUES = 100_000
#: whole numbers and truth values stay what they are where some are missing
NULLABLE = {pa.int64(): pd.Int64Dtype(), pa.int32(): pd.Int32Dtype(), pa.bool_(): pd.BooleanDtype()}


def as_arrow(frame: pd.DataFrame, more: Mapping[str, pa.Array] | None = None) -> pa.Table:
    """The same columns, and more; without what pandas writes beside them, most of the time where rows are few."""
    columns = {name: pa.array(column, from_pandas=True) for name, column in frame.items()}
    return pa.table(columns | dict(more or {}))


def as_frame(table: pa.Table) -> pd.DataFrame:
    """The same table; sums of whole numbers become floats."""
    many = table.num_rows * table.num_columns >= FEW_VALUES
    frame = table.to_pandas(date_as_object=False, use_threads=many)
    for name, column in zip(table.column_names, table.columns, strict=True):
        if pa.types.is_decimal(column.type):
            frame[name] = frame[name].astype("float64")
        elif column.null_count and column.type in NULLABLE:
            frame[name] = column.to_pandas(types_mapper=NULLABLE.get)
    return frame
