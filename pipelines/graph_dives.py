"""Dives, computed by member: what a member's part depends on, and the tanks that were lost on the way in."""

from dataclasses import dataclass

import pandas as pd

from pipelines.graph_parts import TOLD, Build
from pipelines.lake import parts_by_member, read_samples
from pipelines.store import frame_hash
from schemas.frames import conform
from schemas.sources import SOURCES

DIVE_TABLES = ("dive_consumption", "dive_tank_use", "dive_trace", "dive_duplicates", "dive_fits")
#: so many samples' results are held between the two rounds
KEPT_ROWS = 1_000_000
#: of a fill, what a dive that starts with it looks at
_FILL_FOR_DIVE = (
    "fill_id",
    "unit_id",
    "filled_at",
    "ambient_c",
    "gas_c",
    "o2_pct",
    "he_pct",
    "target_o2_pct",
    "target_he_pct",
    "target_ar_pct",
    "analysed_o2_pct",
    "analysed_he_pct",
    "max_operating_depth_m",
    "in_test",
    "settled_pressure_bar_15c",
    "stop_pressure_bar",
    "settled_low_bar_15c",
    "settled_high_bar_15c",
    "start_pressure_bar",
)


@dataclass
class _Member:
    """One member's dives: what they are computed from, and what that depends on."""

    member_id: str
    inputs: dict[str, pd.DataFrame]
    links: pd.DataFrame
    parts: pd.DataFrame
    told: list


