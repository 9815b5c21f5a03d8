"""A layout proposed for a file of this station, and the mapping it would be if it stood in station.toml."""

from pathlib import Path

from pydantic import ValidationError

from pipelines.readers.tables.mapping import Mapping, source_of
from pipelines.readers.tables.propose import Proposal, propose, which_source
from pipelines.readers.tables.sheet import Refused
from pipelines.station.layouts import NamedLayout
from pipelines.station.settings import Station
from schemas.sources import SOURCES

#: headers that a proposed source is told by
MOST_NAMED = 4


class ReadsAsSeveral(ValueError):
    """A file may be read as several sources; `choices` are they, the most likely first."""

    def __init__(self, file: Path, choices: list[str]):
        super().__init__(
            f"{file.name} does not say what it holds, and its headers read as {' as well as '.join(choices)}. "
            f"Give --source: {', '.join(choices)}."
        )
        self.choices = choices


def proposed_layout(station: Station, file: Path, source: str = "") -> tuple[Proposal, Mapping]:
    """Propose how a file is to be read; `source` empty: what its name says, else its headers and values.

    Raises
    ------
    ReadsAsSeveral
        Only a person knows what it holds.
    ValueError
        A sentence: no such file, no such source, or nothing in the file that a layout could describe.
    """
    if not file.is_file():
        raise ValueError(f"{file}: there is no such file.")
    source, by = (source, ()) if source else _source(station, file)
    if source not in SOURCES:
        raise ValueError(f"--source {source}: there is no such source. Give one of {', '.join(SOURCES)}.")
    try:
        made = propose(file, source)
    except Refused as why:
        raise _cannot_be_read(file, why) from why
    if by:
        made.notes.insert(
            0,
            f"source: the file's name does not say it; {source} is proposed, for {', '.join(map(repr, by))}. "
            "Make sure of it, or give --source.",
        )
    try:
        return made, NamedLayout(**made.layout).mapping(made.name, (file.name,))
    except ValidationError as error:
        raise ValueError(f"{file}: the proposal does not hold together: {error}") from error


def _source(station: Station, file: Path) -> tuple[str, tuple[str, ...]]:
    """What a file holds, and by which of its headers, where its name does not say it."""
    if named := source_of(file.name, station.mappings):
        return named, ()
    try:
        found = which_source(file)
    except Refused as why:
        raise _cannot_be_read(file, why) from why
    if not found:
        raise ValueError(
            f"{file.name} does not say what it holds, nor do its headers. Give --source: {', '.join(SOURCES)}."
        )
    if len(found) > 1:
        raise ReadsAsSeveral(file, [fit.source for fit in found])
    return found[0].source, found[0].headers[:MOST_NAMED]


def _cannot_be_read(file: Path, why: Refused) -> ValueError:
    return ValueError(f"{file}: {why.problem.message} {why.problem.fix}".strip())
