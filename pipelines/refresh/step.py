"""A step: what it reads, by name, and what it gets, which is that and nothing else."""

from collections.abc import Callable, Collection, Mapping
from copy import copy
from dataclasses import asdict, dataclass, field
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.refresh.hashing import digest, folded, hashes_of, joined
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.rules.reading import RULES

Frames = dict[str, pd.DataFrame]
Columns = tuple[str, ...]
#: every column of a frame: of steps' working tables, whose columns are declared nowhere else
EVERY: Columns = ("*",)


class NotDeclared(KeyError):
    """A step asks for something that it does not declare to read."""

    def __str__(self) -> str:
        return str(self.args[0])


@dataclass(frozen=True)
class Step:
    """A computation whose result depends on what it declares, and on nothing else.

    Parameters
    ----------
    name, version
        Raise the version by hand when the step's code gives other results from the same inputs: every
        part it made is then made anew, once. `tests/pipelines/test_step_results.py` reminds of it.
    build
        From what the step is given to the tables it gives. Pure: no clock, no file, no database.
    gives
        Tables, each with a part of the same name.
    reads
        Frames by name, with the columns that are read: rows of inputs, tables of earlier steps.
    settings
        Of the policy, `section.name` or a whole `section`.
    rules
        Beginnings of names of files in shared/rules.
    day
        Whether today is read: `` (no), `month` (its month), `day`.
    resolution
        Columns, as `frame.column`, that are given rounded to so much: results then depend on the value at
        the resolution it is used in, not on the last digits of what was believed before.
    together
        Parts are members, and several are made in one call, rows of each apart by `member_id`.
    remembers
        Own tables of the last snapshot, while the step was the same, to take over what was worked out from the
        same inputs. They are no input: the results are the same without them.
    weighed_by
        The frame whose rows say how much work a part is; empty: little.
    counted
        How a run names what it made anew, in the plural; empty: it does not.
    """

    name: str
    version: int
    build: "Callable[[Given], Frames]"
    gives: tuple[str, ...]
    reads: Mapping[str, Columns]
    settings: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    day: str = ""
    resolution: Mapping[str, float] = field(default_factory=dict)
    together: bool = False
    remembers: tuple[str, ...] = ()
    weighed_by: str = ""
    counted: str = ""


@dataclass(frozen=True)
class Later:
    """A frame read only where a step runs: what stands for its content, and how to read it."""

    fingerprint: str
    read: Callable[[], pd.DataFrame]


@dataclass(frozen=True)
class Part:
    """One part of a step's tables: the rows it is made from. A frame that is not named is given whole."""

    name: str = "all"
    rows: Mapping[str, NDArray[np.int64]] = field(default_factory=dict)
    later: Mapping[str, Later] = field(default_factory=dict)


class Given(dict):
    """What a step gets: frames by name, and `policy` and `today` as far as it declares them.

    Everything else is out of reach, so that the fingerprint cannot miss what a result depends on.
    """

    def __init__(
        self,
        step: Step,
        part: Part,
        frames: Mapping[str, pd.DataFrame],
        policy: Policy,
        today: pd.Timestamp,
        memo: Mapping[str, pd.DataFrame] | None = None,
    ):
        super().__init__(frames)
        self.memo = dict(memo or {})
        self.step, self.part = step.name, part.name
        self.policy = declared_settings(step, policy)
        self._today = day_given(step, today)

    def __missing__(self, name: str) -> pd.DataFrame:
        raise NotDeclared(f"The step {self.step} does not declare that it reads {name}.")

    def with_frame(self, name: str, frame: pd.DataFrame) -> "Given":
        """The same, with other rows of one frame."""
        made = copy(self)
        made[name] = frame
        return made

    @property
    def today(self) -> pd.Timestamp:
        """The day taken as today, or the first of its month."""
        if self._today is None:
            raise NotDeclared(f"The step {self.step} does not declare that it reads the day.")
        return self._today


class _Settings(SimpleNamespace):
    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        raise NotDeclared(f"The step does not declare that it reads the setting {name}.")


def declared_settings(step: Step, policy: Policy) -> Policy:
    """The policy as far as the step declares it; anything else of it raises `NotDeclared`."""
    made = _Settings()
    for path in step.settings:
        section, _, name = path.partition(".")
        value = getattr(policy, section)
        if not name:
            plain = not hasattr(value, "__dataclass_fields__")
            setattr(made, section, value if plain else _Settings(**asdict(value)))
        else:
            if section not in vars(made):
                setattr(made, section, _Settings())
            setattr(vars(made)[section], name, getattr(value, name))
    return cast(Policy, made)


def settings_read(step: Step, policy: Policy) -> dict[str, Any]:
    """The values of the settings that a step declares, by their path."""
    found = {}
    for path in step.settings:
        value: Any = policy
        for name in path.split("."):
            value = getattr(value, name)
        found[path] = asdict(value) if hasattr(value, "__dataclass_fields__") else value
    return found


def day_given(step: Step, today: pd.Timestamp) -> pd.Timestamp | None:
    """Today as far as the step declares it."""
    if not step.day:
        return None
    return today if step.day == "day" else today.to_period("M").to_timestamp().as_unit("us")


def rules_read(step: Step) -> dict[str, str]:
    """A hash of each rule file that a step declares."""
    files = [p for p in sorted(RULES.glob("*.toml")) if p.name.startswith(step.rules)] if step.rules else []
    return {p.name: digest(p.read_text(encoding="utf-8")) for p in files}


