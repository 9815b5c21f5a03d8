"""The order in which files and rows come in does not matter, nor into which files they are split."""

import random

import pytest
import small_station as s


@pytest.fixture(scope="module")
def reference(tmp_path_factory):
    """What the stocked station holds when everything comes in at once."""
    station = s.stocked(tmp_path_factory.mktemp("reference"))
    s.take_in(station)
    assert s.open_problems(station).empty
    return s.stored(station)


@pytest.mark.parametrize("seed", range(3))
def test_files_may_come_in_any_order_one_a_pass(tmp_path, reference, seed):
    station = s.make(tmp_path)
    names = list(s.season())
    random.Random(seed).shuffle(names)
    for name in names:
        s.drop(station, name, s.season()[name])
        s.take_in(station)
    s.same(s.stored(station), reference)
    assert s.open_problems(station).empty


def test_rows_may_stand_in_any_order(tmp_path, reference):
    station = s.make(tmp_path)
    for name, rows in s.season().items():
        s.drop(station, name, random.Random(7).sample(rows, len(rows)))
    s.take_in(station)
    s.same(s.stored(station), reference)


def test_rows_may_be_split_into_any_files(tmp_path, reference):
    station = s.make(tmp_path)
    for name, rows in s.season().items():
        for n in range(3):
            if rows[n::3]:
                s.drop(station, f"part-{n}/{name.removesuffix('.csv')}-{n}.csv", rows[n::3])
    s.take_in(station)
    s.same(s.stored(station), reference)


def test_columns_may_stand_in_any_order_and_headers_in_any_case(tmp_path, reference):
    station = s.make(tmp_path)
    for name, rows in s.season().items():
        s.drop(station, name, [{k.upper(): row[k] for k in reversed(row)} for row in rows])
    s.take_in(station)
    s.same(s.stored(station), reference)


# --- which row wins ---------------------------------------------------------------------------
def _stop(station) -> float:
    return s.stored(station)["fills"].set_index("fill_id").loc["F1", "stop_pressure_bar"]


def _register(station) -> None:
    s.drop(station, "cylinders.csv", s.CYLINDERS)


@pytest.mark.parametrize("first", ["old", "new"])
def test_the_newer_file_wins_whichever_comes_first(tmp_path, first):
    station = s.make(tmp_path)
    _register(station)
    older = ("fills-a.csv", [s.fill(1, stop_pressure_bar="210")], 0)
    newer = ("fills-b.csv", [s.fill(1, stop_pressure_bar="220")], 1)
    for drop in (older, newer) if first == "old" else (newer, older):
        s.drop(station, *drop)
        s.take_in(station)
    assert _stop(station) == 220


@pytest.mark.parametrize("first", ["a", "b"])
def test_of_files_of_one_moment_the_later_name_wins(tmp_path, first):
    station = s.make(tmp_path)
    _register(station)
    named = {"a": ("fills-a.csv", "210", 0.0), "b": ("fills-b.csv", "220", -0.01)}  # b was saved 0.6 s before a
    for name in sorted(named, reverse=first == "b"):
        file, stop, minutes = named[name]
        s.drop(station, file, [s.fill(1, stop_pressure_bar=stop)], 0.03 + minutes)  # both within 1 to 2 s
        s.take_in(station)
    assert _stop(station) == 220


@pytest.mark.parametrize("first", ["revised", "plain"])
def test_revised_at_decides_before_the_time_of_the_file(tmp_path, first):
    station = s.make(tmp_path)
    _register(station)
    revised = ("fills-revised.csv", [s.fill(1, stop_pressure_bar="215", revised_at="2026-03-09T08:00Z")], 0)
    plain = ("fills-plain.csv", [s.fill(1, stop_pressure_bar="225")], 60)
    for drop in (revised, plain) if first == "revised" else (plain, revised):
        s.drop(station, *drop)
        s.take_in(station)
    assert _stop(station) == 215


def test_a_correction_whose_file_looks_older_is_listed(tmp_path):
    station = s.make(tmp_path)
    _register(station)
    s.drop(station, "fills.csv", [s.fill(1), s.fill(2)], 10)
    s.take_in(station)
    s.drop(station, "fills-correction.csv", [s.fill(1, stop_pressure_bar="199")], 0)
    s.take_in(station)
    assert _stop(station) == 230
    assert ("fills-correction.csv", "older_than_current") in s.notices(station)


