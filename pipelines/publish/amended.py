"""A part of the last snapshot with some rows in the place of others: for a first look, without reading all of it."""

from collections.abc import Mapping, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc


def amended(
    last: pa.Table, rows: pa.Table, key: str, order: Sequence[str], also: Mapping[str, Mapping[str, object]]
) -> pa.Table:
    """The part with these rows instead of those of their key.

    Parameters
    ----------
    last, rows : Table
        Of one schema; `last` is sorted by `order`.
    key : str
        The column that names a row.
    order : sequence of str
        Columns by which the rows are sorted: a moment, then texts. None lacks one.
    also : mapping
        column → key → value, for rows that stay.
    """
    for column, values in also.items():
        last = _set(last, key, column, values)
    rows = rows.cast(last.schema).take(pc.sort_indices(rows, sort_keys=[(name, "ascending") for name in order]))
    replaced = pc.is_in(last[key], value_set=rows[key].combine_chunks()).to_numpy(zero_copy_only=False)
    # a large part is hardly touched: it is cut where rows go or come, and nothing is sorted anew
    pieces, done = [], 0
    cuts = [(place, 0, n) for n, place in enumerate(_places(last, rows, order))] + [
        (place, 1, 0) for place in np.flatnonzero(replaced).tolist()
    ]
    for place, goes, n in sorted(cuts):
        pieces.append(last.slice(done, place - done))
        if not goes:
            pieces.append(rows.slice(n, 1))
        done = place + goes
    return pa.concat_tables([*pieces, last.slice(done)]).combine_chunks()


def _places(last: pa.Table, rows: pa.Table, order: Sequence[str]) -> list[int]:
    """Before which row of a sorted table each of some others belongs."""
    first, *others = order
    known, asked = (table[first].cast(pa.int64()).to_numpy() for table in (last, rows))
    from_, to = (np.searchsorted(known, asked, side=side).tolist() for side in ("left", "right"))
    places = []
    for n, (begin, end) in enumerate(zip(from_, to, strict=True)):
        own = [rows[name][n].as_py() for name in others]
        alike = zip(*(last[name].slice(begin, end - begin).to_pylist() for name in others), strict=True)
        places.append(begin + sum(list(one) < own for one in alike) if others else begin)
    return places


def _set(table: pa.Table, key: str, column: str, values: Mapping[str, object]) -> pa.Table:
    if not values:
        return table
    place = pc.index_in(table[key], value_set=pa.array(list(values), table[key].type))
    new = pc.take(pa.array(list(values.values()), table[column].type), place)
    kept = pc.if_else(pc.is_valid(place), new, table[column])
    return table.set_column(table.schema.get_field_index(column), table.schema.field(column), kept)