def build_dives(build: Build, units: pd.DataFrame, fills: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The dives' tables of all members, but for the traces, which stay in their parts.

    How far the gas at the start lies from what was said of it is a matter of the station: it is found from
    fits made without it, in steps so coarse that one more dive seldom moves it, and then all are made with it.
    """
    from pipelines.build.dives import build_member_dives, link_fills, station_start_spread

    dives, tanks = build.inputs["dives"], with_rejected_tanks(build)
    raw = build.inputs["fills"]
    more = [c for c in raw.columns if c not in {*fills.columns, *TOLD}]
    known = fills.merge(raw[["fill_id", *more]], on="fill_id", how="left")
    links = link_fills(tanks, dives, known, units, build.policy.dives.fill_link_days)
    station_water = _water_by_month(dives)
    members = _members(build, units, known, dives, tanks, links, station_water)

    def made_with(member: _Member, spread: tuple[float, float]) -> dict[str, pd.DataFrame]:
        samples = read_samples(build.station.lake, member.parts)
        return build_member_dives(
            member.member_id,
            member.inputs | {"dive_samples": samples},
            units,
            known,
            build.policy,
            build.today,
            links=member.links,
            station_water_c=station_water,
            station_spread=spread,
        )

    plain, kept, rows = (1.0, 1.0), {}, 0
    fits = []
    for n, member in enumerate(members):
        build.progress(f"Dives of {member.member_id}", n, len(members))

        def first(member=member):
            made = kept[member.member_id] = made_with(member, plain)
            ends = bool(made["dive_consumption"]["method"].eq("ends").any())
            return {"dive_fits_before": made["dive_fits"].assign(ends_beside=ends)}

        told = build.fingerprint("dives before", *member.told)
        fits.append(build.group(["dive_fits_before"], member.member_id, told, first, "")["dive_fits_before"])
        rows += len(kept.get(member.member_id, {}).get("dive_trace", ()))
        if rows > KEPT_ROWS:  # what was made is made again rather than held
            kept.clear()
            rows = 0
    spread = station_start_spread(pd.concat(fits, ignore_index=True)) if fits else plain
    collected: dict[str, list[pd.DataFrame]] = {t: [] for t in DIVE_TABLES if t != "dive_trace"}
    for n, member in enumerate(members):
        build.progress(f"Dives of {member.member_id}, with what all have taught", n, len(members))

        # only dives known by their ends feel the spread
        felt = spread if fits[n].empty or fits[n]["ends_beside"].any() else plain

        def make(member=member, felt=felt):
            found = kept.get(member.member_id)
            return found if found is not None and felt == plain else made_with(member, felt)

        told = build.fingerprint("dives", felt, *member.told)
        build.group(DIVE_TABLES, member.member_id, told, make, "members' dives", need=False)
        for table in collected:
            collected[table].append(build.publisher.read(table, member.member_id))
    return {
        t: pd.concat(frames, ignore_index=True) if frames else build.publisher.none(t)
        for t, frames in collected.items()
    }


def _members(build: Build, units, known, dives, tanks, links, station_water) -> list[_Member]:
    """Every member with dives, and hashes of all that their tables depend on."""
    from pipelines.build.dives import air_of_dives

    parts = parts_by_member(build.warehouse)
    of_lake = dict(list(parts.groupby("member_id")))
    of_member = {
        name: dict(list(frame.groupby("member_id")))
        for name, frame in (("dives", dives), ("dive_tanks", tanks), ("links", links))
    }
    looked_at = known[[c for c in _FILL_FOR_DIVE if c in known]]
    by_unit = {unit: frame_hash(rows) for unit, rows in looked_at.groupby("unit_id")}
    found = []
    for member in sorted(of_member["dives"]):
        mine = of_member["dives"][member]
        own_tanks = of_member["dive_tanks"].get(member, tanks.iloc[:0])
        own_links = of_member["links"].get(member, links.iloc[:0])
        own_parts = of_lake.get(member, parts.iloc[:0])
        used = sorted(set(own_links["unit"].dropna()) | set(own_tanks["unit_id"].dropna()))
        # the station's water and air are asked for where a dive states none
        usual = station_water[station_water.index.isin(mine.loc[mine["water_c"].isna(), "started_at"].dt.month)]
        found.append(
            _Member(
                member,
                {"dives": mine, "dive_tanks": own_tanks},
                own_links,
                own_parts,
                [
                    frame_hash(mine[TOLD]),
                    frame_hash(own_tanks),
                    list(own_parts["path"]),
                    frame_hash(units[units["unit_id"].isin(used)]),
                    frame_hash(own_links),
                    [by_unit.get(u, "") for u in used],
                    frame_hash(usual.rename("water_c").reset_index()),
                    frame_hash(air_of_dives(mine, known)),
                ],
            )
        )
    return found


def with_rejected_tanks(build: Build) -> pd.DataFrame:
    """Tanks of known dives whose row was rejected or waits: carried along without their readings, so that a
    missing tank never makes a rate look low."""
    tanks = build.inputs["dive_tanks"]
    lost = build.warehouse.frame(
        "SELECT r.* FROM rows_dive_tanks r WHERE r.state IN ('waiting', 'rejected') AND r.dive_id IS NOT NULL "
        "AND NOT EXISTS (SELECT 1 FROM rows_dive_tanks c WHERE c.state = 'current' AND c.dive_id = r.dive_id "
        "AND c.tank_no IS NOT DISTINCT FROM r.tank_no "
        "AND c.member_id IS NOT DISTINCT FROM coalesce(r.member_id, c.member_id))"
    )
    if lost.empty:
        return tanks
    owners = build.inputs["dives"].groupby("dive_id")["member_id"].agg(["first", "nunique"])
    only = lost["dive_id"].map(owners["first"].where(owners["nunique"] == 1))
    lost["member_id"] = lost["member_id"].where(lost["member_id"].notna(), only)
    known = pd.MultiIndex.from_frame(build.inputs["dives"][["member_id", "dive_id"]])
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
    taken = tanks.groupby(["member_id", "dive_id"])["tank_no"].max()
    beyond = lost.set_index(["member_id", "dive_id"]).index.map(taken.to_dict())
    lost["tank_no"] = lost["tank_no"].where(
        lost["tank_no"].notna(), pd.Series(beyond, index=lost.index).fillna(0).astype(int) + free
    )
    lost = lost.drop_duplicates(["member_id", "dive_id", "tank_no"])
    typed = conform(lost, SOURCES["dive_tanks"].fields.values(), keep=("assumed", "value_flags", "row_hash"))
    return pd.concat([tanks, typed], ignore_index=True)


def _water_by_month(dives: pd.DataFrame) -> pd.Series:
    """The station's median water temperature by calendar month, of dives that state one."""
    stated = dives[dives["water_c"].notna()]
    return stated.groupby(stated["started_at"].dt.month)["water_c"].median()


def water_readings(fits: pd.DataFrame) -> pd.DataFrame | None:
    """What the dives' first readings in the water say of their fills; None without any."""
    from pipelines.build.dives import first_water_readings

    return first_water_readings(fits) if len(fits) else None
