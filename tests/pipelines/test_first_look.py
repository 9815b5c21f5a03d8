"""A new fill is judged and shown before the rest of a run is done, and nothing else reads what is half of a run."""

import shutil
from dataclasses import replace

import pandas as pd
import pytest
import small_station as s

from dashboard.access import Viewer
from dashboard.data import open_snapshot
from pipelines.derive.fills import some, step
from pipelines.refresh import first_look, run
from pipelines.station.settings import load_station
from schemas.snapshot import FIRST_LOOK, current_name, read_manifest, read_table, shown_name

#: what is replaced here is when a run shows what it has, never what a step makes of its rows
pytestmark = pytest.mark.steps_as_they_are


@pytest.fixture(scope="module")
def computed(season_station):
    return season_station.folder


@pytest.fixture
def station(tmp_path, computed):
    shutil.copytree(computed, tmp_path / "quay")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(first_look, "LEAST_DIVES", 1)
        yield load_station(tmp_path / "quay")


class Ended(Exception):
    pass


def _during_dives(station, seen, end=False):
    """A run; at its dives, what pages show by then."""

    def progress(stage, *_):
        if stage == "Dives":
            seen["shown"], seen["counts"] = shown_name(station.published), current_name(station.published)
            seen["manifest"] = read_manifest(station.published, seen["shown"])
            seen["fills"] = read_table(station.published, seen["manifest"], "fill_quality")
            seen["files"] = read_table(station.published, seen["manifest"], "ingest_files")
            if end:
                raise Ended

    return s.run(station, progress=progress)


def test_a_new_fill_is_shown_while_its_run_is_at_work(station):
    before, seen = read_manifest(station.published), {}
    s.drop(station, "fills-9.csv", [s.fill(9)], 12)
    _during_dives(station, seen)
    assert seen["counts"] == before.name < seen["shown"] < current_name(station.published)
    assert list(seen["fills"]["fill_id"]) == [*[f"F{n}" for n in range(1, 8)], "F9"]
    assert "fills-9.csv" in set(seen["files"]["file"])
    assert seen["manifest"].others_of == before.created_at
    after = read_manifest(station.published)
    assert shown_name(station.published) == after.name
    assert after.others_of == ""
    pd.testing.assert_frame_equal(read_table(station.published, after, "fill_quality"), seen["fills"])


BAD_AIR = {"sampled_on": "2026-03-30", "compressor_id": "K1", "laboratory": "Lab", "co_ppm": "60"}
NEWS = {
    "a cylinder": ("cylinders-9.csv", {**s.CYLINDERS[0], "cylinder_id": "C9"}),
    "an air test": ("air_tests.csv", BAD_AIR),
    "a loan": ("loans.csv", {"unit_id": "C1", "member_id": "M1", "out_at": "2026-03-09 12:00"}),
}


@pytest.mark.parametrize("news", sorted(NEWS))
def test_with_news_of_what_a_clearance_hangs_on_nothing_is_shown_early(station, news):
    s.drop(station, "compressors.csv", [{"compressor_id": "K1"}], 10)
    s.run(station)
    seen: dict = {}
    file, row = NEWS[news]
    s.drop(station, file, [row], 12)
    s.drop(station, "fills-9.csv", [s.fill(9)], 12)
    with pytest.raises(Ended):  # what is asked is known by then
        _during_dives(station, seen, end=True)
    assert seen["shown"] == seen["counts"]
    assert not (station.published / FIRST_LOOK).exists()


@pytest.mark.parametrize("other", [{"today": "2026-04-02"}, {"name": "Another name"}])
def test_on_another_day_or_by_other_settings_nothing_is_shown_early(station, other):
    seen: dict = {}
    s.drop(station, "fills-9.csv", [s.fill(9)], 12)
    _during_dives(replace(station, **other), seen)
    assert seen["shown"] == seen["counts"] < current_name(station.published)


