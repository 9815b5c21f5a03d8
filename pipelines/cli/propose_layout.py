"""`coldfill layout`: a proposed layout for a file, and what would become of its rows if it stood in station.toml."""

from dataclasses import replace
from pathlib import Path

from pydantic import ValidationError

from pipelines.cli.commands import Stop
from pipelines.cli.console import print_check
from pipelines.cli.dry_run import check_files
from pipelines.readers.tables.mapping import source_of
from pipelines.readers.tables.propose import Proposal, propose
from pipelines.readers.tables.sheet import Refused
from pipelines.station.layouts import NamedLayout
from pipelines.station.settings import Station
from schemas.sources import SOURCES
from schemas.words import plural


def print_proposal(station: Station, file: Path, source: str) -> None:
    """Print the proposal and its trial.

    Raises
    ------
    Stop
        No such file, no such source, or nothing in the file that a layout could describe.
    """
    if not file.is_file():
        raise Stop(f"{file}: there is no such file.")
    source = source or source_of(file.name, station.mappings) or ""
    if source not in SOURCES:
        said = (
            f"--source {source}: there is no such source."
            if source
            else f"The name {file.name} does not say what it holds."
        )
        raise Stop(f"{said} Give --source: {', '.join(SOURCES)}.")
    try:
        made = propose(file, source)
    except Refused as why:
        raise Stop(f"{file}: {why.problem.message} {why.problem.fix}".strip()) from why
    print(f"# A proposal. Read it, put it into {station.folder / 'station.toml'}, and change what is wrong.")
    print(made.toml())
    width = max((len(theirs) for theirs, *_ in made.columns), default=0)
    for theirs, ours, form, example in made.columns:
        print(
            f"  {theirs:{width}} → {ours}{f' ({form})' if form else ''}{f', for instance {example}' if example else ''}"
        )
    for note in made.notes:
        print(f"! {note}")
    _print_trial(station, file, made)


def _print_trial(station: Station, file: Path, made: Proposal) -> None:
    try:
        mapping = NamedLayout(**made.layout).mapping(made.name, (file.name,))
    except ValidationError as error:
        raise Stop(f"The proposal does not hold together: {error}") from error
    trial = replace(station, layouts={made.name: mapping, **station.layouts})
    (found,) = check_files(trial, [file])
    print(f"\nRead so, {plural(found.accepted, 'row')} of {found.read} would load:")
    print_check([found], as_json=False)
