"""Dives, a part a member: what they start with, what they are computed from, what earlier ones have taught."""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from pipelines.derive.columns import places
from pipelines.publish.snapshot import Publisher
from pipelines.refresh.engine import Refresh
from pipelines.refresh.hashing import digest, folded, row_hashes
from pipelines.refresh.reads import whole
from pipelines.refresh.step import EVERY, Frames, Given, Later, Part, Step, step_digest
from pipelines.station.settings import Station
from pipelines.warehouse.lake import parts_by_member, read_samples
from pipelines.warehouse.rows import tanks_without_a_row_that_counts
from pipelines.warehouse.store import Warehouse
from pipelines.warehouse.withdrawn import samples_out

if TYPE_CHECKING:
    from pipelines.derive.dives.step import Ambient, MemberDives

DIVE_TABLES = ("dive_consumption", "dive_tank_use", "dive_trace", "dive_duplicates", "dive_fits", "dive_surfacing")
#: so many samples' results are held between the two rounds
KEPT_ROWS = 1_000_000


def _read(given: Given) -> "MemberDives":
    from pipelines.derive.dives.step import read_member_dives

    return read_member_dives(
        given.part,
        given | {"dive_tanks": given["dive_tanks_all"]},
        given["units"],
        given["fills_of_dives"],
        given.policy,
        links=given["dive_links"],
        air=given["dive_air"],
        station_water=given["station_water"],
    )


def _lessons(given: Given) -> Frames:
    from pipelines.derive.dives.step import lessons_frame

    read = _read(given)
    # beside the table what it was made from, for the step that follows in the same refresh
    return {"dive_lessons": lessons_frame(read.lessons), "read": cast(pd.DataFrame, read)}


def _station(given: Given) -> Frames:
    from pipelines.derive.dives.step import station_frame, station_of_all

    lessons = given["dive_lessons"]
    return {
        "dive_station": station_frame(station_of_all(lessons)),
        "lesson_months": lessons.groupby("member_id", sort=False)["month"].max().reset_index(),
    }


def _dives(given: Given) -> Frames:
    return _tables(_read(given), given["dive_station"])


def _tables(read: "MemberDives", station: pd.DataFrame) -> Frames:
    from pipelines.derive.dives.step import dive_tables, station_of_frame

    return dive_tables(read, station_of_frame(station))


_READS = {
    "dives": whole("dives", "value_flags"),
    "dive_tanks_all": tuple(c for c in whole("dive_tanks") if c != "tank_ref"),
    "dive_samples": whole("dive_samples"),
    "dive_links": EVERY,
    "dive_air": EVERY,
    "station_water": ("year", "month", "water_c"),
    "units": (
        "unit_id",
        "set_id",
        "joined",
        "material",
        "water_capacity_l",
        "capacity_sd_pct",
        "working_pressure_bar",
        "empty_mass_kg",
    ),
    # of a fill, what a dive that starts with it looks at
    "fills_of_dives": (
        "fill_id",
        "unit_id",
        "filled_at",
        "ambient_c",
        "gas_c",
        "gas_and_wall_c",
        "analysed_o2_pct",
        "analysed_he_pct",
        "target_o2_pct",
        "target_he_pct",
        "target_ar_pct",
        "in_test",
        "max_operating_depth_m",
        "max_operating_depth_deco_m",
        "settled_pressure_bar_15c",
        "settled_low_bar_15c",
        "settled_high_bar_15c",
    ),
}
_SETTINGS = (
    "dives",
    "filling.mix_tolerance_pct",
    "filling.ppo2_bar",
    "filling.ppo2_deco_bar",
    "filling.settle_minutes_in_water",
    "reserve.unusable_bar",
)
# a fill's belief moves by a hair with every reading of its station; dives feel it in steps that matter to them
_RESOLUTION = {
    "fills_of_dives.gas_c": 0.1,
    "fills_of_dives.gas_and_wall_c": 0.1,
    "fills_of_dives.settled_pressure_bar_15c": 0.05,
    "fills_of_dives.settled_low_bar_15c": 0.05,
    "fills_of_dives.settled_high_bar_15c": 0.05,
}

