"""Rewrite the originals of a station, in inbox and archive, without people who were forgotten.

It may end at any point and be begun again: new originals are written beside the old ones, the list of the archive is
swapped at once, then the inbox follows, and the old originals go last.
"""

import contextlib
import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path

from pipelines.intake.archive import hash_of
from pipelines.intake.file_layout import FileLayout, layout_from, layout_of
from pipelines.intake.forgotten import Forgotten, Unseen
from pipelines.intake.journal import Entry, Journal
from pipelines.intake.redact.file import Redacted, place_of, redact_file, redact_layout
from pipelines.station.settings import Station
from pipelines.warehouse.withdrawn import WITHDRAWALS

#: withdrawals of files of withdrawals, of withdrawals: so many rounds are enough
_ROUNDS = 5


class OriginalMissing(RuntimeError):
    """An original that counts is neither in the archive nor in the inbox."""


@dataclass
class Swept:
    """What is rewritten, renamed and removed, by place in the inbox; what could not be looked into."""

    #: rows or places by file, of all its contents
    rewritten: dict[str, int] = field(default_factory=dict)
    renamed: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)
    unseen: dict[tuple[str, str], Unseen] = field(default_factory=dict)


def sweep(
    station: Station,
    people: Forgotten,
    *,
    do: bool,
    problem_numbers: Callable[[dict[str, str]], dict[str, str]] = lambda _: {},
) -> Swept:
    """Rewrite every original, or with `do` False only say what would be.

    Parameters
    ----------
    problem_numbers : sha256 of contents old to new → numbers of their problems old to new

    Raises
    ------
    OriginalMissing
        Nothing has been changed then.
    """
    journal = Journal(station.archive)
    missing = sorted({e.file for e in journal.entries() if not (station.archive / e.archived).is_file()})
    if missing:
        raise OriginalMissing(
            f"The originals of {', '.join(missing[:5])} are missing in archive/, so they cannot be rewritten. Bring "
            "them back, or go on without their rows: coldfill rebuild --without-missing. Nothing was changed."
        )
    at_work = _Sweep(station, people, do)
    at_work.archive(journal, problem_numbers)
    at_work.inbox()
    if do:
        at_work.remove_old()
    return at_work.swept


