"""Forget a person: their rows stay for the fleet's sake under a made-up name, everything that says who it was goes.

Originals are rewritten first, then the warehouse is made anew from them, so that no old byte of it stays and a
rebuild gives the same. What died half way is finished by the next run, or by forgetting the person again.
"""

import contextlib
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from pipelines.intake.archive import hash_of
from pipelines.intake.arriving import complete
from pipelines.intake.file_layout import FileLayout
from pipelines.intake.forgotten import PREFIX, Forgotten, Person, Unseen
from pipelines.intake.redact.file import redact_file
from pipelines.intake.sweep import Swept, sweep
from pipelines.publish.copy_note import clear_from, clear_later, left_at, must_clear, read_note
from pipelines.publish.copying import copy_out
from pipelines.publish.snapshot import write_durably
from pipelines.refresh import first_shown
from pipelines.refresh.backups import scheduled
from pipelines.station import clock
from pipelines.station.backup import BACKUPS
from pipelines.station.lock import SCHEDULE_LOCK, SCHEDULER, is_held
from pipelines.station.settings import FILE, SettingsError, Station, load_station, settings_of
from pipelines.warehouse import files, person
from pipelines.warehouse.person import Known, NobodyKnown
from pipelines.warehouse.store import Warehouse
from schemas.schedule_note import RUNS as SCHEDULED_RUNS
from schemas.snapshot import NAME, SINCE, current_name
from schemas.words import plural

Progress = Callable[[str, int, int], None]
Run = Callable[..., Any]
"""`pipelines.refresh.run.run_locked`; given, because that finishes here what was begun."""

#: what the warehouse is called while a new one is made in its place
ASIDE = "warehouse.duckdb.being-forgotten"
OUT_OF_REACH = (
    "coldfill cannot reach copies outside the station's folder: backups elsewhere, exports, printed sheets, mails, a "
    "handed-out folder. Delete them, or forget the person again after a restore from one. Reload open pages."
)
#: so long another run may go on copying
_COPY_WAIT_S = 60.0
_IN_LIST = re.compile(rf'"{PREFIX}\w+"\s*,\s*|,?\s*"{PREFIX}\w+"(?=\s*[\],])')


class NotForgotten(RuntimeError):
    """It cannot be done now; nothing was changed, or the next try finishes it."""


@dataclass
class Forgetting:
    """What forgetting a person does, or did, by place."""

    made_up: str
    #: whether it is done; until then nobody knows the made-up name
    done: bool = False
    rows: dict[str, int] = field(default_factory=dict)
    originals: Swept = field(default_factory=Swept)
    settings: int = 0
    snapshots: int = 0
    backups: list[str] = field(default_factory=list)
    reports: list[str] = field(default_factory=list)
    scheduler: bool = False
    #: the address whose copy is made anew
    copied_to: str = ""
    #: what is left, and why
    left: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """In words that hold before and after."""
        rows, originals = self.rows, self.originals
        of = ", ".join(f"{source} {n}" for source, n in rows.items())
        changed = [f"{file} ({n})" for file, n in originals.rewritten.items()]
        said = [
            f"{plural(sum(rows.values()), 'row')} kept under the name {self.made_up}: {of}" if rows else "",
            f"{plural(len(changed), 'original')} in archive/ and inbox/ rewritten{_listed(changed, 30)}",
            f"{plural(len(originals.renamed), 'file')} renamed{_listed(originals.renamed)}"
            if originals.renamed
            else "",
            f"{plural(len(originals.removed), 'file')} removed, theirs by name and no table{_listed(originals.removed)}"
            if originals.removed
            else "",
            "warehouse, lake, list of problems and published tables made anew from these",
            f"{plural(self.settings, 'line')} of {FILE} changed" if self.settings else "",
            f"{plural(self.snapshots, 'earlier snapshot')} removed" if self.snapshots else "",
            f"{plural(len(self.backups), 'backup')} in the station's own folders removed{_listed(self.backups)}. "
            "Make a new one"
            if self.backups
            else "",
            f"{plural(len(self.reports), 'printed page')} removed{_listed(self.reports)}" if self.reports else "",
            "the scheduler's own records removed" if self.scheduler else "",
            f"the copy at {self.copied_to} made anew, all that lay there before removed (where its store keeps "
            "versions of what is removed, have it remove those)"
            if self.copied_to
            else "",
        ]
        lines = [*filter(None, said), *(f"stays: {why}" for why in self.left), OUT_OF_REACH]
        return lines if self.done else [line.replace(self.made_up, f"{PREFIX}…") for line in lines]


