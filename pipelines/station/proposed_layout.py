"""A layout proposed for a file of this station, and the mapping it would be if it stood in station.toml."""

from pathlib import Path

from pydantic import ValidationError

from pipelines.readers.tables.mapping import Mapping, source_of
from pipelines.readers.tables.propose import Proposal, propose
from pipelines.readers.tables.sheet import Refused
from pipelines.station.layouts import NamedLayout
from pipelines.station.settings import Station
from schemas.sources import SOURCES


def proposed_layout(station: Station, file: Path, source: str = "") -> tuple[Proposal, Mapping]:
    """Propose how a file is to be read; `source` empty: what its name says.

    Raises
    ------
    ValueError
        A sentence: no such file, no such source, or nothing in the file that a layout could describe.
    """
    if not file.is_file():
        raise ValueError(f"{file}: there is no such file.")
    source = source or source_of(file.name, station.mappings) or ""
    if source not in SOURCES:
        said = f"--source {source}: there is no such source." if source else f"{file.name} does not say what it holds."
        raise ValueError(f"{said} Give --source: {', '.join(SOURCES)}.")
    try:
        made = propose(file, source)
    except Refused as why:
        raise ValueError(f"{file}: {why.problem.message} {why.problem.fix}".strip()) from why
    try:
        return made, NamedLayout(**made.layout).mapping(made.name, (file.name,))
    except ValidationError as error:
        raise ValueError(f"{file}: the proposal does not hold together: {error}") from error
