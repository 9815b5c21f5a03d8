"""Damaged parts, manifests and pointers change no figure in silence, stop no run and end no command in a traceback."""

import contextlib
import errno
import os
import random
import shutil

import pytest
import small_station as s
from typer.testing import CliRunner

from pipelines.cli import app
from pipelines.cli.console import words_for
from pipelines.intake import archive
from pipelines.intake.rebuild import WarehouseLost
from pipelines.refresh import look_on
from pipelines.refresh.examine import examine
from pipelines.station import clock
from schemas.snapshot import NothingPublished, SnapshotDamaged, current_name, read_manifest, read_table
from schemas.tables import TABLES


@pytest.fixture(scope="module")
def computed(season_station):
    return season_station


@pytest.fixture(scope="module")
def tables(computed):
    return s.published(computed)


@pytest.fixture
def copy(computed, tmp_path):
    shutil.copytree(computed.folder, tmp_path / "station")
    return s.load_station(tmp_path / "station")


def _flip(path, rng: random.Random, keep_time: bool) -> None:
    saved = path.stat()
    data = bytearray(path.read_bytes())
    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    path.write_bytes(data)
    if keep_time:
        os.utime(path, ns=(saved.st_atime_ns, saved.st_mtime_ns))


def _parts(station) -> list:
    return sorted((station.published / current_name(station.published)).rglob("*.parquet"))


# --- parts of a snapshot ----------------------------------------------------------------------
def test_a_flipped_bit_of_a_part_is_never_read_as_a_figure(copy):
    rng = random.Random(1)
    manifest = read_manifest(copy.published)
    public = [p for p in _parts(copy) if not TABLES[p.parent.name].internal and manifest.tables[p.parent.name]]
    for n in range(60):
        path = public[n % len(public)]
        sound = path.read_bytes()
        _flip(path, rng, keep_time=True)
        held = [p for p in manifest.tables[path.parent.name].values() if p.file == path.name and p.rows]
        if held:
            with pytest.raises(SnapshotDamaged, match="coldfill run"):
                read_table(copy.published, manifest, path.parent.name)
        path.write_bytes(sound)


@pytest.mark.parametrize("how", ["flipped", "cut", "empty", "gone", "another part"])
def test_a_damaged_part_is_made_anew_by_the_next_run(copy, tables, how):
    path = next(p for p in _parts(copy) if p.parent.name == "dive_consumption")
    if how == "flipped":
        _flip(path, random.Random(2), keep_time=False)
    elif how == "gone":
        path.unlink()
    elif how == "another part":
        path.write_bytes(next(p for p in reversed(_parts(copy)) if p.parent.name == "dive_consumption").read_bytes())
    else:
        path.write_bytes(path.read_bytes()[:100] if how == "cut" else b"")
    assert s.run(copy).published
    s.same(s.published(copy), tables)
    assert not s.run(copy).published


def test_bits_that_rot_without_a_new_file_time_are_not_carried_into_the_next_snapshot(copy):
    rng = random.Random(3)
    for path in _parts(copy):
        _flip(path, rng, keep_time=True)
    s.drop(copy, "fills-new.csv", [s.fill(9)], 9)
    assert s.run(copy).published
    fresh = s.published(copy)
    shutil.rmtree(copy.published)
    s.run(copy)
    s.same(fresh, s.published(copy))


# --- the lake and the archive -----------------------------------------------------------------
@pytest.mark.parametrize("how", ["flipped", "cut", "gone"])
def test_a_damaged_part_of_the_lake_is_read_again_from_the_archive(copy, tables, how):
    for n, path in enumerate(sorted(copy.lake.rglob("*.parquet"))):
        if how == "gone":
            path.unlink()
        elif how == "cut":
            path.write_bytes(path.read_bytes()[: 40 * n])
        else:
            _flip(path, random.Random(n), keep_time=True)
    (copy.inbox / "dive_samples.csv").unlink()
    shutil.rmtree(copy.published)  # so that every member is computed
    s.run(copy)
    s.same(s.published(copy), tables)
    assert s.open_problems(copy).empty


def test_samples_whose_original_is_lost_too_are_listed_and_the_run_goes_on(copy):
    sha256 = s.files(copy).loc["dive_samples.csv", "file_sha256"]
    next(copy.archive.glob(f"{sha256}*")).unlink()
    (copy.inbox / "dive_samples.csv").unlink()
    for path in copy.lake.rglob("*.parquet"):
        path.unlink()
    shutil.rmtree(copy.published)
    for _ in range(2):
        s.run(copy)
    assert ("dive_samples.csv", "samples_lost") in s.notices(copy)
    assert len(s.published(copy)["dive_consumption"])


