"""Tests may keep what a step gave: run again on the same, each step gives the same and leaves what it got alone."""

import pickle

import duckdb
import pandas as pd
import pytest
import refresh_station as s
from step_results import StepResults

from pipelines.refresh import engine
from pipelines.refresh.order import STEPS
from pipelines.refresh.step import Given, Part
from pipelines.warehouse.store import Warehouse, WarehouseDamaged
from schemas.policy import Policy


@pytest.fixture(scope="module")
def given_and_made(tmp_path_factory):
    """What each step was given and gave in a refresh from nothing, with pickled copies from before it ran."""
    seen, plain = [], engine.compute
    with pytest.MonkeyPatch.context() as patch:

        def compute(step, given):
            before = pickle.dumps({name: given[name] for name in given})
            made = plain(step, given)
            seen.append((step, given, before, made))
            return made

        patch.setattr(engine, "compute", compute)
        s.MemoryStation(tmp_path_factory.mktemp("pure") / "quay", s.rows(), Policy()).refresh()
    return seen


def test_a_step_gives_the_same_again_and_leaves_what_it_was_given(given_and_made, monkeypatch):
    assert len({step.name for step, *_ in given_and_made}) > 15
    for step, given, before, made in given_and_made:
        for name, frame in pickle.loads(before).items():
            pd.testing.assert_frame_equal(given[name], frame, check_exact=True, obj=f"{step.name} was given {name}")
        again = step.build(given)
        for table in step.gives:
            pd.testing.assert_frame_equal(again[table], made[table], check_exact=True, obj=f"{step.name}: {table}")


def test_a_new_warehouse_that_tests_copy_is_as_one_that_is_made(tmp_path, _new_warehouses):
    asked = "SELECT table_name, column_name, data_type FROM information_schema.columns ORDER BY ALL"
    seen = []
    for copied in (False, True, True):
        _new_warehouses.in_use = copied
        warehouse = Warehouse(tmp_path / f"{len(seen)}.duckdb")
        try:
            seen.append((warehouse.con.execute(asked).fetchall(), warehouse.version(), warehouse.mark()))
            warehouse.set_mark("its own")
        finally:
            warehouse.close()
    assert seen[0] == seen[1] == seen[2] and len(seen[0][0]) > 400 and seen[0][1:] == (0, "")


def test_a_warehouse_in_the_one_duckdb_of_the_tests_is_as_one_that_is_opened_alone(tmp_path, _one_duckdb):
    seen = []
    for together in (True, False):
        _one_duckdb.in_use = together
        place = tmp_path / f"{together}.duckdb"
        first = Warehouse(place)
        first.set_mark("quay")
        second = Warehouse(place)
        first.close()
        second.con.execute("BEGIN")
        second.con.execute("DELETE FROM meta")  # what was not committed is gone with the connection
        second.close()
        with pytest.raises(duckdb.ConnectionException):
            second.con.execute("SELECT 1")
        again = Warehouse(place)
        zone = again.one("SELECT current_setting('TimeZone')")
        seen.append((again.mark(), again.version(), zone, sorted(p.name for p in tmp_path.glob(f"{together}*.wal"))))
        again.close()
        (tmp_path / "torn").write_bytes(b"no database" * 1000)
        with pytest.raises(WarehouseDamaged):
            Warehouse(tmp_path / "torn")
    assert seen[0] == seen[1] and seen[0][:3] == ("quay", 0, "UTC")


def test_what_is_kept_is_told_by_values_and_not_by_how_they_lie_in_memory():
    step = next(step for step in STEPS if step.name == "predictions")

    def key(texts: list, whole: list):
        frame = pd.DataFrame({"a": pd.Series(texts, dtype="str"), "n": pd.array(whole, dtype="Int64")})
        given = Given(step, Part(), {"fills": frame}, Policy(), pd.Timestamp("2026-03-01"))
        return StepResults().key(step, given)

    one = "".join(["F", "1"])
    assert key(["F1", "F1", None], [1, 2, None]) == key([one, "".join(["F", "1"]), None], [1, 2, None])
    texts, whole = pd.Series(["x", "F1", "F1", None], dtype="str"), pd.array([0, 1, 2, 7], dtype="Int64")
    frame = pd.DataFrame({"a": texts, "n": whole})
    frame.loc[3, "n"] = pd.NA
    cut = Given(step, Part(), {"fills": frame.iloc[1:]}, Policy(), pd.Timestamp("2026-03-01"))
    assert StepResults().key(step, cut) == key(["F1", "F1", None], [1, 2, None])
    others = (["F1", "F2", None], [1, 2, None]), (["F1", "F1", None], [1, 2, 7]), (["F1", "F1", "nan"], [1, 2, None])
    assert len({key(["F1", "F1", None], [1, 2, None]), *(key(*other) for other in others)}) == 4
