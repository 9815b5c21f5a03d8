"""Dives from nothing, learning from one another, beside a bare `GROUP BY dive` over the same samples as Parquet.

What is compared reads every sample once and knows nothing of gas: the least that any answer about dives costs.
"""

import os
import time

import duckdb
import pandas as pd
import pytest

from pipelines.derive.dives.step import dive_tables, lessons_frame, link_fills, read_member_dives, station_of
from schemas.policy import Policy
from tests.pipelines.dive_simulator import simulate

pytestmark = pytest.mark.once

DIVES, MEMBERS = (1200, 24) if os.environ.get("COLDFILL_SOAK") == "full" else (80, 2)
#: two fits of each cylinder, each of a score of linear systems, and six tables, in grouped scans of the samples
MOST_TIMES_BARE = 900.0
LEAST = "SELECT member_id, dive_id, count(*), max(t_s), max(depth_m), avg(depth_m), min(tank_1_bar), max(tank_1_bar)"


def _least_s(work, rounds: int) -> float:
    times = []
    for _ in range(rounds):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return min(times)


@pytest.mark.parametrize("kind", ["one cylinder", "sidemount and stages"])
def test_dives_from_nothing_against_a_bare_grouping_of_their_samples(kind, tmp_path, measured):
    rigs = {} if kind == "one cylinder" else {"sidemount": 0.5, "stage": 0.5}
    season = simulate(DIVES, seed=11, members=MEMBERS, step_s=(5, 10), **rigs)
    frames, path = season.inputs, tmp_path / "samples.parquet"
    frames["dive_samples"].to_parquet(path, index=False)

    con = duckdb.connect(config={"threads": 1})

    def group() -> None:
        con.execute(f"{LEAST} FROM '{path}' GROUP BY member_id, dive_id").fetchall()

    mine = {
        m: {name: f[f["member_id"] == m] for name, f in frames.items()} for m in frames["dives"]["member_id"].unique()
    }

    def from_nothing() -> pd.DataFrame:
        links = link_fills(frames["dive_tanks"], frames["dives"], season.fills, season.units)
        read = [read_member_dives(m, f, season.units, season.fills, Policy(), links=links) for m, f in mine.items()]
        station = station_of([lessons_frame(r.lessons) for r in read])
        return pd.concat([dive_tables(r, station)["dive_consumption"] for r in read])

    assert from_nothing()["rmv_l_min"].notna().mean() > 0.9
    bare, ours = _least_s(group, 5), _least_s(from_nothing, 2)
    cylinders = len(frames["dive_tanks"]) / DIVES
    work = f"a dive of {MEMBERS} members', {cylinders:.1f} cylinders each, {kind}"
    measured(work, ours / DIVES, "DuckDB: GROUP BY dive over Parquet", bare / DIVES, "1 ms")
    con.close()
    assert ours < MOST_TIMES_BARE * bare
