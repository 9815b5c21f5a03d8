"""A run publishes what changed, once.

Ended at any point, the last snapshot stands and the next run finishes the work.
"""

import json
import os
import random
import subprocess
import sys
from datetime import UTC, datetime

import pandas as pd
import pytest
import small_station as s

from pipelines.publish import snapshot as publish
from pipelines.refresh import run as steps
from pipelines.warehouse.store import WarehouseBusy
from schemas.snapshot import SINCE, current_name, read_manifest, read_table

#: of what a fill was handed over with, and of predictions, the history counts: what was published when
OF_HISTORY = ("handed_over_verdict", "handed_over_settled_bar_15c")


def _timeless(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    return {n: f.drop(columns=[c for c in OF_HISTORY if c in f]) for n, f in tables.items()}


@pytest.fixture(scope="module")
def computed(tmp_path_factory):
    """A stocked station after its first pass, and what it published."""
    station = s.stocked(tmp_path_factory.mktemp("computed"))
    result = s.run(station)
    assert result.published
    return station, s.published(station)


@pytest.fixture
def copy(computed, tmp_path):
    """A copy of the computed station: stations may be moved."""
    import shutil

    folder = tmp_path / "moved"
    shutil.copytree(computed[0].folder, folder)
    return s.load_station(folder)


def _tables_of(station) -> dict[str, int]:
    manifest = read_manifest(station.published)
    return {
        t: len(read_table(station.published, manifest, t))
        for t in ("fill_quality", "dive_consumption", "units", "rejects")
    }


# --- nothing new ------------------------------------------------------------------------------
def test_a_second_pass_publishes_nothing(copy):
    name, listed = current_name(copy.published), sorted(p.name for p in copy.published.iterdir())
    result = s.run(copy)
    assert not result.published
    assert result.snapshot == name == current_name(copy.published)
    beside = {steps.LAST_PASS, SINCE}  # what is said of passes, written anew each time
    assert {p.name for p in copy.published.iterdir()} - beside == set(listed) - beside
    assert (result.intake.files_read, result.intake.seen_again, result.recomputed) == (0, 6, {})


def test_a_station_can_be_moved(copy, computed):
    s.same(s.published(copy), computed[1])
    assert not s.run(copy).published


# --- only what changed ------------------------------------------------------------------------
def test_a_new_dive_recomputes_its_member_alone_and_gives_what_a_fresh_station_gives(copy, tmp_path):
    more = {"dives-new.csv": [s.dive(9)], "dive_tanks-new.csv": [s.tank(9)], "dive_samples-new.csv": s.samples(9)}
    before = read_manifest(copy.published)
    for name, rows in more.items():
        s.drop(copy, name, rows, 5)
    result = s.run(copy)
    assert result.recomputed["members' dives"] == 1
    assert result.recomputed["members' trends"] == 1
    assert result.recomputed["members' reserves"] == 1
    after = read_manifest(copy.published)
    for table in ("dive_consumption", "dive_profile", "consumption_trend"):
        old, new = (copy.published / m.name / table / m.tables[table]["M2"].file for m in (before, after))
        assert os.path.samefile(old, new), f"{table} of the other member was written again"
    fresh = s.stocked(tmp_path / "fresh")
    for name, rows in more.items():
        s.drop(fresh, name, rows, 5)
    s.run(fresh)
    s.same(_timeless(s.published(copy)), _timeless(s.published(fresh)))


def test_files_one_a_pass_in_any_order_give_what_one_pass_gives(computed, tmp_path):
    station = s.make(tmp_path)
    names = list(s.season())
    random.Random(5).shuffle(names)
    for n, name in enumerate(names):
        s.drop(station, name, s.season()[name])
        if n % 2:
            s.run(station)
    s.same(_timeless(s.published(station)), _timeless(computed[1]))


def test_what_people_have_seen_is_never_rewritten(copy):
    first = s.published(copy)["fill_quality"].set_index("fill_id")
    s.drop(
        copy,
        "fills-settled.csv",
        [s.fill(1, settled_pressure_bar="180", settled_c="12", settled_at="2026-03-01 20:00")],
        5,
    )
    s.run(copy)
    now = s.published(copy)["fill_quality"].set_index("fill_id")
    assert now.loc["F1", "settled_pressure_bar_15c"] != first.loc["F1", "settled_pressure_bar_15c"]
    for column in OF_HISTORY:
        assert now.loc["F1", column] == first.loc["F1", column]


def test_what_people_have_seen_outlives_the_snapshots(copy):
    """Settled readings come in after the fills went out; then every snapshot is lost."""
    import shutil

    s.drop(
        copy,
        "fills-settled.csv",
        [s.fill(1, settled_pressure_bar="180", settled_c="12", settled_at="2026-03-01 20:00")],
        5,
    )
    s.run(copy)
    first = s.published(copy)["fill_quality"].set_index("fill_id")
    assert first.loc["F1", OF_HISTORY[1]] != first.loc["F1", "settled_pressure_bar_15c"]
    shutil.rmtree(copy.published)
    s.run(copy)
    again = s.published(copy)
    pd.testing.assert_frame_equal(again["fill_quality"].set_index("fill_id")[[*OF_HISTORY]], first[[*OF_HISTORY]])


# --- today and settings -----------------------------------------------------------------------
def test_a_new_day_rebuilds_what_depends_on_it_and_no_dive(copy):
    result = s.run(copy, as_of="2026-04-01")
    assert result.published
    assert result.as_of_on == "2026-04-01"
    assert not {"members' dives", "members' trends", "members' reserves"} & set(result.recomputed)
    assert result.recomputed["fleet builds"] == 1
    days = s.published(copy)["cylinder_health"]["days_to_due"]
    back = s.run(copy)  # without --as-of: the day in station.toml
    assert back.published
    assert back.as_of_on == s.TODAY
    assert (s.published(copy)["cylinder_health"]["days_to_due"] == days + 1).all()


def _with(station, old: str, new: str):
    path = station.folder / "station.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return s.load_station(station.folder)


def test_a_changed_setting_rebuilds_what_reads_it_alone(copy):
    result = s.run(_with(copy, "short_bar = 10.0", "short_bar = 60.0"))
    assert result.recomputed == {"fill builds": 1, "fleet builds": 1}
    assert "short" not in set(s.published(copy)["fill_quality"]["verdict"])


def test_a_setting_of_the_dives_rebuilds_every_dive(copy):
    result = s.run(_with(copy, 'depth_calibration = "water"', 'depth_calibration = "en13319"'))
    assert result.recomputed["members' dives"] == 2


def test_a_new_sign_in_address_publishes_and_recomputes_nothing(copy):
    tables = s.published(copy)
    station = s.with_settings(copy, '[roles]\nmanager = ["someone@example.org"]')
    result = s.run(station)
    assert not result.published  # roles are read where they stand, at sign-in
    assert result.recomputed == {}
    s.same(s.published(copy), tables)


def test_a_step_of_another_version_is_made_anew_once_and_no_other(copy, monkeypatch):
    from dataclasses import replace

    from pipelines.refresh import fleet, order

    newer = replace(fleet.PLAN, version=fleet.PLAN.version + 1)
    monkeypatch.setattr(fleet, "PLAN", newer)
    monkeypatch.setattr(order, "STEPS", tuple(newer if step.name == "plan" else step for step in order.STEPS))
    assert s.run(copy).recomputed == {"plans": 1}
    assert not s.run(copy).published


def test_today_may_be_the_last_day_of_the_data(tmp_path):
    station = s.make(tmp_path, today="data")
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(4)])
    assert s.run(station).as_of_on == "2026-03-04"
    s.drop(station, "fills-more.csv", [s.fill(9)], 5)
    assert s.run(station).as_of_on == "2026-03-09"


