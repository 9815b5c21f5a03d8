"""A file that somebody hands in by a page: it lies in the inbox like any other, in a folder that says by whom.

What a member hands in may say nothing but own dives: pages look before it is written, and a run looks again, by the
place where the file lies, whatever it is called or says.
"""

import errno
import hashlib
import os
import re
import tempfile
from pathlib import Path, PurePosixPath

#: folder, inside that of a member's dives or of the inbox
FOLDER = "handed_in"
#: what a member's own file may be: a source of dives, or a dive computer's export
OF_A_MEMBER = ("dive_samples", "dive_tanks", "dives")
EXPORT = ".uddf"
LARGEST_BYTES = 64 << 20
"""At most so much by a page; what is larger goes into the inbox by hand. Smaller ones too meet the reader's limits."""
_STEM = 40


class NotTaken(ValueError):
    """The file was not written; the message says why and what to do."""


def of_member(file: str) -> str | None:
    """The member who has handed in a file, by its place in the inbox; None of any other."""
    parts = PurePosixPath(file.replace("\\", "/")).parts
    return parts[1] if len(parts) == 4 and parts[0] == "dives" and parts[2] == FOLDER else None


def hand_in(inbox: Path, name: str, content: bytes, member_id: str | None = None, source: str = "") -> str:
    """Write a file into the inbox, whole or not at all; the same content under the same name is one file.

    Parameters
    ----------
    name : str
        As the person's own machine calls it; only letters, digits and its ending are kept.
    member_id : str, optional
        Whose dives they are, and nobody else's. None for who may hand in anything.
    source : str
        What a table holds, where its name does not say it.

    Returns
    -------
    str
        Its place in the inbox.

    Raises
    ------
    NotTaken
        Empty, too large, of another kind, or it cannot be written.
    """
    if not content:
        raise NotTaken("The file is empty.")
    if len(content) > LARGEST_BYTES:
        raise NotTaken(f"The file has {len(content) >> 20} MB; at most {LARGEST_BYTES >> 20} MB are handed in here.")
    ending = Path(name).suffix.lower()
    tables = (".csv",) if member_id is not None else (".csv", ".xlsx")
    if ending not in (EXPORT, *tables):
        raise NotTaken(f"A file {ending or 'without ending'} is not taken here: {', '.join((EXPORT, *tables))}.")
    stem = re.sub(r"[^A-Za-z0-9]+", "-", Path(name).stem).strip("-")[:_STEM] or "file"
    if ending != EXPORT and source and not stem.lower().replace("-", "_").startswith(source):
        stem = f"{source}-{stem}"
    if member_id is not None:
        if not re.fullmatch(r"[^/\\\x00]+", member_id) or member_id in (".", ".."):
            raise NotTaken(f"A member called {member_id!r} has no folder. Ask who runs the station.")
        if ending != EXPORT and not stem.lower().replace("-", "_").startswith(OF_A_MEMBER):
            raise NotTaken("Say what the file holds: dives, their tanks or their samples.")
    place = PurePosixPath("dives", member_id, FOLDER) if member_id is not None else PurePosixPath(FOLDER)
    file = place / f"{stem}-{hashlib.sha256(content).hexdigest()[:12]}{ending}"
    _write(inbox / file, content, inbox)
    return str(file)


def _write(target: Path, content: bytes, inbox: Path) -> None:
    if not inbox.is_dir():
        raise NotTaken(f"Not saved: the station has no inbox at {inbox}.")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if not target.resolve().is_relative_to(inbox.resolve()):
            raise NotTaken("Not saved: the folder for it lies outside the inbox. Tell who runs the station.")
        # the inbox passes over what begins with a point, so that a run never meets half a file
        handle, part = tempfile.mkstemp(dir=target.parent, prefix=".", suffix=".part")
        try:
            with os.fdopen(handle, "wb") as out:
                out.write(content)
                out.flush()
                os.fsync(out.fileno())
            os.replace(part, target)
        finally:
            Path(part).unlink(missing_ok=True)
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT)
        why = "the disk of the station's machine is full" if full else error.strerror or str(error)
        raise NotTaken(f"Not saved: {why}. Hand it in again once that is put right.") from error
