"""Rows in the place of others, in a part that is not read as a whole: as if all had been sorted anew."""

import numpy as np
import pyarrow as pa
import pytest

from pipelines.publish.amended import amended

ORDER = ("at", "fill_id")
LAST = pa.table({"key": ["a", "c", "b"], "at": [1, 2, 3], "latest": [True, True, None]})


def test_rows_take_the_place_of_their_key_and_stand_in_order():
    rows = pa.table({"key": ["b", "d"], "at": [9, 0], "latest": [True, True]})
    made = amended(LAST, rows, "key", ("at", "key"), {"latest": {"a": False, "x": False}})
    assert made.to_pydict() == {"key": ["d", "a", "c", "b"], "at": [0, 1, 2, 9], "latest": [True, False, True, True]}
    assert made.schema == LAST.schema


def test_what_is_not_named_stays_as_it_is_also_unknown():
    made = amended(LAST, LAST.slice(0, 0), "key", ("at", "key"), {"latest": {}})
    assert made.to_pydict() == LAST.to_pydict()


def table(rows):
    schema = pa.schema(
        {"fill_id": pa.string(), "at": pa.timestamp("us"), "last": pa.bool_(), "codes": pa.list_(pa.string())}
    )
    made = [{"fill_id": name, "at": at, "last": True, "codes": [name]} for name, at in rows]
    return pa.Table.from_pylist(made, schema)


def pairs(made):
    return list(zip(made["fill_id"].to_pylist(), made["at"].cast(pa.int64()).to_pylist(), strict=True))


@pytest.mark.parametrize("seed", range(20))
def test_rows_stand_where_sorting_all_would_put_them(seed):
    rng = np.random.default_rng(seed)
    names = [f"F{n}" for n in rng.permutation(40)]
    last = sorted(
        ((name, int(at)) for name, at in zip(names[:30], rng.integers(0, 12, 30), strict=True)), key=lambda r: r[::-1]
    )
    new = [(name, int(at)) for name, at in zip(names[25 - seed % 25 : 35], rng.integers(0, 14, 40), strict=False)]
    kept = [row for row in last if row[0] not in {name for name, _ in new}]
    made = amended(table(last), table(new), "fill_id", ORDER, {})
    assert pairs(made) == sorted(kept + new, key=lambda r: r[::-1])
    assert made["codes"].to_pylist() == [[name] for name in made["fill_id"].to_pylist()]


def test_of_rows_that_stay_some_values_are_set():
    last, new = [("F1", 1), ("F2", 2), ("F3", 3)], [("F2", 2), ("F4", 4)]
    made = amended(table(last), table(new), "fill_id", ORDER, {"last": {"F1": False, "F2": False}})
    assert made["last"].to_pylist() == [False, True, True, True], "what is put in its place stands as it is"


def test_nothing_new_and_nothing_known():
    some, none = table([("F1", 1), ("F2", 1)]), table([])
    assert pairs(amended(some, none, "fill_id", ORDER, {})) == [("F1", 1), ("F2", 1)]
    assert pairs(amended(none, some, "fill_id", ORDER, {})) == [("F1", 1), ("F2", 1)]
