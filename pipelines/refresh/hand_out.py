"""All that a station keeps of one member, as files for that person."""

import contextlib
import shutil
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from pipelines.intake.archive import originals
from pipelines.publish.export import write_frame
from pipelines.refresh.run import pass_lock
from pipelines.station.settings import Station
from pipelines.warehouse import person
from pipelines.warehouse.lake import PartDamaged, read_samples
from pipelines.warehouse.person import NobodyKnown
from pipelines.warehouse.store import Warehouse
from schemas import fields as f
from schemas.frames import conform
from schemas.snapshot import NothingPublished, read_manifest, read_table
from schemas.sources import SOURCES
from schemas.tables import TABLES
from schemas.words import plural

SAMPLES = "dive_samples"
BESIDE = (
    "Rows may name who filled, analysed or inspected, and files of dive computers a buddy: look through them before "
    "you pass them on. Names in free text and in rows that were rejected were not searched for."
)
_NAMED_BY = ("member_id", "held_by", "owner_id")
_BESIDE = {x.name: x for x in (f.FILE, f.ROW_NUMBER, f.text("state", "Whether the row counts."))}


@dataclass
class HandedOut:
    """What was written, and what could not be."""

    rows: dict[str, int] = field(default_factory=dict)
    figures: dict[str, int] = field(default_factory=dict)
    originals: list[str] = field(default_factory=list)
    #: files that hold rows of other people too, or cannot be read
    left_out: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """In words."""
        return [
            f"{plural(sum(self.rows.values()), 'row')} as they came in ({', '.join(self.rows) or 'none'})",
            f"{plural(sum(self.figures.values()), 'row')} computed from them ({', '.join(self.figures) or 'none'})",
            f"{plural(len(self.originals), 'original file')}",
            *(f"not given: {why}" for why in self.left_out),
        ]


def hand_out(station: Station, member: str, to: Path) -> HandedOut:
    """Write all that is stored of a member into a new folder; the station stays as it is.

    Parameters
    ----------
    to : Path
        New or empty.

    Raises
    ------
    FileExistsError
        There is something in the folder.
    NobodyKnown
        No row names the member.
    WarehouseBusy
        A run is at work.
    """
    if to.exists() and (not to.is_dir() or any(to.iterdir())):
        raise FileExistsError(f"{to} is not empty; nothing was written. Name a new folder.")
    made = HandedOut()
    with pass_lock(station), contextlib.closing(Warehouse(station.warehouse)) as warehouse:
        rows = person.rows_of(warehouse, member)
        contents = person.contents_of(warehouse, member)
        if not rows and contents.empty:
            raise NobodyKnown(f"No row names the member {member!r}. Write the member_id as in members.csv.")
        (to / "as it came in").mkdir(parents=True)
        for source, found in rows.items():
            declared = replace(SOURCES[source], fields=SOURCES[source].fields | _BESIDE)
            write_frame(conform(found, declared.fields.values()), declared, to / "as it came in" / f"{source}.csv")  # type: ignore[arg-type]
            made.rows[source] = len(found)
        _samples(station, warehouse, member, to, made)
        rejected = person.problems_of(warehouse, contents["file_sha256"].tolist())
        if rejected:
            made.left_out.append(
                f"{plural(rejected, 'rejected value or row', 'rejected values or rows')} of these files"
            )
    _figures(station, member, to, made)
    _originals(station, contents, to, made)
    (to / "what is here.txt").write_text(
        "\n".join([f"What {station.name} keeps of the member {member}:", *made.lines(), BESIDE, ""]), encoding="utf-8"
    )
    return made


def _samples(station: Station, warehouse: Warehouse, member: str, to: Path, made: HandedOut) -> None:
    parts = person.parts_of(warehouse, member)
    if parts.empty:
        return
    try:
        samples = read_samples(station.lake, parts)
    except PartDamaged as damaged:
        made.left_out.append(f"pressures and depths over time: {damaged}. Run coldfill doctor --repair first")
        return
    samples = samples[samples["member_id"] == member].reset_index(drop=True)
    if samples.empty:
        return
    write_frame(samples, SOURCES[SAMPLES], to / "as it came in" / f"{SAMPLES}.csv")  # type: ignore[arg-type]
    made.rows[SAMPLES] = len(samples)


def _figures(station: Station, member: str, to: Path, made: HandedOut) -> None:
    try:
        manifest = read_manifest(station.published)
    except NothingPublished:
        made.left_out.append("computed figures: nothing is published yet")
        return
    for table in TABLES.values():
        named = [c for c in _NAMED_BY if c in table.fields]
        if table.internal or not named:
            continue
        frame = read_table(station.published, manifest, table.name)
        mine = frame[pd.concat([frame[c] == member for c in named], axis=1).any(axis=1)]
        if len(mine):
            (to / "computed").mkdir(exist_ok=True)
            write_frame(mine.reset_index(drop=True), table, to / "computed" / f"{table.name}.csv")
            made.figures[table.name] = len(mine)


def _originals(station: Station, contents: pd.DataFrame, to: Path, made: HandedOut) -> None:
    """Files of which every row is this member's, under the names they had."""
    kept = originals(station)
    for row in contents.to_dict("records"):
        original = kept.get(row["file_sha256"])
        path = station.archive / original.name if original else None
        if not row["alone"]:
            made.left_out.append(f"{row['file']}, for not every row of it is known to be this member's")
        elif path is None or not path.is_file():
            made.left_out.append(f"{row['file']}, for its original cannot be read")
        else:
            place = to / "original files" / row["file_sha256"][:8] / Path(row["file"]).name
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, place)
            made.originals.append(row["file"])
