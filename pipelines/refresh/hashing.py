"""Fingerprints of frames: all that a step got, to the last bit, in a few bytes."""

import hashlib
import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

_SPREAD = np.uint64(0x9E3779B97F4A7C15)
_MISSING = np.uint64(0x5BD1E995)
#: columns shorter than this are hashed value by value: finding the distinct ones costs more
FEW = 1000
#: stands between the texts of a list where lists are told apart
BETWEEN = "\x1f"


def row_hashes(frame: pd.DataFrame, columns: Iterable[str]) -> NDArray[np.uint64]:
    """A hash a row over these columns, (n,); the columns' order counts, their names do not.

    Lists and nested values are hashed as JSON. Every kind of missing is one.
    """
    return joined(hashes_of([frame[name] for name in columns]), len(frame))


def joined(columns: Iterable[NDArray[np.uint64]], n: int) -> NDArray[np.uint64]:
    """A hash a row of n from those of its columns."""
    found = np.full(n, np.uint64(1469598103934665603))
    with np.errstate(over="ignore"):
        for column in columns:
            found = (found ^ column) * _SPREAD
            found ^= found >> np.uint64(29)
    return found


def hashes_of(columns: Sequence[pd.Series]) -> list[NDArray[np.uint64]]:
    """A hash a value of each of some columns of one length; many short ones cost little more than one."""
    if not columns or not len(columns[0]):
        return [np.empty(0, "uint64") for _ in columns]
    found: dict[int, NDArray[np.uint64]] = {}
    together: dict[str, list[tuple[int, NDArray]]] = {"numbers": [], "moments": [], "texts": []}
    for place, column in enumerate(columns):
        kind = column.dtype.kind
        if kind in "fiub":
            # one zero and one NaN, whatever their bits
            numbers = column.to_numpy("float64", na_value=np.nan) + 0.0
            numbers[np.isnan(numbers)] = np.nan
            together["numbers"].append((place, numbers))
        elif kind == "M":
            together["moments"].append((place, column.dt.as_unit("us").array.asi8))
        elif len(column) < FEW:
            together["texts"].append((place, _as_texts(column)))
        else:
            found[place] = _distinct_hashes(column)
    for kind, held in together.items():
        if held:
            values = np.concatenate([values for _, values in held])
            hashed = pd.util.hash_array(values, categorize=False)
            if kind == "texts":
                hashed = np.where(pd.isna(values), _MISSING, hashed)
            found |= dict(zip([place for place, _ in held], np.split(hashed, len(held)), strict=True))
    return [found[place] for place in range(len(columns))]


def _as_texts(column: pd.Series) -> NDArray[np.object_]:
    values = column.to_numpy(object)
    # said without a look of Python's at each value where all are texts
    if column.dtype != object or pd.api.types.infer_dtype(values, skipna=True) == "string":
        return values
    if not any(isinstance(v, (list, tuple, dict, np.ndarray)) for v in values):
        return values
    if len(values) < FEW or (lists := _distinct_lists(values)) is None:
        # most lists of a frame are empty
        return np.array(["[]" if type(v) is list and not v else _text(v) for v in values], dtype=object)
    place, first = lists
    return np.array([_text(values[at]) for at in first], dtype=object)[place]


def _distinct_lists(values: NDArray[np.object_]) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
    """Of lists of texts: which of the distinct ones each is, and where each of those stands first.

    None where the values are anything else, or a text could be taken for several.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    try:
        lists = pa.array(values)
    except (pa.ArrowException, OverflowError):
        return None
    if lists.type == pa.list_(pa.null()):  # all are empty
        lists = lists.cast(pa.list_(pa.string()))
    if lists.type != pa.list_(pa.string()):
        return None
    texts = lists.flatten()
    if texts.null_count or pc.any(pc.equal(texts, "")).as_py() or pc.any(pc.match_substring(texts, BETWEEN)).as_py():
        return None
    # an empty list is an empty text, and no list none
    place = pc.binary_join(lists, BETWEEN).dictionary_encode(null_encoding="encode").indices.to_numpy()
    return place, np.unique(place, return_index=True)[1]


def _distinct_hashes(column: pd.Series) -> NDArray[np.uint64]:
    place, texts = pd.factorize(pd.Series(_as_texts(column), dtype="str") if column.dtype == object else column)
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
