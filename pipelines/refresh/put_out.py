"""A run's tables are put out: a whole snapshot, or a first look while the rest is at work."""

import contextlib
from dataclasses import asdict

import pandas as pd

import pipelines.refresh.first_shown as first_shown
import pipelines.refresh.order as order
from pipelines.publish.snapshot import Publisher, write_durably
from pipelines.refresh.hashing import digest, frame_hash
from pipelines.refresh.new_fills import NewFills
from pipelines.refresh.step import step_digest
from pipelines.station.settings import Station
from pipelines.warehouse import lake, news
from pipelines.warehouse.store import MACHINE_ROOM, Warehouse
from schemas import samples
from schemas.frames import conform
from schemas.snapshot import Manifest
from schemas.tables import TABLES


def publish(
    station: Station,
    warehouse: Warehouse,
    publisher: Publisher,
    moment: pd.Timestamp,
    today: pd.Timestamp,
    settings: str,
    run_id: str,
) -> str:
    _write_machine_room(warehouse, publisher)
    _write(publisher, "hold_releases", news.releases(warehouse))
    _write(publisher, "corrections", news.corrections(warehouse, moment - news.CORRECTED_WITHIN))
    manifest = Manifest(
        name=publisher.name,
        warehouse_version=warehouse.version(),
        as_of_on=f"{today:%Y-%m-%d}",
        created_at=moment.isoformat(),
        settings_hash=settings,
        run_id=run_id,
        station=station_facts(station),
        steps={step.name: step_digest(step) for step in order.STEPS},
    )
    write_durably(publisher.folder / samples.FILE, lake.samples_that_count(warehouse).to_json())
    publisher.finish(manifest)
    return publisher.name


def show_first_look(
    station: Station,
    warehouse: Warehouse,
    moment: pd.Timestamp,
    today: pd.Timestamp,
    run_id: str,
    publisher: Publisher,
    new: NewFills | None = None,
) -> None:
    """Let pages show the fills just judged, while dives, reserves and the fleet are computed.

    What people see of a fill here is what was first published of it.
    """
    first_shown.keep(station, warehouse, publisher, {} if new is None else {"fill_quality": new.rows})
    _write_machine_room(warehouse, publisher)
    day, facts = f"{today:%Y-%m-%d}", station_facts(station)
    manifest = Manifest("", warehouse.version(), day, moment.isoformat(), "", facts, run_id)
    with contextlib.suppress(OSError):  # a part of the last snapshot is gone; this one will have it
        publisher.first_look(manifest, {} if new is None else {"fill_quality": new.among_all(publisher)})


def _write_machine_room(warehouse: Warehouse, publisher: Publisher) -> None:
    for table in MACHINE_ROOM:
        _write(publisher, table, warehouse.whole(table))


def _write(publisher: Publisher, table: str, frame: pd.DataFrame) -> None:
    rows = conform(frame, TABLES[table].fields.values())
    publisher.write(table, "all", rows, frame_hash(rows))


def station_facts(station: Station) -> dict:
    """What pages need to know of the station: name, zone, rule set and the policy's figures."""
    policy = asdict(station.policy)
    return {
        "name": station.name,
        "named": station.named,
        "time_zone": station.time_zone,
        "rule_set": station.policy.rule_set,
        "today": station.today,
        "units": station.units,
        "policy": {k: v for k, v in policy.items() if isinstance(v, dict)},
    }


def settings_hash(station: Station) -> str:
    """Changes with what the manifest says of the station, with any setting, step or rule.

    Then a run looks at every part again; which of them it makes anew, each step's own fingerprint decides.
    """
    return digest(station_facts(station), asdict(station.policy), order.steps_digest())
