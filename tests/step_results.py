"""Results of steps kept between tests: a step is a pure function of what it is given, so it need not run twice.

Many small stations differ in one row, and most of their steps are given the same. What is kept is the pickled result
under a hash of everything that the step could see, not under the fingerprint that the product decides by: a
fingerprint that lacks an input still gives a wrong table, and its test still fails. Workers of one run share what
they have; nothing outlives the run.

A new warehouse, too, is made once a process: where a test makes another, it is a copy of that one. And all are opened
in one DuckDB that stays: to start one takes ten times as long as to attach a file to it.
"""

import contextlib
import hashlib
import io
import os
import pickle
import sys
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipelines.derive.fills import step as fills_step
from pipelines.refresh import engine
from pipelines.warehouse import store
from pipelines.warehouse.whole import is_new, made_whole

_compute = engine.compute
_open = store.Warehouse.__init__


def _content(frame):
    """All of a frame as it can be told from another; equal frames have the same, however they lie in memory."""
    return frame if not isinstance(frame, pd.DataFrame) else [(c, str(v.dtype), _values(v)) for c, v in frame.items()]


def _values(column: pd.Series):
    """The values of a column; nothing of what happens to lie below those that are missing."""
    values = column.array
    if isinstance(values, (pd.arrays.IntegerArray, pd.arrays.BooleanArray)):
        missing = values.isna()
        return missing.tobytes(), values.to_numpy(values.dtype.numpy_dtype, na_value=0).tobytes()
    if isinstance(values, pd.arrays.DatetimeArray):
        return values.asi8.tobytes()
    if column.dtype.kind == "f":
        return np.where(np.isnan(values), np.nan, values).tobytes()
    return column.tolist()  # a pickled array tells how its texts are cut into pieces


def _pickled(seen) -> bytes:
    """Plain values as bytes; whether two of them are one object in memory makes no difference."""
    made = io.BytesIO()
    pickler = pickle.Pickler(made)
    pickler.fast = True
    pickler.dump(seen)
    return made.getvalue()


class StepResults:
    """Results by what a step was given, for one process of tests; `shared` is a folder of all workers of a run."""

    def __init__(self, shared: Path | None = None) -> None:
        self.kept: dict[str, bytes] = {}
        self.shared = shared
        self.builds: dict[int, object] = {}  # kept alive, so that no other function gets its id
        self.in_use = True

    def key(self, step, given) -> str:
        """A hash of all that a step could see; one that other workers have is told by its function's name."""
        self.builds.setdefault(id(step.build), step.build)
        seen = (
            step.name,
            _name(step.build) or id(step.build),
            str(given.part),
            given.policy,
            str(given._today),
            fills_step.MANY_FILLS,  # some tests take a small station for a large one
            [(name, _content(given[name])) for name in sorted(given)],
        )
        return hashlib.blake2b(_pickled(seen), digest_size=32).hexdigest()

    def compute(self, step, given):
        """As `engine.compute`. What a step remembers of the last snapshot is no input, so it is computed."""
        if not self.in_use or given.memo:
            return _compute(step, given)
        key = self.key(step, given)
        there = self.shared / key if self.shared and _name(step.build) else None
        if key not in self.kept and there and there.exists():
            self.kept[key] = there.read_bytes()
        if key in self.kept:
            return pickle.loads(self.kept[key])
        made = _compute(step, given)
        self.kept[key] = pickle.dumps(made)
        if there:
            new = there.with_suffix(f".{os.getpid()}")
            new.write_bytes(self.kept[key])
            new.replace(there)  # whole, or not there
        return made


def _name(build) -> str:
    """The name of a function of the product as it stands; none for any other, which may be what a test made."""
    module, name = getattr(build, "__module__", ""), getattr(build, "__qualname__", "")
    of_product = module.startswith("pipelines.") and getattr(sys.modules.get(module), name, None) is build
    return f"{module}.{name}" if of_product else ""


