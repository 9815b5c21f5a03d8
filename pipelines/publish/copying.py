"""Copy what is published to an address, so that other machines can read it (`schemas/copied.py`).

The station's own folder stays the truth. Parts go first, then the listing, the pointer last: a copy that ends half way
changes nothing that readers see, and the next one goes on from there. It runs after a run, beside the next one; what
it reads is never written again.
"""

import contextlib
import hashlib
import io
import json
import secrets
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from pipelines.publish.copy_note import CLEAR, NOTE, Copied, Note, must_clear, read_note
from pipelines.publish.snapshot import NAMED, write_durably
from pipelines.station.lock import Held, held
from pipelines.station.settings import Station
from schemas.address import AddressTrouble, Place
from schemas.copied import (
    AT_ONCE_BYTES,
    AT_ONCE_FILES,
    COPIES,
    NAME,
    PARTS,
    POINTER,
    CopiedPart,
    CopiedSamples,
    Copy,
    batches,
    copy_file,
    is_part,
    pointed_at,
    read_copy,
)
from schemas.copied_tables import RULES, copied, samples_too, thinned, without_people
from schemas.samples import read_samples_that_count
from schemas.snapshot import (
    Manifest,
    NothingPublished,
    Part,
    SnapshotDamaged,
    current_name,
    damaged,
    part_bytes,
    read_manifest,
)

LOCK = ".copy.lock"
#: a run may publish while another one copies: so often the newer snapshot is taken along
MOST_ROUNDS = 3
Progress = Callable[[str, int, int], None]


class CopyRefused(RuntimeError):
    """What lies at the address is not this station's to replace."""


def copy_out(
    station: Station,
    now: Callable[[], pd.Timestamp],
    *,
    thorough: bool = False,
    only_say: bool = False,
    progress: Progress = lambda *_: None,
    wait_s: float = 0.0,
) -> Copied | None:
    """Bring the copy to what is published, where `[copy]` names an address; None where it names none and never did.

    What goes wrong is in what comes back and in the note, never raised: the station itself is well.

    Parameters
    ----------
    now : gives the clock's time, UTC
    thorough : read every byte that lies there, and send again what is not as it was written
    only_say : look at nothing there; `later` says whether there is something to copy
    wait_s : so long for another run that is copying
    """
    to = station.copying.to
    note = read_note(station.published)
    if not (to or note.address or must_clear(station.published)):
        return None
    result = Copied(to, note.snapshot, note.copied_at)
    if not thorough and _is_done(station, note):
        return result if to else None
    if only_say:
        result.later = True
        return result
    until = time.monotonic() + wait_s
    while True:
        try:
            with held(station.published / LOCK):
                _copy_until_current(station, result, now, thorough, progress)
            break
        except Held:
            result.at_work = time.monotonic() >= until
        except OSError as error:  # of the station's own disk: no note can be kept either
            result.wrong, result.late_since = str(error), now().isoformat()
            break
        if result.at_work:
            break
        time.sleep(0.1)
    return result


# --- one copy -------------------------------------------------------------------------------------
def _is_done(station: Station, note: Note) -> bool:
    """Whether the copy is known to be as it should be, without a look at the address."""
    if (note.address, note.people) != (station.copying.to, station.copying.people if station.copying.to else ""):
        return False
    if must_clear(station.published) or note.wrong or (note.address and note.rules != RULES):
        return False
    with contextlib.suppress(SnapshotDamaged):
        return not note.address or note.snapshot == current_name(station.published)
    return False


def _copy_until_current(
    station: Station, result: Copied, now: Callable[[], pd.Timestamp], thorough: bool, progress: Progress
) -> None:
    note = read_note(station.published)
    to, people = station.copying.to, station.copying.people
    if note.address and note.address != to:
        if note.begun:
            note.former = [*(a for a in note.former if a != note.address), note.address]
            result.left_at = note.address
        note = Note(note.station_id, former=note.former)
    note.former = [a for a in note.former if a != to]
    note.station_id = note.station_id or secrets.token_hex(16)
    if not to:
        (station.published / CLEAR).unlink(missing_ok=True)  # nothing is written any more; what was left is listed
        return _keep(station, note)
    note.address = to
    try:
        for left in reversed(range(MOST_ROUNDS)):
            begun = current_name(station.published)
            try:
                _copy_once(station, note, result, now, thorough, progress)
            except SnapshotDamaged:
                if not left or begun == current_name(station.published):
                    raise
                continue  # a later run has removed this snapshot meanwhile
            note.people, note.rules, note.wrong, note.late_since = people, RULES, "", ""
            _keep(station, note)
            if note.snapshot == current_name(station.published):
                break
    except (AddressTrouble, CopyRefused, NothingPublished, OSError) as error:
        note.wrong, note.late_since = str(error), note.late_since or now().isoformat()
        _keep(station, note)
    result.snapshot, result.copied_at = note.snapshot, note.copied_at
    result.wrong, result.late_since = note.wrong, note.late_since
    return None


