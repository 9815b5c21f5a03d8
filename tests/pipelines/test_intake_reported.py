"""What was taken for a time or a name although it was not written so is said: on the file and on the row."""

import pandas as pd
import pytest
import small_station as s

from pipelines.derive.units import build_units, distinct_names
from tests.pipelines.fleet_frames import frames

LONDON = '[sources.fills]\nzone = "Europe/London"\n'


def listed(station, file):
    rows = s.ask(station, "SELECT * FROM notices ORDER BY rule, value")
    rows = rows[rows["file"] == file]
    return list(rows[["rule", "value"]].itertuples(index=False, name=None))


def cylinders(**sets):
    """The three cylinders and more; by cylinder its set."""
    known = {row["cylinder_id"] for row in s.CYLINDERS}
    more = [s.CYLINDERS[0] | {"cylinder_id": name} for name in sets if name not in known]
    return [
        row | ({"set_id": sets[row["cylinder_id"]], "set_kind": "manifolded"} if row["cylinder_id"] in sets else {})
        for row in s.CYLINDERS + more
    ]


# --- times ------------------------------------------------------------------------------------
def test_rows_without_a_time_are_counted_on_their_file_and_said_of_each_fill(tmp_path):
    station = s.with_settings(s.make(tmp_path), LONDON)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    rows = [s.fill(1), s.fill(2, filled_at="2026-03-02"), s.fill(3, filled_at="2026-03-29 01:30")]
    s.drop(station, "fills.csv", [*rows, s.fill(4, filled_at="2026-03-04")])
    s.run(station)
    assert listed(station, "fills.csv") == [("date_without_time", "2 rows"), ("time_not_existing", "1 row")]
    fills = s.published(station)["fill_quality"].set_index("fill_id")
    codes = {"date_without_time", "time_not_existing", "time_ambiguous"}
    assert [sorted(codes & set(r)) for r in fills["reasons"]] == [
        [],
        ["date_without_time"],
        ["time_not_existing"],
        ["date_without_time"],
    ]
    assert len(set(fills["verdict"])) == 1, "how a time was known is no reason against a fill"
    assert fills.loc["F2", "filled_at"] == pd.Timestamp("2026-03-02 12:00Z")


def test_the_count_is_that_of_the_files_last_content(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1, filled_at="2026-03-01"), s.fill(2, filled_at="2026-03-02")])
    s.take_in(station)
    s.drop(station, "fills.csv", [s.fill(1, filled_at="2026-03-01"), s.fill(2)], 5)
    s.take_in(station)
    assert listed(station, "fills.csv") == [("date_without_time", "1 row")]
    s.drop(station, "fills.csv", [s.fill(1), s.fill(2)], 10)
    s.take_in(station)
    assert listed(station, "fills.csv") == []


def test_days_that_were_months_or_held_a_time_are_counted_on_their_file(tmp_path):
    station = s.make(tmp_path)
    stamps = ("2022-05", "2022-05-01T10:30:00", "2022-05-01")
    rows = [row | {"manufactured_on": stamp} for row, stamp in zip(s.CYLINDERS, stamps, strict=True)]
    s.drop(station, "cylinders.csv", rows)
    assert s.take_in(station).rows_accepted == 3
    assert listed(station, "cylinders.csv") == [("month_without_day", "1 row"), ("time_left_out", "1 row")]
    assert s.stored(station)["cylinders"]["manufactured_on"].tolist() == [pd.Timestamp("2022-05-01")] * 3


def test_when_a_row_was_revised_may_be_a_day(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1, revised_at="2026-03-05")])
    s.take_in(station)
    assert listed(station, "fills.csv") == []
    assert list(s.stored(station)["fills"]["value_flags"][0]) == []


# --- names ------------------------------------------------------------------------------------
@pytest.mark.parametrize("namesake", ["C1", "C3"], ids=["another's", "its own"])
def test_a_set_named_like_a_cylinder_is_said_and_the_name_stays_the_cylinders(tmp_path, namesake):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", cylinders(C3=namesake, C4=namesake))
    s.drop(station, "fills.csv", [s.fill(1, unit_id=namesake)])
    s.run(station)
    assert listed(station, "cylinders.csv") == [("set_named_like_cylinder", namesake)]
    tables = s.published(station)
    units = tables["units"].set_index("unit_id")
    assert sorted(units.index) == ["C1", "C2", "C3", "C4"]
    assert units["set_id"].isna().all() and not units["joined"].fillna(False).any()
    concerned = {namesake, "C3", "C4"}
    assert {u for u, f in units["flags"].items() if "set_named_like_cylinder" in f} == concerned
    health = tables["cylinder_health"].set_index("cylinder_id")
    assert {c for c, r in health["score_reasons"].items() if "set_named_like_cylinder" in r} == concerned
    fill = tables["fill_quality"].iloc[0]
    assert (fill["unit_id"], fill["water_capacity_l"]) == (namesake, 12.0)

    s.drop(station, "cylinders.csv", cylinders(C3="S1", C4="S1"), 5)
    s.run(station)
    assert listed(station, "cylinders.csv") == []
    units = s.published(station)["units"].set_index("unit_id")
    assert units.loc["S1", "water_capacity_l"] == 24.0
    assert not any("set_named_like_cylinder" in f for f in units["flags"])


def test_a_set_of_the_history_named_like_a_cylinder_is_said_too(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    rows = [{"set_id": "C1", "cylinder_id": c, "position": p, "from_on": "2025-01-01"} for c, p in (("C2", "left"),)]
    s.drop(station, "set_members.csv", rows)
    s.run(station)
    assert listed(station, "set_members.csv") == [("set_named_like_cylinder", "C1")]
    units = s.published(station)["units"].set_index("unit_id")
    assert {u for u, f in units["flags"].items() if "set_named_like_cylinder" in f} == {"C1", "C2"}


def test_telling_names_apart_twice_is_telling_them_apart_once():
    row = {"owner_id": "station", "material": "steel", "water_capacity_l": 12.0, "status": "in_service"}
    given = frames(
        cylinders=[row | {"cylinder_id": "A"}, row | {"cylinder_id": "B", "set_id": "A", "set_kind": "manifolded"}]
    )
    once = distinct_names(given)
    today = pd.Timestamp("2026-06-01")
    pd.testing.assert_frame_equal(build_units(given, today)["units"], build_units(once, today)["units"])
    assert given["cylinders"]["set_id"].tolist()[1] == "A", "the inputs are left as they are"
