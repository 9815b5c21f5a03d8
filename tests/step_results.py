"""Results of steps kept between tests: a step is a pure function of what it is given, so it need not run twice.

Many small stations differ in one row, and most of their steps are given the same. What is kept is the pickled result
under a hash of everything that the step could see, not under the fingerprint that the product decides by: a
fingerprint that lacks an input still gives a wrong table, and its test still fails.
"""

import hashlib
import pickle

import pandas as pd
import pytest

from pipelines.refresh import engine

_compute = engine.compute


def _content(frame):
    """All of a frame as it can be told from another; where equal frames differ in it, a result is made once more."""
    return frame if not isinstance(frame, pd.DataFrame) else [(c, str(v.dtype), v.array) for c, v in frame.items()]


class StepResults:
    """Results by what a step was given, for one process of tests."""

    def __init__(self) -> None:
        self.kept: dict[bytes, bytes] = {}
        self.builds: dict[int, object] = {}  # kept alive, so that no other function gets its id
        self.in_use = True

    def key(self, step, given) -> bytes:
        """A hash of all that a step could see."""
        self.builds.setdefault(id(step.build), step.build)
        seen = (
            step.name,
            id(step.build),
            str(given.part),
            given.policy,
            str(given._today),
            [(name, _content(given[name])) for name in sorted(given)],
        )
        return hashlib.blake2b(pickle.dumps(seen)).digest()

    def compute(self, step, given):
        """As `engine.compute`. What a step remembers of the last snapshot is no input, so it is computed."""
        if not self.in_use or given.memo:
            return _compute(step, given)
        key = self.key(step, given)
        if key in self.kept:
            return pickle.loads(self.kept[key])
        made = _compute(step, given)
        self.kept[key] = pickle.dumps(made)
        return made


@pytest.fixture(scope="session")
def _kept_results():
    with pytest.MonkeyPatch.context() as patch:
        kept = StepResults()
        patch.setattr(engine, "compute", kept.compute)
        yield kept


@pytest.fixture(autouse=True)
def kept_step_results(_kept_results, request):
    """Keep results for the whole process; a test that replaces code of steps, and so may any that does not say that
    it leaves them as they are, sees its own.
    """
    replaces = "monkeypatch" in request.fixturenames and not request.node.get_closest_marker("steps_as_they_are")
    _kept_results.in_use = not replaces
    yield _kept_results
    _kept_results.in_use = True
