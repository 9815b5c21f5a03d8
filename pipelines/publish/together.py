"""Which rows of the parts that are kept as one stand for which part: after a run that changed few, the others are not
read one by one."""

import hashlib
import json
from collections.abc import Callable, Sequence
from typing import NamedTuple

import pyarrow as pa

from schemas.snapshot import Part


class Place(NamedTuple):
    """First row and number of rows of a part among those kept as one, and the hash of its bytes."""

    first: int
    rows: int
    sha256: str


def fingerprint(parts: Sequence[tuple[str, str]]) -> str:
    """What stands for parts in their order: names, and hashes of their bytes."""
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def places(made: dict[str, Part], kept: Part) -> dict[str, Place]:
    """Where the parts of a table lie in what was kept as one of them; nowhere where it is of others.

    Parameters
    ----------
    made : dict of Part
        All parts of the table, of the snapshot that `kept` is of.
    """
    for names in (sorted(made), sorted(name for name, part in made.items() if part.rows)):
        if fingerprint([(name, made[name].sha256) for name in names]) == kept.fingerprint:
            found, first = {}, 0
            for name in names:
                found[name] = Place(first, made[name].rows, made[name].sha256)
                first += made[name].rows
            return found if first == kept.rows else {}
    return {}


def _alike(one: pa.Schema, other: pa.Schema) -> bool:
    """Whether columns are of one type; nested values of which there are none yet are read as objects all the same."""
    return one.names == other.names and all(
        a == b or (pa.types.is_null(a) and pa.types.is_nested(b)) for a, b in zip(one.types, other.types, strict=True)
    )


def pieces(
    asked: Sequence[tuple[str, str]],
    last: pa.Table,
    at: dict[str, Place],
    stored: Callable[[str], pa.Table],
) -> list[pa.Table] | None:
    """These parts one after the other: as long runs of what was kept as one as there are, and what is new between.

    Parameters
    ----------
    asked : sequence of (str, str)
        Names, and hashes of their bytes.
    last : Table
        What was kept as one.
    stored : callable
        A part as it is stored.

    Returns
    -------
    list of Table or None
        None where a new part has a column of another type: what all of them make together is not foreseen here.
    """
    made: list[pa.Table] = []
    begin = end = 0  # of the run that is being put together
    for name, sha256 in asked:
        place = at.get(name)
        if place is not None and place.sha256 == sha256:
            if place.first != end:
                made.append(last.slice(begin, end - begin))
                begin = place.first
            end = place.first + place.rows
            continue
        made.append(last.slice(begin, end - begin))
        begin = end
        one = stored(name)
        if not _alike(one.schema, last.schema):
            return None
        made.append(one)
    made.append(last.slice(begin, end - begin))
    return [table for table in made if table.num_rows] or [last.slice(0, 0)]
