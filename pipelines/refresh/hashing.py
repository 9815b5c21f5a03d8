"""Fingerprints of frames: all that a step got, to the last bit, in a few bytes."""

import hashlib
import json
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

_SPREAD = np.uint64(0x9E3779B97F4A7C15)
_MISSING = np.uint64(0x5BD1E995)
#: columns shorter than this are hashed value by value: finding the distinct ones costs more
FEW = 1000


def row_hashes(frame: pd.DataFrame, columns: Iterable[str]) -> NDArray[np.uint64]:
    """A hash a row over these columns, (n,); the columns' order counts, their names do not.

    Lists and nested values are hashed as JSON. Every kind of missing is one.
    """
    return joined([column_hashes(frame[name]) for name in columns], len(frame))


def joined(columns: Iterable[NDArray[np.uint64]], n: int) -> NDArray[np.uint64]:
    """A hash a row of n from those of its columns."""
    found = np.full(n, np.uint64(1469598103934665603))
    with np.errstate(over="ignore"):
        for column in columns:
            found = (found ^ column) * _SPREAD
            found ^= found >> np.uint64(29)
    return found


def column_hashes(column: pd.Series) -> NDArray[np.uint64]:
    """A hash a value of one column."""
    if not len(column):
        return np.empty(0, "uint64")
    kind = str(column.dtype)
    if kind == "object":
        values = column.to_numpy()
        if any(isinstance(v, (list, tuple, dict, np.ndarray)) for v in values):
            column = pd.Series([_text(v) for v in values], dtype="str")
    if kind in ("boolean", "Int64", "bool", "int64", "float64", "int32", "float32"):
        numbers = column.to_numpy("float64", na_value=np.nan)
        # one zero and one NaN, whatever their bits
        return pd.util.hash_array(np.where(np.isnan(numbers), np.nan, numbers + 0.0))
    if kind.startswith("datetime64"):
        return pd.util.hash_array(column.dt.as_unit("us").array.asi8)
    if len(column) < FEW:
        missing = column.isna().to_numpy(bool)
        hashed = pd.util.hash_array(column.to_numpy(object), categorize=False)
        return np.where(missing, _MISSING, hashed)
    place, texts = pd.factorize(column)
    known = np.asarray(texts, dtype=object)
    hashed = pd.util.hash_array(known, categorize=False) if len(known) else np.empty(0, "uint64")
    return np.where(place >= 0, np.append(hashed, _MISSING)[place], _MISSING)


def _text(value: Any) -> str:
    if value is None or value is pd.NA or (isinstance(value, float) and value != value):
        return ""
    return json.dumps(value, sort_keys=True, default=lambda v: v.tolist() if isinstance(v, np.ndarray) else str(v))


def folded(hashes: NDArray[np.uint64]) -> str:
    """One text for the hashes of rows in their order."""
    return f"{len(hashes)}:{hashlib.blake2b(hashes.tobytes(), digest_size=12).hexdigest()}"


def frame_hash(frame: pd.DataFrame) -> str:
    """One text for a whole frame: its columns' names and its rows in their order."""
    return digest(list(frame.columns), folded(row_hashes(frame, frame.columns)))


def digest(*values: Any) -> str:
    """One text for plain values: texts, numbers, lists and dicts."""
    text = json.dumps(values, sort_keys=True, default=str)
    return hashlib.blake2b(text.encode(), digest_size=12).hexdigest()
