"""Which gas a cylinder holds, and what stands against it, as pages and reports put it together."""

import pandas as pd
import pytest

from schemas import holds

AT = pd.Timestamp("2031-05-03T12:05:00Z")


def fill(hours, unit, ids, reasons=(), verdict="good", latest=True, released=False):
    return {
        "fill_id": f"{unit}-{hours}", "filled_at": AT + pd.Timedelta(hours=hours), "unit_id": unit,
        "cylinder_ids": list(ids), "reasons": list(reasons), "verdict": verdict, "latest_fill": latest,
        "released": released,
    }  # fmt: skip


def frame(*rows):
    return pd.DataFrame(rows).astype({"latest_fill": "boolean", "released": "boolean"})


def test_of_a_set_taken_apart_the_last_fill_of_each_cylinder_counts():
    rows = frame(fill(0, "T", "LR", ["mix_out_of_tolerance"], "stop"), fill(5, "L", "L"))
    assert holds.inside(rows, ["L"])["fill_id"].tolist() == ["L-5"]
    assert holds.inside(rows, ["R"])["fill_id"].tolist() == ["T-0"]
    assert holds.inside(rows, ["L", "R"])["fill_id"].tolist() == ["L-5", "T-0"]
    assert holds.of_cylinders(rows) == {"R": "on hold"}
    nobodys = frame(fill(0, "X", []))  # a unit whose cylinders nobody registered stands for itself
    assert holds.inside(nobodys, ["X"])["fill_id"].tolist() == ["X-0"]
    assert holds.not_released(rows)["fill_id"].tolist() == ["T-0"]


@pytest.mark.parametrize(
    "reasons, verdict, released, word",
    [
        (["air_test_failed"], "stop", False, "called back"),
        (["residue_on_recall"], "stop", False, "called back"),
        (["air_test_failed"], "stop", True, None),
        (["mix_not_analysed"], "stop", False, "on hold"),
        (["source_unknown_air_failed"], "attention", False, "source unknown"),
        (["gauge_past_check"], "attention", False, None),
    ],
)
def test_what_stands_against_the_gas_of_a_cylinder(reasons, verdict, released, word):
    rows = frame(fill(0, "A", "A", reasons, verdict, released=released))
    assert holds.of_cylinders(rows).get("A") == word


@pytest.mark.parametrize(
    "state, reasons, said",
    [
        ("passed", [], "passed its test"),
        ("passed", ["residue_on_recall"], "passed its test; filled upon gas that is called back"),
        ("not_traced", ["residue_of_unknown_source"],
         "its compressor is not known; filled upon gas of unknown source"),
        ("failed", ["air_test_failed"], "failed its test (test of 3 May 2031)"),
        (None, [], "not known"),
    ],
)  # fmt: skip
def test_the_air_of_a_fill_is_that_of_its_source_and_of_what_it_lies_upon(state, reasons, said):
    failed_on = pd.Timestamp("2031-05-03") if state == "failed" else pd.NaT
    assert holds.air({"air_state": state, "air_failed_on": failed_on, "reasons": reasons}) == said


def test_without_marks_of_its_own_the_last_fill_of_a_unit_counts():
    rows = frame(fill(0, "A", "A"), fill(1, "A", "A")).drop(columns=["latest_fill", "cylinder_ids"])
    assert holds.still_inside(rows).tolist() == [False, True]
    assert holds.inside(rows, ["A"])["fill_id"].tolist() == ["A-1"]
    marked = rows.assign(latest_fill=pd.array([pd.NA, pd.NA], dtype="boolean"))
    assert holds.still_inside(marked).tolist() == [False, True]


def test_a_source_says_which_test_failed_where():
    row = {"source_id": "B", "compressor_id": "K1", "air_failed_on": pd.Timestamp("2031-05-05"),
           "air_fault": "carbon monoxide 9 ppm, limit 5"}  # fmt: skip
    assert holds.why_failed(row) == "air test of 5 May 2031 at K1 failed: carbon monoxide 9 ppm, limit 5"
    assert holds.why_failed(row | {"source_id": "K1", "air_fault": None}) == "air test of 5 May 2031 failed"