def _keep(station: Station, note: Note) -> None:
    write_durably(station.published / NOTE, json.dumps(asdict(note)))


def _copy_once(
    station: Station,
    note: Note,
    result: Copied,
    now: Callable[[], pd.Timestamp],
    thorough: bool,
    progress: Progress,
) -> None:
    clear = station.published / CLEAR
    cleared_from = clear.read_text(encoding="utf-8") if clear.exists() else ""
    manifest = read_manifest(station.published)
    place = _opened(station)
    there = _what_is_there(place, note, manifest)
    if not note.begun:
        note.begun = True
        _keep(station, note)  # the number that was drawn stands before anything is sent under it
    sending = _Sending(place, there, result, thorough, progress)
    made = _listing(station, note, manifest, now())
    wanted = _tables(station, manifest)
    for n, (table, local, left_out) in enumerate(wanted):
        progress(f"Copying to {station.copying.to}", n, len(wanted))
        thin = thinned(station.copying.people, table)
        made.tables.setdefault(table, []).append(sending.part(local, left_out, thin=thin))
    if samples_too(station.copying.people) and (said := read_samples_that_count(station.published / manifest.name)):
        made.samples_out, made.samples = list(said.out), []
        for n, p in enumerate(said.parts):
            progress(f"Copying samples to {station.copying.to}", n, len(said.parts))
            part = Part(p.path, 0, "", p.sha256 or "")
            sent = sending.part(_Local(station.lake / p.path, part, f"The part {p.path} of the lake"), ())
            made.samples.append(CopiedSamples(**asdict(sent), member_id=p.member_id, order_at=p.order_at))
    sending.send()
    same = there is not None and replace(made, copied_at=there.copied_at) == there
    if there is None or not same:
        place.write(copy_file(made.name), made.to_json().encode())
        place.write(POINTER, f"{made.name}\n".encode())
        result.files += 1
    elif there is not None:
        made = there
    note.snapshot, note.name, note.copied_at = manifest.name, made.name, made.copied_at
    only_this = (made.people, RULES) != (note.people, note.rules) or bool(cleared_from)
    _remove_old(place, made, sending.sizes, station, now(), only_this=only_this)
    if cleared_from:
        clear.unlink(missing_ok=True)


def _opened(station: Station) -> Place:
    place = Place(station.copying.to)
    if (folder := place.folder) is not None:
        if folder.resolve().is_relative_to(station.folder.resolve()):
            raise AddressTrouble(f"{folder} lies in the station's own folder. Name another place under [copy].")
        # a drive that is not plugged in must not become a folder of this one
        if not folder.is_dir() and not folder.parent.is_dir():
            raise AddressTrouble(f"{folder} is not there: plug its drive in, or correct to under [copy].")
    return place


def _what_is_there(place: Place, note: Note, manifest: Manifest) -> Copy | None:
    """The copy that counts there, or None where there is none, or a damaged one that this station wrote.

    Raises
    ------
    CopyRefused
        Another station's, or a later one.
    SnapshotNewer
    """
    try:
        name = pointed_at(place)
        found = None if name is None else read_copy(place, name)
    except SnapshotDamaged as error:
        if note.name:
            return None
        raise CopyRefused(
            f"Something lies at {place.address} that does not read ({str(error).partition('. ')[0]}), and nothing here "
            "says that this station wrote it. Name an empty place under [copy], or delete what lies there."
        ) from error
    if found is None:
        return None
    if found.station_id != note.station_id:
        raise CopyRefused(
            f"A copy of another station ({found.station.get('name', '?')}) lies at {place.address}, or of this one "
            f"from before its {NOTE} was lost. Name another place under [copy]; if it is this one's, delete the file "
            f"{POINTER} there."
        )
    if found.snapshot > manifest.name:
        raise CopyRefused(
            f"A later snapshot of this station lies at {place.address} ({found.snapshot}): another machine copies "
            "there, or this station was restored from a backup. If this one is to count: coldfill doctor --repair."
        )
    return found


def _listing(station: Station, note: Note, manifest: Manifest, now: pd.Timestamp) -> Copy:
    people = station.copying.people
    left_out = {table: list(columns) for table, columns in copied(people).items() if columns}
    return Copy(
        manifest.name,
        note.station_id,
        manifest.as_of_on,
        manifest.created_at,
        now.isoformat(),
        manifest.station,
        people,
        left_out=left_out,
    )


@dataclass(frozen=True)
class _Local:
    """A part as it lies at the station."""

    path: Path
    part: Part
    #: what it is called where it is damaged; else by its place in the snapshot
    called: str = ""

    def read(self) -> bytes:
        """Its bytes.

        Raises
        ------
        SnapshotDamaged
        """
        try:
            return part_bytes(self.path, self.part).getvalue()
        except SnapshotDamaged:
            if self.called:
                raise damaged(self.called) from None
            raise

    def lies_at(self, sizes: dict[str, int]) -> bool:
        """Whether it lies at the address as it is here, by its hash and size."""
        if not self.part.sha256 or not self.path.is_file():
            return False
        size = self.path.stat().st_size
        return sizes.get(CopiedPart(size, self.part.sha256).place) == size


