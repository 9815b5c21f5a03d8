"""A lock in the station's folder that the system takes back when its holder dies, however that comes about."""

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path

#: the scheduler's own folder in a station, and the lock in it while its schedule is served
SCHEDULER, SCHEDULE_LOCK = ".prefect", ".schedule.lock"


class Held(RuntimeError):
    """Somebody else holds the lock."""


@contextlib.contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold a lock; its file is made and stays.

    Raises
    ------
    Held
    """
    handle = open(path, "a+b")  # noqa: SIM115 - held as long as the lock
    try:
        try:
            if sys.platform == "win32":
                import msvcrt

                msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
            else:
                import fcntl

                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise Held(str(path)) from None
        yield
    finally:
        handle.close()


def is_held(path: Path) -> bool:
    """Whether somebody holds a lock."""
    if not path.exists():
        return False
    try:
        with held(path):
            return False
    except Held:
        return True
