"""Which files are to be read now: new ones, changed ones, and known ones that would be read otherwise."""

import os
from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import pandas as pd

from pipelines.intake.file_layout import FileLayout, layout_from, layout_of
from pipelines.intake.inbox import InboxFile, Names
from pipelines.intake.journal import Entry, Journal
from pipelines.readers.forms import FORMS
from pipelines.readers.tables.mapping import looks_like_conflict, matches
from pipelines.station.settings import Station
from pipelines.warehouse import files
from pipelines.warehouse.store import Warehouse
from schemas.entries import written_by_form
from schemas.sources import INTAKE_ORDER

Reading = dict[str, Any]
"""What the warehouse keeps of one reading of a file."""

ToRead = list[tuple[InboxFile, Reading | None]]
"""Files, each with the last reading of its place where there is one."""

#: from so many readings on it is noted that warehouse and archive agree, so that a run need not compare them
MANY_FILES = 1000

FORGOTTEN = "forgotten"
"""Outcome of a reading that the archive knows of and the warehouse does not."""

_READING = (
    "file",
    "file_sha256",
    "source",
    "size",
    "mtime_ns",
    "modified_at",
    "mapping_hash",
    "layout",
    "waits_for",
    "archived",
    "outcome",
    "received_at",
    "seen_again",
    "rows_accepted",
    "refs",
    "meaning",
    "read_nth",
)


@dataclass
class Look:
    """One look at the inbox: what to read, and what else was seen there, by file."""

    todo: ToRead = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    sync_conflicts: list[str] = field(default_factory=list)
    #: refused when last read, and since taken out of the inbox
    refused_and_gone: list[str] = field(default_factory=list)
    readings: "Known" = field(default_factory=lambda: Known({}))


class Known:
    """The readings of places: of all, or of those that a run looks at and, where it asks, of others."""

    def __init__(self, of_places: dict[str, list[Reading]], pending: "PendingFiles | None" = None):
        self._of_places, self._pending = of_places, pending

    def of(self, file: str) -> list[Reading]:
        """Of one place that is looked at."""
        return self._of_places.get(file, [])

    def of_sizes(self, sizes: Collection[int]) -> dict[int, list[Reading]]:
        """Of all places, by size, those of these sizes."""
        places = self._of_places if self._pending is None else self._pending.readings(among=("size", sizes))
        found: dict[int, list[Reading]] = {size: [] for size in sizes}
        for past in places.values():
            for reading in past:
                if reading["size"] in found:
                    found[reading["size"]].append(reading)
        return found

    def all(self) -> dict[str, list[Reading]]:
        """Of all places, the last one last."""
        return self._of_places if self._pending is None else self._pending.readings()


