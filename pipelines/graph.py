"""Which tables are computed from which, and which of them a change makes new.

Each part of a table carries a fingerprint of all that went into it; a part whose fingerprint stands in
the last snapshot is taken over as it is. Dives, trends and reserves are parts by member.
"""

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from pipelines.lake import parts_by_member, read_samples
from pipelines.publish import Publisher
from pipelines.settings import Station
from pipelines.store import Warehouse, all_current, frame_hash, no_rows
from schemas.logins import member_logins
from schemas.policy import Policy

Progress = Callable[[str, int, int], None]
DIVE_TABLES = ("dive_consumption", "dive_tank_use", "dive_trace", "dive_duplicates", "dive_fits")
TREND_TABLES = ("consumption_trend", "trend_state")
RESERVE_TABLES = ("dive_reserve", "dive_profile", "kit_balance")
#: of an input row, what decides whether it has changed
_TOLD = ["row_hash", "assumed", "value_flags"]
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
class Build:
    """One build: inputs, where results go, and what was computed anew."""

    station: Station
    warehouse: Warehouse
    publisher: Publisher
    today: pd.Timestamp
    settings: str
    progress: Progress
    inputs: dict[str, pd.DataFrame] = field(default_factory=dict)
    hashes: dict[str, str] = field(default_factory=dict)
    recomputed: dict[str, int] = field(default_factory=dict)

    @property
    def policy(self) -> Policy:
        return self.station.policy

    def fingerprint(self, *told: Any, dated: bool = False) -> str:
        """A hash of the settings, of these inputs, and of today where it matters."""
        text = "\n".join([self.settings, *(str(t) for t in told), str(self.today) if dated else ""])
        return hashlib.sha256(text.encode()).hexdigest()[:24]

    def of(self, *sources: str) -> str:
        """What a table made from all rows of these sources depends on."""
        return ",".join(self.hashes[s] for s in sources)

    def group(
        self,
        tables: Iterable[str],
        part: str,
        fingerprint: str,
        make: Callable[[], dict[str, pd.DataFrame]],
        what: str,
        need: bool = True,
    ) -> dict[str, pd.DataFrame]:
        """Tables of one part that come from one computation: taken over if nothing changed, else made.

        With `need` the frames are given back as they read from the snapshot, so that later steps see the
        same whether a part is new or old.
        """
        tables = tuple(tables)
        publisher = self.publisher
        if all(publisher.unchanged(t, part, fingerprint) for t in tables):
            for t in tables:
                publisher.link(t, part)
        else:
            made = make()
            for t in tables:
                publisher.write(t, part, made[t], fingerprint)
            self.recomputed[what] = self.recomputed.get(what, 0) + 1
        return {t: publisher.read(t, part) for t in tables} if need else {}


def build_all(
    station: Station, warehouse: Warehouse, publisher: Publisher, today: pd.Timestamp, settings: str, progress: Progress
) -> dict[str, int]:
    """Compute and write every table; gives how many parts of what were computed anew."""
    build = Build(station, warehouse, publisher, today, settings, progress)
    build.inputs = all_current(warehouse)
    build.hashes = {name: frame_hash(frame[_TOLD]) for name, frame in build.inputs.items()}
    steps = 8
    progress("Units", 0, steps)
    units = _units(build)
    progress("Fills", 1, steps)
    fills = _fills(build, units, None, "fills_before_dives")
    progress("Dives", 2, steps)
    dives = _dives(build, units, fills)
    progress("Fills and first readings in the water", 3, steps)
    fills = _fills(build, units, _water_readings(dives["dive_fits"]), "fill_quality")
    if len(dives["dive_consumption"]):  # before the first dive there is nothing to follow
        progress("Trends", 4, steps)
        trends = _trends(build, dives["dive_consumption"])
        progress("Reserves", 5, steps)
        _reserves(build, units, fills, dives, trends)
    from pipelines.build.gas_added import build_gas_added

    given = build_gas_added(fills, build.policy)
    publisher.write("gas_added", "all", given, frame_hash(given))
    progress("Fleet and air", 6, steps)
    _fleet(build, units, fills, dives["dive_tank_use"])
    progress("Publishing", 7, steps)
    return build.recomputed


