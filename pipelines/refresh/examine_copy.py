"""Look at a station's copy at an address: whether it is whole and up to date, and what was left elsewhere."""

from collections.abc import Iterator

from pipelines.publish.copy_note import Note, left_at, minute, must_clear, read_note
from pipelines.refresh.finding import LOOK, RUN, SOUND, WRONG, Finding
from pipelines.station.settings import Station
from schemas.address import AddressTrouble, Place
from schemas.copied import PARTS, standing_copy
from schemas.copied_tables import RULES
from schemas.snapshot import NothingPublished, SnapshotDamaged, SnapshotNewer, current_name
from schemas.words import plural

PART = "copy"
TELLS = {
    "nobody": "tells nothing of members",
    "ids": "tells of members by their ids, with their dives",
    "names": "tells of members by name, with their dives",
}


def look_at_copy(station: Station) -> Iterator[Finding]:
    """What there is to say of the copy; nothing where there is none and never was."""
    note = read_note(station.published)
    if must_clear(station.published):
        says = f"{note.address} may still tell of a member who was forgotten. coldfill run removes it there."
        yield Finding(PART, WRONG, says, RUN)
    if station.copying.to:
        yield _copy(station, note)
    elif note.begun:
        note.former.append(note.address)
    for address, known in left_at(note.former).items():
        says = f"A copy was left at {address}: {known}. It tells of who was forgotten since: delete all of it there."
        yield Finding(PART, LOOK, says)


def _copy(station: Station, note: Note) -> Finding:
    to = station.copying.to
    if note.address == to and note.wrong:
        return Finding(PART, WRONG, f"{to} is behind since {minute(note.late_since)}: {note.wrong}", RUN)
    try:
        current = current_name(station.published)
    except SnapshotDamaged:
        current = None
    if (note.address, note.people, note.rules, note.snapshot) != (to, station.copying.people, RULES, current):
        return Finding(PART, WRONG, f"What is published was not copied to {to} yet: coldfill run does.", RUN)
    try:
        place = Place(to)
        copy = standing_copy(place)
        sizes = place.sizes(PARTS)
    except AddressTrouble as error:
        return Finding(PART, WRONG, str(error))
    except SnapshotNewer as error:
        return Finding(PART, WRONG, f"{to}: {error}")
    except NothingPublished as error:  # or damaged
        return Finding(PART, WRONG, str(error), RUN)
    missing = sum(sizes.get(p.place) != p.size for p in copy.parts)
    if missing or copy.name != note.name:
        what = f"lacks {plural(missing, 'part')}" if missing else "does not hold what this station copied"
        return Finding(PART, WRONG, f"{to} {what}. coldfill doctor --repair copies it again.", RUN)
    return Finding(
        PART,
        SOUND,
        f"{to}: {plural(len(copy.parts), 'part')}, the same as here, of {minute(copy.copied_at)}; it "
        f"{TELLS[copy.people]}, to whoever has its keys.",
    )
