"""A lost or damaged warehouse and a clock that lags publish nothing wrong; a station comes back from its originals."""

import json
import shutil
from contextlib import closing, nullcontext
from types import SimpleNamespace

import duckdb
import pandas as pd
import pytest
import small_station as s

from pipelines.cli.console import words_for
from pipelines.intake.journal import Journal
from pipelines.intake.rebuild import WarehouseLost
from pipelines.refresh import first_shown, holds
from pipelines.refresh.holds import RebuildRefused
from pipelines.refresh.own_warehouse import FILE as MARK
from pipelines.refresh.own_warehouse import WarehouseForeign
from pipelines.station import clock
from pipelines.warehouse.store import FIRST_PUBLISHED, Warehouse, WarehouseDamaged
from pipelines.warehouse.trouble import trouble
from schemas.policy import Policy
from schemas.snapshot import current_name, read_manifest, read_table


@pytest.fixture(scope="module")
def computed(tmp_path_factory):
    """A station with a corrected fill, and a file that has left the inbox."""
    station = s.stocked(tmp_path_factory.mktemp("computed") / "station")
    s.drop(station, "fills-more.csv", [s.fill(9, analysed_o2_pct="21")], 3)
    s.drop(station, "fills-correction.csv", [s.fill(1, stop_pressure_bar="199")], 10)
    s.run(station)
    (station.inbox / "fills-more.csv").unlink()
    s.run(station)
    return station


@pytest.fixture
def copy(computed, tmp_path):
    shutil.copytree(computed.folder, tmp_path / "station")
    return s.load_station(tmp_path / "station")


def _lose_warehouse(station) -> None:
    for path in station.folder.glob("warehouse.duckdb*"):
        path.unlink()


# --- the warehouse ----------------------------------------------------------------------------
@pytest.mark.parametrize("left", ["nothing", "an empty file"])
def test_without_its_warehouse_a_station_publishes_nothing_and_says_what_to_do(copy, left):
    name, tables = current_name(copy.published), s.published(copy)
    _lose_warehouse(copy)
    if left == "an empty file":
        copy.warehouse.touch()
    with pytest.raises(WarehouseLost, match="coldfill rebuild") as raised:
        s.run(copy)
    assert words_for(raised.value)[1] == 2
    assert current_name(copy.published) == name
    s.same(s.published(copy), tables)


@pytest.mark.parametrize("which", ["a new one", "of another station, both of an earlier version"])
def test_a_warehouse_that_knows_less_than_the_snapshot_publishes_nothing(copy, tmp_path, which):
    """It opens, and is not this station's; the list of the archive is lost too, and a file has left the inbox."""
    name, tables = current_name(copy.published), s.published(copy)
    (copy.archive / "readings.jsonl").unlink()
    copy.warehouse.unlink()
    if which == "a new one":
        Warehouse(copy.warehouse).close()
    else:
        other = s.make(tmp_path / "other")
        s.drop(other, "cylinders.csv", s.CYLINDERS[:1])
        s.run(other)
        shutil.copy2(other.warehouse, copy.warehouse)
        (copy.folder / MARK).unlink()
        with closing(duckdb.connect(str(copy.warehouse))) as con:
            con.execute("DELETE FROM meta WHERE key = 'mark'")
    for path in copy.inbox.glob("*"):
        path.unlink()
    for _ in range(2):
        assert "coldfill rebuild" in s.run(copy).held
        assert current_name(copy.published) == name
    if which == "a new one":
        assert s.run(copy, rebuild=True).held == ""
        s.same(s.published(copy), tables)


def test_a_warehouse_that_the_disk_does_not_give_is_not_called_damaged(tmp_path):
    """A rebuild would be no help."""
    for said, damaged in (("Input/output error", False), ("No space left on device", False), ("not a database", True)):
        error = duckdb.IOException(f'IO Error: Cannot open file "w": {said}')
        assert isinstance(trouble(tmp_path / "w", error), WarehouseDamaged) is damaged
        assert "room on the disk" in words_for(error)[0] and words_for(error)[1] == 2


def test_a_new_warehouse_is_there_whole_or_not_at_all(tmp_path, monkeypatch):
    path = tmp_path / "warehouse.duckdb"

    def fails(*_):
        raise duckdb.IOException("IO Error: Could not write file: Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(Warehouse, "_create", fails)
        with pytest.raises(duckdb.IOException):
            Warehouse(path)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / ".warehouse.duckdb.new").write_bytes(b"torn")  # as a kill leaves it
    with closing(Warehouse(path)) as warehouse:
        assert warehouse.version() == 0
    assert [p.name for p in tmp_path.iterdir()] == [path.name] and path.stat().st_mode & 0o077 == 0


