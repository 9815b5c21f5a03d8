"""A sheet of text: what a CSV file or a workbook becomes before anything is typed."""

from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from pipelines.readers.raw import Problem, problem

MOST_COLUMNS = 300


class Refused(Exception):
    """The file is refused whole; `.problem` says why."""

    def __init__(self, why: Problem):
        super().__init__(why.message)
        self.problem = why


def refused(rule: str, **words) -> Refused:
    """A refusal with the sentence of its code."""
    return Refused(problem(rule, **words))


@dataclass
class Sheet:
    """Headers, and as many text columns; blank rows are gone, `lines` says where the others stood."""

    headers: list[str]
    columns: list[pa.Array]
    lines: np.ndarray
    #: row (from 0) → rule and words: the row as a whole cannot be read
    bad_rows: dict[int, tuple[str, dict]] = field(default_factory=dict)
    #: (row, column) → rule and words: this cell cannot be read, `severity` in the words
    bad_cells: dict[tuple[int, int], tuple[str, dict]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
