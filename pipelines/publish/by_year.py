"""A table of many fills is kept a part a year: of a new fill its year alone is read, written, and copied elsewhere.

Readers find a table's parts one after the other, in the order of years, and need not know.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from itertools import pairwise

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.publish.amended import amended

#: by which moment the rows of a table are cut; they stand in its order
MOMENT = {"fill_quality": "filled_at", "fills_judged": "filled_at", "fills_before_dives": "filled_at"}
#: with fewer rows it costs no more to write them all
MANY_ROWS = 20_000
WHOLE = "all"


def by_year(table: str, data: pa.Table) -> dict[str, pa.Table]:
    """The rows of each year by its name; all as one where they are few, or stand in another order."""
    moment = MOMENT.get(table)
    if moment is None or data.num_rows < MANY_ROWS or data[moment].null_count:
        return {WHOLE: data}
    year = pc.year(data[moment]).to_numpy()
    if (np.diff(year) < 0).any():
        return {WHOLE: data}
    begins = [0, *(np.flatnonzero(np.diff(year)) + 1).tolist(), len(year)]
    return {f"{year[begin]:04d}": data.slice(begin, end - begin) for begin, end in pairwise(begins)}


def names_of(there: Collection[str], table: str, part: str) -> list[str]:
    """The parts that a part is kept as, of those there are of its table; none where it is not there."""
    if part in there:
        return [part]
    return sorted(there) if part == WHOLE and table in MOMENT else []


def years_anew(
    table: str,
    there: Iterable[str],
    stored: Callable[[str, list[str] | None], pa.Table],
    rows: pa.Table,
    key: str,
    order: Sequence[str],
    also: Mapping[str, Mapping[str, object]] | None = None,
) -> dict[str, pa.Table]:
    """Those parts of a table that change where some rows stand instead of those of their key (see `amended`).

    Parameters
    ----------
    there : iterable of str
        Names of the parts there are.
    stored : callable
        A part by its name, or some columns of it.
    also : mapping, optional
        column → key → value, for rows that stay.
    """
    there, also = list(there), also or {}
    if there == [WHOLE]:
        return {WHOLE: amended(stored(WHOLE, None), rows, key, order, also)}
    new, keys = by_year_of(table, rows), rows[key].combine_chunks()
    changed = set(new)
    for name in there:
        at = stored(name, [key, *also])
        if pc.any(pc.is_in(at[key], value_set=keys)).as_py() or any(
            _differs(at, key, column, values) for column, values in also.items()
        ):
            changed.add(name)
    made = {}
    for name in sorted(changed):
        own = new.get(name, rows.slice(0, 0))
        if name not in there:
            made[name] = own.sort_by([(column, "ascending") for column in order])
            continue
        last = stored(name, None)
        elsewhere = pc.and_(
            pc.is_in(last[key], value_set=keys), pc.invert(pc.is_in(last[key], value_set=own[key].combine_chunks()))
        )
        made[name] = amended(last.filter(pc.invert(elsewhere)), own, key, order, also)
    return made


def by_year_of(table: str, rows: pa.Table) -> dict[str, pa.Table]:
    """Rows in any order, by the year they belong to."""
    year = pc.year(rows[MOMENT[table]])
    return {f"{one:04d}": rows.filter(pc.equal(year, one)) for one in pc.unique(year).to_pylist()}


def _differs(part: pa.Table, key: str, column: str, values: Mapping[str, object]) -> bool:
    """Whether a value to be set is not there already."""
    if not values:
        return False
    place = pc.index_in(part[key], value_set=pa.array(list(values), part[key].type))
    wanted = pc.take(pa.array(list(values.values()), part[column].type), place)
    other = pc.fill_null(pc.not_equal(wanted, part[column]), True)
    return bool(pc.any(pc.and_(pc.is_valid(place), other)).as_py())
