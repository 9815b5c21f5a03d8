"""What lies in the inbox, and what each file means there: its source, its mapping, and the names it uses."""

import hashlib
import json
import os
import stat
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path, PurePosixPath
from typing import Any

import pandas as pd

from pipelines.intake.file_layout import FileLayout
from pipelines.readers.forms import FORMS
from pipelines.readers.tables.mapping import passed_over, passed_over_folder
from pipelines.warehouse.rows import link_targets
from pipelines.warehouse.store import Warehouse
from schemas.capacity import resolve_capacity

#: sources that decide what the names in other files mean
NAMING = ("members", "cylinders", "links")
#: endings that tell a file with rows
_READ = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".uddf")
#: a file time beyond these is no time; the latest leaves room in 64 bits of nanoseconds
_TIMES_NS = (0, 9_000_000_000_000_000_000)


@dataclass
class InboxFile:
    """A file of the inbox, or one that is only in the archive any more."""

    file: str
    path: Path
    size: int
    mtime_ns: int
    layout: FileLayout = field(default_factory=FileLayout)
    sha256: str = ""
    #: its name in the archive, once it is there
    archived: str = ""
    #: hash of a layout by which it would be read once somebody has said yes
    waits_for: str | None = None
    #: the last reading of its place
    prior: dict[str, Any] | None = None
    #: an earlier content of its place
    earlier: bool = False
    #: to be read again although nothing about the file has changed
    again: bool = False
    #: the time it ranks by where that is not the time of the file: known bytes keep their first
    ranked_at: pd.Timestamp | None = None
    #: its bytes without what is of people who were forgotten, where it holds something of them; and in how many places
    instead: bytes | None = None
    left_out: int = 0
    #: known bytes with a new time: `alone`, or `with others` as after a copy that lost the times
    saved_again: str = ""

    @property
    def source(self) -> str | None:
        """The source its layout is for; None for none."""
        return self.layout.source

    def use(self, layout: FileLayout, waits_for: str | None = None) -> None:
        """Read it by this layout, whatever the present one is."""
        self.layout, self.waits_for = layout, waits_for

    @property
    def saved_at(self) -> pd.Timestamp:
        """The time of the file."""
        return pd.Timestamp(self.mtime_ns, unit="ns", tz="UTC").floor("us").as_unit("us")

    @property
    def modified_at(self) -> pd.Timestamp:
        """The time by which its rows rank."""
        return self.saved_at if self.ranked_at is None else self.ranked_at


@dataclass
class PassedOver:
    """What lies in the inbox and is not read: place and rule; and the folders that could not be looked into."""

    listed: set[tuple[str, str]] = field(default_factory=set)
    unreadable: list[str] = field(default_factory=list)

    def may_hold(self, file: str) -> bool:
        """Whether a file may still lie in a folder that could not be looked into."""
        return any(folder == "." or file.startswith(f"{folder}/") for folder in self.unreadable)


def scan(inbox: Path, passed: PassedOver | None = None, made_up: Callable[[str], str] | None = None) -> list[InboxFile]:
    """The files of the inbox and the folders inside it.

    Links that lead out of it, links to folders, and what is no file, are passed over and listed in `passed`.
    `made_up` gives the name of a place without people who were forgotten.
    """
    found = []
    root = inbox.resolve()
    passed = PassedOver() if passed is None else passed

    def place(path: Path) -> str:
        return _printable(path.relative_to(inbox).as_posix())

    def cannot_look(error: OSError) -> None:
        where = place(Path(os.fsdecode(error.filename)))
        passed.unreadable.append(where)
        passed.listed.add((where, "folder_unreadable"))

    for folder, folders, files in os.walk(inbox, onerror=cannot_look):
        folders.sort()
        for name in folders:
            if (Path(folder) / name).is_symlink():
                passed.listed.add((place(Path(folder) / name), "link_passed_over"))
        in_folder = Path(folder)
        beginning = "" if in_folder == inbox else f"{in_folder.relative_to(inbox).as_posix()}/"
        for name in sorted(files):
            path, relative = in_folder / name, _printable(beginning + name)
            if passed_over(relative) == "lock_or_temporary":
                hidden = passed_over_folder(relative)
                if hidden and path.suffix.lower() in _READ and passed_over(name) is None:
                    passed.listed.add((hidden, "folder_passed_over"))
                continue
            try:
                info = os.lstat(f"{folder}{os.sep}{name}")
                if stat.S_ISLNK(info.st_mode):
                    if not path.resolve().is_relative_to(root):
                        passed.listed.add((relative, "link_passed_over"))
                        continue
                    info = path.stat()
            except (OSError, RuntimeError):
                # gone between listing and looking, or a link that leads nowhere or in a circle
                if path.is_symlink():
                    passed.listed.add((relative, "link_passed_over"))
                continue
            if not stat.S_ISREG(info.st_mode):
                passed.listed.add((relative, "not_a_file"))
            if stat.S_ISREG(info.st_mode):
                found.append(
                    InboxFile(relative, path, info.st_size, min(max(info.st_mtime_ns, _TIMES_NS[0]), _TIMES_NS[1]))
                )
    if made_up is not None:
        taken = {f.file for f in found}
        for f in found:
            if (name := made_up(f.file)) != f.file:
                while name in taken:
                    other = PurePosixPath(name)
                    name = other.with_name(f"{other.stem}-again{other.suffix}").as_posix()
                taken.add(name)
                f.file = name
        passed.listed = {(made_up(file), rule) for file, rule in passed.listed}
    return found


def _printable(name: str) -> str:
    """A name that a table can hold: bytes that are not UTF-8 are written as %FF."""
    if name.isascii():
        return name
    return "".join(f"%{ord(c) - 0xDC00:02X}" if 0xDC80 <= ord(c) <= 0xDCFF else c for c in name)


@dataclass
class Names:
    """What the names in files mean just now: links, registers, and the working pressures of units.

    A file whose names have come to mean something else since it was read is read again by itself.
    """

    warehouse: Warehouse
    links: dict[str, list[tuple]] = field(default_factory=dict)
    members: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        for ref, *rest in link_targets(self.warehouse):
            self.links.setdefault(ref, []).append(tuple(rest))
        self.members = self.warehouse.ids("member")

    @cached_property
    def pressures(self) -> dict[str, float]:
        """Least working pressure of each unit; most files name nothing that rests on it."""
        return working_pressures(self.warehouse).to_dict()

    def meaning(self, source: str | None, refs: Iterable[str]) -> str:
        """A hash of what these names mean to a file of a source."""
        entries: list[tuple]
        if source in FORMS:
            entries = [
                (r, self.links.get(r), r in self.members, r in self.pressures)
                for r in sorted(refs)
                if r in self.links or r in self.members or r in self.pressures
            ]
        else:
            entries = [(r, self.pressures[r]) for r in sorted(refs) if r in self.pressures]
        return hashlib.sha256(json.dumps(entries).encode()).hexdigest()[:16]


def working_pressures(warehouse: Warehouse) -> pd.Series:
    """Least working pressure of each unit's cylinders, by unit; not to be changed."""
    return warehouse.once("working_pressures", lambda: _working_pressures(warehouse.current("cylinders")))


def _working_pressures(cylinders: pd.DataFrame) -> pd.Series:
    cylinders["pressure"] = resolve_capacity(cylinders)["working_pressure_bar"]
    by_set = cylinders[cylinders["set_kind"] == "manifolded"].groupby("set_id")["pressure"].min()
    known = pd.concat([cylinders.set_index("cylinder_id")["pressure"], by_set]).astype("float64")
    return known[~known.index.duplicated()]
