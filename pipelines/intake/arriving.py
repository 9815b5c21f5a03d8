"""The inbox as a run sees it once somebody was forgotten: what comes in again of them is taken without them."""

import contextlib
from collections.abc import Iterable
from functools import partial

from pipelines.intake.archive import Unreadable, archive
from pipelines.intake.file_layout import layout_of
from pipelines.intake.forgotten import PREFIX, Forgotten
from pipelines.intake.inbox import InboxFile, PassedOver, scan
from pipelines.intake.redact.file import place_of, redact_file
from pipelines.station.settings import Station


def scan_without(station: Station, people: Forgotten, passed: PassedOver | None = None) -> list[InboxFile]:
    """The files of the inbox, under names that tell nobody of them."""
    return scan(station.inbox, passed, partial(place_of, people=people) if people else None)


def leave_out(found: Iterable[InboxFile], station: Station, people: Forgotten) -> None:
    """Set what is to be taken in place of files that hold something of them; the files themselves stay as they are."""
    for file in found:
        if people and file.path.parent != station.archive and file.instead is None:
            try:
                made = redact_file(file.path, file.file, file.layout, people, people.moved)
            except OSError:
                continue  # said when it is read
            if made.changed:
                file.instead, file.left_out = made.data, made.changed


def complete(station: Station) -> None:
    """Copy every original of the inbox that the archive lacks, or holds altered; those of others are not touched."""
    people = Forgotten(station.archive)
    for found in scan_without(station, people):
        found.use(layout_of(found.file, station))
        with contextlib.suppress(Unreadable):
            leave_out([found], station, people)
            archive(found, station.archive)


def spare_living(people: Forgotten, names: Iterable[str]) -> None:
    """A name that a member bears now means that member from here on, and no more the one who was forgotten."""
    if people and people.spare([name for name in names if not name.startswith(PREFIX)]):
        people.write()
