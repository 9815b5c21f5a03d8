"""Which parts of which tables stand, and which are made: decided by what each step is given, never by history."""

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

import duckdb
import numpy as np
import pandas as pd

from pipelines.publish.snapshot import Publisher
from pipelines.refresh.culprits import StepBroke
from pipelines.refresh.hashing import digest, frame_hash
from pipelines.refresh.step import (
    EVERY,
    Frames,
    Given,
    NotDeclared,
    Part,
    Shelf,
    Step,
    day_given,
    rules_read,
    settings_read,
    step_digest,
)
from pipelines.refresh.workers import Workers, WorkersLost, in_order
from schemas.policy import Policy

Progress = Callable[[str, int, int], None]
WHOLE = Part()
#: errors that are a mistake in a declaration or of the machine, not of the rows
OF_THE_PROGRAM = (NotDeclared, OSError, MemoryError, duckdb.Error)


@dataclass
class Refresh:
    """One refresh of a station's tables: the frames there are, where results go, what was made anew."""

    publisher: Publisher
    policy: Policy
    today: pd.Timestamp
    progress: Progress
    shelf: Shelf = field(default_factory=Shelf)
    recomputed: dict[str, int] = field(default_factory=dict)
    workers: Workers = field(default_factory=lambda: Workers(processes=1))
    columns: Mapping[str, list[str]] = field(default_factory=dict)
    """Of a wide table those columns that steps read, where it is not all."""
    _fixed: dict[str, str] = field(default_factory=dict)

    def fingerprint(self, step: Step, part: Part = WHOLE) -> str:
        """A hash of all that the step is given for this part, of its settings and of its version."""
        read = [
            part.later[name].fingerprint if name in part.later else self.of_rows(step, name, part)
            for name in step.reads
        ]
        return digest(self.fixed(step), read)

    def fixed(self, step: Step) -> str:
        """A hash of what the step is given beside rows."""
        if step.name not in self._fixed:
            self._fixed[step.name] = digest(
                step_digest(step),
                settings_read(step, self.policy),
                rules_read(step),
                str(day_given(step, self.today)),
            )
        return self._fixed[step.name]

    def of_rows(self, step: Step, name: str, part: Part = WHOLE) -> str:
        """A hash of the rows of a frame that the step is given for this part."""
        if name not in self.shelf:
            raise NotDeclared(f"The step {step.name} reads {name}, which is not there yet.")
        return self.shelf.fingerprint(step, name, part.rows.get(name))

    def given(self, step: Step, part: Part = WHOLE) -> Given:
        """What the step gets for this part."""
        frames: Frames = {}
        for name, columns in step.reads.items():
            if name in part.later:
                read = part.later[name].read()
                frames[name] = read if columns == EVERY else read[list(columns)]
                continue
            frames[name] = self.given_frame(step, part, name)
        return Given(step, part, frames, self.policy, self.today, self._memo(step, part))

    def given_frame(self, step: Step, part: Part, name: str) -> pd.DataFrame:
        """One of the frames that the step gets for this part."""
        whole, rows = self.shelf.read(step, name), part.rows.get(name)
        return whole if rows is None else whole.iloc[rows].reset_index(drop=True)

    def _memo(self, step: Step, part: Part) -> Frames:
        last = self.publisher.previous
        if not step.remembers or last is None or last.steps.get(step.name) != step_digest(step):
            return {}
        there = [t for t in step.remembers if self.publisher.has_previous(t, part.name)]
        return {t: self.publisher.read_previous(t, part.name) for t in there}

    def run(
        self,
        step: Step,
        parts: Sequence[Part] = (WHOLE,),
        *,
        says: str = "",
        ready: Callable[[Part], Callable[[], Frames] | None] = lambda _: None,
        made: Callable[[Part, Frames], None] = lambda *_: None,
    ) -> None:
        """Link the parts that stand and make the others.

        Parameters
        ----------
        says : str
            What progress says of a part, with `{}` for its name.
        ready : callable
            A shorter way to a part's results where more is at hand than the step is given, or None.
        made : callable
            Gets what the step gave for each part that was made.
        """
        stale: list[tuple[Part, str]] = []
        for part in parts:
            print_ = self.fingerprint(step, part)
            if all(self.publisher.holds(t, part.name, print_) for t in step.gives):
                continue
            if all(self.publisher.unchanged(t, part.name, print_) for t in step.gives):
                for table in step.gives:
                    self.publisher.link(table, part.name)
            else:
                stale.append((part, print_))
        results = self._results(step, [part for part, _ in stale], says, ready)
        for (part, print_), frames in zip(stale, results, strict=True):
            for table in step.gives:
                self.publisher.write(table, part.name, frames[table], print_)
            made(part, frames)
        if step.counted and stale:
            self.recomputed[step.counted] = self.recomputed.get(step.counted, 0) + len(stale)

    def _results(
        self, step: Step, parts: Sequence[Part], says: str, ready: Callable[[Part], Callable[[], Frames] | None]
    ) -> Iterator[Frames]:
        """The one place where steps run: parts do not know of one another and can run side by side."""
        if step.together and len(parts) > 1:
            made = _attempt(step, self.given(step, _union(parts)))
            for part in parts:
                yield {t: made[t][made[t]["member_id"] == part.name].reset_index(drop=True) for t in step.gives}
            return
        executor = self.workers.for_rows(len(parts), sum(len(part.rows.get(step.weighed_by, ())) for part in parts))
        results: Iterator[Frames]
        if executor is None:
            results = (self._here(step, part, ready) for part in parts)
        else:
            results = in_order(executor, (self._job(step, part, ready) for part in parts), self.workers.ahead)
        for n, part in enumerate(parts):
            if says:
                self.progress(says.format(part.name), n, len(parts))
            try:
                yield next(results)
            except (StepBroke, WorkersLost, *OF_THE_PROGRAM):
                raise
            except Exception as error:  # in a worker, or on the shorter way: once more here, so that it is known why
                _attempt(step, self.given(step, part))
                raise error from None

    def _here(self, step: Step, part: Part, ready: Callable[[Part], Callable[[], Frames] | None]) -> Frames:
        at_hand = ready(part)
        return at_hand() if at_hand is not None else _attempt(step, self.given(step, part))

    def _job(
        self, step: Step, part: Part, ready: Callable[[Part], Callable[[], Frames] | None]
    ) -> Callable[[], Frames]:
        """What another process is to do for a part."""
        return ready(part) or partial(_compute_there, step, self.given(step, part))

    def publish(self, table: str, frame: pd.DataFrame) -> None:
        """Write a table that is at hand, unless it stands already."""
        print_ = frame_hash(frame)
        if self.publisher.unchanged(table, "all", print_):
            self.publisher.link(table, "all")
        else:
            self.publisher.write(table, "all", frame, print_)

    def table(self, name: str, parts: Sequence[Part] = (WHOLE,)) -> pd.DataFrame:
        """A table of this snapshot, as later steps and all readers see it; it is put on the shelf."""
        names = [part.name for part in parts]
        read = partial(self.publisher.read_together, columns=self.columns.get(name))
        self.shelf.put(name, read(name, *names) if names else self.publisher.none(name))
        return self.shelf[name]

    def positions(self, name: str, column: str) -> dict[str, np.ndarray]:
        """Where the rows of each value of a column stand in a frame."""
        return {str(value): rows for value, rows in self.shelf[name].groupby(column).indices.items()}


def compute(step: Step, given: Given) -> Frames:
    """Run a step on what it was given; can be sent to another process with it."""
    try:
        return step.build(given)
    except KeyError as error:
        error.add_note(
            f"Step {step.name}, part {given.part}. A step sees the frames, columns and settings that it declares; "
            "add what it reads to its declaration in pipelines/refresh."
        )
        raise


def _compute_there(step: Step, given: Given) -> Frames:
    """As `compute`, by the other process's own module."""
    return compute(step, given)


def _attempt(step: Step, given: Given) -> Frames:
    """Run a step; an error is taken to be of its rows, unless it is a mistake in a declaration or of the machine."""
    try:
        return compute(step, given)
    except OF_THE_PROGRAM:
        raise
    except Exception as error:
        if os.environ.get("COLDFILL_DEBUG"):
            raise
        raise StepBroke(step, given, error) from error


def _union(parts: Sequence[Part]) -> Part:
    """All rows of several parts as one."""
    names = {name for part in parts for name in part.rows}
    return Part("several", {n: np.unique(np.concatenate([part.rows[n] for part in parts])) for n in names})