# --- units and fills --------------------------------------------------------------------------
def _units(build: Build) -> pd.DataFrame:
    from pipelines.build.inspections import unit_states_at
    from pipelines.build.units import build_units

    units = build_units(build.inputs, build.policy, build.today)["units"]
    now = pd.Series(
        (build.today + pd.Timedelta(hours=12)).tz_localize(build.policy.time_zone).tz_convert("UTC"), index=units.index
    )
    states = unit_states_at(build.inputs, build.policy, units["unit_id"], now)
    shown = units.assign(in_test_today=states["in_test"], oxygen_clean_today=states["oxygen_clean"])
    build.publisher.write("units", "all", shown, frame_hash(shown))
    build.publisher.write("gas_sources", "all", build.inputs["sources"], build.hashes["sources"])
    people = build.inputs["members"][["member_id", "display_name"]]
    build.publisher.write("people", "all", people, build.hashes["members"])
    build.publisher.write("member_logins", "all", member_logins(build.inputs["members"]), build.hashes["members"])
    return units


def _fills(build: Build, units: pd.DataFrame, readings: pd.DataFrame | None, table: str) -> pd.DataFrame:
    """Fills twice: before the dives, which start with them, and after, with what the dives' first readings say."""
    from pipelines.build.fills import build_fills

    first = table == "fills_before_dives"
    told = build.fingerprint(
        table,
        build.of(
            "fills",
            "inspections",
            "cylinders",
            "set_members",
            "gauges",
            "sources",
            "compressors",
            "compressor_log",
            "air_tests",
            "releases",
            "members",
        ),
        frame_hash(units),
        "" if readings is None else frame_hash(readings),
        "" if first else build.of("dives"),
        dated=not first,
    )
    names = ("fills_before_dives",) if first else ("fill_quality", "settling_model", "settling_check", "gauge_check")

    def make() -> dict[str, pd.DataFrame]:
        made = build_fills(
            build.inputs,
            units,
            build.policy,
            build.today,
            dive_first_readings=readings,
            previous=None if first else _earlier(build),
        )
        return {"fills_before_dives": made["fill_quality"]} if first else made

    return build.group(names, "all", told, make, "fill builds")[names[0]]


def _earlier(build: Build) -> dict[str, pd.DataFrame]:
    """What was published before: what people were told, and predictions made before their reading was known."""
    if build.publisher.previous is None:
        return {}
    return {
        t: build.publisher.read_previous(t, "all")
        for t in ("fill_quality", "settling_check")
        if build.publisher.has_previous(t, "all")
    }


# --- dives ------------------------------------------------------------------------------------
def _dives(build: Build, units: pd.DataFrame, fills: pd.DataFrame) -> dict[str, pd.DataFrame]:
    from pipelines.build.dives import build_member_dives, link_fills

    dives, tanks = build.inputs["dives"], _with_rejected_tanks(build)
    raw = build.inputs["fills"]
    known = fills.merge(
        raw[
            [
                "fill_id",
                *[c for c in raw.columns if c not in fills.columns and c not in ("assumed", "value_flags", "row_hash")],
            ]
        ],
        on="fill_id",
        how="left",
    )
    links = link_fills(tanks, dives, known, units, build.policy.dives.fill_link_days)
    station_water = _water_by_month(dives)
    parts = parts_by_member(build.warehouse)
    of_lake = dict(list(parts.groupby("member_id")))
    of_member = {
        name: dict(list(frame.groupby("member_id")))
        for name, frame in (("dives", dives), ("dive_tanks", tanks), ("links", links))
    }
    looked_at = known[[c for c in _FILL_FOR_DIVE if c in known]]
    by_unit = {unit: frame_hash(rows) for unit, rows in looked_at.groupby("unit_id")}
    collected: dict[str, list[pd.DataFrame]] = {t: [] for t in DIVE_TABLES if t != "dive_trace"}
    members = sorted(of_member["dives"])
    for n, member in enumerate(members):
        build.progress(f"Dives of {member}", n, len(members))
        mine = of_member["dives"][member]
        own_tanks = of_member["dive_tanks"].get(member, tanks.iloc[:0])
        own_links = of_member["links"].get(member, links.iloc[:0])
        used = sorted(set(own_links["unit"].dropna()) | set(own_tanks["unit_id"].dropna()))
        own_parts = of_lake.get(member, parts.iloc[:0])
        days = ",".join(sorted(set(mine["started_at"].dt.strftime("%Y-%m-%d"))))
        # the station's water is asked for months in which a dive states none
        usual = station_water[station_water.index.isin(mine.loc[mine["water_c"].isna(), "started_at"].dt.month)]
        told = build.fingerprint(
            "dives",
            frame_hash(mine[_TOLD]),
            frame_hash(own_tanks),
            list(own_parts["path"]),
            frame_hash(units[units["unit_id"].isin(used)]),
            frame_hash(own_links),
            [by_unit.get(u, "") for u in used],
            frame_hash(usual.rename("water_c").reset_index()),
            hashlib.sha256(days.encode()).hexdigest(),
        )

        def make(member=member, mine=mine, own_tanks=own_tanks, own_links=own_links, own_parts=own_parts):
            samples = read_samples(build.station.lake, own_parts)
            return build_member_dives(
                member,
                {"dives": mine, "dive_tanks": own_tanks, "dive_samples": samples},
                units,
                known,
                build.policy,
                build.today,
                links=own_links,
                station_water_c=station_water,
            )

        made = build.group(DIVE_TABLES, member, told, make, "members' dives", need=False)
        for table in collected:
            collected[table].append(build.publisher.read(table, member))
        del made
    return {
        t: pd.concat(frames, ignore_index=True) if frames else build.publisher.none(t)
        for t, frames in collected.items()
    }