def test_a_station_that_lost_its_snapshots_too_is_not_taken_for_a_new_one(copy):
    _lose_warehouse(copy)
    shutil.rmtree(copy.published)
    with pytest.raises(WarehouseLost):
        s.run(copy)


def test_rebuilt_from_inbox_and_archive_all_tables_are_the_same(copy):
    tables, rows = s.published(copy), s.stored(copy)
    _lose_warehouse(copy)
    result = s.run(copy, rebuild=True)
    assert (result.held, result.intake.rows_rejected) == ("", 0)
    s.same(s.stored(copy), rows)
    s.same(s.published(copy), tables)
    assert not s.run(copy).published


@pytest.mark.parametrize("odd", ["\u2028", "\x85", "\n"], ids=ascii)
def test_a_file_with_an_odd_name_is_found_in_the_archive(tmp_path, odd):
    """Also where its name holds what Unicode takes for the end of a line."""
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    path = s.drop(station, f"fills-{odd}.csv", [s.fill(1)])
    s.take_in(station)
    path.unlink()
    _lose_warehouse(station)
    assert len(s.stored(station)["fills"]) == 0
    s.take_in(station)
    assert len(s.stored(station)["fills"]) == 1


def test_rebuilt_from_the_archive_alone_without_file_times_all_rows_are_the_same(copy, tmp_path):
    rows = s.stored(copy)
    station = s.make(tmp_path / "new")
    shutil.copytree(copy.archive, station.archive, copy_function=shutil.copyfile, dirs_exist_ok=True)
    s.run(station, rebuild=True)
    s.same(s.stored(station), rows)


def test_a_station_of_an_earlier_version_without_a_list_in_its_archive_is_rebuilt(copy):
    rows = s.stored(copy)
    _lose_warehouse(copy)
    (copy.archive / "readings.jsonl").unlink()
    s.run(copy, rebuild=True)
    s.same(s.stored(copy), rows)


def test_an_earlier_version_gets_its_list_with_the_first_pass(copy):
    path = copy.archive / "readings.jsonl"
    listed = {(e["file"], e["modified_at"]) for e in map(json.loads, path.read_text().splitlines())}
    path.unlink()
    s.run(copy)
    assert {(e["file"], e["modified_at"]) for e in map(json.loads, path.read_text().splitlines())} == listed


def test_columns_and_tables_that_had_other_names_in_an_earlier_version_keep_what_they_hold(copy):
    s.drop(copy, "fills-bad.csv", [s.fill(11, stop_pressure_bar="much")], 20)
    s.run(copy)
    rejects, first = s.ask(copy, "FROM rejects"), s.ask(copy, "FROM first_fill_quality ORDER BY fill_id")
    assert rejects["fix"].str.len().gt(0).all() and len(rejects) and len(first)
    with duckdb.connect(str(copy.warehouse)) as con:
        con.execute("ALTER TABLE rejects RENAME COLUMN fix TO mend")
        con.execute("ALTER TABLE notices RENAME COLUMN fix TO mend")
        con.execute("ALTER TABLE first_fill_quality RENAME TO told_fill_quality")
    with closing(Warehouse(copy.warehouse, upgrade=True)) as warehouse:
        pd.testing.assert_frame_equal(warehouse.frame("FROM rejects"), rejects)
        pd.testing.assert_frame_equal(warehouse.frame("FROM first_fill_quality ORDER BY fill_id"), first)
        assert "fix" in warehouse.frame("FROM notices")


def test_an_older_copy_of_the_warehouse_gets_what_has_come_since_from_the_archive(copy, tmp_path):
    shutil.copy2(copy.warehouse, tmp_path / "older.duckdb")
    s.drop(copy, "fills-late.csv", [s.fill(10)], 20)
    s.run(copy)
    (copy.inbox / "fills-late.csv").unlink()
    rows = s.stored(copy)
    shutil.copy2(tmp_path / "older.duckdb", copy.warehouse)
    s.run(copy)
    s.same(s.stored(copy), rows)


