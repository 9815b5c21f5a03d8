"""Each run looks at the bytes of some of what is kept and nothing else reads; the next run goes on from there.

An original is read again only when something has to be rebuilt, samples when their member's dives are computed, a
published part when a page asks for it. What rots or goes missing would come to light when it is needed.
"""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import pandas as pd

from pipelines.intake.archive import is_original, name_in_archive
from pipelines.intake.arriving import complete
from pipelines.station.settings import Station
from pipelines.warehouse import looked, problems
from pipelines.warehouse.store import Warehouse
from schemas.snapshot import Manifest

#: so much a run, which is some 0.03 s of hashing
MOST_BYTES, MOST_FILES = 32_000_000, 500
ORIGINALS, SAMPLES, PUBLISHED = "1", "2", "3"
LOST = "original_lost"


@dataclass(frozen=True)
class KeptFile:
    """A file whose bytes are known: its place in the order of looking, where it lies, and what stood there."""

    place: str
    path: Path
    sha256: str
    #: of an original: where it came in
    came_as: tuple[str, ...] = ()

    def is_sound(self) -> bool:
        """Whether its bytes are those that were written. An original may bear the ending of any of its places."""
        others = [self.path.with_name(name_in_archive(file, self.sha256)) for file in self.came_as]
        return any(is_original(path, self.sha256) for path in dict.fromkeys([self.path, *others]))


@dataclass
class Look:
    """What a look found not as it was written."""

    originals: list[KeptFile] = field(default_factory=list)
    samples: bool = False
    published: bool = False

    def lines(self, *, published: bool) -> list[str]:
        """What a person should know of it, and do; `published`: this run made anew what is published."""
        lost = sorted({file for kept in self.originals for file in kept.came_as})
        what_to_do = "its original in archive/ is missing or altered. Put it back, or drop the same file again"
        lines = [f"  {file}: {what_to_do}" for file in lost]
        what = " and ".join(["samples"] * self.samples + ["a part of what is published"] * self.published)
        if what:
            made = "made anew" if published or not self.published else "the next run that publishes makes it anew"
            lines.append(f"  Damaged on the disk: {what}; {made}. Look at this disk before more of it fails")
        return lines


def look_on(station: Station, warehouse: Warehouse, previous: Manifest | None, now: pd.Timestamp) -> Look:
    """Look at the next files. An original that still lies in the inbox is copied again, one that is lost is listed.

    Damaged samples and published parts are the caller's to make anew.
    """
    found, size, began = Look(), 0, looked.came_to(warehouse)
    place = began
    for n, kept in enumerate(_from(began, station, warehouse, previous), 1):
        place = kept.place
        with contextlib.suppress(OSError):  # without the right to look nothing is known of it; doctor says so
            if not kept.is_sound():
                _note(found, kept)
            size += kept.path.stat().st_size
        if size >= MOST_BYTES or n >= MOST_FILES:
            break
    if place != began:
        with warehouse.transaction(changes=False):
            looked.note_came_to(warehouse, place)
    found.originals = _list_lost(station, warehouse, found.originals, now)
    return found


def _note(found: Look, kept: KeptFile) -> None:
    match kept.place[0]:
        case "1":
            found.originals.append(kept)
        case "2":
            found.samples = True
        case _:
            found.published = True


def _from(began: str, station: Station, warehouse: Warehouse, previous: Manifest | None) -> Iterator[KeptFile]:
    """Every kept file once: those after a place, then from the first on to it."""
    yield from _after(began, station, warehouse, previous)
    for kept in _after("", station, warehouse, previous):
        if kept.place > began:
            return
        yield kept


def _after(place: str, station: Station, warehouse: Warehouse, previous: Manifest | None) -> Iterator[KeptFile]:
    def name_of(kind: str) -> str:
        """After which name to begin among the files of a kind."""
        return place[1:] if place[:1] == kind else ""

    originals = (
        KeptFile(ORIGINALS + sha256, station.archive / name_in_archive(files[0], sha256), sha256, tuple(files))
        for sha256, files in looked.originals_after(warehouse, name_of(ORIGINALS), MOST_FILES)
    )
    samples = (
        KeptFile(SAMPLES + path, station.lake / path, sha256)
        for path, sha256 in looked.samples_after(warehouse, name_of(SAMPLES), MOST_FILES)
    )
    snapshot = previous.tables if previous else {}
    parts = sorted((f"{table}/{p.file}", p.sha256) for table, of in snapshot.items() for p in of.values() if p.sha256)
    published = (
        KeptFile(PUBLISHED + path, station.published / previous.name / path, sha256)
        for path, sha256 in parts
        if previous and path > name_of(PUBLISHED)
    )
    for kept in chain(originals, samples, published):
        if kept.place > place:
            yield kept


def _list_lost(station: Station, warehouse: Warehouse, lost: list[KeptFile], now: pd.Timestamp) -> list[KeptFile]:
    """List what is lost, and take from the list what is there again; gives what is lost still."""
    known = {(n.file, n.value or "") for n in problems.listed(warehouse, [LOST])}
    if any((file, _short(kept)) not in known for kept in lost for file in kept.came_as):
        complete(station)
        lost = [kept for kept in lost if not kept.is_sound()]
    if lost or known:
        with warehouse.transaction(changes=False):
            for file, begins in known:
                if any(is_original(path, path.name.split(".")[0]) for path in station.archive.glob(f"{begins}*")):
                    problems.unlist(warehouse, file, [LOST], begins)
                    warehouse.raise_version()
            for kept in lost:
                # all of them, and not the first alone
                if any([warehouse.note(file, LOST, _short(kept), now) for file in kept.came_as]):
                    warehouse.raise_version()
    return lost


def _short(kept: KeptFile) -> str:
    return kept.sha256[:12]