class PendingFiles:
    """Compares the inbox with what was read before."""

    def __init__(
        self, station: Station, warehouse: Warehouse, accept_layouts: tuple[str, ...] = (), *, afresh: bool = False
    ):
        self.station, self.warehouse = station, warehouse
        #: every file counts as new, whatever the warehouse says of it
        self.afresh = afresh
        # a yes holds for what an earlier run has shown, not for what this one finds
        shown = files.waiting_layouts(warehouse)
        self._confirmed = {change for change in shown if any(_means(only, *change[:2]) for only in accept_layouts)}
        self.journal = Journal(station.archive)
        self._names: Names | None = None
        self._layouts: dict[str, FileLayout] = {}
        self._alike: dict[tuple, FileLayout] = {}
        #: by source and units; where people log by forms there is a file a fill
        self._of_forms: dict[tuple[str, str | None], FileLayout] = {}
        #: all readings, for the look that follows
        self._just_read: dict[str, list[Reading]] | None = None
        #: the archive's list and the warehouse say the same of many files: neither is read whole
        self.agreed = not afresh and files.count(warehouse) >= MANY_FILES and files.agreed(warehouse) == self._said()
        self._all_originals_there = self.agreed

    def names(self) -> Names:
        """What the names in files mean now."""
        if self._names is None:
            self._names = Names(self.warehouse)
        return self._names

    @property
    def names_stand(self) -> bool:
        """Whether the names in files mean what they meant when it was last asked."""
        return self._names is not None

    def forget_names(self) -> None:
        """A register or the links have changed."""
        self._names = None

    def readings(
        self,
        *,
        file: str | None = None,
        sha256: str | None = None,
        either: bool = False,
        among: tuple[str, Collection[Any]] | None = None,
    ) -> dict[str, list[Reading]]:
        """All readings of each place in the inbox, or of this one, or of this content; the last one last."""
        found: dict[str, list[Reading]] = {}
        if self.afresh:
            return found
        for reading in files.readings(self.warehouse, _READING, file=file, sha256=sha256, either=either, among=among):
            found.setdefault(reading["file"], []).append(reading)
        return found

    def reading(self, found: InboxFile) -> Reading | None:
        """The reading of this very content of its place."""
        readings = self.readings(file=found.file, sha256=found.sha256)
        return next(iter(readings.get(found.file, [])), None)

    def note_in_archive(self) -> None:
        """Write into the archive what the warehouse knows and the archive does not yet: one of an earlier version.

        Only of originals that are there: another station's warehouse has no say in this archive.
        """
        if self.agreed:
            return
        kept = set(os.listdir(self.station.archive))
        self._just_read, self._all_originals_there = self.readings(), True
        for past in self._just_read.values():
            for n, reading in enumerate(past):
                if reading["archived"] in kept:
                    self.note(reading, earlier=n < len(past) - 1)
                else:
                    self._all_originals_there = False

    def came_at(self, file: str, sha256: str, *, new: bool = False) -> pd.Timestamp | None:
        """When a content first came in by the archive's list; `new`: the warehouse does not know it."""
        return None if new and self.agreed else self.journal.came_at(file, sha256)

    def note(self, reading: Reading, *, earlier: bool = False, new: bool = False) -> None:
        """Note a reading in the archive; `new`: the warehouse did not know it."""
        at = _in_utc(reading["modified_at"])
        came_at = reading.get("received_at") or self.came_at(reading["file"], reading["file_sha256"], new=new)
        came = "" if came_at is None else _in_utc(came_at)
        of_file = {name: reading[name] for name in ("file", "file_sha256", "archived", "size", "mtime_ns")}
        entry = Entry(**of_file, modified_at=at, layout=reading["layout"] or "", received_at=came)
        self.journal.note(entry, earlier=earlier, new=new and self.agreed)

    def with_forgotten(self) -> dict[str, list[Reading]]:
        """The readings of the warehouse, and those that the archive knows of and the warehouse does not.

        So it is after the warehouse was lost or an older copy of it was put back.
        """
        readings, self._just_read = self.readings() if self._just_read is None else self._just_read, None
        known = {(r["file"], r["file_sha256"]) for past in readings.values() for r in past}
        forgotten = [e for e in self.journal.entries() if (e.file, e.file_sha256) not in known]
        last_noted = self.journal.last()
        earlier: Counter[str] = Counter()
        for entry in forgotten:
            past = readings.setdefault(entry.file, [])
            reading = dict.fromkeys(_READING) | {
                "file": entry.file,
                "file_sha256": entry.file_sha256,
                "size": entry.size,
                "mtime_ns": entry.mtime_ns,
                "modified_at": entry.ranked_at,
                "mapping_hash": "",
                "layout": entry.layout,
                "archived": entry.archived,
                "outcome": FORGOTTEN,
                "seen_again": 0,
                "rows_accepted": 0,
            }
            # what the archive has last of a place is its last content; anything else came before what is known
            if last_noted[entry.file] == entry.file_sha256:
                past.append(reading)
            else:
                past.insert(earlier[entry.file], reading)
                earlier[entry.file] += 1
        return readings

    def forgotten(self) -> list[str]:
        """Places with a content that the archive knows of and that could not be read."""
        if self.agreed:
            return []
        known = set() if self.afresh else files.known(self.warehouse)
        return sorted({e.file for e in self.journal.entries() if (e.file, e.file_sha256) not in known})

    def agree(self) -> None:
        """Note that the archive's list and the warehouse say the same, where they do."""
        if not self.afresh and self._all_originals_there and files.count(self.warehouse) >= MANY_FILES:
            said = self._said()
            if said != files.agreed(self.warehouse) and not self.forgotten():
                files.set_agreed(self.warehouse, said)

    def _said(self) -> str:
        return f"{self.journal.as_it_stands()} {files.as_listed(self.warehouse)}"

    def look(self, here: list[InboxFile], tried: set[str]) -> Look:
        """Compare the files that are here with their readings; those just tried in vain are left for the next run.

        Tables come as they need each other, then UDDF files.
        """
        names, plain = self.names(), files.read_once(self.warehouse) if self.agreed else {}
        as_read = {f.file for f in here if plain.get(f.file) == (f.size, f.mtime_ns, self.layout(f.file).hash)}
        if self.agreed:
            others = {*files.places(self.warehouse), *(f.file for f in here)} - as_read
            readings = self.readings(among=("file", others))
        else:
            readings = self.with_forgotten()
        seen = Look(readings=Known(readings, self if self.agreed else None))
        for found in here:
            if looks_like_conflict(found.file):
                seen.sync_conflicts.append(found.file)
                continue
            if found.file in as_read:
                seen.unchanged.append(found.file)
                continue
            found.use(self.layout(found.file))
            past = readings.get(found.file, [])
            found.prior = last = past[-1] if past else None
            if (
                last
                and (last["size"], last["mtime_ns"]) == (found.size, found.mtime_ns)
                and not self.stale(last, found, names)
            ):
                seen.unchanged.append(found.file)
            elif found.file not in tried:
                seen.todo.append((found, last))
            if len(past) > 1:
                seen.todo += self._from_archive(past[:-1], names, earlier=True)
        for file in sorted(set(readings) - {f.file for f in here}):
            seen.todo += self._from_archive(readings[file][:-1], names, earlier=True)
            seen.todo += self._from_archive(readings[file][-1:], names, earlier=False)
            if readings[file][-1]["outcome"] == "refused":
                seen.refused_and_gone.append(file)
        order = {name: n for n, name in enumerate((*INTAKE_ORDER, *FORMS))}
        seen.todo.sort(key=lambda pair: (order.get(pair[0].source or "", -1), pair[0].mtime_ns, pair[0].file))
        return seen

    def ambiguous_now(self) -> ToRead:
        """Files with tanks or samples given to the only member with a dive, who is not the only one any more."""
        return self.once_more(files.ambiguous_now(self.warehouse))

    def once_more(self, known: Iterable[tuple[str, str]]) -> ToRead:
        """Known files, by place and sha256, to be read again from the archive although nothing about them changed."""
        asked = sorted(known)
        readings = self.readings() if asked else {}
        todo: ToRead = []
        for file, sha256 in asked:
            for n, reading in enumerate(readings.get(file, [])):
                if reading["file_sha256"] == sha256:
                    found = self._archived(reading, earlier=n < len(readings[file]) - 1)
                    found.again = True
                    todo.append((found, None))
        return todo

    def stale(self, reading: Reading, found: InboxFile, names: Names) -> bool:
        """Whether the same bytes would be read otherwise now; a layout that waits for a yes does not count."""
        waits = reading["waits_for"] == found.layout.hash and not self.confirmed(reading, found.layout)
        return (reading["mapping_hash"] != found.layout.hash and not waits) or bool(
            reading["refs"] and names.meaning(reading["source"], reading["refs"]) != reading["meaning"]
        )

    def confirmed(self, reading: Reading, layout: FileLayout) -> bool:
        """Whether somebody has seen what this layout would change of a reading, and said yes."""
        return (reading["file"], reading["file_sha256"], layout.hash) in self._confirmed

    def layout(self, file: str) -> FileLayout:
        """The present layout of a place in the inbox."""
        if file not in self._layouts:
            form = written_by_form(file)
            if form is None or form not in self._of_forms:
                made = layout_of(file, self.station)
                self._layouts[file] = self._alike.setdefault(self._what_is_read(made), made)
                if form is not None:
                    self._of_forms[form] = self._layouts[file]
            else:
                self._layouts[file] = self._of_forms[form]
        return self._layouts[file]

    def _what_is_read(self, layout: FileLayout) -> tuple:
        """What tells layouts of one station apart; many files share one, and its hash takes time."""
        mapping = layout.mapping
        if mapping is None:
            return (layout.source, layout.overlap)
        own = mapping is self.station.mappings.get(mapping.source) or mapping.layout
        return (layout.source, own, tuple(mapping.headers.items()))

    def _from_archive(self, past: list[Reading], names: Names, earlier: bool) -> ToRead:
        """Readings whose original lies in the archive alone and would be read otherwise now."""
        made: ToRead = []
        for reading in past:
            found = self._archived(reading, earlier)
            found.use(self.layout(found.file))
            if self.stale(reading, found, names):
                made.append((found, None))
        return made

    def _archived(self, reading: Reading, earlier: bool) -> InboxFile:
        return InboxFile(
            reading["file"],
            self.station.archive / reading["archived"],
            reading["size"],
            reading["mtime_ns"],
            layout_from(reading["layout"]) or self.layout(reading["file"]),
            reading["file_sha256"],
            earlier=earlier,
            waits_for=reading["waits_for"],
            prior=reading,
            ranked_at=pd.Timestamp(reading["modified_at"]).tz_convert("UTC").as_unit("us"),
        )


def _in_utc(moment: Any) -> str:
    """A moment as ISO text in UTC."""
    if type(moment) is datetime and moment.tzinfo:  # as the database gives it, and most are
        return moment.astimezone(UTC).isoformat()
    return pd.Timestamp(moment).tz_convert("UTC").isoformat()


def _means(only: str, file: str, sha256: str) -> bool:
    """Whether a word of the person means this content: its file, a pattern of files, or the beginning of its hash."""
    return matches(file, only) or (len(only) >= 6 and sha256.startswith(only))
