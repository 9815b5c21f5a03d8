"""A rejected row of an inspection that may say it failed stands against its cylinder until something answers it."""

import pandas as pd
import pytest
import small_station as s

from pipelines.derive.fills.verdict import _inspection_not_taken
from pipelines.warehouse.rows import inspections_not_taken
from pipelines.warehouse.store import Warehouse


def inspected(kind="visual", result="pass", on="2026-02-01", cylinder_id="C1"):
    return {"cylinder_id": cylinder_id, "inspected_on": on, "kind": kind, "result": result}


CONFLICT = [inspected(), inspected(result="fail")]


@pytest.fixture
def station(tmp_path):
    made = s.make(tmp_path / "station")
    s.drop(made, "cylinders.csv", s.CYLINDERS)
    return made


def concerned(station, *files):
    for n, rows in enumerate(files):
        s.drop(station, f"inspections-{n}.csv", rows, n)
        s.take_in(station)
    warehouse = Warehouse(station.warehouse)
    try:
        found = inspections_not_taken(warehouse).set_index("cylinder_id")["inspected_on"]
        return {c: None if pd.isna(on) else f"{on:%Y-%m-%d}" for c, on in found.items()}
    finally:
        warehouse.close()


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        (CONFLICT, {"C1": "2026-02-01"}),
        ([inspected(result="failed?")], {"C1": "2026-02-01"}),
        ([inspected(result="fail", on="31/31/2026")], {"C1": None}),
        ([*CONFLICT, inspected(result="fail", on="31/31/2026")], {"C1": None}),
        ([inspected(on="31/31/2026")], {}),
        ([inspected(), inspected("oxygen_clean", "fail")], {}),
    ],
    ids=["both of one day", "a result nobody knows", "a failure of no day", "both", "a pass of no day", "taken in"],
)
def test_what_may_say_it_failed_is_found(station, rows, found):
    assert concerned(station, rows) == found


@pytest.mark.parametrize(
    ("later", "found"),
    [
        ([inspected(on="2026-02-20")], {}),
        ([inspected(result="fail")], {}),
        ([inspected("hydrostatic", on="2026-02-20")], {"C1": "2026-02-01"}),
        ([inspected(on="2026-01-20")], {"C1": "2026-02-01"}),
        ([inspected(cylinder_id="C2", on="2026-02-20")], {"C1": "2026-02-01"}),
    ],
    ids=["a later pass", "the right row", "a pass of another kind", "an earlier pass", "another cylinder"],
)
def test_it_stands_until_something_answers_it(station, later, found):
    assert concerned(station, CONFLICT, later) == found


def test_fills_since_are_to_be_checked_and_all_of_them_where_it_does_not_say_when():
    c = pd.DataFrame({"filled_on": pd.to_datetime(["2026-01-31", "2026-02-01", "2026-03-01"]).as_unit("us")})
    chain = pd.DataFrame({"row": [0, 1, 2], "cylinder_id": ["C1", "C1", "C2"]})
    for on, found in (("2026-02-01", [False, True, False]), (None, [True, True, False])):
        rows = pd.DataFrame({"cylinder_id": ["C1"], "inspected_on": pd.to_datetime([on]).as_unit("us")})
        assert _inspection_not_taken(c, chain, rows).tolist() == found
    assert not _inspection_not_taken(c, chain, None).any()


def test_a_run_says_so_of_the_fill_and_of_the_cylinder(tmp_path):
    made = s.stocked(tmp_path / "station")
    unit = s.fill(1)["unit_id"]
    s.drop(
        made, "inspections-0.csv", [inspected(result=r, on="2026-01-01", cylinder_id=unit) for r in ("pass", "fail")]
    )
    s.run(made)
    tables = s.published(made)
    fills = tables["fill_quality"].set_index("unit_id").loc[[unit]]
    assert all("inspection_not_taken" in reasons for reasons in fills["reasons"]) and "good" not in set(
        fills["verdict"]
    )
    (of_cylinder,) = tables["cylinder_health"].set_index("cylinder_id").loc[[unit], "score_reasons"]
    assert "inspection_not_taken" in of_cylinder