class _Sweep:
    def __init__(self, station: Station, people: Forgotten, do: bool):
        self.station, self.people, self.do = station, people, do
        self.swept = Swept()
        #: sha256 of contents and numbers of problems, old to new; '' for a content that is removed
        self.moved: dict[str, str] = dict(people.moved)

    # --- the archive --------------------------------------------------------------------------
    def archive(self, journal: Journal, problem_numbers: Callable[[dict[str, str]], dict[str, str]]) -> None:
        entries = journal.entries()
        layouts = [layout_from(e.layout) or layout_of(e.file, self.station) for e in entries]
        later = [n for n, layout in enumerate(layouts) if layout.source == WITHDRAWALS]
        made: dict[int, Entry | None] = {}
        for n, entry in enumerate(entries):
            if n not in later:
                made[n] = self._rewritten(entry, layouts[n])
        self.moved |= problem_numbers(self.moved)
        for turn in range(_ROUNDS):  # withdrawals name contents by what these are called by now
            before = dict(self.moved)
            for n in later:
                made[n] = self._rewritten(entries[n], layouts[n])
            if turn and self.moved == before:
                break
        if self.do:
            self.people.moved = self.moved
            self.people.write()
            kept = [entry for _, entry in sorted(made.items()) if entry is not None]
            journal.write_anew(kept)

    def _rewritten(self, entry: Entry, layout: FileLayout) -> Entry | None:
        """What the list is to say of a content; None where it is removed."""
        place = place_of(entry.file, self.people)
        if entry.file_sha256 in self.people.removing:
            self._remove(place)
            self.moved[entry.file_sha256] = ""
            return None
        made = redact_file(self.station.archive / entry.archived, entry.file, layout, self.people, self.moved)
        if self._only_theirs(made, entry.file, place, entry.file_sha256):
            self.moved[entry.file_sha256] = ""
            return None
        new, size = entry.file_sha256, entry.size
        if made.changed:
            new, size = sha256(made.data).hexdigest(), len(made.data)
            self.moved[entry.file_sha256] = new
            self._count(place, made)
            if self.do:
                _write(self.station.archive / (new + entry.archived[64:]), made.data)
        self._list_inside(made, place, new)
        layout_kept = redact_layout(entry.layout, self.people)
        archived = new + entry.archived[64:]
        return replace(entry, file=place, file_sha256=new, archived=archived, size=size, layout=layout_kept)

    def _only_theirs(self, made: Redacted, file: str, place: str, old: str) -> bool:
        """Whether a file that cannot be looked into is theirs by its name, and goes as a whole; listed if not."""
        if made.looked:
            return False
        if place != file:
            self._remove(place)
            return True
        self.swept.unseen[place, old] = Unseen(place, old, "coldfill cannot read it")
        return False

    def _list_inside(self, made: Redacted, place: str, new: str) -> None:
        if made.inside:
            why = f"{' and '.join(made.inside)} in it, which coldfill cannot read"
            self.swept.unseen[place, new] = Unseen(place, new, why)

    def _remove(self, place: str) -> None:
        if place not in self.swept.removed:
            self.swept.removed.append(place)

    def _count(self, place: str, made: Redacted) -> None:
        self.swept.rewritten[place] = max(self.swept.rewritten.get(place, 0), made.changed)

    # --- the inbox ----------------------------------------------------------------------------
    def inbox(self) -> None:
        inbox = self.station.inbox
        for folder, _, names in os.walk(inbox, topdown=False):
            for name in sorted(names):
                path = Path(folder) / name
                if path.is_file() and not path.is_symlink():
                    self._of_inbox(path, path.relative_to(inbox).as_posix())
            if (
                self.do
                and Path(folder) != inbox
                and place_of(name := Path(folder).relative_to(inbox).as_posix() + "/x", self.people) != name
            ):
                with contextlib.suppress(OSError):  # others have put something into it
                    Path(folder).rmdir()

    def _of_inbox(self, path: Path, file: str) -> None:
        place, old = place_of(file, self.people), hash_of(path)
        new = "" if old in self.people.removing else self.moved.get(old)
        if new:
            data = next(iter(self.station.archive.glob(f"{new}*"))).read_bytes() if self.do else b""
        elif new is None:
            layout = layout_of(file, self.station)
            layout = layout if layout.source else layout_of(place, self.station)
            made = redact_file(path, file, layout, self.people, self.moved)
            if self._only_theirs(made, file, place, old):
                new = ""
            elif made.changed:
                data = made.data
                self._count(place, made)
            elif place != file:
                data = made.data
            if new is None:
                self._list_inside(made, place, sha256(made.data).hexdigest())
                if not made.changed and place == file:
                    return
        if place != file and place not in self.swept.renamed and new != "":
            self.swept.renamed.append(place)
        if not self.do:
            return
        if new == "":
            path.unlink()
            return
        saved = path.stat()
        target = self.station.inbox / place
        while target != path and target.exists() and hash_of(target) != sha256(data).hexdigest():
            target = target.with_name(f"{target.stem}-again{target.suffix}")
        target.parent.mkdir(parents=True, exist_ok=True)
        _write(target, data, saved.st_mtime_ns)
        if target != path:
            path.unlink()

    def remove_old(self) -> None:
        """The originals as they were: nothing names them any more."""
        listed = {e.file_sha256 for e in Journal(self.station.archive).entries()}
        for old in set(self.moved) - listed:
            if len(old) == 64:
                for path in self.station.archive.glob(f"{old}*"):
                    path.unlink()


def _write(path: Path, data: bytes, mtime_ns: int | None = None) -> None:
    """A file with these bytes, all of them or none, and the time it was saved."""
    made = path.with_name(f".copy-{sha256(path.name.encode()).hexdigest()[:16]}.new")
    with open(made, "wb") as handle:
        handle.write(data)
        handle.flush()
        os.fsync(handle.fileno())
    if mtime_ns is not None:
        os.utime(made, ns=(mtime_ns, mtime_ns))
    os.replace(made, path)
