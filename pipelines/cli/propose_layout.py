"""`coldfill layout`: a proposed layout for a file, and what would become of its rows if it stood in station.toml."""

import sys
from dataclasses import replace
from pathlib import Path

import click
import typer

from pipelines.cli.console import print_check
from pipelines.cli.dry_run import check_files
from pipelines.station.proposed_layout import ReadsAsSeveral, proposed_layout
from pipelines.station.settings import Station
from schemas.words import plural


def print_proposal(station: Station, file: Path, source: str) -> None:
    """Print the proposal and its trial; at a terminal a source that reads both ways is asked for.

    Raises
    ------
    ValueError
        A sentence: no such file, no such source, or nothing in the file that a layout could describe.
    """
    try:
        made, mapping = proposed_layout(station, file, source)
    except ReadsAsSeveral as unclear:
        if not sys.stdin.isatty():
            raise
        asked = f"{file.name} reads as {' as well as '.join(unclear.choices)}. What does it hold?"
        chosen = typer.prompt(asked, type=click.Choice(unclear.choices), default=unclear.choices[0])
        made, mapping = proposed_layout(station, file, chosen)
    print(f"# A proposal. Read it, put it into {station.folder / 'station.toml'}, and change what is wrong.")
    print(made.toml())
    width = max((len(theirs) for theirs, *_ in made.columns), default=0)
    for theirs, ours, form, example in made.columns:
        written = f" ({form})" if form else ""
        print(f"  {theirs:{width}} → {ours}{written}{f', for instance {example}' if example else ''}")
    for note in made.notes:
        print(f"! {note}")
    (found,) = check_files(replace(station, layouts={made.name: mapping, **station.layouts}), [file])
    print(f"\nRead so, {plural(found.accepted, 'row')} of {found.read} would load:")
    print_check([found], as_json=False)
