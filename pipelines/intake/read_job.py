"""What reading one file takes, and the reading of it: without a warehouse, so that any process can do it."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from pipelines.intake.file_layout import FileLayout
from pipelines.readers.forms import FORMS, Known
from pipelines.readers.raw import RawTable, problem
from pipelines.readers.tables.mapping import folder_member
from schemas.handed_in import OF_A_MEMBER, of_member

_TEXT_OR_BOOK = (".csv", ".xlsx", ".xlsm", ".txt", ".tsv")


@dataclass(frozen=True)
class Job:
    """`file` is its place in the inbox, `path` its original, `workplace` a folder for what the reader puts aside.

    `station` and `known` are given for a form of several sources alone.
    """

    file: str
    path: Path
    layout: FileLayout
    workplace: Path
    station: Any = None
    known: Known | None = None


def load_reader(job: Job) -> None:
    """Load what reading it needs: what that costs is not the file's, and fits into no limit meant for the file."""
    if job.layout.source in FORMS:
        FORMS[job.layout.source].load()
    else:
        import pipelines.readers.tables.table  # noqa: F401


def read_job(job: Job) -> Iterator[RawTable]:
    """Read a file, part by part, so that one larger than memory is no matter."""
    from pipelines.readers.tables.table import read_table

    layout, file = job.layout, job.file
    own = of_member(file)
    if own is not None and layout.source not in (*OF_A_MEMBER, *FORMS):
        yield RawTable("", pd.DataFrame(), refused=problem("not_handed_in_by_members", value=file))
        return
    if layout.source in FORMS and job.known is not None:
        yield from FORMS[layout.source].read(
            job.path, job.station, job.known, folder_member(file), job.workplace, own is not None
        )
    elif layout.source is not None and layout.mapping is not None:
        yield read_table(job.path, layout.source, layout.mapping, layout.zone, folder_member(file), own is not None)
    elif layout.overlap:
        both = " and ".join(f"[layouts.{name}]" for name in layout.overlap)
        yield RawTable("", pd.DataFrame(), refused=problem("layouts_overlap", value=file, found=both))
    else:
        suffix = Path(file).suffix.lower()
        rule = "unknown_source" if suffix in _TEXT_OR_BOOK else "unsupported_file"
        yield RawTable(
            "", pd.DataFrame(), refused=problem(rule, value=file, found=suffix or "no ending", source="fills")
        )