def test_a_run_that_dies_after_it_leaves_what_was_shown_and_the_next_publishes_all(station):
    seen: dict = {}
    before = current_name(station.published)
    s.drop(station, "fills-9.csv", [s.fill(9)], 12)
    with pytest.raises(Ended):
        _during_dives(station, seen, end=True)
    assert (current_name(station.published), shown_name(station.published)) == (before, seen["shown"])
    shown = open_snapshot(station.published, Viewer("manager", ""))
    assert "F9" in set(shown.table("fill_quality")["fill_id"])
    assert len(shown.table("dive_consumption")) == 5
    # what was said of the fill by then stays what was first said, whatever is learned of it later
    read = {"settled_pressure_bar": "190", "settled_c": "18", "settled_at": "2026-03-10 10:00"}
    s.drop(station, "fills-9-read.csv", [s.fill(9, **read)], 20)
    s.run(station)
    assert shown_name(station.published) == current_name(station.published) > seen["shown"]
    first = seen["fills"].set_index("fill_id").loc["F9"]
    now = s.published(station)["fill_quality"].set_index("fill_id").loc["F9"]
    assert now["settled_pressure_bar_15c"] < first["settled_pressure_bar_15c"] - 1.0
    assert now["handed_over_settled_bar_15c"] == first["settled_pressure_bar_15c"]


@pytest.mark.parametrize("rubbish", [b"", b"../../elsewhere", b"99990101T000000000000\n", b"\xff\xfe"])
def test_a_pointer_that_names_nothing_is_passed_over(station, rubbish):
    (station.published / FIRST_LOOK).write_bytes(rubbish)
    assert shown_name(station.published) == current_name(station.published)


@pytest.fixture(scope="module")
def large_computed(computed, tmp_path_factory):
    """The station, taken for one of many fills, on 9 March after a run that kept what was learned."""
    made = tmp_path_factory.mktemp("large") / "quay"
    shutil.copytree(computed, made)
    station = load_station(made)
    s.drop(station, "fills-8.csv", [s.fill(8)], 10)
    path = station.folder / "station.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(s.TODAY, "2026-03-09"), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(first_look, "LEAST_DIVES", 1)
        patch.setattr(step, "MANY_FILLS", 1)
        s.run(load_station(made))
    return made


@pytest.fixture
def large(tmp_path, large_computed, monkeypatch):
    """That station, and which fills were judged alone, None where that could not be."""
    alone = []
    judge = some.judge_some

    def judge_some(*given, **how):
        found = judge(*given, **how)
        alone.append(None if found is None else sorted(given[-1](found.all_fills)))
        return found

    monkeypatch.setattr(first_look, "LEAST_DIVES", 1)
    monkeypatch.setattr(step, "MANY_FILLS", 1)
    monkeypatch.setattr(some, "judge_some", judge_some)
    shutil.copytree(large_computed, tmp_path / "large")
    return load_station(tmp_path / "large"), alone


def test_of_many_fills_the_new_ones_are_judged_alone_and_shown_as_the_whole_run_has_them(large):
    station, alone = large
    seen: dict = {}
    s.drop(station, "fills-9.csv", [s.fill(9)], 12)
    _during_dives(station, seen)
    assert alone == [["F9"]], "once for both"
    after = read_table(station.published, read_manifest(station.published), "fill_quality")
    pd.testing.assert_frame_equal(after, seen["fills"], rtol=0.0, atol=1e-6)
    # an analysis of it, by a form, is seen as soon
    reading = {"fill_id": "F9", "read_at": "2026-03-09 12:00", "analysed_o2_pct": "29"}
    s.drop(station, "fill_readings-1.csv", [reading], 14)
    _during_dives(station, seen)
    assert alone == [["F9"], ["F9"]]
    analysed = read_table(station.published, read_manifest(station.published), "fill_quality")
    pd.testing.assert_frame_equal(analysed, seen["fills"], rtol=0.0, atol=1e-6)
    assert "mix_out_of_tolerance" in analysed.set_index("fill_id").loc["F9", "reasons"]
    # what it went out with is what was said of it first
    assert list(analysed["handed_over_settled_bar_15c"]) == list(after["handed_over_settled_bar_15c"])