def test_samples_that_wait_in_a_damaged_part_are_read_again(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "dive_samples.csv", s.samples(2))
    s.take_in(station)
    for path in station.lake.rglob("*.parquet"):
        _flip(path, random.Random(4), keep_time=True)
    s.drop(station, "dives.csv", [s.dive(2)], 1)
    s.take_in(station)
    assert len(s.stored(station)["dive_samples"]) == len(s.samples(2))


def test_an_altered_original_in_the_archive_is_not_read(copy):
    """A mapping changes, the file has left the inbox, and its original is not what came in."""
    rows = s.stored(copy)
    sha256 = s.files(copy).loc["fills.csv", "file_sha256"]
    path = next(copy.archive.glob(f"{sha256}*"))
    path.write_bytes(path.read_bytes().replace(b"230", b"239"))
    (copy.inbox / "fills.csv").unlink()
    s.take_in(s.with_settings(copy, '[sources.fills]\nignore = ["nothing"]'))
    s.same(s.stored(copy), rows)
    assert ("fills.csv", "unreadable") in s.notices(copy)


def test_an_altered_original_is_put_right_from_the_inbox(copy):
    sha256 = s.files(copy).loc["fills.csv", "file_sha256"]
    path = next(copy.archive.glob(f"{sha256}*"))
    path.write_bytes(b"altered")
    s.take_in(s.with_settings(copy, '[sources.fills]\nignore = ["nothing"]'))
    assert path.read_bytes() == (copy.inbox / "fills.csv").read_bytes()


# --- manifest, pointer and notes --------------------------------------------------------------
RUBBISH = [b"", b"\x00" * 40, b"\xff\xfe\x80", b"[]", b"null", b"{}", b'{"tables": []}', b"../../etc\n", b"[" * 20000]


@pytest.mark.parametrize("rubbish", RUBBISH, ids=range(len(RUBBISH)))
@pytest.mark.parametrize("name", ["current", "manifest.json", "since.json", "last_pass.json"])
def test_rubbish_in_what_stands_beside_the_parts_is_reported_in_a_sentence(copy, name, rubbish):
    folder = copy.published / current_name(copy.published) if name == "manifest.json" else copy.published
    (folder / name).write_bytes(rubbish)
    try:
        manifest = read_manifest(copy.published)
        for table in ("fill_quality", "runs", "ingest_files"):
            read_table(copy.published, manifest, table)
    except NothingPublished as raised:
        assert "coldfill run" in words_for(raised)[0]
    else:
        assert name in ("since.json", "last_pass.json")


@pytest.mark.parametrize("name", ["current", "manifest.json"])
def test_the_next_run_puts_them_right(copy, tables, name):
    folder = copy.published / current_name(copy.published) if name == "manifest.json" else copy.published
    (folder / name).write_bytes(b"{rubbish")
    assert s.run(copy).published
    s.same(s.published(copy), tables)


def test_a_flipped_bit_of_the_manifest_is_noticed(copy):
    rng = random.Random(5)
    path = copy.published / current_name(copy.published) / "manifest.json"
    sound, read = path.read_bytes(), read_manifest(copy.published)
    for _ in range(100):
        path.write_bytes(sound)
        _flip(path, rng, keep_time=True)
        with contextlib.suppress(SnapshotDamaged):
            assert read_manifest(copy.published) == read  # a blank between two words may become another


@pytest.mark.parametrize("command", [["rejects"], ["export", "--to", "OUT"], ["report", "morning", "--to", "OUT.html"]])
def test_commands_tell_of_a_damaged_snapshot_in_a_sentence(copy, tmp_path, command):
    (copy.published / "current").write_bytes(b"\xff\x00 rubbish")
    printed = CliRunner().invoke(
        app, [*(a.replace("OUT", str(tmp_path / "out")) for a in command), "--station", str(copy.folder)]
    )
    assert isinstance(printed.exception, NothingPublished)
    words, code = words_for(printed.exception)
    assert code == 2
    assert "coldfill run" in words


