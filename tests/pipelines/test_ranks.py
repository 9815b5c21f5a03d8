"""A copy or a restore that loses the times of files undoes no correction; nothing is decided by a name in silence."""

import os
import shutil
from datetime import timedelta

import pytest
import small_station as s


def _fills(station):
    return s.stored(station)["fills"].set_index("fill_id")


@pytest.fixture(scope="module")
def corrected_once(tmp_path_factory):
    station = s.make(tmp_path_factory.mktemp("corrected") / "station")
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills-z.csv", [s.fill(1, analysed_o2_pct="32"), s.fill(2)])
    s.drop(station, "fills-correction.csv", [s.fill(1, analysed_o2_pct="38", stop_pressure_bar="190")], 10)
    s.take_in(station)
    assert _fills(station).loc["F1", "analysed_o2_pct"] == 38
    return station


@pytest.fixture
def corrected(corrected_once, tmp_path):
    """A fill log, and a later file that corrects one fill."""
    shutil.copytree(corrected_once.folder, tmp_path / "station")
    return s.load_station(tmp_path / "station")


def _without_times(station, order=sorted, apart_s: float = 3.0) -> None:
    """What a copy leaves that keeps no times: each file has the time at which it was written."""
    for n, path in enumerate(order([p for p in station.inbox.rglob("*") if p.is_file()])):
        moment = (s.EARLY + timedelta(days=3, seconds=n * apart_s)).timestamp()
        os.utime(path, (moment, moment))


@pytest.mark.parametrize("order", [sorted, lambda p: sorted(p, reverse=True)], ids=["by name", "backwards"])
def test_a_copy_that_loses_the_times_changes_nothing(corrected, order):
    before = s.stored(corrected)
    _without_times(corrected, order)
    for _ in range(2):
        assert s.take_in(corrected).files_read == 0
        s.same(s.stored(corrected), before)


def test_a_station_copied_without_times_changes_nothing(corrected, tmp_path):
    before = s.stored(corrected)
    shutil.copytree(corrected.folder, tmp_path / "copy", copy_function=shutil.copyfile)
    copy = s.load_station(tmp_path / "copy")
    _without_times(copy)
    s.take_in(copy)
    s.same(s.stored(copy), before)


def test_what_a_copy_would_have_undone_is_listed(corrected):
    _without_times(corrected)
    s.take_in(corrected)
    assert s.notices(corrected) == [("fills-z.csv", "copy_keeps_its_rank")]


def test_the_files_brought_back_into_another_folder_change_nothing(corrected):
    before = s.stored(corrected)
    for path in list(corrected.inbox.glob("*.csv")):
        (corrected.inbox / "restored").mkdir(exist_ok=True)
        shutil.copyfile(path, corrected.inbox / "restored" / path.name)
    _without_times(corrected)
    s.take_in(corrected)
    s.same(s.stored(corrected), before)


def test_an_old_copy_under_another_name_undoes_no_correction_and_is_listed(corrected):
    shutil.copyfile(corrected.inbox / "fills-z.csv", corrected.inbox / "fills-zz old.csv")
    s.take_in(corrected)
    assert _fills(corrected).loc["F1", "analysed_o2_pct"] == 38
    assert ("fills-zz old.csv", "older_than_current") in s.notices(corrected)


def test_one_file_saved_again_alone_wins_and_says_so(corrected):
    os.utime(corrected.inbox / "fills-z.csv")
    s.take_in(corrected)
    assert _fills(corrected).loc["F1", "analysed_o2_pct"] == 32
    assert s.notices(corrected) == [("fills-z.csv", "saved_again_wins")]


def test_the_last_file_of_a_copy_in_several_passes_is_not_taken_for_one_saved_on_purpose(corrected):
    before = s.stored(corrected)
    moment = (s.EARLY + timedelta(days=3)).timestamp()
    for name in ("cylinders.csv", "fills-correction.csv"):
        os.utime(corrected.inbox / name, (moment, moment))
    s.take_in(corrected)
    os.utime(corrected.inbox / "fills-z.csv", (moment + 300, moment + 300))
    s.take_in(corrected)
    s.same(s.stored(corrected), before)


def test_earlier_contents_restored_with_new_times_stand_back_behind_what_came_after(corrected):
    before = {p.name: p.read_bytes() for p in corrected.inbox.glob("*.csv")}
    s.drop(corrected, "fills-z.csv", [s.fill(1, analysed_o2_pct="32"), s.fill(2, stop_pressure_bar="188")], 20)
    s.drop(corrected, "cylinders.csv", [c | {"working_pressure_bar": "200"} for c in s.CYLINDERS], 20)
    s.take_in(corrected)
    now = s.stored(corrected)
    for name, content in before.items():
        (corrected.inbox / name).write_bytes(content)
    _without_times(corrected)
    s.take_in(corrected)
    s.same(s.stored(corrected), now)