def test_an_identical_row_is_accepted_and_changes_nothing(tmp_path):
    station = s.make(tmp_path)
    _register(station)
    s.drop(station, "fills.csv", [s.fill(1)], 0)
    s.take_in(station)
    before = s.stored(station)
    s.drop(station, "fills-again.csv", [s.fill(1)], -5)
    result = s.take_in(station)
    assert (result.rows_accepted, result.rows_rejected) == (1, 0)
    s.same(s.stored(station), before)
    assert s.notices(station) == []


def test_a_row_gone_from_a_newer_file_still_counts_and_is_listed(tmp_path):
    station = s.make(tmp_path)
    _register(station)
    s.drop(station, "fills.csv", [s.fill(1), s.fill(2)], 0)
    s.take_in(station)
    s.drop(station, "fills.csv", [s.fill(2)], 1)
    s.take_in(station)
    assert set(s.stored(station)["fills"]["fill_id"]) == {"F1", "F2"}
    listed = s.ask(station, "SELECT * FROM notices")
    assert listed["rule"].tolist() == ["no_longer_in_file"]
    assert listed["value"].tolist() == ["fills F1"]


def test_a_file_time_in_the_future_is_listed(tmp_path):
    station = s.make(tmp_path)
    ahead = (s.clock.now() - s.pd.Timestamp(s.EARLY)).total_seconds() / 60 + 1000
    s.drop(station, "cylinders.csv", s.CYLINDERS, ahead)
    assert s.take_in(station).rows_accepted == 3
    assert s.notices(station) == [("cylinders.csv", "file_time_in_future")]


def test_one_key_twice_in_a_file_with_different_values_rejects_both(tmp_path):
    station = s.make(tmp_path)
    _register(station)
    s.drop(station, "fills.csv", [s.fill(1), s.fill(1, stop_pressure_bar="210"), s.fill(2), s.fill(2)])
    result = s.take_in(station)
    assert (result.rows_read, result.rows_accepted, result.rows_rejected) == (3 + 4, 3 + 2, 2)
    problems = s.open_problems(station)
    assert problems["rule"].tolist() == ["key_conflict", "key_conflict"]
    assert problems["row_number"].tolist() == [1, 2]
    assert set(s.stored(station)["fills"]["fill_id"]) == {"F2"}


def test_samples_of_a_newer_file_win_moment_by_moment(tmp_path):
    for order in (0, 1):
        station = s.make(tmp_path / str(order))
        s.drop(station, "members.csv", s.MEMBERS)
        s.drop(station, "dives.csv", [s.dive(2)])
        rows = s.samples(2)
        parts = [("dive_samples-a.csv", rows, 0), ("dive_samples-b.csv", [rows[3] | {"depth_m": "11.1"}], 5)]
        for name, content, minutes in parts if order else reversed(parts):
            s.drop(station, name, content, minutes)
            s.take_in(station)
        found = s.stored(station)["dive_samples"]
        assert len(found) == len(rows)
        assert found.set_index("t_s").loc[90, "depth_m"] == 11.1


def test_revised_at_decides_for_samples_too(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "dives.csv", [s.dive(2)])
    rows = s.samples(2)
    s.drop(
        station,
        "dive_samples-a.csv",
        [r | {"depth_m": "12.0", "revised_at": "2026-03-20T10:00Z"} for r in rows[3:4]],
        0,
    )
    s.drop(station, "dive_samples-b.csv", rows, 5)
    s.take_in(station)
    assert s.stored(station)["dive_samples"].set_index("t_s").loc[90, "depth_m"] == 12.0


def test_a_samples_correction_that_looks_older_is_listed(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "dives.csv", [s.dive(2)])
    rows = s.samples(2)
    s.drop(station, "dive_samples-a.csv", rows, 5)
    s.take_in(station)
    s.drop(station, "dive_samples-b.csv", [rows[3] | {"depth_m": "11.1"}], 0)
    s.take_in(station)
    assert ("dive_samples-b.csv", "older_than_current") in s.notices(station)


@pytest.mark.parametrize("newer_first", [False, True])
def test_a_conflict_is_settled_by_a_newer_file_whichever_comes_first(tmp_path, newer_first):
    """One file gives a fill twice with other values, a newer one gives it right: nobody need fix the first."""
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    twice = [s.fill(1), s.fill(1, stop_pressure_bar="190")]
    files = [("fills-4.csv", twice, 4), ("fills-5.csv", [s.fill(1, stop_pressure_bar="195")], 5)]
    for name, rows, at in reversed(files) if newer_first else files:
        s.drop(station, name, rows, at)
        s.take_in(station)
    assert s.stored(station)["fills"]["stop_pressure_bar"].tolist() == [195.0]
    assert s.open_problems(station).empty