def _with_rejected_tanks(build: Build) -> pd.DataFrame:
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
    from schemas.frames import conform
    from schemas.sources import SOURCES

    typed = conform(lost, SOURCES["dive_tanks"].fields.values(), keep=("assumed", "value_flags", "row_hash"))
    return pd.concat([tanks, typed], ignore_index=True)


def _water_by_month(dives: pd.DataFrame) -> pd.Series:
    """The station's median water temperature by calendar month, of dives that state one."""
    stated = dives[dives["water_c"].notna()]
    return stated.groupby(stated["started_at"].dt.month)["water_c"].median()


def _water_readings(fits: pd.DataFrame) -> pd.DataFrame | None:
    from pipelines.build.dives import first_water_readings

    return first_water_readings(fits) if len(fits) else None


# --- trends and reserves ----------------------------------------------------------------------
def _trends(build: Build, consumption: pd.DataFrame) -> dict[str, pd.DataFrame]:
    from pipelines.build.divers import build_condition_effects, build_member_trend, fit_trend_months

    publisher, dives = build.publisher, build.inputs["dives"]
    before = publisher.read_previous("trend_model", "all") if publisher.has_previous("trend_model", "all") else None
    if publisher.previous is None or publisher.previous.settings_hash != build.settings:
        before = None
    model = fit_trend_months(consumption, dives, build.policy, before, build.today)
    publisher.write("trend_model", "all", model, frame_hash(model))
    effects = build_condition_effects(model, build.today)
    publisher.write("condition_effects", "all", effects, frame_hash(effects))
    wanted = {}
    for member, rows in consumption.groupby("member_id"):
        mine = dives[dives["member_id"] == member]
        wanted[member] = build.fingerprint("trend", frame_hash(rows), frame_hash(mine[_TOLD]), _known_then(model, rows))
    new = [m for m, told in wanted.items() if not all(publisher.unchanged(t, m, told) for t in TREND_TABLES)]
    made = (
        build_member_trend(
            consumption[consumption["member_id"].isin(new)], dives[dives["member_id"].isin(new)], model, build.policy
        )
        if new
        else {}
    )
    for member, told in wanted.items():

        def of_member(member: str = member) -> dict[str, pd.DataFrame]:
            return {t: made[t][made[t]["member_id"] == member] for t in TREND_TABLES}

        build.group(TREND_TABLES, member, told, of_member, "members' trends", need=False)
    collected = {t: [publisher.read(t, m) for m in wanted] for t in TREND_TABLES}
    return {t: pd.concat(f, ignore_index=True) if f else publisher.none(t) for t, f in collected.items()} | {
        "trend_model": model
    }


def _known_then(model: pd.DataFrame, dives: pd.DataFrame) -> str:
    """A hash of what all members shared until the month of the last of these dives; later ones say nothing of them."""
    last = dives["started_at"].max().tz_localize(None).to_period("M").to_timestamp()
    return frame_hash(model[model["month_on"] <= last])


