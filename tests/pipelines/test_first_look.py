"""A new fill is judged and shown before the rest of a run is done, and nothing else reads what is half of a run."""

import shutil
from dataclasses import replace

import pandas as pd
import pytest
import small_station as s

from dashboard.access import Viewer
from dashboard.data import open_snapshot
from pipelines.refresh import first_look
from pipelines.station.settings import load_station
from schemas.snapshot import FIRST_LOOK, current_name, read_manifest, read_table, shown_name


@pytest.fixture(scope="module")
def computed(tmp_path_factory):
    made = s.stocked(tmp_path_factory.mktemp("quay") / "quay")
    s.run(made)
    return made.folder


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
    _during_dives(station, seen)
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