@pytest.mark.parametrize("day", ["tomorrow", "31.12.2026", "2026-02-30", "0001-01-01"])
def test_a_day_that_is_none_is_reported_in_a_sentence(copy, day):
    with pytest.raises(s.clock.SettingsError, match="2031-05-20"):
        s.run(copy, as_of=day)


# --- ended on the way -------------------------------------------------------------------------
class Ended(BaseException):
    """Stands for whatever ends a process."""


def _at_call(monkeypatch, module, name: str, nth: int, after: bool = False):
    real, calls = getattr(module, name), []

    def stop(*args, **named):
        calls.append(1)
        if len(calls) == nth and not after:
            raise Ended
        given = real(*args, **named)
        if len(calls) == nth:
            raise Ended
        return given

    monkeypatch.setattr(module, name, stop)


POINTS = {
    "reading a file": ("pipelines.readers.tables.table", "read_table", 1, False),
    "copying to the archive": ("pipelines.intake.archive", "os.replace", 1, False),
    "a part of the lake": ("pipelines.warehouse.lake", "os.replace", 1, False),
    "a part of the lake written": ("pipelines.warehouse.lake", "os.replace", 1, True),
    "before the build": ("pipelines.refresh.run", "refresh_tables", 1, False),
    "the first table": ("pipelines.publish.snapshot", "pq.write_table", 1, False),
    "a table in the middle": ("pipelines.publish.snapshot", "pq.write_table", 9, True),
    "the last tables": ("pipelines.refresh.run", "publish", 1, False),
    "the manifest": ("pipelines.publish.snapshot", "write_durably", 1, False),
    "the manifest written": ("pipelines.publish.snapshot", "write_durably", 1, True),
    "the pointer": ("pipelines.publish.snapshot", "write_durably", 2, False),
}