def forget(
    station: Station,
    member: str,
    run: Run,
    *,
    names: tuple[str, ...] = (),
    remove: tuple[str, ...] = (),
    do: bool,
    progress: Progress = lambda *_: None,
) -> Forgetting:
    """Forget a member; with `do` False say what that would do, and change nothing. The caller holds the lock of runs.

    Parameters
    ----------
    names : more names or initials by which they signed, taken for theirs wherever they stand
    remove : originals that could not be looked into, by their places, to go as a whole; of who was forgotten before

    Raises
    ------
    NobodyKnown
        No row names the member, and nobody of that id was forgotten.
    NotForgotten
        Something that counts cannot be read, so it could not be kept without them.
    """
    if not do:
        return _plan(station, member, names, do)
    if remove:
        people, person_of = _unseen_of(station, member)
        people.removing = [u.sha256 for place in remove for u in _meant(people, place)]
        person_of.done = False
        people.write()
        return finish(station, run, progress)
    before = Forgotten(station.archive)
    if before.unfinished:
        listed = before.listed(member)
        last = finish(station, run, progress)
        if listed is not None and not listed.done and not names:
            return last
    result = run(station, progress=progress)
    if result.held:
        raise NotForgotten(f"First put this right: {result.held}")
    complete(station)
    return _finish(station, _plan(station, member, names, do), run, progress)


def look_done(station: Station, member: str, places: tuple[str, ...]) -> list[str]:
    """Somebody has looked through these originals and found nothing of the member; gives what is left to look at.

    Raises
    ------
    NobodyKnown
        Nobody of that id was forgotten.
    NotForgotten
        None of these was to be looked at.
    """
    people, person_of = _unseen_of(station, member)
    for seen in [u for place in places for u in _meant(people, place)]:
        people.looked[seen.sha256] = sorted({*people.looked.get(seen.sha256, []), person_of.made_up})
    people.unseen = _still(people, people.unseen)
    people.write()
    return unseen_lines(station, people)


def unseen_lines(station: Station, people: Forgotten, *, planned: bool = False) -> list[str]:
    """What is left to look at, or would be, place by place, and what to do; nothing of what is gone by now."""
    said = []
    for u in sorted(people.unseen, key=lambda u: u.file):
        kept = sorted(station.archive.glob(f"{u.sha256}*"))
        path = station.inbox / u.file
        here = path.is_file() and hash_of(path) == u.sha256
        places = [f"inbox/{u.file}" if here else "", *(f"archive/{p.name}" for p in kept)]
        if any(places) or planned:
            where = " and ".join(filter(None, places)) or u.file
            said.append(f"{where}: {u.why}")
    if said:
        said.append(
            "open these. Where one tells of the person, drop a version without it if its rows are to stay, then "
            "coldfill forget MEMBER --remove FILE; where not, --looked-at FILE. coldfill doctor lists them until then"
        )
    return said


def _unseen_of(station: Station, member: str) -> tuple[Forgotten, Person]:
    people = Forgotten(station.archive)
    found = people.listed(member)
    if found is None:
        raise NobodyKnown(f"No member {member!r} was forgotten here. Write the member_id as it was in members.csv.")
    return people, found


def _meant(people: Forgotten, place: str) -> list[Unseen]:
    """The originals of a place, given as it stands in the list: below inbox/, or in archive/ by its name."""
    word = place.removeprefix("inbox/").removeprefix("archive/")
    found = [u for u in people.unseen if word == u.file or (len(word) >= 12 and word.startswith(u.sha256[: len(word)]))]
    if not found:
        raise NotForgotten(f"{place} is none of the originals that are left to look at: coldfill doctor lists them.")
    return found


