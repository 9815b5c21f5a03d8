"""A small warehouse is asked by the plain way, a large one with DuckDB's optimizer and all threads."""

import duckdb
import pandas as pd
import pytest
import small_station as s

from pipelines.warehouse import store
from pipelines.warehouse.store import Warehouse


def asked_plainly(warehouse: Warehouse) -> tuple[bool, bool]:
    """Whether what is always true is looked at row by row, and whether one thread is at work."""
    plan = warehouse.con.execute("EXPLAIN SELECT fill_id FROM rows_fills WHERE 1 = 1").fetchall()[0][1]
    return "Filter" in plan, warehouse.one("SELECT current_setting('threads')") == 1


def fills(n: int) -> pd.DataFrame:
    return pd.DataFrame({"fill_id": [f"F{k}" for k in range(n)]})


@pytest.fixture
def threads_of_this_machine(_one_duckdb):
    """Its own DuckDB, so that the settings of another test's are not seen."""
    before, _one_duckdb.in_use = _one_duckdb.in_use, False
    probe = duckdb.connect()
    yield probe.execute("SELECT current_setting('threads')").fetchall()[0][0]
    probe.close()
    _one_duckdb.in_use = before


def test_a_small_one_is_asked_plainly_until_many_rows_come_in_at_once(tmp_path, threads_of_this_machine):
    warehouse = Warehouse(tmp_path / "small.duckdb")
    assert asked_plainly(warehouse) == (True, True)
    with warehouse.transaction():
        warehouse.insert("rows_fills", fills(store.MANY_ROWS - 1))
        assert asked_plainly(warehouse) == (True, True)
        warehouse.insert("rows_fills", fills(store.MANY_ROWS))
        assert asked_plainly(warehouse) == (False, threads_of_this_machine == 1)
    warehouse.close()


def test_a_large_one_is_asked_with_all_there_is(tmp_path, threads_of_this_machine, monkeypatch):
    Warehouse(tmp_path / "large.duckdb").close()
    monkeypatch.setattr(store, "SMALL_BYTES", (tmp_path / "large.duckdb").stat().st_size)
    warehouse = Warehouse(tmp_path / "large.duckdb")
    assert asked_plainly(warehouse) == (False, threads_of_this_machine == 1)
    warehouse.close()


def test_both_ways_store_the_same(tmp_path, monkeypatch):
    found = []
    for small in (store.SMALL_BYTES, 0):
        monkeypatch.setattr(store, "SMALL_BYTES", small)
        station = s.stocked(tmp_path / str(small))
        s.take_in(station)
        s.drop(station, "fills_more.csv", [s.fill(3, stop_pressure_bar="231"), s.fill(9)], minutes=5)
        s.take_in(station)
        found.append(s.stored(station))
    s.same(*found)
