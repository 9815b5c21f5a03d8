"""What several commands take, and how one of them ends with a sentence."""

from pathlib import Path
from typing import Annotated

import typer

StationOption = Annotated[Path, typer.Option("--station", help="Folder of the station.", metavar="DIR")]
JsonOption = Annotated[bool, typer.Option("--json", help="One line of JSON for scripts.")]
HERE = Path()


class Stop(Exception):
    """Ends a command with a sentence for the person and an exit code."""

    def __init__(self, message: str, code: int = 2):
        super().__init__(message)
        self.code = code
