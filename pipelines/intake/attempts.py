"""A file at which passes die (out of memory, killed) is refused after the third time, so that the station goes on."""

import contextlib
import errno
import json
import os

from pipelines.intake.inbox import InboxFile
from pipelines.readers.tables.sheet import refused
from pipelines.station.settings import Station
from pipelines.warehouse.trouble import of_disk

NAME = ".being-read.json"
#: so many passes may end at one file; a power cut or two are not its fault
MOST = 3
#: trouble of the machine and not of a file: it ends the run
_MACHINE_ERRNO = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO, errno.EMFILE, errno.ENFILE)


def of_machine(error: Exception) -> bool:
    """Whether an error is trouble of the machine and not of the file that was being read."""
    return of_disk(error) or getattr(error, "errno", None) in _MACHINE_ERRNO


def begin(station: Station, found: InboxFile) -> None:
    """Note that this file is being read now.

    Raises
    ------
    Refused
        Earlier passes ended while they read it: it is set aside until it changes.
    """
    path = station.lake / NAME
    ended = 0
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError, AttributeError):
        noted = json.loads(path.read_text(encoding="utf-8"))
        if noted["file_sha256"] == found.sha256:
            ended = int(noted["ended"]) + 1
    if ended >= MOST:
        clear(station)
        raise refused("ended_the_pass", found=ended)
    made = path.with_name(f"{NAME}.new")
    made.write_text(json.dumps({"file_sha256": found.sha256, "ended": ended}), encoding="utf-8")
    os.replace(made, path)


def clear(station: Station) -> None:
    """Nothing is being read."""
    (station.lake / NAME).unlink(missing_ok=True)
