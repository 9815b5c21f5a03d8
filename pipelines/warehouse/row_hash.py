"""A hash of what a row holds, to tell whether two rows of one key say the same."""

import pandas as pd

#: what ranks a row, and what its own system calls a tank: rows that differ in these alone say the same
NOT_SAID = ("revised_at", "tank_ref")


def row_hash(frame: pd.DataFrame) -> pd.Series:
    """A stable text hash a row, over all values of the frame."""
    columns = {}
    for name, column in frame.items():
        if column.dtype == "object":
            columns[name] = [";".join(v) if isinstance(v, list) else ("" if v is None else str(v)) for v in column]
        elif str(column.dtype) in ("boolean", "Int64"):
            columns[name] = column.to_numpy("float64", na_value=float("nan"))
        else:
            columns[name] = column.array
    plain = pd.DataFrame(columns, index=frame.index)
    return pd.util.hash_pandas_object(plain, index=False).map("{:016x}".format).astype("str")
