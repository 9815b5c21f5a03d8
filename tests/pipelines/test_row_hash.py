"""Hashes of rows are stored and compared for years: they stay those that pandas gives."""

import numpy as np
import pandas as pd
import pytest

from pipelines.warehouse.row_hash import FEW, row_hash


def _frame(rows: int) -> pd.DataFrame:
    dice = np.random.default_rng(rows)

    def some(values, dtype):
        return pd.array(dice.choice(np.array(values, object), rows), dtype=dtype)

    moments = pd.Series(some(["2026-03-29 01:30", None], "str"))
    lists = pd.Series([["a", "b"] if n % 3 else [] if n % 2 else None for n in range(rows)], dtype="object")
    return pd.DataFrame(
        {
            "text": some(["x", "é", "", None, "longer"], "str"),
            "no_text": some([None], "str"),
            "number": some([1.5, np.nan, -0.0, 1e300], "float64"),
            "whole": some([1, None, 2**40], "Int64"),
            "truth": some([True, False, None], "boolean"),
            "moment": pd.to_datetime(moments, utc=True).astype("datetime64[us, UTC]"),
            "day": pd.to_datetime(moments).dt.normalize().astype("datetime64[us]"),
            "lists": lists,
            "no_number": np.full(rows, np.nan),
        }
    )


@pytest.mark.parametrize("rows", [1, 5, FEW, FEW + 1])
def test_hashes_are_those_of_pandas(rows):
    frame = _frame(rows).iloc[::-1]
    plain = frame.assign(
        whole=frame["whole"].to_numpy("float64", na_value=np.nan),
        truth=frame["truth"].to_numpy("float64", na_value=np.nan),
        lists=[";".join(v or []) for v in frame["lists"]],
    )
    expected = [f"{n:016x}" for n in pd.util.hash_pandas_object(plain, index=False)]
    assert row_hash(frame).to_pylist() == expected