def test_many_fills_and_few_dives_are_reason_enough(large, monkeypatch):
    station, alone = large
    monkeypatch.setattr(first_look, "LEAST_DIVES", 200)
    seen: dict = {}
    s.drop(station, "fills-9.csv", [s.fill(9)], 12)
    _during_dives(station, seen)
    assert "F9" in set(seen["fills"]["fill_id"]) and len(alone) == 1


WITH_MORE = {
    "a row that was not taken": [s.fill(10, stop_pressure_bar="much")],
    "a fill of long ago": [s.fill(10, filled_at="2019-03-09 10:00")],
}


@pytest.mark.parametrize("more", sorted(WITH_MORE))
def test_with_anything_else_all_fills_are_judged_before_any_is_shown(large, more, monkeypatch):
    station, alone = large
    monkeypatch.setattr(some, "MOST_SINCE", 5)
    seen: dict = {}
    s.drop(station, "fills-9.csv", [s.fill(9), *WITH_MORE[more]], 12)
    _during_dives(station, seen)
    assert all(found is None for found in alone)
    assert "F9" in set(seen["fills"]["fill_id"]) and seen["counts"] < seen["shown"]


def test_after_a_run_that_published_nothing_no_first_look_is_given(large):
    station, alone = large
    seen: dict = {}
    s.drop(station, "cylinders-9.csv", [{**s.CYLINDERS[0], "cylinder_id": "C9"}], 12)
    with pytest.raises(Ended):
        _during_dives(station, seen, end=True)
    s.drop(station, "fills-9.csv", [s.fill(9, unit_id="C9")], 13)
    _during_dives(station, seen)
    assert seen["shown"] == seen["counts"] and not alone, "the new cylinder is in no table yet"


def test_what_is_logged_while_a_run_is_at_work_is_shown_before_its_end(large):
    station, alone = large
    shown: list[list[str]] = []
    at = {"Fills": "fills-second0.csv", "Dives": "fills-third00.csv"}

    def progress(stage, *_):
        now = shown_name(station.published)
        fills = list(read_table(station.published, read_manifest(station.published, now), "fill_quality")["fill_id"])
        if not shown or shown[-1] != fills:
            shown.append(fills)
        if name := at.pop(stage, ""):
            number = 10 + len(shown)
            s.drop(station, f"entries/{name}", [s.fill(number, filled_at=f"2026-03-09 1{number - 10}:00")], 13)

    s.drop(station, "fills-9.csv", [s.fill(9)], 12)
    ran = s.run(station, progress=progress)
    first = [f"F{n}" for n in range(1, 9)]
    more = shown[-1][9:]
    assert shown == [first, [*first, "F9"], [*first, "F9", more[0]], [*first, "F9", *more]] and len(more) == 2
    # one run, which tells of all three files and publishes once
    assert ran.intake.rows_accepted == 3 and ran.intake.files_read == 3 and ran.recomputed["fill builds"] == 1
    files = s.ask(station, "SELECT run_id FROM ingest_files ORDER BY read_nth DESC LIMIT 3")
    assert len(set(files["run_id"])) == 1
    after = read_table(station.published, read_manifest(station.published), "fill_quality")
    assert list(after["fill_id"]) == shown[-1]
    assert alone == [["F9"], sorted(["F9", more[0]]), sorted(["F9", *more])]


def test_a_run_gives_way_for_some_minutes_only(large, monkeypatch):
    station, alone = large
    monkeypatch.setattr(run, "GIVES_WAY_S", 0.0)
    at = {"Fills"}

    def progress(stage, *_):
        if stage in at:
            at.clear()
            s.drop(station, "entries/fills-second0.csv", [s.fill(11, filled_at="2026-03-09 11:00")], 13)

    s.drop(station, "fills-9.csv", [s.fill(9)], 12)
    assert s.run(station, progress=progress).intake.rows_accepted == 1 and len(alone) == 1
    assert s.run(station).intake.rows_accepted == 1
