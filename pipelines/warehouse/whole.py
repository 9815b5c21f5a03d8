"""A new file of the warehouse is there whole or not at all."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

_BESIDE = ".new"
IN_MEMORY = ":memory:"
"""DuckDB's name for a database that is no file."""


def is_new(path: Path) -> bool:
    """Whether a warehouse is to be made in this place; not where one is being made for another, nor in memory."""
    return path.name != IN_MEMORY and not path.exists() and path.suffix != _BESIDE


@contextlib.contextmanager
def made_whole(path: Path) -> Iterator[Path]:
    """Where to make it; put in its place at the end.

    What dies or fails half way would else leave a torn file there, which only a rebuild puts right.
    """
    made = path.with_name(f".{path.name}{_BESIDE}")
    parts = (made, made.with_name(f"{made.name}.wal"))
    for part in parts:
        part.unlink(missing_ok=True)
    try:
        yield made
        os.replace(made, path)
    finally:
        for part in parts:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
