"""What people did to rows: what was released and by whom; what a newer row says otherwise, once."""

import pandas as pd
import pytest
import small_station as s

from pipelines.warehouse import news
from pipelines.warehouse.store import Warehouse
from schemas.snapshot import read_manifest, read_table


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    made = s.make(tmp_path_factory.mktemp("news") / "station")
    released = {"fill_id": "F1", "released_at": "2026-03-03 09:00", "released_by": "Ada", "reason": "read again"}
    s.drop(made, "cylinders.csv", s.CYLINDERS)
    s.drop(made, "releases.csv", [released])
    s.drop(made, "fills-1.csv", [s.fill(1), s.fill(2), s.fill(3)])
    s.drop(made, "fills-2.csv", [s.fill(3, stop_pressure_bar="201")], 5)  # came in with it: no news
    s.run(made)
    # the same again, and one that says otherwise
    s.drop(made, "fills-3.csv", [s.fill(1), s.fill(2, stop_pressure_bar="190")], 10)
    s.run(made)
    return made


def table(station, name):
    return read_table(station.published, read_manifest(station.published), name)


def test_a_row_that_says_other_than_before_is_a_correction_and_one_saved_again_is_none(station):
    found = table(station, "corrections")
    assert found[["source", "key", "file"]].values.tolist() == [["fills", "F2", "fills-3.csv"]]
    warehouse = Warehouse(station.warehouse)
    try:
        assert news.corrections(warehouse, found["received_at"].iloc[0] + pd.Timedelta(seconds=1)).empty
    finally:
        warehouse.close()


def test_a_release_is_published_with_its_unit_who_and_why(station):
    (row,) = table(station, "hold_releases").to_dict("records")
    assert (row["fill_id"], row["unit_id"], row["released_by"], row["reason"]) == ("F1", "C2", "Ada", "read again")
