"""The order of a refresh, once: which step comes after which."""

import contextlib
import time

import pandas as pd

from pipelines.publish.snapshot import Publisher
from pipelines.refresh import divers, dives, fills, fleet
from pipelines.refresh.engine import Progress, Refresh
from pipelines.refresh.fills_again import FillsAgain, judge_again, keep_given
from pipelines.refresh.first_look import FirstLook
from pipelines.refresh.hashing import digest
from pipelines.refresh.new_fills import judge_new_fills
from pipelines.refresh.step import Step, rules_read, step_digest
from pipelines.refresh.workers import Workers
from pipelines.station.settings import Station
from pipelines.warehouse import first_published
from pipelines.warehouse.rows import fills_not_accepted, inspections_not_taken
from pipelines.warehouse.store import FIRST_PUBLISHED, Warehouse, all_current

STEPS: tuple[Step, ...] = (*fills.STEPS, *dives.STEPS, *divers.STEPS, *fleet.STEPS)


#: the widest table; what leaks are fitted from is made of it
COLUMNS_READ = {
    "fill_quality": sorted({c for s in STEPS for t in ("fill_quality", "fills_of_leaks") for c in s.reads.get(t, ())})
}


def steps_digest() -> str:
    """Changes when any step does, or a rule that one reads; then a run looks at every part again."""
    return digest([(step_digest(s), rules_read(s)) for s in STEPS])


#: stages of a refresh, as progress and `coldfill run --timing` name them
STAGES = (
    "Rows of the warehouse",
    "Units",
    "Fills",
    "Dives",
    "Fills and first readings in the water",
    "Trends",
    "Reserves",
    "Fleet and air",
)


class _Stages:
    """Says which stage is at work, and adds up how long each took."""

    def __init__(self, progress: Progress, seconds: dict[str, float]):
        self.progress, self.seconds = progress, seconds
        self.now, self.began = "", 0.0

    def begin(self, stage: str) -> None:
        self.end()
        self.now, self.began = stage, time.perf_counter()
        self.progress(stage, STAGES.index(stage), len(STAGES))

    def end(self) -> None:
        if self.now:
            self.seconds[self.now] = self.seconds.get(self.now, 0.0) + time.perf_counter() - self.began
        self.now = ""


def refresh_tables(
    station: Station,
    warehouse: Warehouse,
    publisher: Publisher,
    today: pd.Timestamp,
    progress: Progress,
    seconds: dict[str, float] | None = None,
    first_look: FirstLook | None = None,
) -> dict[str, int]:
    """Compute and write every table; gives how many parts of what were made anew.

    `seconds` gets how long each stage took, on top of what it holds: a refresh can begin anew. `first_look` is shown
    once the new fills are judged, with all that earlier dives say of them.
    """
    stages = _Stages(progress, {} if seconds is None else seconds)
    stages.begin("Rows of the warehouse")
    workers = Workers(station.processes, station.scheduler, steps_digest)
    refresh = Refresh(publisher, station.policy, today, progress, workers=workers, columns=COLUMNS_READ)
    with contextlib.closing(refresh.workers):
        _refresh(refresh, station, warehouse, stages, first_look)
    return refresh.recomputed


