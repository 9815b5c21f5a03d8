"""What was said of each fill when it was first shown: no original holds it, so the archive keeps a list of it.

With it a warehouse made anew from inbox and archive alone still says what a fill went out with.
"""

import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from pipelines.publish.snapshot import Publisher, write_durably
from pipelines.station.settings import Station
from pipelines.warehouse import first_published
from pipelines.warehouse.store import FIRST_PUBLISHED, Warehouse
from schemas.frames import conform
from schemas.tables import TABLES

NAME = "first_shown.jsonl"


def keep(
    station: Station, warehouse: Warehouse, publisher: Publisher, instead: dict[str, pd.DataFrame] | None = None
) -> None:
    """Keep what a snapshot, or a first look, is the first to say, in the archive and then in the warehouse.

    In this order: what dies in between leaves a line that stands twice, and the first one counts. `instead` holds
    tables of a first look that the snapshot has not yet.
    """
    stored = {
        table: publisher.stored(table, columns=list(columns))
        for table, columns in FIRST_PUBLISHED.items()
        if table in publisher.tables
    }
    published = stored | (instead or {})
    _add(station.archive / NAME, first_published.new_of(warehouse, published))
    first_published.keep(warehouse, published)


def recall(station: Station, warehouse: Warehouse) -> None:
    """Fill a new warehouse with what the archive says; or a list that is not there with what the warehouse knows."""
    if not first_published.is_kept(warehouse):
        first_published.keep(warehouse, read(station.archive))
    elif not (station.archive / NAME).exists():  # of an earlier version, or lost
        _add(station.archive / NAME, {name: first_published.kept(warehouse, name) for name in FIRST_PUBLISHED})


def read(archive: Path) -> dict[str, pd.DataFrame]:
    """By table, what the list says of each fill: of a verdict its first line, of a prediction the last one."""
    found: dict[str, dict[str, dict]] = {table: {} for table in FIRST_PUBLISHED}
    for line in _lines(archive / NAME):
        rows, fill = found[line.pop("table")], str(line["fill_id"])
        if line.keys() == set(FIRST_PUBLISHED["settling_check"]):
            rows[fill] = line
        else:
            rows.setdefault(fill, line)
    made = {}
    for table, rows in found.items():
        fields = [TABLES[table].fields[c] for c in FIRST_PUBLISHED[table]]
        made[table] = conform(pd.DataFrame(list(rows.values())), fields)
    return made


def rename(archive: Path, change: Callable[[str], str]) -> None:
    """Change the names of fills in the list, where they hold somebody's."""
    if (archive / NAME).exists():
        lines = [line | {"fill_id": change(str(line["fill_id"]))} for line in _lines(archive / NAME)]
        write_durably(archive / NAME, "".join(json.dumps(line, ensure_ascii=False) + "\n" for line in lines))


def _add(path: Path, new: dict[str, pd.DataFrame]) -> None:
    lines = [
        json.dumps({"table": table} | row, ensure_ascii=False)
        for table, frame in new.items()
        for row in frame.astype(object).where(frame.notna(), None).to_dict("records")
    ]
    if lines:
        with open(path, "a", encoding="utf-8") as out:
            # a line that a full disk cut off ends here, and is passed over
            out.write("".join(f"\n{line}" for line in lines))
            out.flush()
            os.fsync(out.fileno())


def _lines(path: Path) -> Iterator[dict[str, Any]]:
    """Each line that is whole, and of a table whose columns are these."""
    try:
        text = path.read_bytes().decode("utf-8", "replace")
    except FileNotFoundError:
        return
    for line in text.split("\n"):
        try:
            said = json.loads(line)
            if said.keys() - {"table"} == set(FIRST_PUBLISHED[said["table"]]):
                yield said
        except (ValueError, TypeError, KeyError, AttributeError):
            continue