def _tables(station: Station, manifest: Manifest) -> list[tuple[str, _Local, tuple[str, ...]]]:
    """Every part that is copied, with the columns that are left out of it."""
    folder = station.published / manifest.name
    return [
        (table, _Local(folder / table / part.file, part), left_out)
        for table, left_out in copied(station.copying.people).items()
        for part in manifest.tables.get(table, {}).values()
    ]


class _Sending:
    """Sends the parts that do not lie there yet, in lots."""

    def __init__(self, place: Place, there: Copy | None, result: Copied, thorough: bool, progress: Progress):
        self.place, self.result = place, result
        self.sizes = place.sizes(PARTS)
        self._known = {p.made_of or p.sha256: p for p in (there.parts if there else ())}
        self._waiting: dict[str, bytes] = {}
        if thorough:
            self._forget_damaged(progress)

    def part(self, local: _Local, left_out: tuple[str, ...], *, thin: bool = False) -> CopiedPart:
        """What a part is there; it is sent unless it lies there already."""
        rules = (f"rows-{RULES}",) if thin else ()
        made_of = " ".join((local.part.sha256, *left_out, *rules)) if local.part.sha256 else ""
        known = self._known.get(made_of)
        if known is not None and self.sizes.get(known.place) == known.size:
            return CopiedPart(known.size, known.sha256, known.made_of)
        if not (left_out or thin) and local.lies_at(self.sizes):
            return CopiedPart(local.path.stat().st_size, local.part.sha256)
        try:
            data = _without(local.read(), left_out, thin=thin)
        except pa.ArrowException:  # of an earlier version, without a hash
            raise damaged(local.called or f"The part {local.path.parent.name}/{local.path.name}") from None
        made = CopiedPart(len(data), hashlib.sha256(data).hexdigest(), made_of if left_out or thin else "")
        if self.sizes.get(made.place) != made.size and made.place not in self._waiting:
            self._waiting[made.place] = data
            if sum(map(len, self._waiting.values())) > AT_ONCE_BYTES or len(self._waiting) >= AT_ONCE_FILES:
                self.send()
        return made

    def send(self) -> None:
        """Send what waits."""
        if self._waiting:
            self.place.write_many(self._waiting)
        self.result.files += len(self._waiting)
        self.result.size += sum(map(len, self._waiting.values()))
        self.sizes |= {name: len(data) for name, data in self._waiting.items()}
        self._waiting = {}

    def _forget_damaged(self, progress: Progress) -> None:
        """Read back all that lies there; what is not as it was written counts as absent."""
        parts = list({p.place: p for p in self._known.values()}.values())
        done = 0
        for lot in batches(parts):
            progress(f"Reading back {self.place.address}", done, len(parts))
            found = self.place.read_many(p.place for p in lot)
            for part in lot:
                if not is_part(found.get(part.place, b""), part):
                    self.sizes.pop(part.place, None)
            done += len(lot)


def _without(data: bytes, left_out: tuple[str, ...], *, thin: bool) -> bytes:
    """A part without these columns, and thin without the rows and values that lead to a person."""
    if not (left_out or thin):
        return data
    rows = pq.ParquetFile(io.BytesIO(data)).read(use_threads=False)
    if thin:
        rows = without_people(rows)
    rows = rows.select([name for name in rows.column_names if name not in left_out])
    made = io.BytesIO()
    pq.write_table(rows, made, compression="zstd")
    return made.getvalue()


def _remove_old(
    place: Place, made: Copy, sizes: dict[str, int], station: Station, now: pd.Timestamp, *, only_this: bool
) -> None:
    """Remove copies nobody needs, as snapshots here are, and the parts that none of the others has.

    Parameters
    ----------
    only_this : nothing but the one that counts stays
    """
    listed = {n.partition("/")[2].removesuffix(".json"): n for n in place.sizes(COPIES)}
    names = sorted(n for n in listed if NAME.fullmatch(n) and n != made.name)
    out = timedelta(hours=station.keep.snapshot_hours)
    settled = [n for n in names if now - pd.to_datetime(n.partition("-")[0], format=NAMED, utc=True) > out]
    kept = [] if only_this else [n for n in names if n not in settled[:-2]]
    named = {p.place for p in made.parts}
    if len(kept) < len(names) or set(sizes) - named:
        for name in list(kept):
            try:
                named |= {p.place for p in read_copy(place, name).parts}
            except SnapshotDamaged:  # nobody can read it
                kept.remove(name)
        place.remove(listed[n] for n in listed if n not in (made.name, *kept))
        place.remove(sorted(set(sizes) - named))