def test_what_fills_were_handed_over_with_survives_a_rebuild(copy):
    published = s.published(copy)["fill_quality"].set_index("fill_id")["handed_over_settled_bar_15c"]
    settled = s.fill(2, settled_pressure_bar="180", settled_c="12", settled_at="2026-03-02 20:00")
    s.drop(copy, "fills-settled.csv", [settled], 30)
    s.run(copy)
    _lose_warehouse(copy)
    s.run(copy, rebuild=True)
    again = s.published(copy)["fill_quality"].set_index("fill_id")["handed_over_settled_bar_15c"]
    pd.testing.assert_series_equal(again, published)


@pytest.mark.parametrize("how", ["missing", "damaged"])
def test_a_rebuild_that_would_lose_rows_changes_nothing_unless_asked(copy, how):
    gone = s.files(copy).loc["fills-more.csv", "file_sha256"]
    path = next(copy.archive.glob(f"{gone}*"))
    path.unlink() if how == "missing" else path.write_bytes(path.read_bytes().replace(b"230", b"239"))
    before = copy.warehouse.read_bytes()
    with pytest.raises(WarehouseLost, match=r"fills-more\.csv"):
        s.run(copy, rebuild=True)
    assert copy.warehouse.read_bytes() == before
    assert s.run(copy, rebuild=True, without_missing=True).held == ""
    assert "F9" not in set(s.stored(copy)["fills"]["fill_id"])
    assert not s.run(copy).held


def test_an_archive_out_of_reach_keeps_the_last_snapshot(copy, tmp_path):
    """An older copy of the warehouse, and the archive's disk is not there."""
    name = current_name(copy.published)
    warehouse = s.Warehouse(copy.warehouse)
    with warehouse.transaction():
        warehouse.con.execute("DELETE FROM ingest_files WHERE file = 'fills-more.csv'")
        warehouse.con.execute("DELETE FROM rows_fills WHERE file = 'fills-more.csv'")
    warehouse.close()
    for path in copy.archive.glob("*.csv"):
        path.rename(tmp_path / path.name)
    result = s.run(copy)
    assert "fills-more.csv" in result.held
    assert current_name(copy.published) == name
    for path in tmp_path.glob("*.csv"):
        path.rename(copy.archive / path.name)
    assert not s.run(copy).held
    assert "F9" in set(s.stored(copy)["fills"]["fill_id"])


@pytest.mark.parametrize("where", [0, 4096, 4096 * 5], ids=["the head", "the next header", "a block"])
def test_a_warehouse_that_cannot_be_read_says_what_to_do(copy, where):
    data = bytearray(copy.warehouse.read_bytes())
    data[where : where + 4096] = bytes(n * 37 % 251 for n in range(4096))
    copy.warehouse.write_bytes(data)
    name = current_name(copy.published)
    with pytest.raises(Exception) as raised:
        s.run(copy)
    words, code = words_for(raised.value)
    assert "coldfill rebuild" in words
    assert code == 2
    assert current_name(copy.published) == name
    rebuilt = s.run(copy, rebuild=True)
    assert not rebuilt.held
    assert list(copy.folder.glob("warehouse.duckdb.set-aside-*"))


@pytest.mark.parametrize("rubbish", [b"no warehouse at all", b"SQLite format 3\x00" + b"x" * 8000])
def test_a_file_that_is_no_warehouse_says_what_to_do(copy, rubbish):
    copy.warehouse.write_bytes(rubbish)
    with pytest.raises(WarehouseDamaged, match="coldfill rebuild"):
        s.run(copy)


# --- the clock --------------------------------------------------------------------------------
def _at(monkeypatch, moment: str) -> None:
    monkeypatch.setattr(clock, "now", lambda: pd.Timestamp(moment, tz="UTC").as_unit("us"))


@pytest.fixture(scope="module")
def in_time(tmp_path_factory):
    station = s.make(tmp_path_factory.mktemp("in time") / "station", today="clock")
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1, filled_at="2032-03-18 10:00")])
    with pytest.MonkeyPatch.context() as patch:
        _at(patch, "2032-03-20 12:00")
        s.run(station)
    return station


@pytest.fixture
def by_clock(in_time, tmp_path, monkeypatch):
    """A station published in time, whose cylinders are out of date by then."""
    _at(monkeypatch, "2032-03-20 12:00")
    shutil.copytree(in_time.folder, tmp_path, dirs_exist_ok=True)
    return s.load_station(tmp_path)


