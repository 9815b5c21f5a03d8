"""What `coldfill doctor` says of a station: what is sound, what is damaged and what to do, what nobody could see."""

import json
import os
import re
import shutil

import pandas as pd
import pytest
import small_station as s
from typer.testing import CliRunner

from pipelines.cli.commands import app
from pipelines.refresh import examine as examining
from pipelines.refresh.examine import LOOK, SOUND, UNKNOWN, WRONG, examine
from pipelines.station import clock
from pipelines.station.settings import load_station

SOON = pd.Timestamp("2026-03-31 12:00", tz="UTC")


@pytest.fixture(scope="module")
def station(season_station, tmp_path_factory):
    folder = tmp_path_factory.mktemp("doctor") / "quay"
    shutil.copytree(season_station.folder, folder)
    return load_station(folder)


@pytest.fixture
def copy(station, tmp_path):
    shutil.copytree(station.folder, tmp_path / "quay")
    return load_station(tmp_path / "quay")


def states(station, now=SOON) -> dict[str, str]:
    """The worst state of each part."""
    order = (SOUND, LOOK, UNKNOWN, WRONG)
    found: dict[str, str] = {}
    for f in examine(station, now):
        assert f.says.endswith((".", ")")) or "coldfill rebuild" in f.says
        found[f.part] = max(found.get(f.part, SOUND), f.state, key=order.index)
    return found


PARTS = {"warehouse", "archive", "snapshot", "room", "rules", "samples", "clock", "rows", "keep", "backup"}


def flip(path):
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    info = path.stat()
    path.chmod(0o600)
    path.write_bytes(bytes(data))
    os.utime(path, ns=(info.st_atime_ns, info.st_mtime_ns))


def one(folder, pattern):
    return sorted(folder.rglob(pattern))[0]


def test_a_sound_station_is_sound_in_every_part(station):
    # its last run was made by this machine's clock, which is later
    late = pd.Timestamp.now(tz="UTC") + pd.Timedelta(days=400)
    assert states(station, late) == dict.fromkeys(PARTS, SOUND) | {"clock": LOOK, "backup": LOOK}


