"""Columns of frames as plain arrays."""

import numpy as np
import pandas as pd


def floats(column: pd.Series) -> np.ndarray:
    """A column as floats with NaN."""
    return column.to_numpy("float64", na_value=np.nan)


def looked_up(keys: pd.Series, by: pd.Series) -> pd.Series:
    """Values of `by`, whose index is unique, at the keys, with its dtype; also where either is empty."""
    place = by.index.get_indexer(pd.Index(keys.array))
    values = by.to_numpy() if isinstance(by.dtype, np.dtype) else by.array
    return pd.Series(pd.api.extensions.take(values, place, allow_fill=True), index=keys.index)


def places(names: pd.Series, among: pd.Series) -> np.ndarray:
    """Where each name stands among others that are all different, -1 where it does not.

    Of texts held by Arrow none becomes an object of Python's, which is most of the time of an index.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    found = pc.index_in(pa.array(names, "large_string"), pa.array(among, "large_string"), skip_nulls=True)
    return found.fill_null(-1).to_numpy().astype("int64")


def in_time(frame: pd.DataFrame, at: str = "filled_at", name: str = "fill_id") -> np.ndarray:
    """Places of the rows by time, those of one moment by name, as sorting by both gives them.

    To compare all names of many rows is most of such a sort, and hardly two rows are of one moment.
    """
    order = np.argsort(moments := frame[at].to_numpy("datetime64[us]"), kind="stable")
    again = np.diff(moments[order].astype("int64")) == 0
    shared = np.append(again, False) | np.append(False, again) if len(order) else again
    if shared.any():
        moment, tied = np.append(0, np.cumsum(~again))[shared], order[shared]
        order[shared] = tied[np.lexsort((pd.factorize(frame[name].iloc[tied], sort=True)[0], moment))]
    return order


def truth(column: pd.Series) -> np.ndarray:
    """A nullable boolean column as plain booleans, unknown counting as false."""
    return column.astype("boolean").fillna(False).to_numpy(bool)
