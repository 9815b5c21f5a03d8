"""Columns of frames as plain arrays, and lists of codes from masks."""

import numpy as np
import pandas as pd


def lists(marks: dict[str, np.ndarray], n: int) -> list[list[str]]:
    """A list of codes a row, from a mask a code."""
    found: list[list[str]] = [[] for _ in range(n)]
    for code, mask in marks.items():
        for i in np.flatnonzero(np.asarray(mask, bool)):
            found[i].append(code)
    return found


def floats(column: pd.Series) -> np.ndarray:
    """A column as floats with NaN."""
    return column.to_numpy("float64", na_value=np.nan)


def looked_up(keys: pd.Series, by: pd.Series) -> pd.Series:
    """Values of `by`, whose index is unique, at the keys, with its dtype; also where either is empty."""
    found = by.reindex(pd.Index(keys.astype(object)))
    return pd.Series(found.array, index=keys.index)


def truth(column: pd.Series) -> np.ndarray:
    """A nullable boolean column as plain booleans, unknown counting as false."""
    return column.astype("boolean").fillna(False).to_numpy(bool)