DAMAGE = {
    "a bit of an original": ("archive", lambda st: flip(one(st.archive, "*.csv")), WRONG),
    "an original gone": ("archive", lambda st: one(st.archive, "*.csv").unlink(), WRONG),
    "a bit of a published part": ("snapshot", lambda st: flip(one(st.published, "fill_quality/*.parquet")), WRONG),
    "a published part gone": ("snapshot", lambda st: one(st.published, "units/*.parquet").unlink(), WRONG),
    "the pointer": ("snapshot", lambda st: (st.published / "current").write_text("??"), WRONG),
    "a bit of the lake": ("samples", lambda st: flip(one(st.lake, "*.parquet")), WRONG),
    "a part of the lake gone": ("samples", lambda st: one(st.lake, "*.parquet").unlink(), WRONG),
    "the warehouse gone": ("warehouse", lambda st: st.warehouse.unlink(), WRONG),
    "rubbish for a warehouse": ("warehouse", lambda st: st.warehouse.write_bytes(b"rubbish" * 999), WRONG),
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_damage_is_found_where_it_is_and_nothing_is_called_sound_unseen(copy, damage):
    part, do, state = DAMAGE[damage]
    # both the inbox and the archive hold originals: what lies in the inbox can still be read
    shutil.rmtree(copy.inbox)
    copy.inbox.mkdir()
    do(copy)
    found = states(copy)
    assert found[part] == state
    if part == "warehouse":
        assert {found[p] for p in ("samples", "clock", "rows")} == {UNKNOWN}
    result = CliRunner().invoke(app, ["doctor", "--station", str(copy.folder), "--json"])
    assert result.exit_code == 1
    assert {"part": part, "state": state} in [{k: f[k] for k in ("part", "state")} for f in json.loads(result.output)]


LOSSES = {
    "the archive": lambda st: [p.unlink() for p in st.archive.iterdir()],
    "its list": lambda st: (st.archive / "readings.jsonl").unlink(),
    "its list, for rubbish": lambda st: (st.archive / "readings.jsonl").write_bytes(b"\x00rubbish\n" * 9),
    "half its list": lambda st: (st.archive / "readings.jsonl").write_text(
        "".join((st.archive / "readings.jsonl").read_text().splitlines(keepends=True)[:3])
    ),
    "one original": lambda st: one(st.archive, "*.csv").unlink(),
    "a bit of one": lambda st: flip(one(st.archive, "*.csv")),
}


@pytest.mark.parametrize("loss", LOSSES)
def test_what_the_archive_lost_is_wrong_even_while_the_inbox_has_it_and_repair_brings_it_back(station, copy, loss):
    LOSSES[loss](copy)
    assert states(copy)["archive"] == WRONG
    assert CliRunner().invoke(app, ["doctor", "--station", str(copy.folder)]).exit_code == 1
    CliRunner().invoke(app, ["doctor", "--station", str(copy.folder), "--repair"])
    assert states(copy)["archive"] == SOUND
    s.same(s.published(station), s.published(copy))


@pytest.mark.parametrize("with_warehouse", [True, False])
def test_an_original_gone_with_its_line_is_missed(copy, tmp_path, with_warehouse):
    listing = copy.archive / "readings.jsonl"
    gone = one(copy.archive, "*.csv")
    kept = [line for line in listing.read_text().splitlines(keepends=True) if gone.name not in line]
    listing.write_text("".join(kept))
    gone.unlink()
    shutil.rmtree(copy.inbox)
    copy.inbox.mkdir()
    if not with_warehouse:
        copy.warehouse.unlink()
    assert states(copy)["archive"] == WRONG
    result = CliRunner().invoke(app, ["backup", str(tmp_path / "a.zip"), "--station", str(copy.folder)])
    assert result.exit_code == 0 and "Not sound, and saved so: archive" in result.stderr


def test_without_warehouse_and_snapshot_nobody_knows_what_the_archive_should_hold(copy):
    copy.warehouse.write_bytes(b"rubbish" * 99)
    shutil.rmtree(copy.published)
    (copy.archive / "readings.jsonl").unlink()
    assert states(copy)["archive"] == UNKNOWN


@pytest.mark.parametrize("damage", [d for d, (part, _, _) in DAMAGE.items() if part != "archive"])
def test_repair_puts_right_what_a_run_or_a_rebuild_can(station, copy, damage):
    DAMAGE[damage][1](copy)
    CliRunner().invoke(app, ["doctor", "--station", str(copy.folder), "--repair"])
    assert states(copy)[DAMAGE[damage][0]] == SOUND
    s.same(s.published(station), s.published(copy))


def test_a_clock_that_lags_a_full_disk_and_open_problems_are_said(copy, monkeypatch):
    assert states(copy, pd.Timestamp("2020-01-01", tz="UTC"))["clock"] == WRONG
    s.drop(copy, "fills-bad.csv", [s.fill(9, stop_pressure_bar="full")], 9)
    s.run(copy)
    assert states(copy)["rows"] == LOOK
    monkeypatch.setattr(examining.shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**12, 10**12 - 10, 10))
    assert states(copy)["room"] == LOOK
    monkeypatch.setattr(examining.shutil, "disk_usage", lambda _: (_ for _ in ()).throw(OSError("no such device")))
    assert states(copy)["room"] == UNKNOWN


def test_a_day_that_is_set_is_named_and_what_lies_after_it_is_wrong(copy):
    settings = copy.folder / "station.toml"
    written = settings.read_text()
    for day, state in (("2026-03-02", WRONG), ("2031-06-01", LOOK)):
        settings.write_text(re.sub('today = ".*"', f'today = "{day}"', written))
        found = next(f for f in examine(load_station(copy.folder), clock.now()) if f.part == "clock")
        assert found.state == state and f"Today is {day} here, by station.toml" in found.says


def test_settings_that_were_emptied_are_named(copy):
    (copy.folder / "station.toml").write_text("")
    assert states(load_station(copy.folder))["settings"] == LOOK


def test_a_new_station_is_neither_damaged_nor_sound(tmp_path):
    found = states(s.make(tmp_path / "new"))
    assert found["warehouse"] == found["snapshot"] == found["archive"] == LOOK and "samples" not in found
