"""Why a warehouse cannot be opened, and what to do."""

from pathlib import Path

import duckdb

#: words of errors that are the machine's or the rights', not the file's
_NOT_THE_FILE = (
    *("permission denied", "access is denied", "read-only file system", "no space left", "disk quota"),
    *("too many open", "input/output error"),
)


def of_disk(error: Exception) -> bool:
    """Whether the warehouse could not be written or read for trouble of the machine, whatever the rows were."""
    failed = isinstance(error, duckdb.TransactionException) and "commit" in str(error).lower()
    return failed or isinstance(error, (duckdb.IOException, duckdb.OutOfMemoryException, duckdb.FatalException))


class WarehouseBusy(RuntimeError):
    """Another process has the warehouse open for writing."""


class WarehouseDamaged(RuntimeError):
    """The warehouse's file cannot be read."""


class WarehouseOlder(RuntimeError):
    """The warehouse has an earlier form than this version writes."""


class WarehouseNewer(RuntimeError):
    """The warehouse has a form that this version does not know."""


def older(path: Path) -> WarehouseOlder:
    """What to do about a warehouse of an earlier form."""
    return WarehouseOlder(
        f"{path.name} was written by an earlier coldfill. The next run brings it up to date, after a backup: "
        f"coldfill run --station {path.parent}"
    )


def newer(path: Path, form: int, known: int) -> WarehouseNewer:
    """What to do about a warehouse of a later form."""
    return WarehouseNewer(
        f"{path.name} was written by a newer coldfill (form {form}; this one knows forms up to {known}). Nothing was "
        "changed. Install that version or a later one."
    )


def trouble(path: Path, error: duckdb.Error) -> Exception:
    """What an error at opening means; the error itself where it is the machine's."""
    text = str(error).lower()
    if "could not set lock" in text or "being used" in text:
        return WarehouseBusy(
            f"{path.name} is in use by another process. Is another `coldfill run` or `coldfill schedule` at "
            "work? Wait until it has finished, then run again."
        )
    return error if any(words in text for words in _NOT_THE_FILE) else damaged(path, error)


def damaged(path: Path, error: Exception) -> WarehouseDamaged:
    """What to do about a warehouse that cannot be read."""
    return WarehouseDamaged(
        f"{path.name} cannot be read; the file is damaged, or of a newer version ({str(error).splitlines()[0][:200]}). "
        "The published snapshot still stands. Put back a copy of the file, or read everything again from inbox/ and "
        f"archive/: coldfill rebuild --station {path.parent}"
    )
