"""Rows of published frames as pages walk them.

What columns there are, and of which kind, is declared and checked in `schemas`; a type checker cannot see it.
"""

from collections.abc import Iterator
from typing import Any

import pandas as pd

#: one row of a published table: columns by name
Row = Any


def each(frame: pd.DataFrame) -> Iterator[Row]:
    """The rows, each with its columns as attributes; for as many as fit on a page."""
    yield from frame.itertuples()


def only(frame: pd.DataFrame) -> Row | None:
    """The first row, or None."""
    return frame.iloc[0] if len(frame) else None


def said_yes(column: pd.Series) -> pd.Series:
    """A column of yes, no and unknown as a mask: unknown is not yes."""
    return column.fillna(False).astype(bool)