def _still(people: Forgotten, unseen: list[Unseen]) -> list[Unseen]:
    """Those that were not looked through for each who was forgotten."""
    made_up = {p.made_up for p in people.people}
    return [u for u in unseen if not made_up <= set(people.looked.get(u.sha256, []))]


def finish(station: Station, run: Run, progress: Progress = lambda *_: None) -> Forgetting:
    """Finish what was begun; the caller holds the lock."""
    begun = [p.made_up for p in Forgotten(station.archive).people if not p.done]
    return _finish(station, Forgetting(" and ".join(begun)), run, progress)


def _plan(station: Station, member: str, names: tuple[str, ...], do: bool) -> Forgetting:
    people = Forgotten(station.archive)
    before = people.listed(member)
    with contextlib.closing(Warehouse(station.warehouse)) as warehouse:
        known = person.known_of(warehouse, member)
        rows = {source: len(found) for source, found in person.rows_of(warehouse, member).items()}
        if samples := person.samples_of(warehouse, member):
            rows["dive_samples"] = samples
        if not rows and before is None and not people.unfinished:
            raise NobodyKnown(f"No row names the member {member!r}. Write the member_id as in members.csv.")
        listed = _listed_person(people, member, known, names)
        made = Forgetting(listed.made_up, rows=rows, left=_left(known, member))
        if do:
            people.write()
        else:
            made.originals = sweep(
                station, people, do=False, problem_numbers=lambda moved: person.numbers_after(warehouse, moved)
            )
    if not do:
        people.unseen = _still(people, list(made.originals.unseen.values()))
        made.left += unseen_lines(station, people, planned=True)
        _clear(station, people, made, do=False)
    return made


def _listed_person(people: Forgotten, member: str, known: Known, names: tuple[str, ...]) -> Person:
    return people.add(
        member,
        on=f"{clock.now():%Y-%m-%d}",
        names=[*known.names, *names],
        addresses=known.addresses,
        aliases=known.aliases,
        others=known.others,
        means_more=known.means_more,
    )


def _left(known: Known, member: str) -> list[str]:
    said = [f"{value!r}, for another member has it too" for value in known.shared]
    bearing = [o for o in known.things if member in re.split(r"[\W_]+", o) and o != member]
    if bearing and any(c.isalpha() for c in member):
        said.append(f"the id inside{_listed(bearing)}: what is stamped on a cylinder is not renamed; mark it anew")
    if known.means_more:
        said.append(f"{member!r} where it is a unit, gauge, compressor, source or station of that name")
    if not any(c.isalpha() for c in member):
        said.append("the bare number outside columns of members, where it may mean anything")
    return said


def _finish(station: Station, made: Forgetting, run: Run, progress: Progress) -> Forgetting:
    clear_later(station)
    people = Forgotten(station.archive)
    aside = station.folder / ASIDE
    with contextlib.closing(Warehouse(station.warehouse)) if station.warehouse.exists() else _none() as warehouse:
        numbers = (lambda moved: person.numbers_after(warehouse, moved)) if warehouse is not None else (lambda _: {})
        made.originals = sweep(station, people, do=True, problem_numbers=numbers)
    people.unseen = _still(people, list(made.originals.unseen.values()))
    made.left += unseen_lines(station, people)
    made.settings = _settings(station, people)
    station = load_station(station.folder)
    if not aside.exists():
        for ending in ("", ".wal"):
            path = station.warehouse.with_name(station.warehouse.name + ending)
            if path.exists():
                path.rename(aside.with_name(aside.name + ending))
    else:  # an earlier try died while the new one was made
        for path in (station.warehouse, station.warehouse.with_name(f"{station.warehouse.name}.wal")):
            path.unlink(missing_ok=True)
    carried = person.carried(aside) if aside.exists() else {}
    carried = {name: _without(frame, people) for name, frame in carried.items()}
    first_shown.rename(station.archive, people.text)
    result = run(station, progress=progress, anew=lambda new: person.take_over(new, carried))
    if result.held:
        raise NotForgotten(f"Half done; the next run goes on. {result.held}")
    if not result.published:
        raise NotForgotten("Half done: what is published still names them. The next run goes on.")
    _clear(station, people, made, do=True)
    for listed in people.people:
        listed.done = True
    people.moved, people.removing = {}, []
    people.write()
    made.done = True
    clear_from(station, result.snapshot)
    _clear_copies(station, made, progress)
    return made


