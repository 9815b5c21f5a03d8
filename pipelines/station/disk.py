"""Trouble with a disk, said with its place."""

import contextlib
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def naming(place: Path) -> Iterator[None]:
    """A write that fails does not say where: then the error names this place, so that one knows which disk it is."""
    try:
        yield
    except OSError as error:
        if error.filename is None and error.errno is not None:
            error.filename = str(place)
        raise