@pytest.mark.parametrize(("hours", "held"), [(-1.0, False), (1.0, False), (23.9, False), (24.1, True), (240.0, True)])
def test_a_clock_may_be_set_back_by_a_day_and_no_more(monkeypatch, tmp_path, hours, held):
    """A zone or a correction by hand is less; the last run, and the last file that was taken in, say when it was."""
    now = pd.Timestamp("2032-03-20 12:00", tz="UTC")
    station, came = SimpleNamespace(archive=tmp_path, time_zone="UTC", policy=Policy()), now + pd.Timedelta(hours=hours)
    monkeypatch.setattr(clock, "newest_record", lambda warehouse: (None, ""))
    monkeypatch.setattr(holds, "last_run_at", lambda warehouse, but: came)
    assert bool(holds._clock_lags(station, None, None, now.tz_localize(None).normalize(), now)) is held
    monkeypatch.setattr(holds, "Journal", lambda _: SimpleNamespace(entries=lambda: [SimpleNamespace(came_at=came)]))
    monkeypatch.setattr(holds, "_newest_shown", lambda *given: None)
    with pytest.raises(RebuildRefused) if held else nullcontext():
        holds.refuse_to_rebuild_before(station, None, now, now, trust_clock=False)
    holds.refuse_to_rebuild_before(station, None, now, now, trust_clock=True)


def _states(station) -> list[str]:
    return s.published(station)["cylinder_health"]["inspection_state"].tolist()


@pytest.mark.parametrize("lag", ["2026-03-20 12:00", "2032-03-17 12:00", "1970-01-01 00:10"])
@pytest.mark.steps_as_they_are
def test_a_clock_before_the_newest_record_keeps_the_last_snapshot(by_clock, monkeypatch, lag):
    name, states = current_name(by_clock.published), _states(by_clock)
    assert set(states) == {"out_of_date"}
    _at(monkeypatch, lag)
    s.drop(by_clock, "fills-2.csv", [s.fill(2, filled_at="2032-03-16 10:00")], 5)
    for _ in range(2):
        result = s.run(by_clock)
        assert "Set the clock" in result.held
        assert "2032-03-18" in result.held
        assert current_name(by_clock.published) == name
    assert any("Set the clock" in line for line in result.lines())
    assert _states(by_clock) == states
    runs = read_table(by_clock.published, read_manifest(by_clock.published), "runs")
    assert runs["outcome"].tolist()[-1] == "held"
    _at(monkeypatch, "2032-03-20 12:05")
    assert s.run(by_clock).held == ""
    assert set(s.stored(by_clock)["fills"]["fill_id"]) == {"F1", "F2"}


@pytest.mark.steps_as_they_are
def test_a_clock_that_lags_after_months_without_a_record_is_noticed_by_the_last_pass(by_clock, monkeypatch):
    _at(monkeypatch, "2032-09-01 12:00")
    s.run(by_clock)
    _at(monkeypatch, "2032-04-01 12:00")
    assert "the last run was on 2032-09-01" in s.run(by_clock).held
    assert s.run(by_clock, trust_clock=True).held == ""
    assert s.run(by_clock).held == ""


@pytest.mark.steps_as_they_are
def test_what_a_clock_that_led_has_dated_does_not_win_for_years(tmp_path, monkeypatch):
    _at(monkeypatch, "2035-03-20 12:00")
    station = s.make(tmp_path, today="clock")
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "fills.csv", [s.fill(1, stop_pressure_bar="199", revised_at="2035-03-20 12:00"), s.fill(2)])
    s.drop(station, "dives.csv", [s.dive(2)])
    s.drop(station, "dive_samples.csv", [row | {"revised_at": "2035-03-20 12:00"} for row in s.samples(2)[:3]])
    s.take_in(station)
    _at(monkeypatch, "2032-03-20 12:00")
    s.drop(station, "fills-corrected.csv", [s.fill(1, stop_pressure_bar="231")], 5)
    s.take_in(station)
    assert s.stored(station)["fills"].set_index("fill_id")["stop_pressure_bar"]["F1"] == 199  # it may be the clock
    s.take_in(station, clock_is_right=True)
    found = s.stored(station)
    assert found["fills"].set_index("fill_id")["stop_pressure_bar"].to_dict() == {"F1": 231, "F2": 230}
    assert found["dive_samples"].empty
    problems = s.open_problems(station)
    assert set(problems["rule"]) == {"in_the_future"} and not problems["waiting"].any()
    assert set(problems["file"]) == {"dive_samples.csv", "fills.csv"}


@pytest.mark.steps_as_they_are
def test_a_day_set_years_ahead_and_back_is_named_and_no_record_is_blamed(by_clock, monkeypatch):
    s.run(by_clock, as_of="2040-01-01")
    _at(monkeypatch, "2032-03-17 23:00")
    said = s.run(by_clock).held
    assert "published is as of 2040-01-01" in said and "record is wrong" not in said and "--trust-clock" in said
    assert s.run(by_clock, trust_clock=True).as_of_on == "2032-03-17"


