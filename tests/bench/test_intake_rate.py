"""Intake beside the bare libraries it stands on, in the same run: a large fill log, and many files of samples."""

import os
import sys
import time
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "pipelines"))

import small_station as s

pytestmark = pytest.mark.once

#: reading, typing, checking, placing, hashing, ranking and archiving a row costs so many bare reads and inserts
MOST_TIMES_BARE = 15.0
FILLS = 1_000_000 if os.environ.get("COLDFILL_SOAK") == "full" else 60_000
#: a file of samples with its transaction, archive copy and Parquet part against a bare read and write
MOST_TIMES_BARE_FILE = 30.0


def _seconds(work) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def _log(path: Path) -> None:
    n = np.arange(FILLS)
    at = (pd.Timestamp("2001-01-01") + pd.to_timedelta(n * 7, unit="min")).strftime("%Y-%m-%d %H:%M")
    pd.DataFrame(s.fill(1), index=n).assign(
        fill_id=[f"F{i}" for i in n], filled_at=at, unit_id=np.where(n % 2, "C1", "C2"), stop_pressure_bar=220 + n % 20
    ).to_csv(path, index=False)


def test_a_large_fill_log_against_a_bare_read_and_insert(tmp_path, measured):
    bare, ours = [], []
    for n in range(2):
        station = s.make(tmp_path / str(n))
        s.drop(station, "cylinders.csv", s.CYLINDERS)
        s.take_in(station)
        path = station.inbox / "fills.csv"
        _log(path)

        def read_and_insert(path=path, to=tmp_path / f"bare-{n}.duckdb"):
            rows = pd.read_csv(path)
            with duckdb.connect(str(to)) as con:
                con.execute("CREATE TABLE fills AS SELECT * FROM rows")
            return rows

        bare.append(_seconds(read_and_insert))
        ours.append(_seconds(lambda station=station: s.take_in(station)))
        assert s.files(station).loc["fills.csv", "rows_accepted"] == FILLS
    ratio = min(ours) / min(bare)
    measured(f"CSV log of {FILLS} fills taken in", min(ours), "pandas and DuckDB: read, insert", min(bare), "4 (read)")
    assert ratio < MOST_TIMES_BARE


def test_many_files_of_samples_cost_no_more_each_as_they_grow_in_number(tmp_path, measured):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "dives.csv", [s.dive(n) for n in range(1, 29)])
    t = np.arange(0, 3000)
    each, bare = [], []

    def read_and_write():
        for path in sorted(station.inbox.glob("dive_samples-*.csv"))[-14:]:
            rows = pd.read_csv(path)
            with duckdb.connect(str(tmp_path / "bare.duckdb")) as con:  # a transaction of its own, as each file has
                con.execute("CREATE OR REPLACE TABLE samples AS SELECT * FROM rows")
            rows.to_parquet(tmp_path / "bare.parquet")

    for part in range(2):
        for n in range(1 + 14 * part, 15 + 14 * part):
            rows = pd.DataFrame(
                {"dive_id": f"D{n}", "member_id": "M1", "t_s": t, "depth_m": 12.0, "tank_1_bar": 200 - t / 30}
            )
            rows.to_csv(station.inbox / f"dive_samples-{n}.csv", index=False)
        bare.append(_seconds(read_and_write) / 14)
        each.append(_seconds(lambda: s.take_in(station)) / 14)
    measured("CSV file of 3000 samples taken in, of 28", min(each), "read, insert, write Parquet", max(bare))
    assert min(each) < MOST_TIMES_BARE_FILE * max(bare)
    assert each[1] < 2.0 * each[0] + bare[1]


def test_many_small_files_beside_reading_them_one_by_one(tmp_path, measured):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.take_in(station)
    files = 500 if os.environ.get("COLDFILL_SOAK") == "full" else 20
    for n in range(files):
        at = f"2026-03-{1 + n % 28:02d} {n // 28:02d}:30"
        s.drop(station, f"fills-{n:03d}.csv", [s.fill(n + 1, filled_at=at)], 10 + n)
    bare_s = _seconds(lambda: [pd.read_csv(p) for p in station.inbox.glob("fills-*.csv")]) / files
    ours_s = _seconds(lambda: s.take_in(station)) / files
    assert len(s.stored(station)["fills"]) == files
    measured(f"small CSV file taken in, of {files}", ours_s, "pandas: read alone", bare_s, "30 ms over")
    # where people log by forms there is a file a fill, and each run looks at all of them
    bare_s = _seconds(lambda: [e.stat() for e in os.scandir(station.inbox)]) / files
    ours_s = _seconds(lambda: s.take_in(station)) / files
    measured(f"a file that is known, of {files}", ours_s, "listed, and its size and time read", bare_s)