def test_a_log_that_goes_on_and_takes_back_a_correction_says_so(corrected):
    """The log was corrected in a file of its own; the next day's row makes the log the newer file."""
    log = [s.fill(1, analysed_o2_pct="32"), s.fill(2), s.fill(3)]
    s.drop(corrected, "fills-z.csv", log, 20)
    s.take_in(corrected)
    assert _fills(corrected).loc["F1", "analysed_o2_pct"] == 32, "the newer file wins"
    assert s.notices(corrected) == [("fills-z.csv", "correction_taken_back")]
    said = s.ask(corrected, "SELECT message FROM notices")["message"][0]
    assert "fills-correction.csv" in said and "1 row" in said


def test_a_log_that_makes_the_correction_too_takes_nothing_back(corrected):
    s.drop(corrected, "fills-z.csv", [s.fill(1, analysed_o2_pct="38", stop_pressure_bar="190"), s.fill(2)], 20)
    s.take_in(corrected)
    assert s.notices(corrected) == []


ENDINGS = {
    "CRLF": lambda data: data.replace(b"\n", b"\r\n"),
    "CR": lambda data: data.replace(b"\n", b"\r"),
    "a mark": lambda data: b"\xef\xbb\xbf" + data,
    "no last line end": lambda data: data.rstrip(b"\n"),
}


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_copy_with_other_line_ends_changes_nothing(corrected, ending):
    before = s.stored(corrected)
    for path in corrected.inbox.glob("*.csv"):
        path.write_bytes(ENDINGS[ending](path.read_bytes()))
    _without_times(corrected)
    for _ in range(2):
        s.take_in(corrected)
        s.same(s.stored(corrected), before)
    assert ("fills-z.csv", "copy_keeps_its_rank") in s.notices(corrected)


def test_one_file_saved_again_with_other_line_ends_wins_and_says_so(corrected):
    path = corrected.inbox / "fills-z.csv"
    path.write_bytes(ENDINGS["CRLF"](path.read_bytes()))
    s.take_in(corrected)
    assert _fills(corrected).loc["F1", "analysed_o2_pct"] == 32
    assert ("fills-z.csv", "saved_again_wins") in s.notices(corrected)


def test_a_mapping_changed_after_such_a_copy_keeps_the_order(corrected):
    _without_times(corrected)
    s.take_in(corrected)
    changed = s.with_settings(corrected, '[sources.fills]\nignore = ["nothing"]')
    assert s.take_in(changed).files_read == 2
    assert _fills(changed).loc["F1", "analysed_o2_pct"] == 38


def test_a_file_time_ahead_of_the_clock_does_not_win_until_then(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills-a.csv", [s.fill(1, analysed_o2_pct="32")])
    os.utime(station.inbox / "fills-a.csv", (s.clock.now().timestamp() + 25 * 3600,) * 2)
    s.take_in(station)
    assert ("fills-a.csv", "file_time_in_future") in s.notices(station)
    s.drop(station, "fills-b.csv", [s.fill(1, analysed_o2_pct="38")])
    os.utime(station.inbox / "fills-b.csv", (s.clock.now().timestamp() + 5,) * 2)
    s.take_in(station)
    assert _fills(station).loc["F1", "analysed_o2_pct"] == 38


@pytest.mark.parametrize("first", ["fills-a.csv", "fills-b.csv"])
def test_two_files_of_one_moment_that_disagree_are_listed(tmp_path, first):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    files = {"fills-a.csv": "200", "fills-b.csv": "220"}
    for name in sorted(files, reverse=first == "fills-b.csv"):
        s.drop(station, name, [s.fill(1, stop_pressure_bar=files[name]), s.fill(2)])
        s.take_in(station)
    assert s.notices(station) == [("fills-a.csv", "same_time_other_values")]
    assert "fills-b.csv" in s.ask(station, "SELECT message FROM notices")["message"][0]


@pytest.mark.parametrize("first", ["a", "b"])
def test_two_files_of_samples_of_one_moment_that_disagree_are_listed(tmp_path, first):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "dives.csv", [s.dive(2)])
    rows = s.samples(2)
    parts = {"dive_samples-a.csv": rows, "dive_samples-b.csv": [rows[3] | {"depth_m": "11.1"}]}
    for name in sorted(parts, reverse=first == "b"):
        s.drop(station, name, parts[name])
        s.take_in(station)
    assert s.notices(station) == [("dive_samples-a.csv", "same_time_other_values")]


@pytest.mark.parametrize("source", ["fills", "cylinders"])
def test_a_revision_dated_beyond_tomorrow_does_not_count(tmp_path, source):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1)])
    s.take_in(station)
    before = s.stored(station)
    row = s.fill(1, stop_pressure_bar="199") if source == "fills" else s.CYLINDERS[0] | {"water_capacity_l": "15"}
    s.drop(station, f"{source}-wrong.csv", [row | {"revised_at": "2099-01-01T00:00Z"}], 5)
    assert s.take_in(station).rows_rejected == 1
    assert s.open_problems(station)["rule"].tolist() == ["in_the_future"]
    s.same(s.stored(station), before)