LESSONS = Step(
    name="dive_lessons",
    version=5,
    build=_lessons,
    gives=("dive_lessons",),
    reads=_READS,
    settings=_SETTINGS,
    resolution=_RESOLUTION,
    weighed_by="dives",
)
STATION = Step(
    name="dive_station",
    version=2,
    build=_station,
    gives=("dive_station", "lesson_months"),
    reads={"dive_lessons": EVERY},
)
DIVES = Step(
    name="dives",
    version=10,
    build=_dives,
    gives=DIVE_TABLES,
    reads=_READS | {"dive_station": EVERY},
    settings=_SETTINGS,
    resolution=_RESOLUTION,
    weighed_by="dives",
    counted="members' dives",
)

STEPS = (LESSONS, STATION, DIVES)


def build_dives(refresh: Refresh, station: Station, warehouse: Warehouse) -> None:
    """The dives' tables of all members; the traces stay in their parts.

    Each member's cylinders are first fitted by themselves, which depends on no other member. What they teach of
    cylinders, kit and starts is added up by month over the station, and each is fitted again with what was known
    when its month began and with its member's dives before it. So a new dive changes no other member's figures, and
    none of its own member's earlier ones.
    """
    parts = _parts(refresh, station, warehouse)
    held: dict[str, MemberDives] = {}
    rows = 0

    def hold(part: Part, made: Frames) -> None:
        nonlocal rows
        read = cast("MemberDives", made["read"])
        rows += read.samples.t_s.size
        if rows > KEPT_ROWS:  # what was read is read again rather than held
            held.clear()
            rows = 0
        held[part.name] = read

    refresh.run(LESSONS, parts, says="Dives of {}", made=hold)
    refresh.run(STATION, [Part(later={"dive_lessons": _all_lessons(refresh.publisher, parts)})])
    refresh.publisher.keep_together("dive_lessons")
    month = refresh.table("dive_station")["month"].to_numpy("int64")
    last = refresh.table("lesson_months").set_index("member_id")["month"].to_dict()

    def known(member: str) -> np.ndarray:
        """Months that the member's dives can learn from: those that begin no later than its last dive's."""
        return np.flatnonzero(month <= last[member]) if member in last else month[:0]

    after = [Part(p.name, {**p.rows, "dive_station": known(p.name)}, p.later) for p in parts]

    def ready(part: Part) -> Callable[[], Frames] | None:
        read = held.pop(part.name, None)
        return None if read is None else partial(_tables, read, refresh.given_frame(DIVES, part, "dive_station"))

    refresh.run(DIVES, after, says="Dives of {}, with what earlier ones have taught", ready=ready)
    for table in DIVE_TABLES:
        if table != "dive_trace":
            refresh.table(table, after)


def _all_lessons(publisher: Publisher, parts: list[Part]) -> Later:
    """What each member's dives teach, one member after the other."""
    made = publisher.tables.get("dive_lessons", {})

    def read() -> pd.DataFrame:
        there = [p.name for p in parts if made[p.name].rows]
        if not there:
            return pd.DataFrame({"member_id": [], "month": []})
        owners = np.repeat(there, [made[name].rows for name in there])
        return publisher.read_together("dive_lessons", *there).assign(member_id=pd.Series(owners, dtype="str"))

    return Later(digest([(p.name, made[p.name].sha256 or made[p.name].fingerprint) for p in parts]), read)


def made_as_now(publisher: Publisher) -> bool:
    """Whether the last run made dives as they are made now."""
    last = publisher.previous
    return last is not None and last.steps.get(DIVES.name) == step_digest(DIVES)


