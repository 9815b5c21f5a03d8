"""The `coldfill` command and its calculator. Importing this loads no numpy and no pandas."""

from pipelines.cli.commands import app, main

__all__ = ["app", "main"]
