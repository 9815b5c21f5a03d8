"""Rows in the place of others, in a part that is not read as a whole."""

import pyarrow as pa

from pipelines.publish.amended import amended

LAST = pa.table({"key": ["a", "b", "c"], "at": [1, 3, 2], "latest": [True, None, True]})


def test_rows_take_the_place_of_their_key_and_stand_in_order():
    rows = pa.table({"key": ["b", "d"], "at": [9, 0], "latest": [True, True]})
    made = amended(LAST, rows, "key", ("at", "key"), {"latest": {"a": False, "x": False}})
    assert made.to_pydict() == {"key": ["d", "a", "c", "b"], "at": [0, 1, 2, 9], "latest": [True, False, True, True]}
    assert made.schema == LAST.schema


def test_what_is_not_named_stays_as_it_is_also_unknown():
    made = amended(LAST, LAST.slice(0, 0), "key", ("key",), {"latest": {}})
    assert made.to_pydict() == LAST.to_pydict()