@pytest.mark.parametrize("place", ["lake/.being-read.json", "archive/readings.jsonl", "published/last_pass.json"])
def test_a_folder_in_place_of_a_file_is_named_in_a_sentence(copy, place):
    path = copy.folder / place
    path.unlink(missing_ok=True)
    path.mkdir()
    s.drop(copy, "fills-more.csv", [s.fill(20)], 50)
    with pytest.raises(IsADirectoryError) as raised:
        s.run(copy)
    said, code = words_for(raised.value)
    assert code == 2 and "is a folder" in said and path.name in said
    path.rmdir()
    assert s.run(copy).held == ""


# --- what nothing reads -----------------------------------------------------------------------
def _rot(path) -> None:
    _flip(path, random.Random(5), keep_time=True)


def _original(station, file):
    return next(station.archive.glob(f"{s.files(station).loc[file, 'file_sha256']}*"))


def _lost(station):
    return {file for file, rule in s.notices(station) if rule == look_on.LOST}


def _shown(station):
    """The same as pages have it."""
    notices = read_table(station.published, read_manifest(station.published), "notices")
    return notices.loc[notices["rule"] == look_on.LOST, "file"].tolist()


@pytest.mark.parametrize("how", [_rot, lambda path: path.unlink(), lambda path: path.write_bytes(b"")])
def test_an_original_that_is_gone_or_altered_is_copied_again_from_the_inbox(copy, how):
    path = _original(copy, "fills.csv")
    written = path.read_bytes()
    how(path)
    assert not s.run(copy).published, "no figure hangs on it"
    assert path.read_bytes() == written and not _lost(copy)


@pytest.mark.parametrize("how", [_rot, lambda path: path.unlink()])
def test_an_original_that_lies_nowhere_any_more_is_listed_until_it_is_there_again(copy, how):
    path = _original(copy, "fills.csv")
    written = path.read_bytes()
    how(path)
    (copy.inbox / "fills.csv").unlink()
    first = s.run(copy)
    assert first.published and "fills.csv" in first.damage[0]
    assert _lost(copy) == {"fills.csv"}
    assert _shown(copy) == ["fills.csv"]
    assert not s.run(copy).published and _lost(copy) == {"fills.csv"}
    path.write_bytes(written)
    assert s.run(copy).published and not _lost(copy)
    assert _shown(copy) == []


def test_a_whole_archive_that_is_lost_is_listed_file_by_file_and_no_figure_moves(copy, tables):
    for path in copy.archive.iterdir():
        path.unlink()
    (copy.inbox / "fills.csv").unlink()
    s.run(copy)
    assert _lost(copy) == {"fills.csv"}, "all others lie in the inbox still"
    s.same(s.published(copy), tables)


def test_a_part_that_rots_is_published_anew_though_nothing_is_new(copy, tables):
    part = min((copy.published / s.run(copy).snapshot / "dive_consumption").glob("*.parquet"))
    _rot(part)
    made = s.run(copy)
    assert made.published and "published" in made.damage[0]
    s.same(s.published(copy), tables)
    assert not s.run(copy).published


def test_samples_that_rot_are_read_again_though_no_dive_is_computed(copy, tables):
    for path in copy.lake.rglob("*.parquet"):
        _rot(path)
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
        found, runs = _lost(copy), runs + 1
        assert len(found) <= 10 * runs and runs < 20
    assert runs > 1


@pytest.mark.parametrize("number, listed", [(errno.EIO, True), (errno.EACCES, False)])
def test_an_original_whose_disk_does_not_give_it_stops_no_run(copy, monkeypatch, number, listed):
    """A sector that cannot be read is a lost original; without the right to look nothing is known of it."""
    path, read = _original(copy, "fills.csv"), archive.hash_of
    (copy.inbox / "fills.csv").unlink()

    def hash_of(asked):
        if asked == path:
            raise OSError(number, os.strerror(number), str(asked))
        return read(asked)

    monkeypatch.setattr(archive, "hash_of", hash_of)
    s.run(copy)
    assert _lost(copy) == ({"fills.csv"} if listed else set())
    if listed:
        with pytest.raises(WarehouseLost, match=r"missing or damaged.*fills\.csv"):
            s.run(copy, rebuild=True)


def test_what_a_held_run_leaves_damaged_is_not_called_made_anew():
    assert "made anew" in look_on.Look(published=True).lines(published=True)[0]
    assert "the next run that publishes" in look_on.Look(samples=True, published=True).lines(published=False)[0]
    assert "; made anew" in look_on.Look(samples=True).lines(published=False)[0], "samples are read again by any run"
    assert look_on.Look().lines(published=False) == []
