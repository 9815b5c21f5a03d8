"""A part of the last snapshot with some rows in the place of others: for a first look, without reading all of it."""

from collections.abc import Mapping, Sequence

import pyarrow as pa
import pyarrow.compute as pc


def amended(
    last: pa.Table, rows: pa.Table, key: str, order: Sequence[str], also: Mapping[str, Mapping[str, object]]
) -> pa.Table:
    """The part with these rows instead of those of their key.

    Parameters
    ----------
    last, rows : Table
        Of one schema.
    key : str
        The column that names a row.
    order : sequence of str
        Columns by which the rows are sorted.
    also : mapping
        column → key → value, for rows that stay.
    """
    stay = last.filter(pc.invert(pc.is_in(last[key], value_set=rows[key].combine_chunks())))
    for column, values in also.items():
        stay = _set(stay, key, column, values)
    made = pa.concat_tables([stay, rows.cast(stay.schema)])
    return made.take(pc.sort_indices(made, sort_keys=[(name, "ascending") for name in order]))


def _set(table: pa.Table, key: str, column: str, values: Mapping[str, object]) -> pa.Table:
    if not values:
        return table
    place = pc.index_in(table[key], value_set=pa.array(list(values), table[key].type))
    new = pc.take(pa.array(list(values.values()), table[column].type), place)
    kept = pc.if_else(pc.is_valid(place), new, table[column])
    return table.set_column(table.schema.get_field_index(column), table.schema.field(column), kept)
