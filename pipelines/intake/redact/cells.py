"""Which cells of a table are of people who were forgotten, by what its columns mean."""

import re
from collections.abc import Iterable, Iterator, Sequence
from collections.abc import Mapping as AnyMapping
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from pipelines.intake.file_layout import FileLayout
from pipelines.intake.forgotten import Forgotten
from pipelines.readers.tables.mapping import same_header
from pipelines.readers.tables.sheet import Refused, Sheet
from pipelines.readers.tables.table import columns_of
from schemas.entries import ENTERED
from schemas.privacy import PERSONAL_COLUMNS
from schemas.sources import SOURCES

MEMBERS = "members"
#: sources whose every row is about one member: what nobody reads of such a row is theirs too
_THEIRS = frozenset({MEMBERS, "kits", "dives", "dive_tanks", "dive_samples", "links"})
_NAMING = frozenset({"member_id", "owner_id", "target_id"})
#: of a member's own row: kept, for the verdicts of fills depend on it
_KEPT_OF_MEMBER = frozenset({"member_id", "mix_qualification", "revised_at"})
_OWN = frozenset({"display_name", "email"})
#: in which a name or an id of theirs may stand among other words
_WORDS = frozenset({"fill_id", "dive_id", "note", "reason"})
#: sources whose rows a withdrawal names by their member
_BY_MEMBER = frozenset({MEMBERS, "kits", "dives", "dive_tanks", "dive_samples", "links"})
_HEX, _DIGITS = re.compile(r"[0-9a-f]{8,64}"), range(8, 65)
#: read by its header, though it is no column of the contract
_READ, _ENTERED = "(read)", "(entered)"


@dataclass(frozen=True)
class Columns:
    """What each column of a file means: its contract column, or None where nobody reads it."""

    source: str | None
    meaning: tuple[str | None, ...]
    #: how a file writes members, where its layout translates words: word → id
    words: AnyMapping[str, AnyMapping[str, str]] = field(default_factory=dict)
    #: the member in whose folder the file lies, made up by now
    folder: str | None = None

    @property
    def where(self) -> dict[str, int]:
        return {name: n for n, name in enumerate(self.meaning) if name}


def columns(headers: Sequence[str], layout: FileLayout, folder: str | None) -> Columns:
    """What the columns of these headers mean by a layout; `folder` is the made-up name of its member, if forgotten."""
    mapping = layout.mapping
    nothing = Columns(None, (None,) * len(headers))
    if layout.source not in SOURCES or mapping is None:
        return nothing
    sheet = Sheet(list(headers), [pa.array([], type=pa.string()) for _ in headers], np.zeros(0, dtype=np.int64))
    try:
        origin = columns_of(sheet, layout.source, mapping)
    except Refused:
        return nothing
    read = {same_header(h) for h in (*mapping.key, mapping.channel_names, mapping.channel_values) if h}
    meaning = [
        origin.get(n) or (_READ if same_header(h) in read else _ENTERED if same_header(h) in ENTERED else None)
        for n, h in enumerate(headers)
    ]
    return Columns(layout.source, tuple(meaning), mapping.words, folder)


def changed_rows(
    rows: Iterable[Sequence[str]], known: Columns, people: Forgotten, files: AnyMapping[str, str]
) -> Iterator[tuple[int, list[str]]]:
    """Rows with something of theirs, by place, as they are to be.

    Parameters
    ----------
    files : sha256 of files and numbers of problems, old to new: a withdrawal that names one goes on naming it
    """
    width, where = len(known.meaning), known.where
    for n, cells in enumerate(rows):
        if known.source and len(cells) >= width:
            made = _row(list(cells), known, where, people, files)
        else:  # of a row that cannot be divided nobody knows which cell is which
            made = [people.reference(c) for c in cells]
        if made != list(cells):
            yield n, made


def _row(
    cells: list[str], known: Columns, where: dict[str, int], people: Forgotten, files: AnyMapping[str, str]
) -> list[str]:
    made: list[str] = list(cells)
    theirs: str | None = known.folder
    for named in _NAMING & where.keys():
        place = where[named]
        if named == "target_id" and "kind" in where and cells[where["kind"]].strip().casefold() != "member":
            if cells[where["kind"]].strip().casefold() == "dive":
                made[place] = people.text(cells[place])
            continue
        word = cells[place].strip()
        made_up = people.member(known.words.get(named, {}).get(word, word))
        if made_up is not None:
            made[place], theirs = made_up, made_up
        elif named == "member_id" and word:
            theirs = None  # its own member, whoever's folder it lies in
    if known.source == MEMBERS and theirs:
        for n, name in enumerate(known.meaning):
            if name == "display_name":
                made[n] = theirs
            elif name not in _KEPT_OF_MEMBER:
                made[n] = ""
        return made[: len(known.meaning)] + [""] * (len(cells) - len(known.meaning))
    for n, name in enumerate(known.meaning):
        cell = cells[n]
        if known.source == MEMBERS and name in _OWN:
            continue  # another member, of the same name or not
        if name == "source_ref" or name == _ENTERED or name in PERSONAL_COLUMNS:
            made[n] = people.reference(cell)
        elif name == "key":
            made[n] = _key(cell, cells[where["source"]] if "source" in where else "", people, files)
        elif name in _WORDS or name == _READ:
            made[n] = people.text(cell)
        elif name is None:
            made[n] = "" if theirs and known.source in _THEIRS else people.text(cell)
    return made[: len(known.meaning)] + [people.text(c) for c in cells[len(known.meaning) :]]


def _key(cell: str, source: str, people: Forgotten, files: AnyMapping[str, str]) -> str:
    """The key of a withdrawal: what of it names a member, a file or a problem that has another name by now."""
    words = {w.casefold() for w in (*re.split(r"[:·|;/,\s]+", cell), source.strip())}
    made = []
    for part in re.split(r"([:·|;/,])", cell):
        word = part.strip()
        new = people.member(word) if word and words & _BY_MEMBER else None
        if new is None and _HEX.fullmatch(word.casefold()):
            found = {v for k, v in files.items() if k.startswith(word.casefold()) and len(word) in (len(k), *_DIGITS)}
            new = found.pop() if len(found) == 1 else None
        made.append(part.replace(word, new) if new else part)
    return people.text("".join(made))
