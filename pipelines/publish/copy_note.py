"""What a station notes of its copy at an address (`copying.py`): what lies where, since when it is behind, and why."""

import json
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from pipelines.publish.snapshot import write_durably
from pipelines.station.settings import Station
from schemas.address import AddressTrouble, Place
from schemas.copied import COPIES, PARTS, POINTER
from schemas.words import plural

#: beside the snapshots: what was copied where, and what is behind
NOTE = "copied.json"
#: somebody is being forgotten: empty until that is done, then the first snapshot that tells nothing of them. Once that
#: one or a later one is copied, nothing older may lie at the address
CLEAR = "copy_clear"


@dataclass
class Note:
    """What is known here of the copy. Moments are UTC, as ISO text; empty where there is none."""

    #: drawn once; in every copy of this station
    station_id: str = ""
    address: str = ""
    people: str = ""
    #: `copied_tables.RULES` under which it was copied
    rules: int = 0
    #: something was sent there
    begun: bool = False
    #: the snapshot that was copied last, and the copy's own name
    snapshot: str = ""
    name: str = ""
    copied_at: str = ""
    late_since: str = ""
    wrong: str = ""
    #: addresses of earlier settings, where a copy was left
    former: list[str] = field(default_factory=list)


@dataclass
class Copied:
    """What a run did about the copy."""

    address: str
    #: the snapshot that lies there now
    snapshot: str = ""
    copied_at: str = ""
    files: int = 0
    size: int = 0
    late_since: str = ""
    wrong: str = ""
    #: another run is at it
    at_work: bool = False
    #: a process of its own copies, so that what comes next need not wait for a network
    later: bool = False
    #: where a copy was left just now
    left_at: str = ""

    @property
    def trouble(self) -> str:
        """Since when the copy is behind, and why; empty where it is not."""
        if not self.wrong:
            return ""
        what = f"What lies there is of {minute(self.copied_at)}." if self.copied_at else "No copy lies there yet."
        since = f"The copy at {self.address} is behind since {minute(self.late_since)}"
        return f"{since}: {self.wrong} {what} The next run tries again."

    def lines(self) -> list[str]:
        """For people; nothing where nothing was to do."""
        said = []
        if self.left_at:
            said.append(
                f"The copy at {self.left_at} is written no more, and stays until you delete it there. coldfill doctor "
                "says so as long as it lies there."
            )
        if self.at_work:
            said.append(f"Another run is copying to {self.address} and takes this along, else the next run does.")
        elif self.wrong:
            said.append(self.trouble)
        elif self.later:
            said.append(f"To {self.address} it is copied beside this: coldfill doctor says whether that went well.")
        elif self.files:
            said.append(f"Copied to {self.address}: {plural(self.files, 'new file')}, {self.size / 1e6:.1f} MB")
        return said


def read_note(published: Path) -> Note:
    """What was noted last; of a damaged note nothing."""
    try:
        return Note(**json.loads((published / NOTE).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return Note()


def must_clear(published: Path) -> bool:
    """Whether something lies at an address that may tell of who was forgotten."""
    return (published / CLEAR).exists()


def clear_later(station: Station) -> None:
    """Somebody is about to be forgotten: from now on what lies at the address may tell of them."""
    if read_note(station.published).begun:
        write_durably(station.published / CLEAR, "")


def clear_from(station: Station, snapshot: str) -> None:
    """This snapshot and later ones tell nothing of them."""
    if must_clear(station.published):
        write_durably(station.published / CLEAR, snapshot)


def left_at(addresses: list[str]) -> dict[str, str]:
    """Addresses where anything of a copy lies → what is known of it; where all is gone is left out."""
    found = {}
    for address in addresses:
        try:
            place = Place(address)
            if place.read(POINTER) is not None or any(place.sizes(folder) for folder in (COPIES, PARTS)):
                found[address] = "it lies there still"
        except AddressTrouble as error:
            found[address] = f"whether it lies there still is not known. {error}"
    return found


def minute(moment: str) -> str:
    """A moment as people read it."""
    return f"{pd.Timestamp(moment):%Y-%m-%d %H:%M} UTC" if moment else "?"
