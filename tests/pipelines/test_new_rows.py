"""Which rows stand for themselves and need no ranking: those whose key nothing that is stored has, in any state."""

from types import SimpleNamespace

import duckdb
import pandas as pd
import pytest

from pipelines.warehouse import rows
from pipelines.warehouse.store import Warehouse

AT = pd.Timestamp("2026-03-01T10:00Z")


@pytest.fixture
def warehouse(tmp_path):
    made = Warehouse(tmp_path / "w.duckdb")
    yield made
    made.close()


def _keep(warehouse, source, state, **key):
    row = pd.DataFrame([key | {"file": "a.csv", "file_sha256": "1", "row_number": 1, "line": 2, "order_at": AT}])
    warehouse.add_rows(source, row, state)


@pytest.mark.parametrize("state", ["current", "superseded", "waiting", "rejected", "withdrawn", "answered"])
def test_a_key_that_is_stored_is_not_new_whatever_became_of_it(warehouse, state):
    _keep(warehouse, "fills", state, fill_id="F1")
    assert not rows.are_new(warehouse, "fills", pd.DataFrame({"fill_id": ["F2", "F1"]}))
    assert rows.are_new(warehouse, "fills", pd.DataFrame({"fill_id": ["F2", "F3"]}))


def test_two_rows_of_one_key_are_to_be_ranked(warehouse):
    assert not rows.are_new(warehouse, "fills", pd.DataFrame({"fill_id": ["F1", "F1"]}))


def test_a_row_whose_member_is_not_told_yet_may_be_of_any(warehouse):
    _keep(warehouse, "dive_tanks", "waiting", dive_id="D1", tank_no=1)
    asked = pd.DataFrame({"member_id": ["M1"], "dive_id": ["D1"], "tank_no": [1]})
    assert not rows.are_new(warehouse, "dive_tanks", asked)
    assert rows.are_new(warehouse, "dive_tanks", asked.assign(tank_no=2))


@pytest.mark.parametrize(("out", "new"), [("fills", False), ("files", False), ("dives", True)])
def test_where_somebody_took_rows_out_it_is_asked_which(warehouse, out, new):
    warehouse.insert("withdrawn", pd.DataFrame({"source": [out], "key": ["F9"]}))
    assert rows.are_new(warehouse, "fills", pd.DataFrame({"fill_id": ["F1"]})) == new


def test_a_return_has_its_loan_only_where_that_went_out_before_it():
    con = duckdb.connect()
    con.execute("CREATE TABLE rows_returns (file TEXT, unit_id TEXT, state TEXT, back_at TIMESTAMP)")
    con.execute("CREATE TABLE rows_loans (unit_id TEXT, state TEXT, out_at TIMESTAMP)")
    con.execute(
        "INSERT INTO rows_returns SELECT 'r', unit, 'current', '2031-05-10' "
        "FROM unnest(['out', 'later', 'none', 'gone']) t(unit)"
    )
    con.execute(
        "INSERT INTO rows_loans VALUES ('out', 'current', '2031-05-01'), ('later', 'current', '2031-05-20'), "
        "('gone', 'withdrawn', '2031-05-01')"
    )
    assert rows.returns_without_loan(SimpleNamespace(con=con)) == {("r", "later"), ("r", "none"), ("r", "gone")}