@pytest.mark.steps_as_they_are
def test_a_day_that_a_person_names_is_believed(by_clock, monkeypatch):
    _at(monkeypatch, "2026-03-20 12:00")
    assert s.run(by_clock, as_of="2032-03-20").held == ""


@pytest.mark.steps_as_they_are
def test_a_record_of_tomorrow_stops_nothing(by_clock, monkeypatch):
    """A device in another zone: accepted, and no sign of a clock that lags."""
    s.drop(by_clock, "fills-2.csv", [s.fill(2, filled_at="2032-03-21 10:00")], 5)
    assert s.run(by_clock).published


# --- whose warehouse it is ------------------------------------------------------------------------
def test_another_stations_warehouse_or_one_from_before_a_rebuild_is_refused_untouched(tmp_path):
    ours, other = (s.stocked(tmp_path / name) for name in ("ours", "other"))
    for station in (ours, other):
        s.run(station)
    shown, kept = s.published(ours), tmp_path / "kept.duckdb"
    shutil.copy2(ours.warehouse, kept)
    shutil.copy2(other.warehouse, ours.warehouse)
    was = ours.warehouse.read_bytes()
    with pytest.raises(WarehouseForeign, match=r"not this station's own.*coldfill rebuild"):
        s.run(ours)
    assert ours.warehouse.read_bytes() == was
    s.same(s.published(ours), shown)
    s.run(ours, rebuild=True)
    s.same(s.published(ours), shown)
    shutil.copy2(kept, ours.warehouse)
    with pytest.raises(WarehouseForeign):
        s.run(ours)
    s.run(ours, rebuild=True)
    assert not s.run(ours).published
    # one of an earlier version has no mark: nothing says that it is this one's
    with closing(duckdb.connect(str(ours.warehouse))) as con:
        con.execute("DELETE FROM meta WHERE key = 'mark'")
    with pytest.raises(WarehouseForeign):
        s.run(ours)
    # a station of an earlier version has none either, and both get one
    (ours.folder / MARK).unlink()
    s.drop(ours, "fills-9.csv", [s.fill(9)], 12)
    assert s.run(ours).published and (ours.folder / MARK).is_file()


# --- a rebuild by the wrong day, and what no original holds -----------------------------------
@pytest.mark.steps_as_they_are
@pytest.mark.parametrize("lost", ["nothing", "warehouse", "warehouse and snapshot"])
def test_a_rebuild_with_a_clock_that_lags_changes_nothing(by_clock, monkeypatch, lost):
    if "warehouse" in lost:
        by_clock.warehouse.unlink()
    if "snapshot" in lost:
        shutil.rmtree(by_clock.published)
    before = sorted((p, p.stat().st_size) for p in by_clock.folder.rglob("*") if p.is_file())
    _at(monkeypatch, "2031-06-01 12:00")
    with pytest.raises(RebuildRefused, match="files were taken in on 2032-03-20"):
        s.run(by_clock, rebuild=True)
    assert sorted((p, p.stat().st_size) for p in by_clock.folder.rglob("*") if p.is_file()) == before
    _at(monkeypatch, "2032-03-21 12:00")
    assert s.run(by_clock, rebuild=True).published and len(s.published(by_clock)["fill_quality"]) == 1


@pytest.mark.steps_as_they_are
def test_a_rebuild_as_of_a_day_before_what_is_published_changes_nothing(by_clock, monkeypatch):
    settings = by_clock.folder / "station.toml"
    settings.write_text(settings.read_text().replace('today = "clock"', 'today = "2032-02-01"'))
    station = s.load_station(by_clock.folder)
    assert station.today == "2032-02-01"
    with pytest.raises(RebuildRefused, match=r"records up to 2032-03-18.*as of 2032-02-01"):
        s.run(station, rebuild=True)
    assert len(s.published(station)["fill_quality"]) == 1


