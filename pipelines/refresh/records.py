"""What is kept of each run, in the warehouse and beside the snapshot."""

import json

import pandas as pd

from pipelines.publish.snapshot import write_durably
from pipelines.station import clock
from pipelines.station.settings import Station
from pipelines.warehouse import files
from pipelines.warehouse.store import Warehouse
from schemas.snapshot import SINCE


def record_run(
    warehouse: Warehouse,
    run_id: str,
    moment: pd.Timestamp,
    today: pd.Timestamp,
    outcome: str,
    rows: dict[str, int],
    seconds: dict[str, float],
) -> None:
    """Keep what became of a run: its outcome, published rows by table, seconds by step."""
    with warehouse.transaction(changes=False):
        files.record_run(
            warehouse,
            {
                "run_id": run_id,
                "started_at": moment,
                "finished_at": clock.now(),
                "as_of_on": today,
                "outcome": outcome,
                "rows_by_table": json.dumps(rows),
                "seconds_by_step": json.dumps({k: round(v, 3) for k, v in seconds.items()}),
            },
        )


def tell_since(station: Station, warehouse: Warehouse, snapshot: str) -> None:
    """Runs that published nothing are noted beside the snapshot, which is not written again for them."""
    met = files.seen_again(warehouse)
    runs = files.unpublished_runs(warehouse, 200)
    write_durably(
        station.published / SINCE,
        json.dumps(
            {"snapshot": snapshot, "seen_again": [list(f) for f in met], "runs": [[str(v) for v in r] for r in runs]}
        ),
    )
