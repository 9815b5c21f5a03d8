"""At a station of many fills: those that changed since the last run are judged again, and the others stand.

What is read today teaches tomorrow (`derive/fills/station_fills.py`), so a new fill moves those of its own cylinders
and no others. Which rows changed is asked of the rows: each run keeps a hash of all that each fill was judged by, and
one of everything else that fills are judged by.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from pipelines.publish.parts import arrow_table
from pipelines.publish.snapshot import Publisher
from pipelines.refresh.engine import Refresh
from pipelines.refresh.fills import FILLS, FILLS_THEN, FIRST_PUBLISHED
from pipelines.refresh.hashing import digest, hashes_of, joined, row_hashes
from pipelines.refresh.new_fills import NewFills
from pipelines.refresh.step import Step, step_digest
from pipelines.refresh.todays_dives import hashes_of_todays_dives, of_earlier_dives
from pipelines.warehouse.first_published import kept_of
from pipelines.warehouse.store import Warehouse
from schemas.tables import TABLES

if TYPE_CHECKING:
    from pipelines.derive.fills.some import SomeFills

#: of the last run; all must be there
_NEEDED = (*FILLS.gives, *FILLS_THEN.gives, *FIRST_PUBLISHED.gives, "fills_given")
_STEPS = (FILLS, FILLS_THEN, FIRST_PUBLISHED)
#: what differs from fill to fill, and is looked at row by row
_BY_ROW = ("fills", "releases", "water_readings", "dives", "dive_tanks")
#: columns of a later reading of a fill begin so
_READING = "settled_"
_NONE = np.uint64(0)
_PLACED = ("station_id", "source_id")
_ORDER = ("filled_at", "fill_id")


@dataclass(frozen=True)
class FillsAgain:
    """Rows in the place of others by table, all others of which stand; and what each fill was judged by."""

    rows: dict[str, pd.DataFrame]
    given: pd.DataFrame
    hashed: "Hashed | None"

    def write(self, refresh: Refresh, step: Step) -> None:
        """Put what fills are judged as, or taken for, into the snapshot as results of a step."""
        print_ = refresh.fingerprint(step)
        for table in step.gives:
            self._write(refresh.publisher, table, print_)

    def _write(self, publisher: Publisher, table: str, print_: str) -> None:
        rows = self.rows.get(table)
        if rows is None or not len(rows):
            publisher.link(table, "all", print_)
        else:
            publisher.amend(table, _as_stored(publisher, table, rows), "fill_id", _ORDER, print_)

    def publish(self, refresh: Refresh) -> None:
        """Fills as judged and as published, and what else `judge_fills` puts on the shelf."""
        self.write(refresh, FILLS)
        refresh.recomputed[FILLS.counted] = refresh.recomputed.get(FILLS.counted, 0) + 1
        # not the fingerprint of the step, which reads all fills: a whole run makes them anew
        self._write(refresh.publisher, "fill_quality", digest("again", refresh.fingerprint(FILLS)))
        for table in ("gauge_check", "settling_corrections", "fill_quality"):
            refresh.table(table)


def judge_again(
    refresh: Refresh, warehouse: Warehouse, new: NewFills | None, by_other_dives: FillsAgain | None = None
) -> FillsAgain | None:
    """What the steps of fills would give, where few fills changed since the last run and nothing else did; else None.

    Parameters
    ----------
    refresh : Refresh
        With all that FILLS reads on its shelf.
    new : NewFills, optional
        Fills judged already, by the same frames.
    by_other_dives : FillsAgain, optional
        What this gave before the run's dives were computed: since then their readings in the water alone are others.
    """
    from pipelines.derive.fills.history import with_first_published

    publisher, until = refresh.publisher, _day_began_at(refresh)
    last = publisher.previous
    if until is None or last is None or not all(publisher.has_previous(table, "all") for table in _NEEDED):
        return None
    if any(last.steps.get(step.name) != step_digest(step) for step in _STEPS):
        return None
    before = publisher.read_previous("fills_given", "all")
    if not len(before) or before["beside"].iloc[0] != _beside(refresh):
        return None
    changed = _Changed(refresh, before.set_index("fill_id"), until, by_other_dives.hashed if by_other_dives else None)
    at_hand = new is not None and set(changed.among(new.judged.all_fills)) == new.fill_ids
    some = new.judged if new is not None and at_hand else _judged(refresh, changed)
    if changed.none:  # what is new says nothing of any fill
        return FillsAgain({}, changed.now, changed.hashed)
    if some is None or changed.reaches_all(publisher, some.judged):
        return None
    judged = _that_may_differ(some.judged, changed.fill_ids, until)
    rows = {
        "fills_judged": judged,
        "fill_quality": with_first_published(judged, kept_of(warehouse, judged["fill_id"])),
    }
    if by_other_dives is None:  # else it stands: no dive's transmitter has a say in it
        learned = publisher.read_previous("settling_learned_then", "all")
        rows["fills_before_dives"] = some.taken_for(learned, until)
    return FillsAgain(rows, changed.now, changed.hashed)


def _judged(refresh: Refresh, changed: "_Changed") -> "SomeFills | None":
    from pipelines.derive.fills.some import judge_some

    given, publisher = refresh.given(FILLS), refresh.publisher
    learned, gauges = (publisher.read_previous(table, "all") for table in ("settling_learned", "gauge_check"))
    readings = given["water_readings"] if len(given["water_readings"]) else None
    at_hand = changed.hashed.fills if changed.hashed else None
    return judge_some(
        given, given["units"], given.policy, readings, learned, gauges, changed.among, far_back=True, all_fills=at_hand
    )


class _Changed:
    """Which fills changed since the last run, by what each was judged by then; and whether none did."""

    def __init__(self, refresh: Refresh, before: pd.DataFrame, until: pd.Timestamp, hashed: "Hashed | None"):
        self._refresh, self._before, self._until, self.hashed = refresh, before, until, hashed
        self.now, self.none, self.fill_ids = before[:0], False, list[str]()

    def among(self, fills: pd.DataFrame) -> list[str]:
        """Their ids; none where the change reaches what was learned when the day began, or a fill is gone."""
        if self.hashed is None:
            self.hashed = _hashed(self._refresh, fills, self._until)
        self.now = _given(self._refresh, self.hashed, self._until)
        place = self._before.index.get_indexer(self.now["fill_id"])
        known, then = place >= 0, self._before.iloc[place]
        changed = ~known | (self.now["given"].to_numpy() != then["given"].to_numpy())
        by_then = self.now["given_by_then"].to_numpy()
        relearned = by_then != np.where(known, then["given_by_then"].to_numpy(), _NONE)
        gone = known.sum() < len(self._before)
        if gone or relearned.any():
            return []
        self.fill_ids = list(self.now["fill_id"][changed])
        self.none = not self.fill_ids
        return self.fill_ids

    def reaches_all(self, publisher: Publisher, judged: pd.DataFrame) -> bool:
        """Whether one of them was of another unit before, whose other fills it has left; or which sources fill at which
        station is not what it was: fills of unknown origin are held against the compressors that fill there.
        """
        named = ["fill_id", "unit_id", *_PLACED]
        was = publisher.stored_previous("fills_judged", columns=named).to_pandas(use_threads=False)
        both = judged[["fill_id", "unit_id"]].merge(was, on="fill_id", suffixes=("", "_before"))
        moved = (both["unit_id"].fillna("") != both["unit_id_before"].fillna("")).any()
        return bool(moved) or _places(was) != _places(self._refresh.shelf["fills"])


def _places(fills: pd.DataFrame) -> set[tuple[str, str]]:
    """Which sources fill at which station."""
    pairs = fills[list(_PLACED)].astype(object).fillna("").drop_duplicates()
    return set(pairs.itertuples(index=False, name=None))


@dataclass(frozen=True)
class Hashed:
    """All fills in the order of time, as `fill_context` shows them to its `only`, with a hash each of all that their
    rows, the station's other fills and the day's dives say of them; and of what was known of it when the day began,
    but for what dives read. `earlier` are those made before.
    """

    fills: pd.DataFrame
    now: np.ndarray
    by_then: np.ndarray
    earlier: np.ndarray


def fills_given(refresh: Refresh, fills: pd.DataFrame, until: pd.Timestamp) -> pd.DataFrame:
    """fill_id with `given`, a hash of all that the fill's row, the station's other fills and the dives say of it, and
    `given_by_then`, the same without its release and what was read or dived after `until`; nothing of a fill made after
    it.

    Parameters
    ----------
    fills : DataFrame
        All fills, as `fill_context` shows them to its `only`.
    """
    return _given(refresh, _hashed(refresh, fills, until), until)


def _given(refresh: Refresh, of_rows: Hashed, until: pd.Timestamp) -> pd.DataFrame:
    n, (in_water, in_water_by_then) = len(of_rows.fills), _in_water(refresh, of_rows.fills, until)
    return pd.DataFrame(
        {
            "fill_id": of_rows.fills["fill_id"],
            "given": joined([of_rows.now, in_water], n),
            "given_by_then": np.where(of_rows.earlier, joined([of_rows.by_then, in_water_by_then], n), _NONE),
        }
    )


def _hashed(refresh: Refresh, fills: pd.DataFrame, until: pd.Timestamp) -> Hashed:
    written, n = FILLS.reads["fills"], len(fills)
    place = pd.Index(refresh.shelf["fills"]["fill_id"]).get_indexer(fills["fill_id"])
    of_rows = dict(zip(written, (h[place] for h in refresh.shelf.column_hashes(FILLS, "fills")), strict=True))
    # what was worked out over all fills; of a column that stands in the row as well, what became of it
    wide = [c for c in fills if c not in written or c in ("start_pressure_bar", "stop_pressure_bar")]
    of_wide = dict(zip(wide, hashes_of([fills[c] for c in wide]), strict=True))
    of_reading, of_fill = (
        joined([h for part in (of_rows, of_wide) for c, h in part.items() if c.startswith(_READING) == reading], n)
        for reading in (True, False)
    )
    read = fills["settled_pressure_bar"].notna().to_numpy(bool)
    by_then = read & ~(fills["settled_at"] >= until).to_numpy(bool)
    releases = refresh.shelf["releases"]
    released = releases.groupby("fill_id")["released_at"].max().reindex(fills["fill_id"]).reset_index()
    hashes = of_fill, np.where(read, of_reading, _NONE), row_hashes(released, ["released_at"])
    return Hashed(
        fills,
        joined([*hashes, hashes_of_todays_dives(refresh, fills, until)], n),
        joined([of_fill, np.where(by_then, of_reading, _NONE)], n),
        (fills["filled_at"] < until).to_numpy(bool),
    )


def _in_water(refresh: Refresh, fills: pd.DataFrame, until: pd.Timestamp) -> tuple[np.ndarray, np.ndarray]:
    """A hash a fill of what a dive that followed read, and the same of dives that had begun until a moment."""
    readings = refresh.shelf["water_readings"]
    place = pd.Index(readings["fill_id"]).get_indexer(fills["fill_id"])
    if not len(readings):
        return np.full(len(fills), _NONE), np.full(len(fills), _NONE)
    hashed = joined(refresh.shelf.column_hashes(FILLS, "water_readings"), len(readings))
    since = (readings["dived_at"] >= until).to_numpy(bool)
    by_then = np.where(since, _NONE, hashed)
    return np.where(place >= 0, hashed[place], _NONE), np.where(place >= 0, by_then[place], _NONE)


def keep_given(refresh: Refresh, again: FillsAgain | None) -> None:
    """Keep with the snapshot what each fill was judged by; nothing where the station has few."""
    from pipelines.derive.fills.context import station_wide_fills

    publisher, print_, until = refresh.publisher, refresh.fingerprint(FILLS), _day_began_at(refresh)
    if publisher.unchanged("fills_given", "all", print_):
        publisher.link("fills_given", "all")
        return
    if again is not None:
        made = again.given
    elif until is not None:
        given = refresh.given(FILLS)
        made = fills_given(refresh, station_wide_fills(given, given["units"], given.policy), until)
    else:
        made = pd.DataFrame({"fill_id": pd.Series([], dtype="str")})
    publisher.write("fills_given", "all", made.assign(beside=_beside(refresh)), print_)


def _day_began_at(refresh: Refresh) -> pd.Timestamp | None:
    at = refresh.shelf["day_began"]["at"].iloc[0]
    return None if pd.isna(at) else at


def _beside(refresh: Refresh) -> str:
    """A hash of everything that the steps of fills are given but what differs from fill to fill."""
    rows = [refresh.of_rows(FILLS, name) for name in FILLS.reads if name not in _BY_ROW]
    return digest(refresh.fixed(FILLS), rows, of_earlier_dives(refresh, _day_began_at(refresh)))


def _that_may_differ(judged: pd.DataFrame, changed: list[str], until: pd.Timestamp) -> pd.DataFrame:
    """Of the fills of some cylinders those since the day began or the first that changed, and of each unit the last
    two before: what came back is a reading of the fill before. Those farther back stand as they are, and so do the
    years that they lie in.
    """
    filled = judged["filled_at"]
    since = filled >= min(until, filled[judged["fill_id"].isin(changed)].min())
    before = judged[~since].sort_values(list(_ORDER)).groupby("unit_id", dropna=False).tail(2)
    return judged[since | judged.index.isin(before.index)]


def _as_stored(publisher: Publisher, table: str, rows: pd.DataFrame) -> pa.Table:
    if not TABLES[table].internal:
        return arrow_table(rows, TABLES[table])
    schema = publisher.schema_previous(table)
    return pa.Table.from_pandas(rows, schema, preserve_index=False)