def _clear_copies(station: Station, made: Forgetting, progress: Progress) -> None:
    """See that no copy at an address tells of them; where it cannot be done now, the next run does it."""
    note = read_note(station.published)
    if must_clear(station.published):
        copied = copy_out(station, clock.now, progress=progress, wait_s=_COPY_WAIT_S)
        if not must_clear(station.published) and copied and not copied.left_at:
            made.copied_to = note.address
        elif copied and not copied.left_at:
            why = copied.wrong or "another run is copying."
            made.left.append(
                f"what tells of them at {note.address}: {why} The next run removes it; or delete all there"
            )
    made.left += [
        f"the copy at {address}, named by earlier settings: {known}; delete all of it there"
        for address, known in left_at(read_note(station.published).former).items()
    ]


@contextlib.contextmanager
def _none() -> Iterator[None]:
    yield None


def _without(frame: pd.DataFrame, people: Forgotten) -> pd.DataFrame:
    """What was first published of fills, under their names as they are by now."""
    if "fill_id" not in frame:
        return frame
    return frame.assign(fill_id=frame["fill_id"].map(people.text, na_action="ignore"))


def _settings(station: Station, people: Forgotten) -> int:
    """Take them out of the settings; gives how many lines changed. Settings that would not load stay as they are."""
    path = station.folder / FILE
    text = path.read_text(encoding="utf-8-sig")
    old = text.split("\n")
    new = [line if line == before else _IN_LIST.sub("", line) for before in old for line in [people.text(before)]]
    made = "\n".join(new)
    if made == text:
        return 0
    try:
        settings_of(station.folder, made)
    except SettingsError:
        return 0
    write_durably(path, made)
    return sum(a != b for a, b in zip(old, new, strict=True))


def _clear(station: Station, people: Forgotten, made: Forgetting, *, do: bool) -> None:
    """What nobody needs any more and names them."""
    current = None if not do else current_name(station.published)
    for path in station.published.iterdir():
        if path.is_dir() and NAME.fullmatch(path.name) and path.name != current:
            made.snapshots += 1
            _remove(path, do)
    for name in (SINCE, SCHEDULED_RUNS):  # what failed may have named a file of theirs
        _remove(station.published / name, do)
    for path in sorted(station.folder.glob("warehouse.duckdb.*")):
        if path.name != "warehouse.duckdb.wal":
            _remove(path, do)
    for path in [*sorted((station.folder / BACKUPS).glob("*")), *scheduled(station)]:
        made.backups.append(path.name)
        _remove(path, do)
    for path in sorted(station.reports.rglob("*")):
        if path.is_file() and (
            redact_file(path, path.name, FileLayout(), people).changed or people.text(path.name) != path.name
        ):
            made.reports.append(people.text(path.name))
            _remove(path, do)
    if do:
        with contextlib.closing(Warehouse(station.warehouse)) as warehouse:
            named = files.part_paths(warehouse)
        for path in station.lake.rglob("*.parquet"):
            if path.relative_to(station.lake).as_posix() not in named:
                path.unlink()
        for folder in sorted((p for p in station.lake.rglob("*") if p.is_dir()), reverse=True):
            if not any(folder.iterdir()):
                folder.rmdir()
    _remove_scheduler(station, made, do)
    if not do and (note := read_note(station.published)).begun:
        made.copied_to = note.address


def _remove_scheduler(station: Station, made: Forgetting, do: bool) -> None:
    home = station.folder / SCHEDULER
    if not home.exists():
        return
    if is_held(home / SCHEDULE_LOCK):
        made.left.append(
            "what the scheduler noted of files, for it is being served: end coldfill schedule, and forget once more"
        )
        return
    made.scheduler = True
    _remove(home, do)


def _remove(path: Path, do: bool) -> None:
    if not do or not path.exists():
        return
    shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink()


def _listed(names: list[str], most: int = 8) -> str:
    shown = ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
    return f": {shown}" if names else ""