@pytest.mark.steps_as_they_are
def test_ended_at_each_step_the_last_snapshot_stands_and_the_next_pass_finishes(copy, tmp_path, monkeypatch):
    import importlib

    name, tables = current_name(copy.published), s.published(copy)
    more = {}
    for n, (point, (module, attribute, nth, after)) in enumerate(POINTS.items()):
        number = 10 + n
        more |= {
            f"fills-{n}.csv": [s.fill(number)],
            f"dives-{n}.csv": [s.dive(number, "M2")],
            f"dive_samples-{n}.csv": s.samples(number, "M2", 10),
        }
        for file, rows in list(more.items())[-3:]:
            s.drop(copy, file, rows, 5 + n)
        owner, _, attribute = attribute.rpartition(".")
        target = importlib.import_module(module)
        with monkeypatch.context() as patch:
            _at_call(patch, getattr(target, owner) if owner else target, attribute, nth, after)
            with pytest.raises(Ended):
                s.run(copy)
        assert current_name(copy.published) == name, point
        s.same(s.published(copy), tables)
    result = s.run(copy)
    assert result.published
    assert not s.run(copy).published
    fresh = s.stocked(tmp_path / "fresh")
    for n, (file, rows) in enumerate(more.items()):
        s.drop(fresh, file, rows, 5 + n // 3)
    s.run(fresh)
    s.same(_timeless(s.published(copy)), _timeless(s.published(fresh)))
    left = [p for p in copy.folder.rglob("*") if p.name.startswith((".reading-", ".copy-")) or p.name.endswith(".new")]
    assert not left
    # every dead snapshot was cleared away but perhaps the newest
    assert sum(not (p / "manifest.json").exists() for p in copy.published.iterdir() if p.is_dir()) <= 1


@pytest.mark.steps_as_they_are
def test_ended_just_after_the_pointer_was_swapped_the_new_snapshot_stands(copy, monkeypatch):
    name = current_name(copy.published)
    s.drop(copy, "fills-more.csv", [s.fill(9)], 5)
    with monkeypatch.context() as patch:
        _at_call(patch, publish, "write_durably", 2, after=True)
        with pytest.raises(Ended):
            s.run(copy)
    assert current_name(copy.published) != name
    assert _tables_of(copy)["fill_quality"] == 8
    assert not s.run(copy).published


# --- two at once, and readers -----------------------------------------------------------------
def test_a_second_pass_at_the_same_time_has_to_wait(copy):
    with steps.pass_lock(copy):
        with pytest.raises(WarehouseBusy, match="Another run is at work"):
            s.run(copy)
        other = subprocess.run(
            [sys.executable, "-m", "pipelines.cli", "run", "--station", str(copy.folder)],
            capture_output=True,
            text=True,
        )
        assert other.returncode == 2
        assert "Another run is at work" in other.stderr
        assert "Traceback" not in other.stderr
    assert not s.run(copy).published


def test_a_reader_sees_one_snapshot_while_the_next_is_published(copy):
    s.drop(copy, "fills-more.csv", [s.fill(9), s.fill(10)], 5)
    held = read_manifest(copy.published)
    seen = []

    def look(*_) -> None:
        seen.append((current_name(copy.published), _tables_of(copy)))

    result = s.run_pass(copy, progress=look)
    assert result.published
    assert {name for name, _ in seen} == {held.name}
    assert {t["fill_quality"] for _, t in seen} == {7}
    assert len(read_table(copy.published, held, "fill_quality")) == 7  # one who holds the old snapshot still reads it
    assert _tables_of(copy)["fill_quality"] == 9


# --- what is there is not trusted -------------------------------------------------------------
@pytest.mark.parametrize("damage", ["manifest cut", "manifest gone", "part gone", "pointer gone", "all gone"])
def test_a_damaged_publish_is_made_again(copy, computed, damage):
    import shutil

    manifest = read_manifest(copy.published)
    folder = copy.published / manifest.name
    if damage == "manifest cut":
        (folder / "manifest.json").write_text((folder / "manifest.json").read_text()[:200])
    elif damage == "manifest gone":
        (folder / "manifest.json").unlink()
    elif damage == "part gone":
        (folder / "dive_consumption" / manifest.tables["dive_consumption"]["M1"].file).unlink()
        s.drop(copy, "members.csv", [*s.MEMBERS, {"member_id": "M3", "display_name": "New"}], 5)
    elif damage == "pointer gone":
        (copy.published / "current").unlink()
    else:
        shutil.rmtree(copy.published)
    assert s.run(copy).published
    tables = s.published(copy)
    if damage == "part gone":
        tables["people"] = computed[1]["people"]
    s.same(_timeless(tables), _timeless(computed[1]))


def test_the_line_for_scripts_has_what_the_contract_names(copy):
    said = s.run(copy).for_scripts()
    assert {"files_read", "rows_read", "rows_accepted", "rows_rejected", "snapshot", "seconds"} <= said.keys()
    assert json.loads(json.dumps(said)) == said
    assert 0 <= sum(said["seconds_by_step"].values()) <= said["seconds"] + 0.01


def test_old_snapshots_go_when_later_ones_have_been_out_for_a_while(tmp_path):
    """Kept: the current one, the last two that have been out for long, all younger ones; what died on the way goes."""
    now = datetime(2031, 5, 20, 12, tzinfo=UTC)
    ages = {
        "20310520T080000000000": 240,
        "20310520T090000000000": 180,
        "20310520T093000000000": None,
        "20310520T100000000000": 120,
        "20310520T114500000000": 15,
        "20310520T115500000000": 5,
    }
    for name, minutes in ages.items():
        (tmp_path / name / "units").mkdir(parents=True)
        if minutes is not None:
            (tmp_path / name / "manifest.json").write_text("{}")
            moment = now.timestamp() - 60 * minutes
            os.utime(tmp_path / name / "manifest.json", (moment, moment))
    (tmp_path / "current").write_text("20310520T115500000000\n")
    (tmp_path / "notes").mkdir()
    gone = publish.clear_old(tmp_path, now)
    assert gone == ["20310520T080000000000", "20310520T093000000000"]
    assert {p.name for p in tmp_path.iterdir()} == {*ages, "current", "notes"} - set(gone)
    # put back by hand, or by a backup: what the pointer names stays, and whoever reads began with one of the last two
    (tmp_path / "current").write_text("20310520T090000000000\n")
    for name in ("20310520T114500000000", "20310520T115500000000"):
        os.utime(tmp_path / name / "manifest.json", (now.timestamp() - 3 * 3600,) * 2)
    assert publish.clear_old(tmp_path, now) == ["20310520T100000000000"]
