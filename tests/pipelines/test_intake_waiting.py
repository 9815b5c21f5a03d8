"""A row that names something unknown waits, and loads itself when the register comes."""

import pandas as pd
import pytest
import small_station as s


def _waits_then_loads(station, register: str, rows, waited: int) -> None:
    """The station has rejected rows; with the register they move over, resolved, and the counts follow."""
    before = s.files(station)
    waiting = s.open_problems(station)
    assert len(waiting) and waiting["waiting"].all()
    s.drop(station, register, rows, 30)
    result = s.take_in(station)
    assert result.resolved == waited
    assert not result.found_problems
    after = s.files(station)
    for file in set(waiting["file"]):
        moved = after.loc[file, "rows_accepted"] - before.loc[file, "rows_accepted"]
        assert moved == before.loc[file, "rows_rejected"] - after.loc[file, "rows_rejected"] > 0
        assert after.loc[file, "rows_read"] == before.loc[file, "rows_read"]
    assert s.open_problems(station).empty
    assert s.ask(station, "SELECT count(*) AS n FROM rejects WHERE resolved_at IS NOT NULL")["n"][0] == len(waiting)


def test_fills_of_an_unknown_cylinder(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "fills.csv", [s.fill(1), s.fill(2)])
    result = s.take_in(station)
    assert (result.rows_read, result.rows_accepted, result.rows_rejected) == (2, 0, 2)
    assert set(s.open_problems(station)["rule"]) == {"unknown_reference"}
    _waits_then_loads(station, "cylinders.csv", s.CYLINDERS, 2)
    assert set(s.stored(station)["fills"]["fill_id"]) == {"F1", "F2"}


def test_a_fill_of_an_unknown_member(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1, member_id="M2"), s.fill(2)])
    assert s.take_in(station).rows_rejected == 1
    _waits_then_loads(station, "members.csv", s.MEMBERS, 1)


def test_tanks_and_samples_of_an_unknown_dive_of_an_unknown_member(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "dives.csv", [s.dive(2)])
    s.drop(station, "dive_tanks.csv", [s.tank(2)])
    s.drop(station, "dive_samples.csv", s.samples(2))
    size = len(s.samples(2))
    result = s.take_in(station)
    assert (result.rows_accepted, result.rows_rejected) == (3, 2 + size)
    assert len(s.open_problems(station)) == 3  # of samples one line a dive is enough
    _waits_then_loads(station, "members.csv", s.MEMBERS, 2 + size)
    assert len(s.stored(station)["dive_samples"]) == size


def test_a_set_that_is_not_joined(tmp_path):
    station = s.make(tmp_path)
    pair = [
        c | {"set_id": "P1", "set_position": side, "set_kind": "sidemount"}
        for c, side in zip(s.CYLINDERS[:2], ("left", "right"), strict=True)
    ]
    s.drop(station, "cylinders.csv", pair)
    s.drop(station, "fills.csv", [s.fill(1, unit_id="P1")])
    s.take_in(station)
    problem = s.open_problems(station).iloc[0]
    assert problem["rule"] == "set_not_joined"
    assert "C1, C2" in problem["message"]
    _waits_then_loads(station, "cylinders.csv", [c | {"set_kind": "manifolded"} for c in pair], 1)


@pytest.mark.parametrize("register_first", [True, False])
def test_a_dive_that_two_members_have_is_ambiguous_whatever_came_first(tmp_path, register_first):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "dives.csv", [s.dive(2)])
    tank = {k: v for k, v in s.tank(2).items() if k != "member_id"}
    late = ("dives-other.csv", [s.dive(2, "M2")])
    if register_first:
        s.drop(station, *late)
    s.drop(station, "dive_tanks.csv", [tank])
    s.drop(station, "dive_samples.csv", [{k: v for k, v in row.items() if k != "member_id"} for row in s.samples(2)])
    s.take_in(station)
    if not register_first:
        assert s.open_problems(station).empty
        s.drop(station, *late)
        s.take_in(station)
    assert set(s.open_problems(station)["rule"]) == {"dive_ambiguous"}
    assert s.stored(station)["dive_tanks"].empty
    assert s.stored(station)["dive_samples"].empty