def _refresh(
    refresh: Refresh,
    station: Station,
    warehouse: Warehouse,
    stages: _Stages,
    first_look: FirstLook | None,
) -> None:
    from pipelines.derive.afterwards import with_what_came_after
    from pipelines.derive.readings_apart import uses, with_readings_apart
    from pipelines.derive.units import distinct_names

    shelf, publisher, today = refresh.shelf, refresh.publisher, refresh.today
    logged = distinct_names(all_current(warehouse))
    inputs = with_what_came_after(logged)
    filling = station.policy.filling
    inputs["fills"] = with_readings_apart(
        inputs["fills"],
        logged["fills"],
        logged["fill_readings"],
        lambda: uses(logged["fills"], inputs["dive_tanks"], logged["dives"], logged["cylinders"]),
        logged["gauges"],
        filling.check_gauge_limit_bar,
        filling.settle_hours,
    )
    # a test dated later is not known yet; so fills do not depend on the day
    tests = inputs["air_tests"]
    inputs["air_tests"] = tests[tests["sampled_on"] <= today]
    for name, frame in inputs.items():
        shelf.put(name, frame)
    shelf.put("day_began", fills.day_began(inputs["fills"], today, station.policy.time_zone))
    shelf.put("fills_not_accepted", fills_not_accepted(warehouse))
    shelf.put("inspections_not_taken", inspections_not_taken(warehouse))
    shelf.put("dive_tanks_all", dives.dive_tanks_with_lost(warehouse, inputs["dive_tanks"], inputs["dives"]))
    stages.begin("Units")
    fills.publish_registers(refresh)
    stages.begin("Fills")
    # what transmitters say of fills is found with the dives; until then as it was, which mostly is what it will be
    shelf.put("water_readings", _last_water_readings(publisher))
    new = None
    if first_look:
        new = judge_new_fills(refresh, warehouse, first_look.fills_and_units(warehouse))
        if new is not None:
            first_look.show(publisher, new)
    give_way = first_look.give_way if first_look and new is not None else lambda: None
    give_way()
    _keep_what_is_shown(warehouse, publisher)
    again = judge_again(refresh, warehouse, new)
    if again is not None:
        again.write(refresh, fills.FILLS_THEN)
    if first_look and new is None:
        # who waits sees them judged by what the last run's dives said of them
        _judge_fills(refresh, warehouse, again)
        first_look.show(publisher)
    give_way()
    fills.fills_when_made(refresh)
    give_way()
    stages.begin("Dives")
    dives.build_dives(refresh, station, warehouse)
    give_way()
    stages.begin("Fills and first readings in the water")
    water = _water_readings(shelf["dive_fits"], shelf["dives"])
    refresh.publish("water_readings", water)
    if not water.equals(shelf["water_readings"]):
        shelf.put("water_readings", water)
        again = judge_again(refresh, warehouse, None, again) if again is not None else None
        _judge_fills(refresh, warehouse, again)
    elif "fill_quality" not in shelf:
        _judge_fills(refresh, warehouse, again)
    keep_given(refresh, again)
    fills.publish_predictions(refresh, first_published.kept(warehouse, "settling_check"))
    if len(shelf["dive_consumption"]):  # before the first dive there is nothing to follow
        stages.begin("Trends")
        divers.build_trends(refresh)
        stages.begin("Reserves")
        divers.build_reserves(refresh)
    refresh.run(fills.GAS_ADDED)
    stages.begin("Fleet and air")
    fleet.build_fleet_and_air(refresh)
    stages.end()


def _judge_fills(refresh: Refresh, warehouse: Warehouse, again: FillsAgain | None) -> None:
    """The published fills: those that changed since the last run among the others, or all."""
    if again is not None:
        again.publish(refresh)
    else:
        fills.judge_fills(refresh, first_published.kept(warehouse, "fill_quality"))


def _water_readings(fits: pd.DataFrame, dived: pd.DataFrame) -> pd.DataFrame:
    """What transmitters read in the water of the dive that followed each fill."""
    from pipelines.derive.dives.step import first_water_readings

    if not len(fits):
        return _NOTHING_READ
    return first_water_readings(fits, dived)


_NOTHING_READ = pd.DataFrame(
    {c: pd.Series([], dtype="float64") for c in fills.WATER_READINGS if c != "dived_at"}
    | {"dived_at": pd.Series([], dtype="datetime64[us, UTC]")}
)


def _last_water_readings(publisher: Publisher) -> pd.DataFrame:
    """As the last run found them, while dives were made as they are now; else none."""
    if dives.made_as_now(publisher) and publisher.has_previous("water_readings", "all"):
        last = publisher.read_previous("water_readings", "all")
        if set(last) >= set(fills.WATER_READINGS):
            return last
    return _NOTHING_READ


def _keep_what_is_shown(warehouse: Warehouse, publisher: Publisher) -> None:
    """What the last snapshot shows of each fill is kept, before anybody asks what was published of it at first."""
    first_published.keep(
        warehouse,
        {
            table: publisher.stored_previous(table, columns=list(columns))
            for table, columns in FIRST_PUBLISHED.items()
            if publisher.has_previous(table, "all")
        },
    )
