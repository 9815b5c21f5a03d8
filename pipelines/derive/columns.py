"""Columns of frames as plain arrays."""

import numpy as np
import pandas as pd


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
