"""A step that breaks on what was accepted: which rows it breaks on, so that they are set aside and the run goes on.

The step is run again on fewer rows until what is left out is small. A run that meets no error pays nothing.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import pandas as pd

from pipelines.refresh.step import Given, Step

#: how a row of any frame names the row of an input that it comes from: what happened first, registers last
_NAMED_BY: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("dive_tanks", ("member_id", "dive_id", "tank_no")),
    ("dives", ("member_id", "dive_id")),
    ("releases", ("fill_id", "released_at")),
    ("fills", ("fill_id",)),
    ("compressor_log", ("compressor_id", "read_at", "event")),
    ("air_tests", ("compressor_id", "sampled_on")),
    ("loans", ("unit_id", "out_at")),
    ("inspections", ("cylinder_id", "inspected_on", "kind")),
    ("kits", ("member_id", "valid_from")),
    ("bookings", ("starts_on", "ends_on", "material", "water_capacity_l")),
    ("visits", ("visit_on",)),
    ("gauges", ("gauge_id",)),
    ("sources", ("source_id",)),
    ("compressors", ("compressor_id",)),
    ("set_members", ("set_id", "cylinder_id", "position", "from_on")),
    ("cylinders", ("cylinder_id",)),
)
#: so many rows are set aside for one error; more means that the error is not theirs
MOST = 20


class StepBroke(Exception):
    """A step raised an error on rows that had been accepted."""

    def __init__(self, step: Step, given: Given, error: Exception):
        super().__init__(f"{step.name}: {type(error).__name__}: {error}")
        self.step, self.given, self.error = step, given, error


@dataclass(frozen=True)
class Culprits:
    """Rows of an input, by their key, without which the step runs."""

    source: str
    keys: pd.DataFrame


def find_culprits(broke: StepBroke) -> Culprits | None:
    """The rows that a step breaks on; None if no few rows of one input are to blame."""

    def runs_with(name: str, frame: pd.DataFrame) -> bool:
        given = broke.given.with_frame(name, frame)
        try:
            broke.step.build(given)
        except Exception:
            return False
        return True

    for name, source, key in _candidates(broke.given):
        frame = broke.given[name]
        if not len(frame) or not runs_with(name, frame.iloc[:0]):
            continue
        rows = _without_which(partial(_runs_on, runs_with, name, frame), len(frame))
        if rows is not None:
            return Culprits(source, frame.iloc[rows][list(key)].drop_duplicates().reset_index(drop=True))
    return None


def _candidates(given: Given) -> list[tuple[str, str, tuple[str, ...]]]:
    """Frame, input and key, in the order of `_NAMED_BY`; inputs themselves before what was made from them."""
    inputs = [(source, source, key) for source, key in _NAMED_BY if source in given]
    made = []
    for source, key in _NAMED_BY:
        for name in sorted(set(given) - {source for source, _ in _NAMED_BY}):
            first = next((s for s, k in _NAMED_BY if set(k) <= set(given[name].columns)), None)
            if first == source:
                made.append((name, source, key))
    return [(name, source, key) for name, source, key in inputs + made if set(key) <= set(given[name].columns)]


def _runs_on(
    runs_with: Callable[[str, pd.DataFrame], bool], name: str, frame: pd.DataFrame, kept: Sequence[int]
) -> bool:
    return runs_with(name, frame.iloc[list(kept)].reset_index(drop=True))


def _without_which(runs: Callable[[Sequence[int]], bool], size: int) -> list[int] | None:
    """Positions of few rows without which it runs, or None. It runs on no rows, and not on all."""
    kept = list(range(size))
    out: list[int] = []
    while len(out) < MOST:
        # the shortest beginning that breaks ends in a row that is needed for it; so does the shortest end of that
        end = _least(kept, runs)
        begin = end - _least(kept[:end], runs, from_end=True)
        one = next((at for at in (begin, end - 1) if runs(kept[:at] + kept[at + 1 :])), None)
        if one is not None:
            return [*out, kept[one]]
        out.append(kept.pop(end - 1))
        if runs(kept):
            return out
    return None


def _least(rows: list[int], runs: Callable[[Sequence[int]], bool], *, from_end: bool = False) -> int:
    """How many of the first (or last) rows it does not run on; it runs on none and not on all."""
    low, high = 0, len(rows)
    while high - low > 1:
        middle = (low + high) // 2
        some = rows[len(rows) - middle :] if from_end else rows[:middle]
        low, high = (middle, high) if runs(some) else (low, middle)
    return high
