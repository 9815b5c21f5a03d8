"""What every reader hands over: typed rows, and a problem for everything that was not taken."""

from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from schemas.codes import all_codes
from schemas.frames import PANDAS

#: dtypes by kind, as names that pandas takes
DTYPES: dict[str, Any] = dict(PANDAS)


class _Known(dict):
    def __missing__(self, key):
        return "…"


@dataclass(slots=True)
class Problem:
    """One thing that was not taken, where it stands and how to fix it.

    `severity` is `row` (the row is rejected) or `value` (the value is left out, the row stays).
    `rows` is how many rows it rejects: one, but for the tanks and samples of a rejected dive.
    """

    severity: str
    rule: str
    message: str
    fix: str
    row_number: int | None = None
    line: int | None = None
    column: str | None = None
    value: str | None = None
    rows: int = 1


def problem(
    rule: str,
    severity: str = "row",
    *,
    row_number: int | None = None,
    line: int | None = None,
    column: str | None = None,
    value: Any = None,
    rows: int = 1,
    **words: Any,
) -> Problem:
    """A problem whose sentence and fix are those of its code, filled with the words given."""
    code = all_codes()[rule]
    shown = None if value is None else clip(value)
    known = _Known({"column": column, "value": shown, "row": row_number, "line": line, "rows": rows} | words)
    return Problem(
        severity, rule, code.says.format_map(known), code.fix.format_map(known), row_number, line, column, shown, rows
    )


def clip(value: Any, most: int = 80) -> str:
    """A value as shown to people: printable, on one line, cut to `most` characters."""
    text = "".join(c if c.isprintable() else "�" for c in str(value)[: most + 1])
    return text if len(text) <= most else text[: most - 1] + "…"


@dataclass
class RawTable:
    """What was read of one source in one file.

    `rows` has the contract's columns, typed, plus `row_number` (data rows from 1), `line` (of the file),
    `assumed` (list of columns whose value the mapping stated) and `value_flags` (list of codes).
    `rows_read = len(rows) + rows_rejected`, always.
    """

    source: str
    rows: pd.DataFrame
    problems: list[Problem] = field(default_factory=list)
    rows_read: int = 0
    rows_rejected: int = 0
    refused: Problem | None = None
    notes: list[str] = field(default_factory=list)
    #: columns that the mapping states as the unit's own working pressure; empty in `rows` until the register is at hand
    from_working_pressure: list[str] = field(default_factory=list)
    #: rejected rows as far as they could be read, in the columns of `rows`; what could not be read is empty
    rejected_rows: pd.DataFrame | None = None
    #: names of owners, tanks and dives in the file, whose meaning links and registers decide
    refs: set[str] = field(default_factory=set)


def refuse(source: str, rows: pd.DataFrame, why: Problem) -> RawTable:
    """A file refused whole: nothing read, one problem without a row."""
    why.row_number = None
    return RawTable(source, rows, [why], refused=why)


def text_series(column: pa.Array) -> pd.Series:
    """An Arrow text column as a Series of pandas' own text type, without a copy."""
    chunked = pa.chunked_array([column.cast(pa.large_string())])
    kind: Any = pd.arrays.ArrowStringArray  # its dtype argument is not in the stubs
    return pd.Series(kind(chunked, dtype=pd.StringDtype("pyarrow", na_value=np.nan)))


def unknown(kind: str, size: int) -> pd.Series:
    """A column of a kind in which nothing is known."""
    if kind in ("text", "choice"):
        return text_series(pa.nulls(size, pa.large_string()))
    if kind == "float":
        return pd.Series(np.full(size, np.nan))
    if kind in ("time", "date"):
        days = pd.DatetimeIndex(np.full(size, np.datetime64("NaT", "us")))
        return pd.Series(days.tz_localize("UTC") if kind == "time" else days)
    return pd.Series([None] * size, dtype=DTYPES[kind])


def lists(codes: list[list[str]] | None, size: int) -> pd.Series:
    """A column of lists; None gives the same empty list throughout, which nobody may change."""
    made = np.empty(size, dtype=object)
    if codes is None:
        made.fill([])
    else:
        made[:] = pd.Series(codes, dtype="object").to_numpy()
    return pd.Series(made, dtype="object")


def as_frame(found: list[Problem]) -> pd.DataFrame:
    """Problems as rows of the table of rejects."""
    return _as_frame(found) if found else _no_problems().copy()


@cache
def _no_problems() -> pd.DataFrame:
    return _as_frame([])


def _as_frame(found: list[Problem]) -> pd.DataFrame:
    rows = [
        {
            "row_number": p.row_number,
            "line": p.line,
            "column": p.column,
            "value": p.value,
            "severity": p.severity,
            "rule": p.rule,
            "message": p.message,
            "fix": p.fix,
        }
        for p in found
    ]
    frame = pd.DataFrame(rows, columns=["row_number", "line", "column", "value", "severity", "rule", "message", "fix"])
    return frame.astype(
        {"row_number": "Int64", "line": "Int64"}
        | dict.fromkeys(("column", "value", "severity", "rule", "message", "fix"), "str")
    )
