"""The order of a refresh, once: which step comes after which."""

import pandas as pd

from pipelines.publish.snapshot import Publisher
from pipelines.refresh import divers, dives, fills, fleet
from pipelines.refresh.engine import Progress, Refresh
from pipelines.refresh.hashing import digest
from pipelines.refresh.step import Step, rules_read, step_digest
from pipelines.station.settings import Station
from pipelines.warehouse.rows import fills_not_accepted
from pipelines.warehouse.store import FIRST_PUBLISHED, Warehouse, all_current

STEPS: tuple[Step, ...] = (*fills.STEPS, *dives.STEPS, *divers.STEPS, *fleet.STEPS)


def steps_digest() -> str:
    """Changes when any step does, or a rule that one reads; then a run looks at every part again."""
    return digest([(step_digest(s), rules_read(s)) for s in STEPS])


def refresh_tables(
    station: Station, warehouse: Warehouse, publisher: Publisher, today: pd.Timestamp, progress: Progress
) -> dict[str, int]:
    """Compute and write every table; gives how many parts of what were made anew."""
    from pipelines.derive.dives.step import first_water_readings
    from pipelines.derive.units import distinct_names

    steps = 8
    refresh = Refresh(publisher, station.policy, today, progress)
    shelf = refresh.shelf
    inputs = distinct_names(all_current(warehouse))
    # a test dated later is not known yet; so fills do not depend on the day
    tests = inputs["air_tests"]
    inputs["air_tests"] = tests[tests["sampled_on"] <= today]
    for name, frame in inputs.items():
        shelf.put(name, frame)
    shelf.put("fills_not_accepted", fills_not_accepted(warehouse))
    shelf.put("dive_tanks_all", dives.dive_tanks_with_lost(warehouse, inputs["dive_tanks"], inputs["dives"]))
    progress("Units", 0, steps)
    fills.publish_registers(refresh)
    progress("Fills", 1, steps)
    refresh.run(fills.FILLS_BEFORE_DIVES)
    refresh.table("fills_before_dives")
    progress("Dives", 2, steps)
    dives.build_dives(refresh, station, warehouse)
    progress("Fills and first readings in the water", 3, steps)
    fits = shelf["dive_fits"]
    shelf.put("water_readings", first_water_readings(fits) if len(fits) else _no_readings())
    fills.judge_fills(refresh, _first_published(warehouse, publisher))
    if len(shelf["dive_consumption"]):  # before the first dive there is nothing to follow
        progress("Trends", 4, steps)
        divers.build_trends(refresh)
        progress("Reserves", 5, steps)
        divers.build_reserves(refresh)
    refresh.run(fills.GAS_ADDED)
    progress("Fleet and air", 6, steps)
    fleet.build_fleet_and_air(refresh)
    progress("Publishing", 7, steps)
    return refresh.recomputed


def _no_readings() -> pd.DataFrame:
    return pd.DataFrame({c: pd.Series([], dtype="float64") for c in fills.FILLS.reads["water_readings"]})


def _first_published(warehouse: Warehouse, publisher: Publisher) -> dict[str, pd.DataFrame]:
    """What was published of each fill at first; what the last snapshot shows is kept before it is asked for."""
    warehouse.keep_first_published(
        {t: publisher.read_previous(t, "all") for t in FIRST_PUBLISHED if publisher.has_previous(t, "all")}
    )
    return warehouse.first_published()
