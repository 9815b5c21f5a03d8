"""Whole runs with a copy at an address: what a run says of it, what the doctor says, and what forgetting does to it."""

import json
import shutil
import time
from dataclasses import asdict
from pathlib import Path

import pytest
import small_station as s
from test_copying import there, unpacked

from pipelines.cli import standby
from pipelines.cli.commands import app
from pipelines.cli.copying import copy
from pipelines.cli.options import Stop
from pipelines.publish.copy_note import CLEAR, NOTE, read_note
from pipelines.publish.snapshot import write_durably
from pipelines.refresh.examine import examine
from pipelines.refresh.examine_copy import look_at_copy
from pipelines.refresh.finding import LOOK, RUN, SOUND, WRONG
from pipelines.refresh.forget import forget
from pipelines.refresh.run import run_locked
from pipelines.schedule.state import last_failure
from pipelines.station import clock
from pipelines.station.settings import load_station
from schemas import samples
from schemas.address import Place
from schemas.analysis import open_station
from schemas.schedule_note import read_schedule
from schemas.snapshot import current_name


@pytest.fixture(scope="module")
def before(tmp_path_factory):
    """A station that was run once and copied, in a folder beside its copy."""
    folder = tmp_path_factory.mktemp("copying")
    made = s.stocked(folder / "station")
    s.drop(made, "fills.csv", [s.fill(n, operator="Ines Vard", member_id="M1") for n in range(1, 8)])
    made = s.with_settings(made, f'[copy]\nto = "file://{folder / "far"}"\npeople = "names"')
    return made, s.run(made)


@pytest.fixture
def station(before, tmp_path):
    """A copy of both, to be changed."""
    was = before[0].folder
    shutil.copytree(was.parent, tmp_path / "x")
    made = tmp_path / "x" / "station"
    for path in (made / "station.toml", made / "published" / "copied.json"):
        path.write_text(path.read_text().replace(str(was.parent), str(tmp_path / "x")))
    return load_station(made)


def says(station):
    return [(f.state, f.repair, f.says) for f in look_at_copy(station)]


def test_a_run_copies_what_it_published_and_says_so(before):
    station, result = before
    to = station.copying.to
    assert any(line.startswith(f"Copied to {to}: ") for line in result.lines())
    assert result.for_scripts()["copy"]["snapshot"] == result.snapshot and not result.copy_trouble
    here, far = open_station(station.folder), open_station(to)
    for name in far.tables:
        s.pd.testing.assert_frame_equal(far.table(name), here.table(name))
    own = s.stored(station)["dive_samples"]
    s.pd.testing.assert_frame_equal(far.samples(), own)
    s.pd.testing.assert_frame_equal(here.samples(), own)
    ((state, _, said),) = says(station)
    assert state == SOUND and "members by name" in said


def test_a_place_that_is_gone_is_said_everywhere_until_the_copy_is_whole_again(station, capsys):
    far = Path(station.copying.to.removeprefix("file://"))
    away = station.folder.parent / "away" / "far"
    away.parent.mkdir()
    far.rename(away)
    far.write_text("a drive that is not plugged in")  # nothing can be written below it
    s.drop(station, "fills-2.csv", [s.fill(9)])
    result = s.run(station)
    assert result.published and not result.held
    assert "behind since" in result.copy_trouble and result.copy_trouble in result.lines()
    ((state, repair, said),) = says(station)
    assert state == WRONG and repair == RUN and "behind since" in said
    with pytest.raises(SystemExit) as ended:
        app(["run", "--station", str(station.folder), "--json"])
    assert ended.value.code == 1
    line = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert not line["published"] and line["copy"]["late_since"] == result.copied.late_since
    from prefect.logging import disable_run_logger  # which no other test of a worker needs, and it takes a second

    from pipelines.schedule.flow import station_pass

    with disable_run_logger():
        station_pass.fn(str(station.folder))
    (run,) = read_schedule(station.published, clock.now()).runs
    assert "behind since" in run.failed and "behind since" in last_failure(station)[1]
    far.unlink()
    away.rename(far)
    again = s.run(station)  # nothing is new, and yet
    assert not again.published and again.copied.files and not again.copy_trouble
    assert len(open_station(station.copying.to).table("fill_quality")) == 8
    assert says(station)[0][0] == SOUND


def command(capsys, *words) -> tuple[int, str]:
    with pytest.raises(SystemExit) as ended:
        app([str(word) for word in words])
    return ended.value.code, capsys.readouterr().out