class NewWarehouses:
    """A new warehouse as it is made, once a process; the next ones are its copies."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.made, self.in_use = folder, b"", True

    def opened(self, warehouse, path: Path, **more) -> None:
        """In place of `Warehouse.__init__`."""
        if self.in_use and is_new(path):
            if not self.made:
                self.in_use, first = False, self.folder / "first.duckdb"
                store.Warehouse(first).close()
                self.in_use, self.made = True, first.read_bytes()
            with made_whole(path) as place:
                place.write_bytes(self.made)
        _open(warehouse, path, **more)


class OneDuckDB:
    """In place of the module `duckdb` for the warehouse: its files are attached to one database that stays open.

    What does not attach is opened by DuckDB itself, so that errors are its own.
    """

    def __init__(self) -> None:
        self.open: dict[str, list] = {}  # place: name, connections
        self.root = self._started()
        self.number, self.in_use = 0, True

    def __getattr__(self, name: str):
        return getattr(duckdb, name)

    def _started(self) -> duckdb.DuckDBPyConnection:
        root = duckdb.connect(":memory:")
        root.execute("SET GLOBAL TimeZone='UTC'")
        return root

    def connect(self, place: str, **more):
        """As `duckdb.connect`."""
        there = place in self.open
        if more or place == ":memory:" or not (self.in_use or there):
            return duckdb.connect(place, **more)
        try:
            self.root.execute("SELECT 1").fetchall()
        except duckdb.Error:  # a damaged file has ended it
            self.root, self.open = self._started(), {}
        if not there:
            self.number += 1
            try:
                quoted = place.replace("'", "''")
                self.root.execute(f"ATTACH '{quoted}' AS w{self.number}")
            except duckdb.Error:
                return duckdb.connect(place)
            self.open[place] = [f"w{self.number}", 0]
        of = self.open[place]
        con = self.root.cursor()
        con.execute(f"USE {of[0]}")
        of[1] += 1
        return _Attached(self, con, place, of)


class _Attached:
    """A connection to one file of `OneDuckDB`; closing the last one closes the file."""

    def __init__(self, of: OneDuckDB, con: duckdb.DuckDBPyConnection, place: str, entry: list) -> None:
        self._of, self._con, self._place, self._entry, self._open = of, con, place, entry, True

    def __getattr__(self, name: str):
        return getattr(self._con, name)

    def close(self) -> None:
        self._con.close()
        if not self._open:
            return
        self._open, self._entry[1] = False, self._entry[1] - 1
        if not self._entry[1] and self._of.open.get(self._place) is self._entry:
            del self._of.open[self._place]
            with contextlib.suppress(duckdb.Error):  # as closing says nothing
                self._of.root.execute(f"DETACH {self._entry[0]}")

    def __del__(self) -> None:
        with contextlib.suppress(Exception):
            self.close()


@pytest.fixture(scope="session")
def _one_duckdb():
    with pytest.MonkeyPatch.context() as patch:
        one = OneDuckDB()
        patch.setattr(store, "duckdb", one)
        yield one


@pytest.fixture(scope="session")
def _kept_results(tmp_path_factory, request):
    shared = None
    if hasattr(request.config, "workerinput"):
        shared = tmp_path_factory.getbasetemp().parent / "step-results"
        shared.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        kept = StepResults(shared)
        patch.setattr(engine, "compute", kept.compute)
        yield kept


@pytest.fixture(scope="session")
def _new_warehouses(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        new = NewWarehouses(tmp_path_factory.mktemp("new-warehouse"))
        patch.setattr(store.Warehouse, "__init__", lambda made, path, **more: new.opened(made, path, **more))
        yield new


@pytest.fixture(autouse=True)
def kept_step_results(_kept_results, _new_warehouses, _one_duckdb, request):
    """Keep results for the whole process; a test that replaces code of steps, and so may any that does not say that
    it leaves them as they are, sees its own.
    """
    replaces = "monkeypatch" in request.fixturenames
    _new_warehouses.in_use = _one_duckdb.in_use = not replaces
    _kept_results.in_use = not replaces or request.node.get_closest_marker("steps_as_they_are") is not None
    yield _kept_results
    _kept_results.in_use = _new_warehouses.in_use = _one_duckdb.in_use = True
