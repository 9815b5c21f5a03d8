"""A hash of what a row holds, to tell whether two rows of one key say the same."""

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

#: what ranks a row, and what its own system calls a tank: rows that differ in these alone say the same
NOT_SAID = ("revised_at", "tank_ref")
_OF_NOTHING = np.uint64(2**64 - 1)
"""What pandas gives for a text that is not there."""
FEW = 200
"""Of so many rows all floats and all texts are hashed at once; of more each column, its distinct texts."""


def row_hash(frame: pd.DataFrame) -> pa.Array:
    """A stable hash a row as text, over all values of the frame: pandas' own of each column, put together as it does.

    A frame and a Series for each column would take several times as long for the few rows of most files.
    """
    count, mixed = len(frame.columns), np.full(len(frame), 0x345678, np.uint64)
    known = _of_few(frame) if len(frame) <= FEW else {}
    factor = 1000003
    for place, name in enumerate(frame.columns):
        mixed ^= known[name] if name in known else _hashes(frame[name])
        mixed *= np.uint64(factor)
        factor += 82520 + 2 * (count - place)
    mixed += np.uint64(97531)
    digits = mixed.astype(">u8").tobytes().hex().encode()
    ends = np.arange(0, 16 * len(frame) + 1, 16, dtype=np.int64)
    return pa.Array.from_buffers(
        pa.large_string(), len(frame), [None, pa.py_buffer(ends.tobytes()), pa.py_buffer(digits)]
    )


def _of_few(frame: pd.DataFrame) -> dict[str, NDArray]:
    """The hashes of all columns of floats, and of all of text, at once."""
    floats, texts = ([n for n, dtype in frame.dtypes.items() if dtype == kind] for kind in (np.float64, "str"))
    known = {}
    if floats:
        numbers = np.stack([frame[name].to_numpy() for name in floats])
        known = dict(zip(floats, pd.util.hash_array(numbers.ravel()).reshape(numbers.shape), strict=True))
    if texts:
        written = np.stack([frame[name].array.to_numpy(dtype=object, na_value=None) for name in texts])
        missing = np.asarray(pd.isna(written))
        written[missing] = ""
        hashes = pd.util.hash_array(written.ravel(), categorize=False).reshape(written.shape)
        hashes[missing] = _OF_NOTHING
        known |= dict(zip(texts, hashes, strict=True))
    return known


def _hashes(column: pd.Series) -> NDArray:
    if column.dtype == "object":
        texts = [";".join(v) if isinstance(v, list) else ("" if v is None else str(v)) for v in column]
        return pd.util.hash_array(pd.array(texts, dtype="str"))
    if str(column.dtype) in ("boolean", "Int64"):
        return pd.util.hash_array(column.to_numpy("float64", na_value=float("nan")))
    if isinstance(column.dtype, np.dtype):
        return pd.util.hash_array(column.to_numpy())
    if isinstance(column.dtype, pd.StringDtype) and column.isna().all():
        return np.full(len(column), _OF_NOTHING, np.uint64)
    return pd.util.hash_array(column.array)
