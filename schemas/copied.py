"""A copy of what a station publishes, at an address (`schemas/address.py`), and how to read it.

    current                     the name of the copy that counts, one line, written last
    copies/NAME.json            which tables it has and where their parts lie; NAME is the snapshot's and a hash of it
    parts/AB/SHA256.parquet     a part by the hash of its bytes: written once, shared by all copies that have it

A reader takes `current` once and stays with that copy. What a copy tells of people: `schemas/copied_tables.py`.
"""

import hashlib
import io
import json
import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from schemas.address import Place
from schemas.samples import Out
from schemas.snapshot import NothingPublished, SnapshotDamaged, SnapshotNewer, seal_of

if TYPE_CHECKING:
    import pyarrow as pa

FORM = 1
"""Form of a copy: raise it where a reader of an earlier version would misread what this one writes."""
POINTER, COPIES, PARTS = "current", "copies", "parts"
NAME = re.compile(r"\d{8}T\d{12}-[0-9a-f]{12}")
_SHA256 = re.compile(r"[0-9a-f]{64}")
#: so many bytes of parts are fetched or sent at once
AT_ONCE_BYTES, AT_ONCE_FILES = 32_000_000, 100
_RUBBISH = (ValueError, TypeError, KeyError, AttributeError, IndexError, RecursionError)


@dataclass(frozen=True)
class CopiedPart:
    """One Parquet file of a copy.

    `made_of` is the hash of the station's own part and what is left out of it; empty where it is that part itself.
    """

    size: int
    sha256: str
    made_of: str = ""

    @property
    def place(self) -> str:
        """Where it lies below the address."""
        return f"{PARTS}/{self.sha256[:2]}/{self.sha256}.parquet"


@dataclass(frozen=True)
class CopiedSamples(CopiedPart):
    """A part of a member's samples; `order_at` says when it wins over others."""

    member_id: str = ""
    order_at: str = ""


@dataclass
class Copy:
    """What a copy holds."""

    #: of the snapshot it was made of
    snapshot: str
    #: the same in all copies of one station
    station_id: str
    as_of_on: str
    created_at: str
    copied_at: str
    station: dict[str, Any]
    #: what it tells of people, one of `copied_tables.CHOICES`
    people: str
    tables: dict[str, list[CopiedPart]] = field(default_factory=dict)
    #: columns left out, by table
    left_out: dict[str, list[str]] = field(default_factory=dict)
    #: parts in the order in which they win; None where none are copied
    samples: list[CopiedSamples] | None = None
    samples_out: list[Out] = field(default_factory=list)
    form: int = FORM

    @property
    def parts(self) -> list[CopiedPart]:
        """Every part."""
        return [*(p for parts in self.tables.values() for p in parts), *(self.samples or ())]

    @property
    def name(self) -> str:
        """Its name: the snapshot's, and a hash of all it holds."""
        return f"{self.snapshot}-{seal_of(asdict(self))[:12]}"

    def to_json(self) -> str:
        """As JSON."""
        return json.dumps(asdict(self), ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> "Copy":
        """From JSON.

        Raises
        ------
        SnapshotNewer
            A later version wrote it.
        ValueError, TypeError, KeyError, AttributeError
            The text is none. Whether it is as it was written, its name says.
        """
        content = json.loads(text)
        form = content["form"]
        if isinstance(form, int) and form > FORM:
            raise SnapshotNewer(
                f"This copy was written by a newer coldfill (form {form}; this one knows forms up to {FORM}). Install "
                "that version or a later one; nothing was changed."
            )
        content["tables"] = {t: [CopiedPart(**p) for p in parts] for t, parts in content["tables"].items()}
        if content["samples"] is not None:
            content["samples"] = [CopiedSamples(**p) for p in content["samples"]]
        content["samples_out"] = [(str(m), str(d), t) for m, d, t in content["samples_out"]]
        made = cls(**content)
        # it is where a part lies, and may lead nowhere else
        if not all(_SHA256.fullmatch(p.sha256) for p in made.parts):
            raise ValueError("no hash")
        return made


def copy_file(name: str) -> str:
    """Where the listing of a copy lies below its address."""
    return f"{COPIES}/{name}.json"


def pointed_at(place: Place) -> str | None:
    """The name of the copy that counts, or None before the first.

    Raises
    ------
    SnapshotDamaged
        The pointer holds something else than a name.
    """
    data = place.read(POINTER)
    if data is None:
        return None
    name = data.decode("utf-8", "replace").strip()
    if not NAME.fullmatch(name):
        raise damaged(f"{place.address}/{POINTER}, which names the copy that counts,")
    return name


def read_copy(place: Place, name: str) -> Copy:
    """The copy of a name.

    Raises
    ------
    SnapshotDamaged
        It is gone or does not read as it was written.
    SnapshotNewer
        A later version wrote it.
    """
    data = place.read(copy_file(name))
    try:
        made = Copy.from_json((data or b"").decode("utf-8"))
        if made.name != name:
            raise ValueError("another copy")
    except _RUBBISH:
        raise damaged(f"{place.address}/{copy_file(name)}") from None
    return made


def standing_copy(place: Place) -> Copy:
    """The copy that counts.

    Raises
    ------
    NothingPublished
        There is none.
    SnapshotDamaged, SnapshotNewer
    """
    for last in (False, True):
        name = pointed_at(place)
        if name is None:
            raise NothingPublished(
                f"No copy lies at {place.address}. to under [copy] in the station's station.toml makes a run write "
                "one; a station's own folder is opened by its path."
            )
        try:
            return read_copy(place, name)
        except SnapshotDamaged:
            # a newer copy may have come, and this one be gone, between the two looks
            if last or pointed_at(place) == name:
                raise
    raise AssertionError


def part_tables(place: Place, parts: Iterable[CopiedPart], names: list[str] | None = None) -> list["pa.Table"]:
    """The contents of parts, once their bytes are known to be those that were written.

    Raises
    ------
    SnapshotDamaged
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    found: list[pa.Table] = []
    for batch in batches(list(parts)):
        there = place.read_many(dict.fromkeys(p.place for p in batch))
        for part in batch:
            data = there.get(part.place, b"")
            try:
                if not is_part(data, part):
                    raise OSError("not as it was written")
                with pq.ParquetFile(io.BytesIO(data)) as file:
                    wanted = None if names is None else [n for n in names if n in set(file.schema_arrow.names)]
                    found.append(file.read(columns=wanted, use_threads=False))
            except (pa.ArrowException, OSError) as error:
                raise damaged(f"{place.address}/{part.place}") from error
    return found


def batches(parts: list[Any]) -> Iterable[list[Any]]:
    """Parts in lots that are fetched or sent at once."""
    lot: list[Any] = []
    for part in parts:
        if lot and (len(lot) >= AT_ONCE_FILES or sum(p.size for p in lot) + part.size > AT_ONCE_BYTES):
            yield lot
            lot = []
        lot.append(part)
    if lot:
        yield lot


def is_part(data: bytes, part: CopiedPart) -> bool:
    """Whether these are the bytes of a part."""
    return hashlib.sha256(data).hexdigest() == part.sha256


def damaged(what: str) -> SnapshotDamaged:
    """What to do about a copy that is damaged."""
    return SnapshotDamaged(
        f"{what} is missing or damaged. Open the station again: a newer copy may have taken its place. If that does "
        "not help: coldfill doctor --repair on the station's own machine copies it anew."
    )