def test_ambiguous_rows_of_one_file_wait_for_no_one_else(tmp_path):
    """Samples of two members' dives in one file load each when their own dive comes."""
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "dive_samples.csv", [*s.samples(2, "M1"), *s.samples(2, "M2")])
    s.take_in(station)
    s.drop(station, "dives.csv", [s.dive(2, "M2")])
    assert s.take_in(station).resolved == len(s.samples(2))
    assert set(s.stored(station)["dive_samples"]["member_id"]) == {"M2"}


def test_a_row_dated_ahead_waits_for_its_day(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(
        station,
        "fills.csv",
        [s.fill(1), s.fill(2, filled_at="2026-04-02 10:00"), s.fill(3, filled_at="2026-04-01 23:00")],
    )
    result = s.take_in(station)
    assert (result.rows_accepted, result.rows_rejected) == (3 + 2, 1)
    assert s.open_problems(station)["rule"].tolist() == ["in_the_future"]
    result = s.take_in(station, today="2026-04-01")
    assert result.resolved == 1
    assert s.open_problems(station).empty


def test_a_row_dated_ahead_that_is_wrong_besides_waits_for_no_day(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    ahead = "2026-06-01 10:00"
    s.drop(station, "fills.csv", [s.fill(1, filled_at=ahead), s.fill(2, filled_at=ahead, stop_pressure_bar="9999")])
    assert s.take_in(station).rows_rejected == 2
    states = s.ask(station, "SELECT fill_id, state FROM rows_fills").set_index("fill_id")["state"]
    assert states.to_dict() == {"F1": "waiting", "F2": "rejected"}
    open_ = s.open_problems(station)
    assert not open_.loc[open_["row_number"] == 2, "waiting"].any()


def test_what_waited_within_one_pass_was_no_problem(tmp_path):
    """Links name units and members; their own file may be read before a register of the same pass."""
    station = s.stocked(tmp_path)
    result = s.take_in(station)
    assert not result.found_problems
    assert all(f["rows_rejected"] == 0 for f in result.files)
    assert result.resolved == 0
    assert s.ask(station, "SELECT count(*) AS n FROM rejects")["n"][0] == 0


def test_a_fixed_row_answers_the_one_that_waits(tmp_path):
    """A typing error in a cylinder's number, put right in the same file or in a file of its own."""
    for n, name in enumerate(("fills.csv", "fills-fixed.csv")):
        station = s.make(tmp_path / str(n))
        s.drop(station, "cylinders.csv", s.CYLINDERS)
        s.drop(station, "fills.csv", [s.fill(1), s.fill(2, unit_id="C99")])
        assert s.take_in(station).rows_rejected == 1
        s.drop(station, name, [s.fill(1), s.fill(2)], 5)
        assert not s.take_in(station).found_problems
        assert s.open_problems(station).empty
        s.drop(station, "cylinders-more.csv", [s.CYLINDERS[0] | {"cylinder_id": "C99"}], 6)
        s.take_in(station)
        assert s.stored(station)["fills"].set_index("fill_id").loc["F2", "unit_id"] == "C3"


def test_target_stated_as_working_pressure_follows_the_register(tmp_path):
    stated = '[sources.fills.stated]\ntarget_pressure_bar = "working_pressure"'
    log = [{k: v for k, v in s.fill(1).items() if k != "target_pressure_bar"}]
    station = s.with_settings(s.make(tmp_path / "a"), stated)
    s.drop(station, "fills.csv", log)
    assert s.take_in(station).rows_rejected == 1
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    assert s.take_in(station).resolved == 1
    row = s.stored(station)["fills"].iloc[0]
    assert row["target_pressure_bar"] == 232
    assert list(row["assumed"]) == ["target_pressure_bar"]


def test_waiting_rows_stay_within_their_accounting(tmp_path):
    """Everything of a season comes in backwards, a file a run: at the end nothing waits and nothing was lost."""
    station = s.make(tmp_path)
    for name, rows in reversed(s.season().items()):
        s.drop(station, name, rows)
        s.take_in(station)
    files = s.files(station)
    assert (files["rows_accepted"] == [len(s.season()[name]) for name in files.index]).all()
    assert (files["rows_rejected"] == 0).all()
    assert isinstance(s.open_problems(station), pd.DataFrame) and s.open_problems(station).empty