def test_from_inbox_and_archive_alone_fills_still_say_what_they_were_handed_over_with(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    asked = {"target_pressure_bar": "150"}
    s.drop(station, "fills.csv", [s.fill(1, stop_pressure_bar="200", analysed_o2_pct="20.9", **asked)])
    s.run(station)
    s.drop(station, "fills-2.csv", [s.fill(1, stop_pressure_bar="228", **asked)], 5)
    s.run(station)
    tables = s.published(station)
    said = tables["fill_quality"].iloc[0]
    assert said["handed_over_settled_bar_15c"] < said["settled_pressure_bar_15c"] - 10.0
    (station.archive / "first_shown.jsonl").unlink()  # as of an earlier version
    s.run(station)
    for lost in (station.published, station.lake):
        shutil.rmtree(lost)
    station.warehouse.unlink()
    s.run(station, rebuild=True)
    s.same(s.published(station), tables)


def test_what_a_withdrawn_row_was_given_again_by_survives_a_rebuild(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1), s.fill(2)])
    s.run(station)
    out = {"source": "fills", "key": "F2", "withdrawn_at": "2026-03-25 10:00Z", "withdrawn_by": "IV", "reason": "twice"}
    s.drop(station, "withdrawals.csv", [out], 3)
    s.run(station)
    s.drop(station, "fills-late.csv", [s.fill(2, stop_pressure_bar="199")], 1)
    s.run(station)

    def listed():
        again = s.ask(station, "SELECT given_again_in FROM withdrawn")["given_again_in"]
        return [list(a) for a in again], sorted(s.notices(station))

    before = listed()
    assert before[0] == [["fills-late.csv"]]
    s.run(station, rebuild=True)
    assert listed() == before


def test_settings_that_were_emptied_publish_nothing_and_others_are_said(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.run(station)
    name, settings = current_name(station.published), station.folder / "station.toml"
    written = settings.read_text()
    settings.write_text("")
    held = s.run(s.load_station(station.folder))
    assert "gives the station no name" in held.held and current_name(station.published) == name
    settings.write_text(written.replace('rule_set = "uk"', 'rule_set = "us"'))
    changed = s.run(s.load_station(station.folder))
    assert changed.published and any("rule_set: uk, now us" in line for line in changed.lines())
    assert changed.for_scripts()["settings_changed"]
    assert s.run(s.load_station(station.folder)).settings_changed == []


def test_settings_that_never_named_the_station_may_change_and_move_like_any_other(tmp_path):
    station = s.make(tmp_path / "here")
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    lines = (station.folder / "station.toml").read_text().split("\n")
    unnamed = "\n".join(line for line in lines if not line.startswith("name ="))
    (station.folder / "station.toml").write_text(unnamed)
    s.run(s.load_station(station.folder))
    moved = station.folder.rename(tmp_path / "moved")
    assert not s.run(s.load_station(moved)).held
    (moved / "station.toml").write_text(unnamed.replace('rule_set = "uk"', 'rule_set = "us"'))
    made = s.run(s.load_station(moved))
    assert made.published and "rule_set: uk, now us" in made.settings_changed


@pytest.mark.parametrize("file", ["current", "manifest.json"])
def test_a_damaged_pointer_or_manifest_is_said_when_all_is_made_anew(tmp_path, file):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    place = station.published / (file if file == "current" else f"{s.run(station).snapshot}/{file}")
    s.run(station)
    place.write_text("rubbish")
    made = s.run(station)
    assert made.published and "damaged" in made.damage[0]


def test_what_a_later_version_adds_to_the_archives_list_loses_no_line(computed, tmp_path):
    shutil.copytree(computed.folder, tmp_path / "station")
    station = s.load_station(tmp_path / "station")
    path = station.archive / "readings.jsonl"
    entries = Journal(station.archive).entries()
    lines = [json.dumps(json.loads(line) | {"seen_by": "a later one"}) for line in path.read_text().splitlines()]
    path.write_text("\n".join([*lines, "[1, 2]", ""]))
    assert Journal(station.archive).entries() == entries and entries


def test_of_what_was_said_of_a_fill_the_first_verdict_counts_and_the_last_prediction(tmp_path):
    """The list only grows: what died before it was noted stands twice."""
    for verdict, predicted in (("good", 230.0), ("stop", 228.0)):
        said = {"fill_quality": {"handed_over_verdict": verdict}, "settling_check": {"predicted_bar": predicted}}
        lines = {
            table: pd.DataFrame([dict.fromkeys(columns) | {"fill_id": "F1"} | said[table]])
            for table, columns in FIRST_PUBLISHED.items()
        }
        first_shown._add(tmp_path / first_shown.NAME, lines)
    found = first_shown.read(tmp_path)
    assert found["fill_quality"][["fill_id", "handed_over_verdict"]].to_numpy().tolist() == [["F1", "good"]]
    assert found["settling_check"][["fill_id", "predicted_bar"]].to_numpy().tolist() == [["F1", 228.0]]