def _reserves(
    build: Build,
    units: pd.DataFrame,
    fills: pd.DataFrame,
    dives: dict[str, pd.DataFrame],
    trends: dict[str, pd.DataFrame],
) -> None:
    from pipelines.build.kits import build_kits
    from pipelines.build.reserve import build_member_reserve
    from pipelines.build.watch import build_watch

    publisher, model = build.publisher, trends["trend_model"]
    tanks = _with_rejected_tanks(build)
    split = {
        name: dict(list(frame.groupby("member_id")))
        for name, frame in (
            ("consumption", dives["dive_consumption"]),
            ("use", dives["dive_tank_use"]),
            ("trend", trends["consumption_trend"]),
            ("state", trends["trend_state"]),
            ("dives", build.inputs["dives"]),
            ("kits", build.inputs["kits"]),
            ("tanks", tanks),
        )
    }
    whole = {
        "consumption": dives["dive_consumption"],
        "use": dives["dive_tank_use"],
        "trend": trends["consumption_trend"],
        "state": trends["trend_state"],
        "dives": build.inputs["dives"],
        "kits": build.inputs["kits"],
        "tanks": tanks,
    }
    reserve = []
    for member in sorted(split["consumption"]):
        mine = {name: split[name].get(member, whole[name].iloc[:0]) for name in split}
        named = fills[fills["fill_id"].isin(mine["consumption"]["fill_id"].dropna())]
        told = build.fingerprint(
            "reserve",
            publisher.tables["dive_trace"][member].fingerprint,
            *(frame_hash(mine[n]) for n in ("consumption", "use", "trend", "state")),
            frame_hash(mine["dives"][_TOLD]),
            frame_hash(mine["kits"][_TOLD]) if len(mine["kits"]) else "",
            frame_hash(named),
            frame_hash(
                units[units["unit_id"].isin({*mine["use"]["unit_id"], *mine["tanks"]["unit_id"], *named["unit_id"]})]
            ),
            _known_then(model, mine["consumption"]),
        )

        def make(member=member, mine=mine, named=named):
            made = build_member_reserve(
                member,
                mine["dives"],
                mine["consumption"],
                publisher.read("dive_trace", member),
                mine["trend"],
                named,
                units,
                build.policy,
                tank_use=mine["use"],
                state=mine["state"],
                model=model,
            )
            return made | build_kits(mine["kits"], mine["dives"], mine["tanks"], mine["use"], units, build.policy)

        reserve.append(build.group(RESERVE_TABLES, member, told, make, "members' reserves")["dive_reserve"])
    rows = pd.concat(reserve, ignore_index=True) if reserve else publisher.none("dive_reserve")
    watch = build_watch(rows, trends["trend_state"], model, build.policy, build.today)
    for table, frame in watch.items():
        publisher.write(table, "all", frame, frame_hash(frame))


# --- fleet and air ----------------------------------------------------------------------------
def _fleet(build: Build, units: pd.DataFrame, fills: pd.DataFrame, tank_use: pd.DataFrame) -> None:
    from pipelines.build.air import build_air
    from pipelines.build.fleet import build_fleet
    from pipelines.build.plan import build_plan

    told = build.fingerprint(
        "fleet",
        build.of("cylinders", "inspections", "set_members", "loans", "fills", "dives", "gauges", "releases"),
        frame_hash(units),
        frame_hash(fills),
        frame_hash(tank_use),
        dated=True,
    )
    build.group(
        ("cylinder_health", "cylinder_life"),
        "all",
        told,
        lambda: build_fleet(build.inputs, units, fills, tank_use, build.policy, build.today),
        "fleet builds",
        need=False,
    )
    health = build.publisher.read("cylinder_health", "all")
    told = build.fingerprint(
        "air",
        build.of("air_tests", "compressors", "compressor_log", "sources", "fills", "loans", "dive_tanks"),
        frame_hash(fills),
        dated=True,
    )
    build.group(
        ("air_quality", "compressor_health", "recall"),
        "all",
        told,
        lambda: build_air(build.inputs, fills, build.policy, build.today),
        "air builds",
        need=False,
    )
    told = build.fingerprint(
        "plan",
        build.of("cylinders", "inspections", "set_members", "bookings", "visits", "loans"),
        frame_hash(units),
        frame_hash(health),
        dated=True,
    )
    build.group(
        ("inspection_plan", "booking_cover"),
        "all",
        told,
        lambda: build_plan(build.inputs, units, health, build.policy, build.today),
        "plans",
        need=False,
    )


__all__ = ["Build", "build_all", "no_rows"]
