"""What was worked out for a page, kept under its question for all who ask the same of the same snapshot.

A question holds everything its answer depends on, whose rows it speaks of included (see `data.Snapshot.once`).
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import is_dataclass
from typing import Any

import pandas as pd

#: taken for a text or list in a column of objects, with what points to it
_OBJECT_BYTES = 150
#: taken for any other answer
_OTHER_BYTES = 1000


class _Work:
    """One answer while it is worked out."""

    def __init__(self) -> None:
        self.done = threading.Event()
        self.answer: Any = None
        self.error: Exception | None = None
        self.given_up = False


class Kept:
    """Answers by question: those asked longest ago are let go beyond `most_bytes`."""

    def __init__(self, most_bytes: int):
        self.most_bytes = most_bytes
        self._lock = threading.Lock()
        self._answers: OrderedDict[Hashable, tuple[Any, int]] = OrderedDict()
        self._at_work: dict[Hashable, _Work] = {}
        self._bytes = 0

    def get(self, question: Hashable, make: Callable[[], Any]) -> Any:
        """The answer, worked out once: who asks at the same moment waits for it, and gets the same error."""
        while True:
            with self._lock:
                if question in self._answers:
                    self._answers.move_to_end(question)
                    return self._answers[question][0]
                work = self._at_work.get(question)
                if mine := work is None:
                    work = self._at_work[question] = _Work()
            assert work is not None
            if mine:
                return self._work(question, work, make)
            work.done.wait()
            if work.error is not None:
                raise work.error
            if not work.given_up:
                return work.answer

    def _work(self, question: Hashable, work: _Work, make: Callable[[], Any]) -> Any:
        try:
            work.answer = make()
        except Exception as error:
            work.error = error
            raise
        except BaseException:  # this session ends; another that waits does the work
            work.given_up = True
            raise
        else:
            self._keep(question, work.answer)
            return work.answer
        finally:
            with self._lock:
                del self._at_work[question]
            work.done.set()

    def _keep(self, question: Hashable, answer: Any) -> None:
        size = weight(answer)
        if size > self.most_bytes:
            return
        with self._lock:
            self._answers[question] = (answer, size)
            self._bytes += size
            while self._bytes > self.most_bytes:
                _, (_, gone) = self._answers.popitem(last=False)
                self._bytes -= gone

    def forget(self) -> None:
        """Let go of all."""
        with self._lock:
            self._answers.clear()
            self._bytes = 0


def weight(answer: Any) -> int:
    """Bytes that an answer takes, roughly."""
    if isinstance(answer, pd.DataFrame):
        objects = sum(dtype.kind == "O" for dtype in answer.dtypes)
        return int(answer.memory_usage(index=True, deep=False).sum()) + _OBJECT_BYTES * objects * len(answer)
    if isinstance(answer, bytes | str):
        return len(answer)
    if is_dataclass(answer):
        return weight(vars(answer))
    if isinstance(answer, dict):
        return _OBJECT_BYTES * (1 + len(answer)) + sum(weight(value) for value in answer.values())
    if isinstance(answer, list | tuple | set | frozenset):
        return _OBJECT_BYTES * (1 + len(answer))
    if isinstance(answer, int | float | None):
        return 0
    return _OTHER_BYTES
