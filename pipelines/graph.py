"""Which tables are computed from which, and which of them a change makes new.

Each part of a table carries a fingerprint of all that went into it; a part whose fingerprint stands in
the last snapshot is taken over as it is. Dives, trends and reserves are parts by member.
"""

import pandas as pd

from pipelines.build.units import names_told_apart
from pipelines.graph_dives import build_dives, water_readings
from pipelines.graph_members import build_reserves, build_trends
from pipelines.graph_parts import TOLD, Build, Progress
from pipelines.publish import Publisher
from pipelines.settings import Station
from pipelines.store import ONCE_TOLD, Warehouse, all_current, frame_hash
from schemas.logins import member_logins


def build_all(
    station: Station, warehouse: Warehouse, publisher: Publisher, today: pd.Timestamp, settings: str, progress: Progress
) -> dict[str, int]:
    """Compute and write every table; gives how many parts of what were computed anew."""
    build = Build(station, warehouse, publisher, today, settings, progress)
    build.inputs = names_told_apart(all_current(warehouse))
    build.hashes = {name: frame_hash(frame[TOLD]) for name, frame in build.inputs.items()}
    steps = 8
    progress("Units", 0, steps)
    units = _units(build)
    progress("Fills", 1, steps)
    fills = _fills(build, units, None, "fills_before_dives")
    progress("Dives", 2, steps)
    dives = build_dives(build, units, fills)
    progress("Fills and first readings in the water", 3, steps)
    fills = _fills(build, units, water_readings(dives["dive_fits"]), "fill_quality")
    if len(dives["dive_consumption"]):  # before the first dive there is nothing to follow
        progress("Trends", 4, steps)
        trends = build_trends(build, dives["dive_consumption"])
        progress("Reserves", 5, steps)
        build_reserves(build, units, fills, dives, trends)
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
    publisher = build.publisher
    build.warehouse.keep_told(
        {t: publisher.read_previous(t, "all") for t in ONCE_TOLD if publisher.has_previous(t, "all")}
    )
    return build.warehouse.told()


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
        build.of(
            "air_tests", "compressors", "compressor_log", "sources", "fills", "loans", "cylinders", "set_members"
        ),
        frame_hash(fills),
        dated=True,
    )
    build.group(
        ("air_quality", "compressor_health", "recall", "gas_sources"),
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
