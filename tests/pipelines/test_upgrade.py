"""A station of an earlier form is brought to the present one after a backup; one of a later form is not touched.

`data/first_form.zip` is a backup of a small station, written by the version before warehouse and snapshot said their
form. It is never written anew: it stands for stations that are out there.
"""

import contextlib
import json
import shutil
from pathlib import Path

import duckdb
import pytest
import small_station as s

from pipelines.cli.console import words_for
from pipelines.cli.dry_run import check_files
from pipelines.refresh.examine import WRONG, examine
from pipelines.station import clock
from pipelines.station.backup import restore_backup
from pipelines.warehouse import store
from pipelines.warehouse.store import Warehouse
from pipelines.warehouse.trouble import WarehouseNewer, WarehouseOlder
from schemas import snapshot
from schemas.snapshot import FORM, Manifest, SnapshotNewer, current_name, read_manifest, read_table

FIRST = Path(__file__).parent / "data" / "first_form.zip"
#: unit, stop and analysis of its fills: F1 was corrected, the file of F4 has left the inbox
FILLS = {"F1": ("C2", 199.0), "F2": ("C3", 230.0), "F3": ("C1", 230.0), "F4": ("C2", 230.0)}


@pytest.fixture
def first(tmp_path):
    restore_backup(FIRST, tmp_path / "first")
    return s.load_station(tmp_path / "first")


@pytest.fixture(scope="module")
def upgraded(tmp_path_factory):
    """The station, what it had published, and the run that brought it up to date."""
    folder = tmp_path_factory.mktemp("upgraded") / "station"
    restore_backup(FIRST, folder)
    station = s.load_station(folder)
    before = _handed_over(station)
    return station, before, s.run(station)


def _handed_over(station):
    fills = read_table(station.published, read_manifest(station.published), "fill_quality").set_index("fill_id")
    return fills[["handed_over_verdict", "handed_over_settled_bar_15c"]]


def _form(station) -> str | None:
    with contextlib.closing(duckdb.connect(str(station.warehouse), read_only=True)) as con:
        found = con.execute("SELECT value FROM meta WHERE key = 'form'").fetchone()
        return found[0] if found else None


def _bytes(station) -> dict[str, bytes]:
    kept = ("warehouse.duckdb", "archive", "published", "inbox", "lake", "station.toml")
    paths = [p for name in kept for p in [station.folder / name, *(station.folder / name).rglob("*")] if p.is_file()]
    return {p.relative_to(station.folder).as_posix(): p.read_bytes() for p in paths}


# --- an earlier form --------------------------------------------------------------------------
def test_every_row_counts_as_it_did(upgraded):
    station, _, result = upgraded
    assert (result.held, result.intake.refused) == ("", 0)
    rows = s.stored(station)
    fills = rows["fills"].set_index("fill_id")
    assert {f: (r.unit_id, r.stop_pressure_bar) for f, r in fills.iterrows()} == FILLS
    assert fills.loc["F4", "analysed_o2_pct"] == 21.0
    assert rows["dive_samples"]["tank_1_bar"].iloc[[0, -1]].tolist() == [210.0, 95.0]
    assert s.ask(station, "SELECT rule FROM rejects WHERE resolved_at IS NULL ORDER BY rule")["rule"].tolist() == [
        "not_a_number",
        "unknown_reference",
    ]


def test_what_was_handed_over_stays_as_it_was_told(upgraded):
    station, before, _ = upgraded
    now = _handed_over(station)
    assert now.loc[before.index].equals(before) and before["handed_over_verdict"].notna().all()


def test_warehouse_and_snapshot_say_their_form(upgraded):
    station, _, result = upgraded
    assert result.published and _form(station) == str(store.FORM)
    assert read_manifest(station.published).form == snapshot.FORM
    assert not s.run(station).published


def test_the_backup_is_named_and_gives_back_what_was_there(upgraded, tmp_path):
    _, _, result = upgraded
    assert any(result.saved in line for line in result.lines())
    restore_backup(FIRST, tmp_path / "first")
    restore_backup(Path(result.saved), tmp_path / "saved")
    assert _bytes(s.load_station(tmp_path / "saved")) == _bytes(s.load_station(tmp_path / "first"))


def test_a_rebuild_of_the_earlier_form_gives_the_same_rows(upgraded, first):
    station, _, _ = upgraded
    s.run(first, rebuild=True)
    s.same(s.stored(first), s.stored(station))


def test_only_a_run_changes_it_and_only_after_the_backup(first, monkeypatch):
    before = _bytes(first)
    with pytest.raises(WarehouseOlder, match="coldfill run"):
        Warehouse(first.warehouse)
    found = {f.part: f for f in examine(first, clock.now())}
    assert "coldfill run" in found["warehouse"].says and found["warehouse"].repair == "run"
    assert check_files(first, [first.inbox / "fills.csv"])[0].accepted == 3

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipelines.station.upgrade.write_backup", full)
    with pytest.raises(OSError, match="No space"):
        s.run(first)
    assert _bytes(first) == before


# --- a later form -----------------------------------------------------------------------------
@pytest.fixture
def later(upgraded, tmp_path):
    shutil.copytree(upgraded[0].folder, tmp_path / "later")
    station = s.load_station(tmp_path / "later")
    with contextlib.closing(duckdb.connect(str(station.warehouse))) as con:
        con.execute("UPDATE meta SET value = '99' WHERE key = 'form'")
    return station


@pytest.mark.parametrize("how", [{}, {"rebuild": True}, {"thorough": True}], ids=["run", "rebuild", "repair"])
def test_a_warehouse_of_a_later_form_is_refused_in_a_sentence_and_left_alone(later, how):
    s.drop(later, "fills-new.csv", [s.fill(8)], 30)
    before = _bytes(later)
    with pytest.raises(WarehouseNewer, match="newer coldfill") as raised:
        s.run(later, **how)
    assert words_for(raised.value) == (str(raised.value), 2)
    assert _bytes(later) == before


def test_the_doctor_says_so_and_offers_no_repair(later):
    found = [f for f in examine(later, clock.now()) if f.part == "warehouse"]
    assert [(f.state, f.repair) for f in found] == [(WRONG, "")] and "newer coldfill" in found[0].says


@pytest.mark.parametrize("more", [{}, {"unknown_to_us": 1}])
def test_a_snapshot_of_a_later_form_is_refused_in_a_sentence_and_left_alone(upgraded, tmp_path, more):
    shutil.copytree(upgraded[0].folder, tmp_path / "later")
    station = s.load_station(tmp_path / "later")
    path = station.published / current_name(station.published) / "manifest.json"
    with pytest.raises(SnapshotNewer, match=f"forms up to {FORM}"):  # the very next one as well
        Manifest.from_json(json.dumps(json.loads(path.read_text()) | {"form": FORM + 1}))
    path.write_text(json.dumps(json.loads(path.read_text()) | {"form": 99} | more))
    s.drop(station, "fills-new.csv", [s.fill(8)], 30)
    before = _bytes(station)
    for how in ({}, {"rebuild": True}):
        with pytest.raises(SnapshotNewer, match="newer coldfill") as raised:
            s.run(station, **how)
        assert words_for(raised.value) == (str(raised.value), 2)
    found = [f for f in examine(station, clock.now()) if f.part == "snapshot"]
    assert [(f.state, f.repair) for f in found] == [(WRONG, "")]
    assert _bytes(station) == before