def test_the_command_says_what_lies_there_and_sends_what_is_damaged(station, capsys):
    to, at = station.copying.to, ("--station", station.folder)
    name = open_station(to)._copy.snapshot
    assert command(capsys, "copy", *at) == (0, f"{to} holds what is published, {name}.\n")
    part = next(iter(Place(to).sizes("parts")))
    Place(to).write(part, b"rubbish")
    code, out = command(capsys, "copy", "--thorough", "--json", *at)
    assert code == 0 and json.loads(out)["files"] == 1
    shutil.rmtree(to.removeprefix("file://"))
    Path(to.removeprefix("file://")).write_text("not plugged in")
    code, out = command(capsys, "copy", "--thorough", *at)
    assert code == 1 and "behind since" in out


def test_the_command_without_an_address_says_where_it_is_set(before, tmp_path):
    with pytest.raises(Stop, match=r"\[copy\]"):
        copy(s.make(tmp_path / "without").folder)


def test_a_run_that_a_page_began_leaves_copying_to_a_process_of_its_own(station, capsys, monkeypatch):
    monkeypatch.setattr(standby, "begin_when_asked", lambda: True)
    note = read_note(station.published)
    note.wrong, note.late_since = "The network was away.", note.copied_at
    write_durably(station.published / NOTE, json.dumps(asdict(note)))
    code, out = command(capsys, "run", "--json", "--standby", "--station", station.folder)
    assert code == 0 and json.loads(out)["copy"]["later"]
    until = time.monotonic() + 60
    while read_note(station.published).wrong and time.monotonic() < until:
        time.sleep(0.1)
    assert not read_note(station.published).wrong


def test_the_doctor_finds_what_the_address_lacks_and_a_repair_sends_it(station):
    place = Place(station.copying.to)
    place.remove([next(iter(place.sizes("parts")))])
    ((state, repair, said),) = says(station)
    assert state == WRONG and repair == RUN and "lacks 1 part" in said
    assert not s.run(station, thorough=True).copy_trouble
    assert says(station)[0][0] == SOUND


def test_a_damaged_list_of_samples_is_found_and_a_repair_publishes_it_anew(station):
    listed = station.published / current_name(station.published) / samples.FILE
    listed.write_text(listed.read_text()[:-20])
    assert any(f.state == WRONG and f.repair == RUN and samples.FILE in f.says for f in examine(station, clock.now()))
    assert not s.run(station, thorough=True).copy_trouble
    assert len(open_station(station.folder).samples()) == len(open_station(station.copying.to).samples()) > 0


def test_where_the_address_cannot_be_reached_forgetting_says_so_and_the_next_run_removes_it(station):
    far = Path(station.copying.to.removeprefix("file://"))
    away = station.folder.parent / "away" / "far"
    away.parent.mkdir()
    far.rename(away)
    far.write_text("not plugged in")
    made = forget(station, "M1", run_locked, do=True)
    assert any("stays: what tells of them at" in line for line in made.lines())
    assert (station.published / CLEAR).exists()
    assert any(state == WRONG and "forgotten" in said for state, _, said in says(station))
    far.unlink()
    away.rename(far)
    assert not s.run(station).copy_trouble
    assert not (station.published / CLEAR).exists()
    assert b"Ines Vard" not in b"".join(unpacked(there(station.copying.to)))


def test_who_is_forgotten_is_in_nothing_that_lies_at_the_address_and_a_copy_left_elsewhere_is_named(station):
    left = station.copying.to
    text = station.folder / "station.toml"
    text.write_text(text.read_text().replace(left, f"{left}-2"))
    moved = load_station(station.folder)
    assert any(left in line for line in s.run(moved).lines())
    (now, _, _), (before, _, said) = says(moved)
    assert (now, before) == (SOUND, LOOK) and left in said
    assert any(b"Ines Vard" in data for data in unpacked(there(moved.copying.to)))
    planned = forget(moved, "M1", run_locked, do=False)
    assert any(f"the copy at {moved.copying.to} made anew" in line for line in planned.lines())
    made = forget(moved, "M1", run_locked, do=True)
    assert any(f"the copy at {moved.copying.to} made anew" in line for line in made.lines())
    assert any(f"{left}, named by earlier settings" in line for line in made.lines())
    content = b"".join(unpacked(there(moved.copying.to)))
    assert b"Ines Vard" not in content and b"M1" not in content and made.made_up.encode() in content
    shutil.rmtree(left.removeprefix("file://"))
    assert [state for state, _, _ in says(moved)] == [SOUND]
