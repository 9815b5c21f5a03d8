"""A whole station in one file, and back: every original, the warehouse, the lake and the snapshot that counts.

The file is a ZIP. `backup.json` in it lists each file with its size, SHA-256 and time of saving, so that damage is
found and named, and so that a restore undoes no correction: the order of files follows their times. What a machine
makes for itself stays out (the scheduler's own files, printed reports, older snapshots), and so do secrets.
"""

import errno
import hashlib
import json
import lzma
import os
import shutil
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path, PurePosixPath

import pandas as pd

from pipelines.station.disk import naming
from pipelines.station.settings_words import FILE
from schemas.schedule_note import RUNS, SERVING
from schemas.snapshot import FIRST_LOOK, NAME, SnapshotDamaged, current_name

LISTING = "backup.json"
KIND = "coldfill station backup"
#: raise when an older coldfill could not restore what this one writes
VERSION = 1
#: in a station's folder: what was saved before its warehouse was brought to another form
BACKUPS = "backups"
_LEFT_OUT = (BACKUPS, "reports", ".prefect", ".streamlit", ".pass.lock")
_HALF_MADE = (".reading-", ".copy-")
_BLOCK = 1 << 20
#: what reading a ZIP with one byte changed may raise: in its directory, in a file's header or in what is packed;
#: another method of packing or a password said by a changed flag are the last two
_DAMAGE: tuple[type[Exception], ...] = (zipfile.BadZipFile, zlib.error, EOFError, ValueError, struct.error)
_DAMAGE += (OSError, OverflowError, lzma.LZMAError, NotImplementedError, RuntimeError)


class BackupRefused(ValueError):
    """A backup that cannot be written, or must not be restored: what is wrong and what to do."""


@dataclass(frozen=True)
class Kept:
    """One file of a backup: its place in the station's folder, with `/`."""

    file: str
    size: int
    sha256: str
    mtime_ns: int


@dataclass(frozen=True)
class Backup:
    """What a backup holds."""

    made_at: str
    files: tuple[Kept, ...]

    @property
    def size(self) -> int:
        """Bytes of all files as they lie in the station."""
        return sum(kept.size for kept in self.files)


def write_backup(folder: Path, to: Path, made_at: pd.Timestamp) -> Backup:
    """Write a station's folder into one new file and read that back; call it while no run is at work.

    Raises
    ------
    BackupRefused
        The file exists or would lie in the station; or what was written does not read back as it was.
    """
    if to.exists():
        raise BackupRefused(f"{to} exists. Name a new file: a backup never overwrites another.")
    if to.resolve().is_relative_to(folder.resolve()) and to.parent.name != BACKUPS:
        raise BackupRefused(f"{to} lies in the station's own folder and would be lost with it. Name another place.")
    to.parent.mkdir(parents=True, exist_ok=True)
    made = to.with_name(f".{to.name}.new")
    try:
        with naming(to), zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
            files = tuple(_put(archive, folder, path) for path in _files(folder))
            listing = {"kind": KIND, "version": VERSION, "made_at": made_at.isoformat()}
            archive.writestr(LISTING, json.dumps(listing | {"files": [asdict(kept) for kept in files]}, indent=1))
        with naming(to), open(made, "r+b") as handle:
            os.fsync(handle.fileno())
        with _opened(made) as archive:
            for kept in files:
                _copy(archive, kept, None)
        made.chmod(0o600)  # it holds members' addresses
        os.replace(made, to)
    finally:
        made.unlink(missing_ok=True)
    return Backup(made_at.isoformat(), files)


def restore_backup(file: Path, to: Path) -> Backup:
    """Make a station's folder from a backup: all of it, verified, or nothing.

    Raises
    ------
    BackupRefused
        The folder holds something; or the file is none of ours, of a newer version, damaged or not to be trusted.
    """
    to = to.resolve()
    if to.exists() and (not to.is_dir() or any(to.iterdir())):
        raise BackupRefused(f"{to} is not an empty folder. Name a new one: nothing is overwritten by a restore.")
    made = to.with_name(f".{to.name}.restoring")
    shutil.rmtree(made, ignore_errors=True)
    try:
        with _opened(file) as archive:
            backup = _listing(archive, file)
            for kept in backup.files:
                target = made / kept.file
                target.parent.mkdir(parents=True, exist_ok=True)
                _copy(archive, kept, target)
                os.utime(target, ns=(kept.mtime_ns, kept.mtime_ns))
                target.chmod(0o600)
        for name in ("inbox", "archive", "lake", "published", "reports"):
            (made / name).mkdir(exist_ok=True, parents=True)
        if to.exists():  # somebody may stand in it: keep the folder itself
            _move_into(to, made)
        else:
            os.replace(made, to)
    finally:
        shutil.rmtree(made, ignore_errors=True)
    return backup


def _move_into(to: Path, made: Path) -> None:
    """All that was made, or nothing; the settings last, for without them a folder is no station."""
    moved: list[Path] = []
    try:
        for path in sorted(made.iterdir(), key=lambda path: path.name == FILE):
            os.replace(path, to / path.name)
            moved.append(to / path.name)
    except BaseException:
        for path in moved:
            os.replace(path, made / path.name)
        raise


