"""What the parts of a UDDF dive share: its record while it is read, numbers of the format, values within bounds."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.readers.raw import Problem, problem
from pipelines.readers.uddf.walk import Definitions, local, own

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


@dataclass
class Context:
    """What holds for all dives of a file."""

    definitions: Definitions
    zone: str
    pressure: str
    decimal: str
    roles: dict[str, str]
    #: the role that links give a tank of these names, of the owner whom the dive names
    linked_role: Callable[[list[str], list[str]], str | None] | None = None
    notes: set[str] = field(default_factory=set)


@dataclass
class Dive:
    """A dive as read: `row` and `tanks` in contract columns but for the names of member, dive and unit."""

    ref: str
    line: int
    row: dict[str, Any] = field(default_factory=dict)
    tanks: list[dict[str, Any]] = field(default_factory=list)
    #: tanks that were rejected, as far as they are known: their dive must not look as if they had not been there
    lost_tanks: list[dict[str, Any]] = field(default_factory=list)
    samples: dict[str, np.ndarray] = field(default_factory=dict)
    owner_refs: list[str] = field(default_factory=list)
    flags: list[str] = field(default_factory=list)
    #: what is wrong: (source, problem); row numbers count within the dive until the file gives them
    problems: list[tuple[str, Problem]] = field(default_factory=list)
    #: the rule that rejects the dive and all that hangs on it
    rejected: Problem | None = None
    tanks_seen: int = 0
    waypoints_seen: int = 0

    def say(self, source: str, rule: str, severity: str = "row", **words: Any) -> None:
        """Add a problem."""
        self.problems.append((source, problem(rule, severity, **words)))

    def reject(self, rule: str, **words: Any) -> None:
        """Reject the dive; the first reason counts."""
        if self.rejected is None:
            self.rejected = problem(rule, line=self.line, **words)


def number(text: str | None, decimal: str = ".") -> float | None:
    """A number of the format's own grammar; None if it is none."""
    if text is None:
        return None
    text = text.strip()
    if decimal == ",":
        text = text.replace(",", ".", 1)
    if not _NUMBER.fullmatch(text):
        return None
    value = float(text)
    return value if math.isfinite(value) else None


def value_of(
    found: Dive,
    source: str,
    column: str,
    text: str | None,
    rule: str,
    low: float,
    high: float,
    context: Context,
    line: int | None = None,
) -> float | None:
    """A number within bounds; otherwise the value is left out, with a reason."""
    if text is None:
        return None
    value = number(text, context.decimal)
    where = {"column": column, "value": text, "line": line or found.line}
    if value is None:
        found.say(source, "uddf_not_a_number", "value", **where)
    elif not low <= value <= high:
        guess = ": it looks like Celsius or Fahrenheit" if rule == "uddf_not_kelvin" and value < 200 else ""
        found.say(source, rule, "value", guess=guess, **where)
    else:
        return value
    return None


def _finite(column: pa.Array) -> np.ndarray | None:
    """A column of texts as floats if each that is there is a finite one."""
    try:
        values = pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False)
    except pa.ArrowInvalid:
        return None
    return values if np.isfinite(values).sum() == len(values) - column.null_count else None


def numbers(texts: list, decimal: str) -> tuple[np.ndarray, np.ndarray]:
    """Floats of a list of texts, and which of them are there but are no numbers."""
    column = pa.array(texts, type=pa.string())
    if (values := _finite(column)) is not None:  # as nearly all are written
        return values, np.zeros(len(values), dtype=bool)
    column = pc.utf8_trim_whitespace(column)
    column = pc.if_else(pc.equal(column, ""), None, column)
    if decimal == ",":
        column = pc.replace_substring(column, ",", ".", max_replacements=1)
    if (values := _finite(column)) is not None:
        return values, np.zeros(len(values), dtype=bool)
    read = [None if t is None else number(t) for t in column.to_pylist()]
    values = np.array([math.nan if v is None else v for v in read], dtype=float)
    return values, np.isnan(values) & ~pc.is_null(column).to_numpy(zero_copy_only=False)


def child_of(element, name: str):
    return next((c for c in own(element) if local(c) == name), None)
