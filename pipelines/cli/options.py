"""What several commands take, and how one of them ends with a sentence."""

import contextlib
from collections.abc import Iterator
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


@contextlib.contextmanager
def writing(to: Path) -> Iterator[None]:
    """Trouble with the file or folder that a command was asked to write names the option and what to do."""
    try:
        yield
    except OSError as error:
        met = Path(error.filename) if isinstance(error.filename, str) else None
        if met is None or not ({met, met.parent} & {to, *to.parents} or to in met.parents):
            raise
        raise Stop(
            f"--to {to}: cannot be written ({error.strerror}). Name a place in a folder that exists and that you may "
            "write to."
        ) from error