def listing_of(file: Path) -> Backup:
    """What a backup says it holds; its files are not compared.

    Raises
    ------
    BackupRefused, OSError
    """
    with _opened(file) as archive:
        return _listing(archive, file)


@contextmanager
def _opened(file: Path) -> Iterator[zipfile.ZipFile]:
    """A backup's ZIP to read; damage anywhere in it is one refusal."""
    try:
        with zipfile.ZipFile(file) as archive:
            yield archive
    except BackupRefused:
        raise
    except _DAMAGE as error:
        # the disk's own errors stay; bz2 gives rubbish no number, a place before the file's start is EINVAL
        if isinstance(error, OSError) and error.errno not in (None, errno.EINVAL):
            raise
        raise BackupRefused(f"{file} is damaged or no backup: {error}. Take another copy of it.") from error


def _files(folder: Path) -> Iterator[Path]:
    """What belongs to a station, in the order of names; of snapshots the one that counts."""
    try:
        current = current_name(folder / "published")
    except SnapshotDamaged:  # all of it can be computed again
        current = None
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        if parts[0] in _LEFT_OUT or path.name.endswith(".new") or path.name.startswith(_HALF_MADE):
            continue
        if parts[0] == "published" and parts[-1] in (SERVING, RUNS, FIRST_LOOK):  # of a schedule or a run here
            continue
        if parts[0] == "published" and len(parts) > 1 and NAME.fullmatch(parts[1]) and parts[1] != current:
            continue
        if stat.S_ISREG(path.lstat().st_mode) and not any(p.startswith(_HALF_MADE) for p in parts):
            yield path


def _put(archive: zipfile.ZipFile, folder: Path, path: Path) -> Kept:
    name, info = path.relative_to(folder).as_posix(), path.stat()
    entry = zipfile.ZipInfo(name)  # its own time is to two seconds, and not before 1980: the listing has the real one
    entry.compress_type = zipfile.ZIP_STORED if path.suffix in (".parquet", ".xlsx") else zipfile.ZIP_DEFLATED
    digest, size = hashlib.sha256(), 0
    with open(path, "rb") as source, archive.open(entry, "w", force_zip64=True) as target:
        while block := source.read(_BLOCK):
            digest.update(block)
            size += len(block)
            target.write(block)
    return Kept(name, size, digest.hexdigest(), info.st_mtime_ns)


def _copy(archive: zipfile.ZipFile, kept: Kept, target: Path | None) -> None:
    """Read one file against its listing, and write it where asked."""
    digest, left, to = hashlib.sha256(), kept.size, target or Path(os.devnull)
    with naming(to), archive.open(kept.file) as source, open(to, "wb") as out:
        while True:
            with naming(Path(archive.filename or "")):
                block = source.read(_BLOCK)
            if not block:
                break
            left -= len(block)
            if left < 0:
                break
            digest.update(block)
            out.write(block)
    if left or digest.hexdigest() != kept.sha256:
        raise BackupRefused(f"{kept.file} in the backup is not as it was saved. Take another copy of the backup.")


def _listing(archive: zipfile.ZipFile, file: Path) -> Backup:
    try:
        said = json.loads(archive.read(LISTING))
        version = int(said["version"]) if said["kind"] == KIND else 0
        if version > VERSION:
            raise BackupRefused(f"{file} was written by a newer coldfill. Install that one to restore it.")
        backup = Backup(str(said["made_at"]), tuple(Kept(**entry) for entry in said["files"]))
        names = [kept.file for kept in backup.files]
        sizes = [kept.size >= 0 and kept.mtime_ns >= 0 for kept in backup.files]
    except (KeyError, ValueError, TypeError, RecursionError) as error:
        if isinstance(error, BackupRefused):
            raise
        raise BackupRefused(f"{file} is no backup of a station: it has no readable {LISTING}.") from error
    there = [entry.filename for entry in archive.infolist()]
    links = [entry.filename for entry in archive.infolist() if stat.S_ISLNK(entry.external_attr >> 16)]
    unsafe = [name for name in names if not _safe(name)] + links
    if version < 1 or not all(sizes) or unsafe or len({n.casefold() for n in names}) < len(names):
        raise BackupRefused(f"{file} was not written by `coldfill backup`{f': {unsafe[0]!r}' if unsafe else ''}.")
    if sorted(there) != sorted([*names, LISTING]):
        odd = sorted(set(there) ^ {*names, LISTING})
        raise BackupRefused(
            f"{file} is not whole: {odd[0] if odd else 'a file stands in it twice'}. Take another copy."
        )
    return backup


def _safe(name: str) -> bool:
    """Whether a name stays in the folder, on any system."""
    path = PurePosixPath(name)
    odd = any(c in name for c in "\\:\0") or name != path.as_posix()
    return not (odd or path.is_absolute() or ".." in path.parts or name in ("", ".", LISTING))
