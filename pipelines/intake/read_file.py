"""One file → what its reader hands over, by the layout it is given."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas as pd

from pipelines.intake.file_layout import FileLayout
from pipelines.readers.forms import FORMS, Known
from pipelines.readers.raw import RawTable, problem
from pipelines.readers.tables.mapping import folder_member
from pipelines.station.settings import Station
from pipelines.warehouse.store import Warehouse

_TEXT_OR_BOOK = (".csv", ".xlsx", ".xlsm", ".txt", ".tsv")


def read_file(
    file: str, layout: FileLayout, path: Path, station: Station, warehouse: Warehouse, workplace: Path
) -> Iterator[RawTable]:
    """Read a file, part by part, so that one larger than memory is no matter.

    Parameters
    ----------
    file : its place in the inbox
    path : its original in the archive
    workplace : a folder for what the reader puts aside
    """
    from pipelines.readers.tables.table import read_table
    if layout.source in FORMS and layout.uddf is not None:
        known = Known(warehouse.links(), warehouse.ids("member"), warehouse.ids("unit"))
        as_kept = replace(station, uddf=layout.uddf, time_zone=layout.zone)
        yield from FORMS[layout.source].read(path, as_kept, known, folder_member(file), workplace)
    elif layout.source is not None and layout.mapping is not None:
        yield read_table(path, layout.source, layout.mapping, layout.zone, folder_member(file))
    elif layout.overlap:
        both = " and ".join(f"[layouts.{name}]" for name in layout.overlap)
        yield RawTable("", pd.DataFrame(), refused=problem("layouts_overlap", value=file, found=both))
    else:
        suffix = Path(file).suffix.lower()
        rule = "unknown_source" if suffix in _TEXT_OR_BOOK else "unsupported_file"
        yield RawTable(
            "", pd.DataFrame(), refused=problem(rule, value=file, found=suffix or "no ending", source="fills")
        )
