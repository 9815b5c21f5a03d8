"""Forms of file that hold rows of several sources at once, each declared here and nowhere else.

A table holds one source, which its name or layout gives. Of such a form the ending says all: which sources it
holds and which reader takes it.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path, PurePosixPath
from typing import Any

import pandas as pd

from pipelines.readers.raw import RawTable


@dataclass(frozen=True)
class Known:
    """What names in a file may mean: the source `links`, and the members and units of the registers."""

    links: pd.DataFrame
    members: set[str]
    units: set[str]


@dataclass(frozen=True)
class Form:
    """`name` stands as the source of its files, and is the table of `station.toml` with its settings."""

    name: str
    suffix: str
    #: the sources it holds, in the order in which their rows need each other
    gives: tuple[str, ...]
    #: module and function: (path, station, known, member of the folder, workplace, that member alone) → parts
    reader: str

    def read(
        self, path: Path, station: Any, known: Known, member: str | None, workplace: Path, own_alone: bool = False
    ) -> Iterator[RawTable]:
        """Read a file part by part; its module is loaded at the first one. `own_alone`: that member's dives alone."""
        yield from self.load()(path, station, known, member, workplace, own_alone)

    def load(self) -> Callable[..., Iterator[RawTable]]:
        """The reader, its module loaded."""
        module, _, function = self.reader.partition(":")
        return getattr(import_module(module), function)


FORMS = {
    form.name: form
    for form in (Form("uddf", ".uddf", ("dives", "dive_tanks", "dive_samples"), "pipelines.readers.uddf.file:read"),)
}


def form_of(file: str) -> Form | None:
    """The form of a file by its ending, in capitals or not; None of a table."""
    if not any(form.suffix in file.casefold() for form in FORMS.values()):  # most files are tables
        return None
    suffix = PurePosixPath(file.replace("\\", "/")).suffix.casefold()
    return next((form for form in FORMS.values() if form.suffix == suffix), None)


def sources_in(source: str | None) -> tuple[str, ...]:
    """What files of a source hold: itself, or of a form what it gives."""
    return FORMS[source].gives if source in FORMS else (source,) if source else ()
