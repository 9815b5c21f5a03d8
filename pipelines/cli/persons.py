"""`coldfill hand-out`: what a station keeps of one person, for that person."""

from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.options import HERE, StationOption, Stop, writing


def hand_out(
    member: Annotated[str, typer.Argument(metavar="MEMBER_ID", help="As in members.csv.")],
    to: Annotated[Path, typer.Option("--to", help="New or empty folder.", metavar="DIR")],
    station: StationOption = HERE,
) -> None:
    """Write all that is kept of one member into a folder, for that person to have."""
    from pipelines.refresh.hand_out import NobodyKnown
    from pipelines.refresh.hand_out import hand_out as write_all
    from pipelines.station.settings import load_station

    try:
        with writing(to):
            made = write_all(load_station(station), member, to)
    except NobodyKnown as error:
        raise Stop(str(error)) from error
    print(f"Wrote {to}. It is personal: give it to nobody else, and look through it first for names of others.")
    for line in made.lines():
        print(f"  {line}")
