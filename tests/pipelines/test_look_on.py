"""What rots or goes missing among the kept files is found by the next runs, before somebody needs it."""

import os
import shutil

import pytest
import small_station as s

from pipelines.refresh import look_on
from pipelines.refresh.examine import examine
from pipelines.station import clock
from schemas.snapshot import read_manifest, read_table


@pytest.fixture(scope="module")
def computed(tmp_path_factory):
    station = s.stocked(tmp_path_factory.mktemp("computed") / "station")
    s.run(station)
    return station


@pytest.fixture(scope="module")
def tables(computed):
    return s.published(computed)


@pytest.fixture
def copy(computed, tmp_path):
    shutil.copytree(computed.folder, tmp_path / "station")
    return s.load_station(tmp_path / "station")


def original(station, file):
    return next(station.archive.glob(f"{s.files(station).loc[file, 'file_sha256']}*"))


def rot(path):
    """One bit is another, and the file time is as it was."""
    saved, data = path.stat(), bytearray(path.read_bytes())
    data[len(data) // 2] ^= 4
    path.write_bytes(data)
    os.utime(path, ns=(saved.st_atime_ns, saved.st_mtime_ns))


def lost(station):
    return {file for file, rule in s.notices(station) if rule == look_on.LOST}


def shown(station):
    """The same as pages have it."""
    notices = read_table(station.published, read_manifest(station.published), "notices")
    return notices.loc[notices["rule"] == look_on.LOST, "file"].tolist()


@pytest.mark.parametrize("how", [rot, lambda path: path.unlink(), lambda path: path.write_bytes(b"")])
def test_an_original_that_is_gone_or_altered_is_copied_again_from_the_inbox(copy, how):
    path = original(copy, "fills.csv")
    written = path.read_bytes()
    how(path)
    assert not s.run(copy).published, "no figure hangs on it"
    assert path.read_bytes() == written and not lost(copy)


@pytest.mark.parametrize("how", [rot, lambda path: path.unlink()])
def test_an_original_that_lies_nowhere_any_more_is_listed_until_it_is_there_again(copy, how):
    path = original(copy, "fills.csv")
    written = path.read_bytes()
    how(path)
    (copy.inbox / "fills.csv").unlink()
    first = s.run(copy)
    assert first.published and "fills.csv" in first.damage[0]
    assert lost(copy) == {"fills.csv"}
    assert shown(copy) == ["fills.csv"]
    assert not s.run(copy).published and lost(copy) == {"fills.csv"}
    path.write_bytes(written)
    assert s.run(copy).published and not lost(copy)
    assert shown(copy) == []


def test_a_whole_archive_that_is_lost_is_listed_file_by_file_and_no_figure_moves(copy, tables):
    for path in copy.archive.iterdir():
        path.unlink()
    (copy.inbox / "fills.csv").unlink()
    s.run(copy)
    assert lost(copy) == {"fills.csv"}, "all others lie in the inbox still"
    s.same(s.published(copy), tables)


def test_a_part_that_rots_is_published_anew_though_nothing_is_new(copy, tables):
    part = min((copy.published / s.run(copy).snapshot / "dive_consumption").glob("*.parquet"))
    rot(part)
    made = s.run(copy)
    assert made.published and "published" in made.damage[0]
    s.same(s.published(copy), tables)
    assert not s.run(copy).published


def test_samples_that_rot_are_read_again_though_no_dive_is_computed(copy, tables):
    for path in copy.lake.rglob("*.parquet"):
        rot(path)
    assert "samples" in s.run(copy).damage[0]
    assert all(f.state == "sound" for f in examine(copy, clock.now()) if f.part in ("samples", "archive"))
    s.same(s.published(copy), tables)


def test_many_files_are_looked_at_in_several_runs_one_after_the_other(copy, monkeypatch):
    monkeypatch.setattr(look_on, "MOST_FILES", 10)
    for path in copy.archive.iterdir():
        path.unlink()
    shutil.rmtree(copy.inbox)
    copy.inbox.mkdir()
    wanted, found, runs = set(s.files(copy).index), set(), 0
    while found != wanted:
        s.run(copy)
        found, runs = lost(copy), runs + 1
        assert len(found) <= 10 * runs and runs < 20
    assert runs > 1
