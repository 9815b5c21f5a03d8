"""One file → what its reader hands over, by the layout it is given; a large one is read in a process of its own."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from pipelines.intake.apart import is_large, limits_for, read_apart, weight_of
from pipelines.intake.file_layout import FileLayout
from pipelines.intake.read_job import Job, read_job
from pipelines.readers.forms import FORMS, Known
from pipelines.readers.raw import RawTable
from pipelines.station.settings import Station
from pipelines.warehouse.store import Warehouse


def read_file(
    file: str, layout: FileLayout, path: Path, station: Station, warehouse: Warehouse, workplace: Path
) -> Iterator[RawTable]:
    """Read a file, part by part, so that one larger than memory is no matter.

    Parameters
    ----------
    file : its place in the inbox
    path : its original in the archive
    workplace : a folder for what the reader puts aside

    Raises
    ------
    Refused
        The file is refused, or reading it would cost too much.
    """
    job = Job(file, path, layout, workplace)
    if layout.source in FORMS and layout.uddf is not None:
        known = Known(warehouse.links(), warehouse.ids("member"), warehouse.ids("unit"))
        job = replace(job, station=replace(station, uddf=layout.uddf, time_zone=layout.zone), known=known)
    ending = Path(file).suffix.lower()
    large = layout.source is not None and is_large(path, ending)
    yield from read_apart(job, limits_for(weight_of(path, ending))) if large else read_job(job)
