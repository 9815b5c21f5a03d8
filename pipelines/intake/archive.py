"""The originals: each file is copied under its sha256 before it is read, so that it can always be read again."""

import hashlib
import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from pipelines.intake.inbox import InboxFile, scan
from pipelines.station.settings import Station
from pipelines.warehouse.lake import OF_THE_SYSTEM


class Unreadable(Exception):
    """The original cannot be opened just now."""


def archive(found: InboxFile, folder: Path) -> str:
    """Copy an original into the archive; the name there. Sets the file's sha256.

    Raises
    ------
    Unreadable
        The original cannot be opened or has gone.
    """
    if found.path.parent == folder:
        if not found.path.exists():
            raise Unreadable(f"{found.path.name} is missing from the archive")
        if not is_original(found.path, found.sha256):
            raise Unreadable(f"{found.path.name} in the archive is damaged: its bytes are not those that came in")
        return found.path.name
    digest = hashlib.sha256()
    if found.instead is not None:
        return _archive_bytes(found, folder, found.instead)
    try:
        source = open(found.path, "rb")  # noqa: SIM115 - what cannot be opened is the file's trouble, all else is ours
    except OSError as error:
        raise Unreadable(error.strerror or str(error)) from None
    handle, made = tempfile.mkstemp(dir=folder, prefix=".copy-")
    with source, os.fdopen(handle, "wb") as target:
        while chunk := _chunk(source):
            digest.update(chunk)
            target.write(chunk)
    found.sha256 = digest.hexdigest()
    name = archived_name(found)
    if is_original(folder / name, found.sha256):
        os.unlink(made)
    else:
        os.replace(made, folder / name)
    return name


def _archive_bytes(found: InboxFile, folder: Path, data: bytes) -> str:
    """The same for bytes that take the place of those of the file."""
    found.sha256 = hashlib.sha256(data).hexdigest()
    name = archived_name(found)
    if not is_original(folder / name, found.sha256):
        handle, made = tempfile.mkstemp(dir=folder, prefix=".copy-")
        with os.fdopen(handle, "wb") as target:
            target.write(data)
        os.replace(made, folder / name)
    return name


def archived_name(found: InboxFile) -> str:
    """What the archive calls an original: its hash and its ending."""
    return name_in_archive(found.file, found.sha256)


def name_in_archive(file: str, sha256: str) -> str:
    """The same of a place in the inbox, and of its content's hash."""
    return sha256 + "".join(c for c in Path(file).suffix.lower() if c.isalnum() or c == ".")[:12]


def _chunk(source: BinaryIO) -> bytes:
    try:
        return source.read(1 << 20)
    except OSError as error:
        raise Unreadable(error.strerror or str(error)) from None


@dataclass(frozen=True)
class Original:
    """What is needed to find an original: its name in the archive, and its size in bytes."""

    name: str
    size: int


def originals(station: Station) -> dict[str, Original]:
    """Every content that can be read, by its sha256, as its bytes say now: of the archive, and of the inbox."""
    found = {}
    for path in sorted(station.archive.glob("*")):
        sha256 = path.name.split(".")[0]
        if len(sha256) == 64 and is_original(path, sha256):
            found[sha256] = Original(path.name, path.stat().st_size)
    for here in scan(station.inbox):
        try:
            here.sha256 = hash_of(here.path)
        except OSError:
            continue
        found.setdefault(here.sha256, Original(archived_name(here), here.size))
    return found


def is_original(path: Path, sha256: str) -> bool:
    """Whether these are the bytes that came in; not where the file is gone, or its disk does not give them."""
    try:
        return path.is_file() and hash_of(path) == sha256
    except OSError as error:
        if error.errno in OF_THE_SYSTEM:
            raise
        return False


def hash_of(path: Path) -> str:
    """The sha256 of a file."""
    with open(path, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def clear_workplaces(station: Station) -> None:
    """Remove what a run that died left half made."""
    for left in [*station.lake.glob(".reading-*"), *station.archive.glob(".copy-*")]:
        shutil.rmtree(left, ignore_errors=True) if left.is_dir() else left.unlink(missing_ok=True)
