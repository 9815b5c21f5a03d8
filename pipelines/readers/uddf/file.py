"""UDDF files → dives, dive_tanks and dive_samples, streamed, and nothing handed over before the whole file was read."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.feather as feather

from pipelines.readers.forms import FORMS, Known
from pipelines.readers.raw import DTYPES, Problem, RawTable, lists, problem, refuse, unknown
from pipelines.readers.tables.sheet import Refused
from pipelines.readers.uddf.dive import read_dive
from pipelines.readers.uddf.parts import Context, Dive
from pipelines.readers.uddf.walk import Definitions, walk
from schemas.frames import empty, is_declared
from schemas.sources import SOURCES

SOURCES_OF_A_FILE = FORMS["uddf"].gives
ROWS_A_PART = 200_000
_SAMPLE_COLUMNS = tuple(c for c in SOURCES["dive_samples"].fields if c not in ("dive_id", "member_id", "revised_at"))
_SCHEMA = pa.schema(
    [
        ("dive_id", pa.string()),
        ("member_id", pa.string()),
        *((c, pa.float64()) for c in _SAMPLE_COLUMNS),
        ("dive", pa.int64()),
        ("row_number", pa.int64()),
        ("line", pa.int64()),
    ]
)


class SpooledTable(RawTable):
    """A RawTable whose rows lie in a file of Arrow's own form and are read each time they are asked for."""

    def __init__(self, part: Path, rejected_dives: set[int], rows_read: int):
        self._part, self._rejected = part, rejected_dives
        super().__init__("dive_samples", pd.DataFrame(), rows_read=rows_read)

    @property
    def rows(self) -> pd.DataFrame:  # type: ignore[override]
        """The samples of the part."""
        frame = feather.read_table(self._part, memory_map=False).to_pandas()
        if self._rejected:
            frame = frame[~frame["dive"].isin(self._rejected)].reset_index(drop=True)
        return _finished("dive_samples", frame.drop(columns="dive"), None)

    @rows.setter
    def rows(self, _value: pd.DataFrame) -> None:
        return


def read(path: Path, station, known: Known, member: str | None, workplace: Path, own_alone: bool) -> Iterator[RawTable]:
    """The reader that the form declares."""
    return read_uddf(path, station, known.links, known.members, member, workplace, known.units, own_alone)


def read_uddf(
    path: Path,
    station,
    links: pd.DataFrame,
    member_ids: set[str],
    folder_member: str | None,
    workplace: Path,
    unit_ids: set[str] | None = None,
    own_alone: bool = False,
) -> Iterator[RawTable]:
    """Read one UDDF file.

    Parameters
    ----------
    path : Path
    station : Station
        Its zone and `[uddf]` settings.
    links : DataFrame
        source_ref, kind, target_id, member_id of the source `links`.
    member_ids : set of str
        Members known; an owner of the same name is that member.
    folder_member : str or None
        The member whose folder the file lies in.
    workplace : Path
        An empty folder; samples are laid there in parts until the whole file has been read.
    unit_ids : set of str, optional
        Units known; a tank of the same name is that unit.
    own_alone : bool
        The folder's member has handed it in: a dive of anybody else is rejected.

    Yields
    ------
    RawTable
        dives, dive_tanks, then dive_samples in parts of whole dives; or one that is refused.
    """
    reader = _Reader(station, links, member_ids, folder_member, Path(workplace), unit_ids or set())
    reader.own_alone = own_alone
    try:
        reader.read(Path(path))
    except Refused as why:
        yield refuse("dives", _finished("dives", empty(SOURCES["dives"].fields.values()), None), why.problem)
        return
    yield from reader.tables()