def _parts(refresh: Refresh, station: Station, warehouse: Warehouse) -> list[Part]:
    """A part a member with dives: positions in the frames of the station that its dives are made from."""
    from pipelines.derive.dives.step import ambient_of_fills, link_fills, station_water_by_month

    shelf = refresh.shelf
    dives, tanks, units = shelf["dives"], shelf["dive_tanks_all"], shelf["units"]
    fills = shelf["fills_before_dives"]
    shelf.put("fills_of_dives", _with_their_rows(fills, shelf["fills"]), same_as="fills_before_dives")
    fills = shelf["fills_of_dives"]
    shelf.put("dive_links", link_fills(tanks, dives, fills, units, refresh.policy.dives.fill_link_days))
    shelf.put("station_water", station_water_by_month(dives))

    of_dives = refresh.positions("dives", "member_id")
    of_tanks = refresh.positions("dive_tanks_all", "member_id")
    of_links = refresh.positions("dive_links", "member_id")
    of_fills = _linked_fills(shelf["dive_links"], fills, units)
    of_units = _positions_of_units(units)
    lake = parts_by_member(warehouse)
    of_lake = lake.groupby("member_id").indices
    kept = ["path", "order_at"]
    lake_hashes = row_hashes(lake, kept)
    out = samples_out(warehouse)
    members = sorted(of_dives)
    shelf.put("dive_air", _air(dives, of_dives, ambient_of_fills(fills)))
    of_air = refresh.positions("dive_air", "member_id")

    none = np.empty(0, "int64")
    month = 12 * dives["started_at"].dt.year.to_numpy() + dives["started_at"].dt.month.to_numpy()
    unstated = dives["water_c"].isna().to_numpy()
    water_month = (12 * shelf["station_water"]["year"] + shelf["station_water"]["month"]).to_numpy()
    tank_unit, link_unit = tanks["unit_id"].to_numpy(object), shelf["dive_links"]["unit"].to_numpy(object)
    fill_unit = fills["unit_id"].to_numpy(object)
    made = []
    for member in members:
        mine = of_dives[member]
        own_tanks, own_links = of_tanks.get(member, none), of_links.get(member, none)
        own_fills = of_fills.get(member, none)
        named = {*tank_unit[own_tanks], *link_unit[own_links], *fill_unit[own_fills]}
        used = [of_units[u] for u in named if isinstance(u, str) and u in of_units]
        # the station's water is asked for where a dive states none, of the months before it
        asked = np.flatnonzero(water_month < month[mine[unstated[mine]]].max(initial=0))
        own_files = of_lake.get(member, none)
        made.append(
            Part(
                member,
                rows={
                    "dives": mine,
                    "dive_tanks_all": own_tanks,
                    "dive_links": own_links,
                    "dive_air": of_air[member],
                    "station_water": asked,
                    "units": np.unique(np.concatenate(used)) if used else none,
                    "fills_of_dives": own_fills,
                },
                later={
                    # parts of the lake are named by their content; which of two samples wins hangs on order_at
                    "dive_samples": Later(
                        digest(kept, folded(lake_hashes[own_files])) + "".join(map(str, out.get(member, []))),
                        partial(_samples, station.lake, lake, own_files, out.get(member, [])),
                    )
                },
            )
        )
    return made


