"""Whole runs as a station's people wait for them: from nothing, nothing new, one new fill, one new dive.

Beside the libraries' imports alone, in the same run; with COLDFILL_SOAK=full at growing sizes. What is held is what
each makes anew, never how long it takes.
"""

import csv
import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipelines.refresh.first_look import LEAST_DIVES
from pipelines.station.settings import write_station
from sample_data.make import make
from schemas.snapshot import FIRST_LOOK

pytestmark = pytest.mark.once

SIZES = (100, 400, 1600) if os.environ.get("COLDFILL_SOAK") == "full" else (60,)
BARE = "import pandas, duckdb, pyarrow.parquet, scipy.sparse, typer"
LATER = "2026-10-31T21:10:00+00:00"


def timed(*words: str) -> tuple[float, float, str]:
    """Wall and processor seconds of a command, and what it prints."""
    used, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    said = subprocess.run([sys.executable, *words], capture_output=True, text=True, check=False)
    assert said.returncode in (0, 1), said.stderr
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime
    return time.perf_counter() - began, cpu, said.stdout


def run(station: Path) -> tuple[float, float, dict]:
    wall, cpu, said = timed("-m", "pipelines.cli", "run", "--json", "--station", str(station))
    return wall, cpu, json.loads(said.strip().splitlines()[-1])


def add_fill(inbox: Path) -> None:
    """One more fill, with its settled reading."""
    with open(max(inbox.glob("fills-*.csv")), encoding="utf-8", newline="") as handle:
        row = list(csv.DictReader(handle))[-1]
    row |= {"fill_id": "new", "filled_at": LATER, "settled_pressure_bar": "195", "settled_c": "15", "settled_at": ""}
    _write(inbox / "fills-new.csv", row)


def add_dive(inbox: Path) -> str:
    """One more dive by a member who has dived; gives the member."""
    path = next(p for p in sorted(inbox.rglob("*.csv")) if p.name.startswith("dives"))
    with open(path, encoding="utf-8", newline="") as handle:
        row = list(csv.DictReader(handle))[-1]
    _write(inbox / "dives-new.csv", row | {"dive_id": "new", "started_at": LATER})
    return row["member_id"]


def _write(path: Path, row: dict[str, str]) -> None:
    with open(path, "w", encoding="utf-8", newline="") as handle:
        out = csv.DictWriter(handle, row)
        out.writeheader()
        out.writerow(row)


@pytest.mark.parametrize("fills", SIZES)
def test_a_run_makes_anew_what_is_new_and_no_more(fills, tmp_path, measured):
    station = tmp_path / "station"
    write_station(station, name="Bench", time_zone="Europe/London", today="data")
    size = make(
        station, None, planted=False, progress=lambda *_: None, members=max(6, fills // 40),
        cylinders=max(12, fills // 20), months=7, fills=fills, dives=fills // 2, seed=5,
    )  # fmt: skip
    bare = timed("-c", BARE)
    of = f"{size['fills']} fills, {size['dives']} dives"

    def note(work: str, wall: float, goal: str = "") -> None:
        measured(f"{of}: {work}", wall, "the libraries' imports", bare[0], goal)

    note("from nothing", run(station)[0])
    wall, _, again = run(station)
    note("nothing new", wall, "1 s over")
    add_fill(station.joinpath("inbox"))
    began = time.time()
    wall, _, filled = run(station)
    shown = station / "published" / FIRST_LOOK
    if shown.exists():
        note("one new fill until its verdict is shown", shown.stat().st_mtime - began, "2 s")
    note("one new fill", wall, "5 s")
    member = add_dive(station.joinpath("inbox"))
    wall, _, dived = run(station)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    note(f"one new dive (largest process {peak:.0f} MiB)", wall, "5 s")
    assert not again["published"] and again["recomputed"] == {}
    assert filled["rows_accepted"] == 1 and filled["published"]
    assert shown.exists() == (size["dives"] >= LEAST_DIVES)
    if fills >= 1000:  # a young station's first readings still move what its first dives began with
        assert filled["recomputed"]["fill builds"] == 1 and "members' dives" not in filled["recomputed"]
    assert dived["rows_accepted"] == 1 and dived["recomputed"]["members' dives"] == 1, member
