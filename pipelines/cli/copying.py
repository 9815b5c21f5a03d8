"""`coldfill copy`: bring the copy at an address to what is published."""

import json
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.options import HERE, JsonOption, StationOption, Stop


def copy(
    station: StationOption = HERE,
    thorough: Annotated[
        bool, typer.Option("--thorough", help="Read back all that lies there, and send again what is damaged.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Copy what is published to the address of [copy] in station.toml, as each run does; ends with 1 if it cannot."""
    from pipelines.publish.copying import copy_out
    from pipelines.station.clock import now
    from pipelines.station.settings import load_station

    kept = load_station(station)
    done = copy_out(kept, now, thorough=thorough)
    if done is None:
        raise Stop('Nothing says where to copy to: to under [copy] in station.toml, as "s3://bucket/folder".')
    if as_json:
        print(json.dumps(asdict(done)))
    else:
        print("\n".join(done.lines()) or f"{done.address} holds what is published, {done.snapshot}.")
    raise typer.Exit(1 if done.wrong else 0)


def copy_beside(station: Path) -> None:
    """Begin the same in a process of its own, which outlives this one."""
    nothing = subprocess.DEVNULL
    subprocess.Popen(
        [sys.executable, "-m", "pipelines.cli", "copy", "--station", str(station)],
        stdin=nothing,
        stdout=nothing,
        stderr=nothing,
        start_new_session=True,
    )
