"""What the archive says of its originals: where each lay in the inbox, when it was saved, in which order it came.

Originals are named by their hash. With this list beside them a warehouse that is lost, or an older copy of one that
was put back, is filled again from the archive, also with files that have left the inbox.
"""

import json
import os
import re
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from functools import cached_property
from pathlib import Path

import pandas as pd

NAME = "readings.jsonl"


@dataclass(frozen=True)
class Entry:
    """One content of one place in the inbox. `modified_at` is the time it ranks by, ISO with its zone.

    `received_at` is when it first came in; empty in lines of an earlier version.
    """

    file: str
    file_sha256: str
    archived: str
    size: int
    mtime_ns: int
    modified_at: str
    #: by which it was accepted
    layout: str = ""
    received_at: str = ""

    @property
    def ranked_at(self) -> pd.Timestamp:
        return pd.Timestamp(self.modified_at).tz_convert("UTC").as_unit("us")

    @property
    def came_at(self) -> pd.Timestamp | None:
        """When it first came in, UTC; None where the list does not say."""
        try:
            return pd.Timestamp(self.received_at).tz_convert("UTC").as_unit("us") if self.received_at else None
        except (ValueError, TypeError):
            return None


#: a moment as this list has it, which is read as one a tenth as long as any other text that may be one
_AS_WRITTEN = re.compile(r"(19|20)\d\d-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{6})?\+00:00")
_KNOWN = {field.name for field in fields(Entry)}


def path_of(archive: Path) -> Path:
    """Where the list lies."""
    return archive / NAME


class Journal:
    """The list of an archive. Lines are only ever added; a torn or foreign line is passed over."""

    def __init__(self, archive: Path):
        self.path = path_of(archive)
        self._added = False

    @cached_property
    def _lines(self) -> list[Entry]:
        return _read(self.path)

    @cached_property
    def _last(self) -> dict[str, Entry]:
        return {e.file: e for e in self._lines}

    @cached_property
    def _known(self) -> dict[tuple[str, str], Entry]:
        return {(e.file, e.file_sha256): e for e in self._lines}

    def as_it_stands(self) -> str:
        """Changes with the file, without a look into it; empty where there is none."""
        try:
            info = self.path.stat()
        except OSError:
            return ""
        return f"{info.st_size} {info.st_mtime_ns}"

    def entries(self) -> list[Entry]:
        """Every content of every place, each once, as it was noted last, in order."""
        return list({(e.file, e.file_sha256): e for e in reversed(self._lines)}.values())[::-1]

    def came_at(self, file: str, sha256: str) -> pd.Timestamp | None:
        """When a content first came in, UTC; None where the list does not say."""
        entry = self._known.get((file, sha256))
        return None if entry is None else entry.came_at

    def last(self) -> dict[str, str]:
        """By place, the hash of its last content."""
        return {file: entry.file_sha256 for file, entry in self._last.items()}

    def note(self, entry: Entry, *, earlier: bool = False, new: bool = False) -> None:
        """Add an entry unless the list says the same already; an earlier content does not become the last again.

        `new`: the list surely does not have this content, and need not be read to know.
        """
        key = entry.file, entry.file_sha256
        if new and "_lines" not in self.__dict__:
            self._write(entry)
            return
        last = self._last.get(entry.file)
        if self._known.get(key) == entry and (earlier or last == entry):
            return
        self._write(entry)
        self._known[key] = entry
        self._lines.append(entry)
        if not earlier:
            self._last[entry.file] = entry

    def _write(self, entry: Entry) -> None:
        text = json.dumps(asdict(entry), ensure_ascii=False)
        torn = self.path.exists() and self.path.stat().st_size and not _ends_well(self.path)
        with open(self.path, "a", encoding="utf-8") as handle:
            handle.write(("\n" if torn else "") + text + "\n")
        self._added = True

    def write_anew(self, entries: list[Entry]) -> None:
        """Let the list hold these entries alone, all of them or none."""
        made = self.path.with_name(f".{self.path.name}.new")
        with open(made, "w", encoding="utf-8") as handle:
            handle.writelines(json.dumps(asdict(e), ensure_ascii=False) + "\n" for e in entries)
            handle.flush()
            os.fsync(handle.fileno())
        os.replace(made, self.path)

    def flush(self) -> None:
        """Bring what was added to the disk; once a run, for each call waits for it."""
        if self._added:
            with open(self.path, "rb") as handle:
                os.fsync(handle.fileno())
            self._added = False


def _is_time(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _ends_well(path: Path) -> bool:
    with open(path, "rb") as handle:
        handle.seek(-1, os.SEEK_END)
        return handle.read(1) == b"\n"


def _read(path: Path) -> list[Entry]:
    try:
        # at line feeds alone: the name of a file may hold what Python and Unicode take for the end of a line
        lines = path.read_bytes().decode("utf-8", "replace").split("\n")
    except FileNotFoundError:
        return []
    found = []
    for line in lines:
        try:
            # what a later version says besides is not known here
            entry = Entry(**{name: value for name, value in json.loads(line).items() if name in _KNOWN})
            if not _AS_WRITTEN.fullmatch(entry.modified_at) or not _is_time(entry.modified_at):
                entry.ranked_at  # noqa: B018 - a time that is none makes the line foreign
        except (ValueError, TypeError, AttributeError):
            continue
        if os.path.basename(entry.archived) == entry.archived != "." and entry.archived.startswith(entry.file_sha256):
            found.append(entry)
    return found