def step_digest(step: Step) -> str:
    """What a step's results depend on beside what it is given: its version, and how its tables are declared."""
    declared = {t: [(f.name, f.kind) for f in TABLES[t].fields.values()] for t in step.gives}
    return digest(step.name, step.version, {k: list(v) for k, v in step.reads.items()}, dict(step.resolution), declared)


#: the hashes of a column without rows
_NO_ROWS: NDArray[np.uint64] = np.empty(0, "uint64")


class Shelf:
    """The frames of a run by name, with the hashes of their rows and the rounding that steps ask for."""

    def __init__(self) -> None:
        self._frames: Frames = {}
        self._hashes: dict[tuple, NDArray[np.uint64]] = {}
        self._column_hashes: dict[tuple, NDArray[np.uint64]] = {}
        self._rounded: dict[tuple, pd.DataFrame] = {}
        self._keys: dict[tuple[str, str], tuple[str, Columns, tuple]] = {}
        self._same_as: dict[tuple[str, str], str] = {}
        self._places: dict[str, dict[str, int]] = {}

    def put(self, name: str, frame: pd.DataFrame, *, same_as: str = "", but: Collection[str] = ()) -> None:
        """Set or replace a frame; its rows are numbered anew.

        Parameters
        ----------
        same_as : str
            A frame there is that has the same columns, row by row, so that they need not be hashed again.
        but : collection of str
            Columns that are the frame's own.
        """
        self._frames[name] = frame.reset_index(drop=True)
        self._same_as = {at: other for at, other in self._same_as.items() if name not in (at[0], other)}
        if same_as:
            shared = [c for c in frame if c in self._frames[same_as] and c not in but]
            self._same_as |= {(name, column): same_as for column in shared}
        for kept in (self._hashes, self._rounded, self._column_hashes):
            for key in [k for k in kept if k[0] == name]:
                del kept[key]
        self._keys = {at: key for at, key in self._keys.items() if at[1] != name}
        # many steps ask for columns of one frame: where each stands is looked up once
        self._places[name] = {column: place for place, column in enumerate(frame.columns)}

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self._frames[name]

    def __contains__(self, name: str) -> bool:
        return name in self._frames

    def _key(self, step: Step, name: str) -> tuple[str, Columns, tuple]:
        """What names the columns and their rounding; parts of one step, which are many, ask for the same."""
        at = step.name, name
        if at not in self._keys:
            self._keys[at] = self._columns_asked(step, name)
        return self._keys[at]

    def _columns_asked(self, step: Step, name: str) -> tuple[str, Columns, tuple]:
        columns = step.reads[name]
        columns = tuple(self._frames[name].columns) if columns == EVERY else columns
        fine = tuple((c, step.resolution[f"{name}.{c}"]) for c in columns if f"{name}.{c}" in step.resolution)
        return name, columns, fine

    def read(self, step: Step, name: str) -> pd.DataFrame:
        """The columns of a frame that a step declares, rounded as it declares."""
        key = self._key(step, name)
        _, columns, fine = key
        if key not in self._rounded:
            frame = self._checked(step, name, columns)
            # by place: to look each name up in a list of names costs three times as much
            places = self._places[name]
            chosen = frame.take([places[column] for column in columns], axis=1) if columns else frame[[]]
            self._rounded[key] = rounded(chosen, dict(fine))
        return self._rounded[key]

    def fingerprint(self, step: Step, name: str, rows: NDArray[np.int64] | None) -> str:
        """What stands for the rows of a frame that a step is given."""
        key = self._key(step, name)
        if key not in self._hashes:
            self._hashes[key] = self._rows(step, key)
        hashes = self._hashes[key]
        return f"{','.join(key[1])}:{folded(hashes if rows is None else hashes[rows])}"

    def column_hashes(self, step: Step, name: str) -> list[NDArray[np.uint64]]:
        """A hash a value of each column of a frame that a step declares."""
        return self._columns(step, self._key(step, name))

    def _rows(self, step: Step, key: tuple[str, Columns, tuple]) -> NDArray[np.uint64]:
        """A hash a row."""
        return joined(self._columns(step, key), len(self._frames[key[0]]))

    def _columns(self, step: Step, key: tuple[str, Columns, tuple]) -> list[NDArray[np.uint64]]:
        """Each column is hashed once, however many steps read it."""
        name, columns, fine = key
        frame, resolution = self._checked(step, name, columns), dict(fine)
        if not len(frame.index):  # most tables of a small station
            return [_NO_ROWS] * len(columns)
        places = [(self._same_as.get((name, c), name), c, resolution.get(c)) for c in columns]
        new = [at for at in places if at not in self._column_hashes]
        if new:
            asked = [frame[c] if r is None else rounded(frame[[c]], {c: r})[c] for _, c, r in new]
            self._column_hashes |= dict(zip(new, hashes_of(asked), strict=True))
        return [self._column_hashes[at] for at in places]

    def _checked(self, step: Step, name: str, columns: Columns) -> pd.DataFrame:
        frame = self._frames[name]
        places = self._places[name]
        lacking = [c for c in columns if c not in places]
        if lacking:
            raise NotDeclared(f"The step {step.name} declares columns that {name} has not: {', '.join(lacking)}.")
        return frame


def rounded(frame: pd.DataFrame, resolution: Mapping[str, float]) -> pd.DataFrame:
    """The frame with these columns brought to the nearest multiple of their resolution."""
    made = {}
    for name, fine in resolution.items():
        # dividing by a whole number of parts a unit gives the decimal that is nearest, multiplying would not
        parts = round(1.0 / fine)
        made[name] = np.round(frame[name].to_numpy("float64", na_value=np.nan) * parts) / parts
    return frame.assign(**made) if made else frame