def _with_their_rows(fills: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """What fills were taken for, and beside it what dives read of their rows."""
    more = [c for c in _READS["fills_of_dives"] if c in rows.columns and c not in fills.columns]
    at = places(fills["fill_id"], rows["fill_id"])
    if (at < 0).any():
        return fills.merge(rows[["fill_id", *more]], on="fill_id", how="left")
    return pd.concat([fills, rows[more].take(at).set_axis(fills.index)], axis=1)


def _samples(
    folder: Path, parts: pd.DataFrame, own: np.ndarray, without: Sequence[tuple[str, str, float | None]]
) -> pd.DataFrame:
    """A member's samples; its parts are looked up where its dives are made, not for each member in each run."""
    return read_samples(folder, parts.iloc[own], without)


def _air(dives: pd.DataFrame, of_dives: dict[str, np.ndarray], ambient: "Ambient") -> pd.DataFrame:
    """Air where each dive began, from its member's dives and the station's fills."""
    from pipelines.derive.dives.step import air_of_dives

    if not of_dives:
        return pd.DataFrame({"member_id": pd.Series([], dtype="str")})
    own = dives.iloc[np.concatenate(list(of_dives.values()))].reset_index(drop=True)
    return pd.concat([own[["member_id", "dive_id"]], air_of_dives(own, ambient, own["member_id"])], axis=1)


def _linked_fills(links: pd.DataFrame, fills: pd.DataFrame, units: pd.DataFrame) -> dict[str, np.ndarray]:
    """Positions of the fills that each member's dives come after: the last of the unit before each dive."""
    from pipelines.derive.dives.step import dived_unit

    asked = links.loc[links["filled_at"].notna() & links["unit"].notna(), ["member_id", "unit", "filled_at"]]
    there = pd.DataFrame(
        {"unit": dived_unit(fills["unit_id"], units), "filled_at": fills["filled_at"], "at": np.arange(len(fills))}
    )
    pairs = asked.drop_duplicates().merge(there, on=["unit", "filled_at"], how="inner")
    at = pairs["at"].to_numpy("int64")
    return {str(member): np.unique(at[rows]) for member, rows in pairs.groupby("member_id").indices.items()}


def _positions_of_units(units: pd.DataFrame) -> dict[str, np.ndarray]:
    """Of each unit its own row and those of the cylinders that name it as their set."""
    own = pd.Series(np.arange(len(units)), index=units["unit_id"])
    in_set = units["set_id"].notna() & (units["set_id"] != units["unit_id"])
    sides = pd.Series(np.flatnonzero(in_set.to_numpy(bool)), index=units.loc[in_set, "set_id"])
    both = pd.concat([own, sides])
    at = both.to_numpy("int64")
    return {str(unit): np.sort(at[rows]) for unit, rows in both.groupby(level=0).indices.items()}


def dive_tanks_with_lost(warehouse: Warehouse, dive_tanks: pd.DataFrame, dives: pd.DataFrame) -> pd.DataFrame:
    """Tanks of known dives whose row was rejected or waits beside those that count, without their readings.

    So a missing tank never makes a rate look low.
    """
    from schemas.frames import conform
    from schemas.sources import SOURCES

    lost = tanks_without_a_row_that_counts(warehouse)
    if lost.empty:
        return dive_tanks
    owners = dives.groupby("dive_id")["member_id"].agg(["first", "nunique"])
    only = lost["dive_id"].map(owners["first"].where(owners["nunique"] == 1))
    lost["member_id"] = lost["member_id"].where(lost["member_id"].notna(), only)
    known = pd.MultiIndex.from_frame(dives[["member_id", "dive_id"]])
    lost = lost[pd.MultiIndex.from_frame(lost[["member_id", "dive_id"]]).isin(known)]
    lost = lost.assign(
        role=lost["role"].fillna("back"),
        unit_id=None,
        water_capacity_l=float("nan"),
        start_pressure_bar=float("nan"),
        end_pressure_bar=float("nan"),
        second_gauge_end_bar=float("nan"),
    )
    free = lost.groupby(["member_id", "dive_id"]).cumcount() + 1
    taken = dive_tanks.groupby(["member_id", "dive_id"])["tank_no"].max()
    beyond = lost.set_index(["member_id", "dive_id"]).index.map(taken.to_dict())
    lost["tank_no"] = lost["tank_no"].where(
        lost["tank_no"].notna(), pd.Series(beyond, index=lost.index).fillna(0).astype(int) + free
    )
    lost = lost.drop_duplicates(["member_id", "dive_id", "tank_no"])
    typed = conform(lost, SOURCES["dive_tanks"].fields.values(), keep=("assumed", "value_flags", "row_hash"))
    return pd.concat([dive_tanks, typed], ignore_index=True)
