"""A rejected row of an inspection that may say it failed stands against its cylinder until something answers it."""

import pytest
import small_station as s

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
        return inspections_not_taken(warehouse)["cylinder_id"].tolist()
    finally:
        warehouse.close()


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        (CONFLICT, ["C1"]),
        ([inspected(result="failed?")], ["C1"]),
        ([inspected(result="fail", on="31/31/2026")], ["C1"]),
        ([inspected(on="31/31/2026")], []),
        ([inspected(), inspected("oxygen_clean", "fail")], []),
    ],
    ids=["both of one day", "a result nobody knows", "a failure of no day", "a pass of no day", "taken in"],
)
def test_what_may_say_it_failed_is_found(station, rows, found):
    assert concerned(station, rows) == found


@pytest.mark.parametrize(
    ("later", "found"),
    [
        ([inspected(on="2026-02-20")], []),
        ([inspected(result="fail")], []),
        ([inspected("hydrostatic", on="2026-02-20")], ["C1"]),
        ([inspected(on="2026-01-20")], ["C1"]),
        ([inspected(cylinder_id="C2", on="2026-02-20")], ["C1"]),
    ],
    ids=["a later pass", "the right row", "a pass of another kind", "an earlier pass", "another cylinder"],
)
def test_it_stands_until_something_answers_it(station, later, found):
    assert concerned(station, CONFLICT, later) == found