class _Reader:
    def __init__(
        self,
        station,
        links: pd.DataFrame,
        member_ids: set[str],
        folder_member: str | None,
        workplace: Path,
        unit_ids: set[str],
    ):
        self.station, self.workplace = station, workplace
        self.members, self.units, self.folder_member = member_ids, unit_ids, folder_member
        self.own_alone = False
        self.links: dict[tuple[str, str, str | None], str] = (
            {
                (kind, ref, member if isinstance(member, str) else None): target
                for kind, ref, member, target in links[["kind", "source_ref", "member_id", "target_id"]]
                .to_numpy()
                .tolist()
            }
            if len(links)
            else {}
        )
        self._reset(Definitions())

    def _reset(self, definitions: Definitions) -> None:
        stated = self.station.uddf
        self.context = Context(
            definitions,
            stated.zone or self.station.time_zone,
            stated.pressure,
            stated.decimal,
            dict(stated.roles),
            self._linked_role,
        )
        self.rows: dict[str, list[dict[str, Any]]] = {"dives": [], "dive_tanks": []}
        self.lost_tanks: list[dict[str, Any]] = []
        self.problems: list[tuple[str, Problem]] = []
        self.counted = dict.fromkeys(SOURCES_OF_A_FILE, 0)
        self.lost = dict.fromkeys(SOURCES_OF_A_FILE, 0)
        self.parts: list[tuple[Path, int]] = []
        self.pending: list[pa.Table] = []
        self.pending_rows = 0
        self.dive_ids: dict[str, list[int]] = {}
        self.sizes: dict[int, tuple[int, int]] = {}
        self.rejected: set[int] = set()
        self.refs: set[str] = set()
        for old in self.workplace.glob("samples-*.arrow"):
            old.unlink()

    def read(self, path: Path) -> None:
        """Read the file; twice only if it defines things after the dives that use them."""
        late = walk(path, self.context.definitions, True, self._dive)
        if late:
            definitions = self.context.definitions
            self._reset(definitions)
            walk(path, definitions, False, self._dive)
        self._flush()
        self._doubles()

    # --- one dive -----------------------------------------------------------------------------
    def _dive(self, element, points) -> None:
        found = read_dive(element, points, self.context)
        number = self.counted["dives"] + 1
        tanks_before, samples_before = self.counted["dive_tanks"], self.counted["dive_samples"]
        self.counted["dives"] = number
        self.counted["dive_tanks"] += found.tanks_seen
        self.counted["dive_samples"] += found.waypoints_seen
        if found.ref:
            self.dive_ids.setdefault(found.ref, []).append(number)
            self.refs.add(found.ref)
        member = None
        if found.rejected is None:
            member = self._member(found)
        if found.rejected is not None:
            self._reject(number, found.rejected, found.tanks_seen, found.waypoints_seen, tanks_before, samples_before)
            return
        dive_id = (
            self.links.get(("dive", found.ref, member))
            or self.links.get(("dive", found.ref, None))
            or (f"{member}-{found.row['started_at']:%Y%m%dT%H%M%SZ}")
        )
        for source, what in found.problems:
            offset = {
                "dives": number - (what.row_number or 0),
                "dive_tanks": tanks_before,
                "dive_samples": samples_before,
            }[source]
            what.row_number = (what.row_number or 0) + offset
            if what.severity == "row":
                self.lost[source] += what.rows
            self.problems.append((source, what))
        self.rows["dives"].append(
            found.row
            | {
                "dive_id": dive_id,
                "member_id": member,
                "dive": number,
                "row_number": number,
                "line": found.line,
                "flags": list(dict.fromkeys(found.flags)),
            }
        )
        for tank in found.tanks:
            self.rows["dive_tanks"].append(
                {k: v for k, v in tank.items() if k != "place"}
                | {
                    "dive_id": dive_id,
                    "member_id": member,
                    "unit_id": self._unit(tank["tank_ref"], member),
                    "dive": number,
                    "row_number": tanks_before + tank["place"],
                }
            )
        self.lost_tanks += [
            t | {"dive_id": dive_id, "member_id": member, "row_number": tanks_before + t["place"]}
            for t in found.lost_tanks
        ]
        kept = self._lay_aside(found, number, member, dive_id, samples_before)
        self.sizes[number] = (len(found.tanks), kept)

    def _reject(
        self, number: int, why: Problem, tanks: int, samples: int, tanks_before: int, samples_before: int
    ) -> None:
        why.row_number = number
        self.problems.append(("dives", why))
        self.lost["dives"] += 1
        for source, rows, before in (("dive_tanks", tanks, tanks_before), ("dive_samples", samples, samples_before)):
            if rows:
                self.problems.append(
                    (
                        source,
                        problem("uddf_dive_rejected", row_number=before + 1, line=why.line, found=why.rule, rows=rows),
                    )
                )
                self.lost[source] += rows

    def _member(self, found: Dive) -> str | None:
        owners = [o for o in self.context.definitions.owners if o]
        self.refs.update(owners, (o for o in found.owner_refs if o))
        member, owner = self._owner(found.owner_refs)
        named = {self._known_as(ref) for ref in (*found.owner_refs, owner) if ref}
        if self.own_alone and named - {None, self.folder_member}:
            found.reject("member_is_another", column="member_id")
            return None
        if member is not None:
            return member
        found.reject("uddf_no_member", column="member_id", value=owner or (owners[0] if owners else "none"))
        return None

    def _owner(self, owner_refs: list[str]) -> tuple[str | None, str | None]:
        """The member whose dive it is, and the owner that says so."""
        owners = [o for o in self.context.definitions.owners if o]
        owner = owner_refs[0] if len(set(owner_refs)) == 1 else owners[0] if len(owners) == 1 else None
        if len(set(owner_refs)) <= 1 and owner is not None:
            linked = self._known_as(owner)
            if linked is not None:
                return linked, owner
        return self.folder_member, owner

    def _linked_role(self, names: list[str], owner_refs: list[str]) -> str | None:
        """What a person has said a tank of one of these names is carried for: this member's, else anybody's."""
        self.refs.update(names)
        member, _ = self._owner(owner_refs)
        for whose in (member, None):
            for name in names:
                if role := self.links.get(("role", name, whose)):
                    return role
        return None

    def _known_as(self, owner: str) -> str | None:
        """The member that an owner of the file is linked to, or is called like."""
        return self.links.get(("member", owner, None)) or (owner if owner in self.members else None)

    def _unit(self, ref: str | None, member: str | None) -> str | None:
        if ref is None:
            return None
        self.refs.add(ref)
        return (
            self.links.get(("cylinder", ref, member))
            or self.links.get(("cylinder", ref, None))
            or (ref if ref in self.units else None)
        )

    # --- samples ------------------------------------------------------------------------------
    def _lay_aside(self, found: Dive, number: int, member: str | None, dive_id: str, before: int) -> int:
        samples = found.samples
        size = len(samples["t_s"])
        if not size:
            return 0
        nothing = pa.nulls(size, pa.float64())
        columns = {
            "dive_id": pa.repeat(pa.scalar(dive_id, pa.string()), size),
            "member_id": pa.repeat(pa.scalar(member, pa.string()), size),
            **{c: pa.array(samples[c]) if c in samples else nothing for c in _SAMPLE_COLUMNS},
            "dive": pa.repeat(pa.scalar(number, pa.int64()), size),
            "row_number": pa.array(samples["place"] + before),
            "line": pa.array(samples["line"]),
        }
        self.pending.append(pa.table(columns, schema=_SCHEMA))
        self.pending_rows += size
        if self.pending_rows >= ROWS_A_PART:
            self._flush()
        return size

    def _flush(self) -> None:
        if self.pending:
            part = self.workplace / f"samples-{len(self.parts):05d}.arrow"
            feather.write_feather(pa.concat_tables(self.pending), part, compression="lz4")
            self.parts.append((part, self.pending_rows))
            self.pending, self.pending_rows = [], 0

    # --- the whole file -----------------------------------------------------------------------
    def _doubles(self) -> None:
        """Two dives of one id, or of one member and start with different content: nobody can say which is meant."""
        by_number = {row["dive"]: row for row in self.rows["dives"]}
        doubled: dict[int, tuple[str, str]] = {}
        for ref, numbers in self.dive_ids.items():
            if len(numbers) > 1:
                doubled |= {n: ("uddf_duplicate_id", ref) for n in numbers if n in by_number}
        same: dict[tuple, list[dict]] = {}
        for row in self.rows["dives"]:
            same.setdefault((row["member_id"], row["dive_id"]), []).append(row)
        for (_, dive_id), rows in same.items():
            content = {repr({k: v for k, v in r.items() if k not in ("dive", "row_number", "line")}) for r in rows}
            if len(content) > 1:
                doubled |= {r["dive"]: ("key_conflict", dive_id) for r in rows}
        for number, (rule, value) in sorted(doubled.items()):
            row = by_number[number]
            tanks = [t for t in self.rows["dive_tanks"] if t["dive"] == number]
            kept = self.sizes[number][1]
            why = problem(rule, line=row["line"], column="dive_id", value=value)
            self._reject(number, why, len(tanks), kept, (tanks[0]["row_number"] - 1) if tanks else 0, 0)
        self.rejected = set(doubled)
        for source, rows in self.rows.items():
            self.rows[source] = [r for r in rows if r["dive"] not in self.rejected]

    def tables(self) -> Iterator[RawTable]:
        """What was read, in the order in which the tables need each other."""
        by_source = {s: [p for source, p in self.problems if source == s] for s in SOURCES_OF_A_FILE}
        for source in ("dives", "dive_tanks"):
            rows = self.rows[source]
            frame = _finished(source, pd.DataFrame(rows), [r["flags"] for r in rows])
            table = RawTable(source, frame, by_source[source], self.counted[source], self.lost[source])
            if source == "dives":
                table.notes = sorted(self.context.notes) + ([] if self.counted["dives"] else ["no_dives"])
                table.refs = self.refs
            elif self.lost_tanks:
                table.rejected_rows = _finished(source, pd.DataFrame(self.lost_tanks), None)
            yield table
        left = self.counted["dive_samples"]
        rest = RawTable(
            "dive_samples",
            _finished("dive_samples", pd.DataFrame(), None),
            by_source["dive_samples"],
            self.lost["dive_samples"],
            self.lost["dive_samples"],
        )
        if rest.problems or rest.rows_read:
            yield rest
        left -= rest.rows_read
        for part, size in self.parts:
            gone = sum(self.sizes[n][1] for n in self.rejected if n in _dives_in(part)) if self.rejected else 0
            left -= size - gone
            if size > gone:
                yield SpooledTable(part, self.rejected, size - gone)
        assert left == 0, f"{left} waypoints are neither read nor rejected"


def _dives_in(part: Path) -> set[int]:
    return set(np.unique(feather.read_table(part, columns=["dive"], memory_map=False)["dive"].to_numpy()).tolist())


def _finished(source: str, frame: pd.DataFrame, flags: list[list[str]] | None) -> pd.DataFrame:
    """Contract columns with their types, and the marks of a RawTable."""
    size, there = len(frame), set(frame.columns)
    made = {}
    for name, field in SOURCES[source].fields.items():
        if name not in there:
            made[name] = unknown(field.kind, size).array
        elif field.kind == "time":
            made[name] = pd.to_datetime(frame[name], utc=True).astype(DTYPES[field.kind]).array
        else:
            column = frame[name]
            made[name] = (column if is_declared(column.dtype, field) else column.astype(DTYPES[field.kind])).array
    for name in ("row_number", "line"):
        made[name] = frame[name].astype("Int64").array if name in there else pd.array([None] * size, dtype="Int64")
    made |= {"assumed": lists(None, size).array, "value_flags": lists(flags, size).array}
    return pd.DataFrame(made, index=range(size))  # at once: a column more has all names looked through
