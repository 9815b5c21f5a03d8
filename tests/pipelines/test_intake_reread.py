"""A file is known by its bytes, its place and what its mapping and names mean; if one changes it is read again."""

import os
import shutil

import pytest
import small_station as s

PSI = """
[sources.fills.units]
"start_pressure_bar" = "psi"
"target_pressure_bar" = "psi"
"stop_pressure_bar" = "psi"
"""


def _log(*numbers: int, stop: str = "230") -> list[dict[str, str]]:
    return [s.fill(n, stop_pressure_bar=stop) for n in numbers]


def _stops(station) -> dict[str, float]:
    return s.stored(station)["fills"].set_index("fill_id")["stop_pressure_bar"].round(3).to_dict()


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory):
    made = s.make(tmp_path_factory.mktemp("read") / "station")
    s.drop(made, "cylinders.csv", s.CYLINDERS)
    s.drop(made, "fills.csv", _log(1, 2))
    s.take_in(made)
    return made


@pytest.fixture
def station(taken_in, tmp_path):
    shutil.copytree(taken_in.folder, tmp_path, dirs_exist_ok=True)
    return s.load_station(tmp_path)


def test_a_known_file_is_counted_and_not_read_again(station):
    before = s.stored(station)
    for n in (1, 2):
        result = s.take_in(station)
        assert (result.files_read, result.rows_read, result.seen_again) == (0, 0, 2)
        assert s.files(station)["seen_again"].tolist() == [n, n]
    s.same(s.stored(station), before)


def test_a_file_saved_again_unchanged_is_not_read_again(station):
    version = s.ask(station, "SELECT value FROM meta")["value"][0]
    os.utime(station.inbox / "fills.csv")
    assert s.take_in(station).files_read == 0
    assert s.take_in(station).files_read == 0
    assert s.ask(station, "SELECT value FROM meta")["value"][0] == version


def test_a_file_saved_again_wins_over_the_one_that_was_newer(station):
    s.drop(station, "fills-other.csv", _log(1, stop="200"), 5)
    s.take_in(station)
    assert _stops(station)["F1"] == 200
    os.utime(station.inbox / "fills.csv")  # what `older_than_current` asks a person to do
    assert s.take_in(station).files_read == 0
    assert _stops(station)["F1"] == 230
    assert s.notices(station) == [("fills.csv", "saved_again_wins")]


def test_an_edited_file_is_read_and_its_earlier_rows_stay_in_the_history(station):
    s.drop(station, "fills.csv", _log(1, 2, stop="221"), 5)
    assert s.take_in(station).rows_read == 2
    assert set(_stops(station).values()) == {221}
    states = (
        s.ask(station, "SELECT stop_pressure_bar, state FROM rows_fills").groupby("stop_pressure_bar")["state"].agg(set)
    )
    assert states[230.0] == {"superseded"}


def test_an_older_content_put_back_counts_again(station):
    s.drop(station, "fills.csv", _log(1, 2, stop="221"), 5)
    s.take_in(station)
    s.drop(station, "fills.csv", _log(1, 2), 10)
    s.take_in(station)
    assert set(_stops(station).values()) == {230}
    assert s.take_in(station).files_read == 0


def _confirmed(station):
    """Intake twice: shown first, then accepted."""
    s.take_in(station)
    return s.take_in(station, accept_layouts=("*",))


def test_a_changed_mapping_reads_the_file_again_once_that_is_confirmed(station):
    changed = s.with_settings(station, PSI)
    result = _confirmed(changed)
    assert (result.files_read, result.rows_accepted) == (1, 2)
    assert _stops(changed) == {"F1": pytest.approx(15.858, abs=1e-3), "F2": pytest.approx(15.858, abs=1e-3)}
    assert s.take_in(changed).files_read == 0


def test_a_changed_mapping_reads_a_file_that_has_left_the_inbox(station):
    (station.inbox / "fills.csv").unlink()
    assert s.take_in(station).files_read == 0
    assert set(_stops(station).values()) == {230}
    assert _confirmed(s.with_settings(station, PSI)).rows_accepted == 2
    assert max(_stops(station).values()) < 16


def test_a_changed_mapping_reads_earlier_contents_of_a_place_too(station):
    s.drop(station, "fills.csv", _log(2, 3), 5)  # a log that rolls over: F1 is in its earlier content alone
    s.take_in(station)
    _confirmed(s.with_settings(station, PSI))
    assert _stops(station).keys() == {"F1", "F2", "F3"}
    assert max(_stops(station).values()) < 16
    assert s.take_in(s.with_settings(station, "")).files_read == 0


def test_a_mapping_that_fixes_a_refused_file(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", s.text(_log(1)).replace("stop_pressure_bar", "Druck"))
    result = s.take_in(station)
    assert (result.refused, result.found_problems) == (1, True)
    assert s.open_problems(station)["rule"].tolist() == ["missing_column", "unknown_header"][:1]
    fixed = s.with_settings(station, '[sources.fills.headers]\nstop_pressure_bar = "Druck"')
    result = s.take_in(fixed)
    assert (result.refused, result.rows_accepted) == (0, 1)
    assert s.open_problems(station).empty
    assert s.files(station).loc["fills.csv", "outcome"] == "taken"


def test_a_further_name_pattern_takes_in_a_file_that_was_refused(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "compressor-book.csv", _log(1))
    assert s.take_in(station).refused == 1
    assert s.open_problems(station)["rule"].tolist() == ["unknown_source"]
    result = s.take_in(s.with_settings(station, '[sources.fills]\nnames = ["compressor-book*"]'))
    assert (result.refused, result.rows_accepted) == (0, 1)
    assert s.open_problems(station).empty


def test_a_moved_or_renamed_file_changes_nothing(station):
    before = s.stored(station)
    (station.inbox / "2026").mkdir()
    shutil.move(station.inbox / "fills.csv", station.inbox / "2026" / "fills-march.csv")
    result = s.take_in(station)
    assert (result.rows_read, result.rows_accepted) == (2, 2)
    s.same(s.stored(station), before)
    assert s.take_in(station).files_read == 0


def test_a_second_copy_of_a_file_changes_nothing(station):
    before = s.stored(station)
    shutil.copy(station.inbox / "fills.csv", station.inbox / "fills copy.csv")
    assert s.take_in(station).rows_accepted == 2
    s.same(s.stored(station), before)
    assert len(list(station.archive.glob("*.csv"))) == 2


def test_the_archive_holds_every_content_and_no_original_is_touched(station):
    original = (station.inbox / "fills.csv").read_bytes()
    register = station.inbox / "cylinders.csv"
    before = register.read_bytes(), os.stat(register).st_mtime_ns, os.stat(register).st_ino
    s.drop(station, "fills.csv", _log(1, 2, stop="221"), 5)
    s.take_in(station)
    kept = {p.name.split(".")[0]: p.read_bytes() for p in station.archive.glob("*.csv")}
    assert original in kept.values()
    assert set(s.files(station)["file_sha256"]) == kept.keys()
    assert (register.read_bytes(), os.stat(register).st_mtime_ns, os.stat(register).st_ino) == before
    assert all(p.stat().st_ino != before[2] for p in station.archive.iterdir())


def test_working_pressure_as_target_follows_a_corrected_register(tmp_path):
    stated = '[sources.fills.stated]\ntarget_pressure_bar = "working_pressure"'
    station = s.with_settings(s.make(tmp_path), stated)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [{k: v for k, v in row.items() if k != "target_pressure_bar"} for row in _log(1, 2)])
    s.take_in(station)
    s.drop(station, "cylinders.csv", [c | {"working_pressure_bar": "300"} for c in s.CYLINDERS], 5)
    s.take_in(station)
    assert set(s.stored(station)["fills"]["target_pressure_bar"]) == {300}
    assert s.take_in(station).files_read == 0


def test_fixed_files_answer_their_problems(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1, stop_pressure_bar="2300"), s.fill(2, ambient_c="warm"), s.fill(3)])
    assert s.take_in(station).rows_rejected == 2
    s.drop(station, "fills.csv", [s.fill(1), s.fill(2), s.fill(3)], 5)
    assert not s.take_in(station).found_problems
    assert s.open_problems(station).empty
    assert s.ask(station, "SELECT count(*) AS n FROM rejects WHERE resolved_at IS NOT NULL")["n"][0] == 2


def test_a_correction_in_a_file_of_its_own_answers_the_rejected_row(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1, stop_pressure_bar="2300"), s.fill(2, ambient_c="warm"), s.fill(3)])
    s.take_in(station)
    s.drop(station, "fills-corrected.csv", [s.fill(1), s.fill(2)], 5)
    s.take_in(station)
    assert s.open_problems(station).empty


def test_a_refused_file_taken_out_of_the_inbox_is_no_open_problem(tmp_path):
    station = s.make(tmp_path)
    path = s.drop(station, "fills.csv", b"%PDF-1.7 not a table")
    s.take_in(station)
    path.unlink()
    s.take_in(station)
    assert s.open_problems(station).empty


# --- UDDF -------------------------------------------------------------------------------------
def _uddf(owner: str = "M1", tank: str = "C1", dives: int = 1) -> str:
    samples = "".join(
        f"<waypoint><divetime>{t}</divetime><depth>{10.0 if 0 < t < 600 else 0.0}</depth></waypoint>"
        for t in range(0, 601, 60)
    )
    body = "".join(
        f"""<dive id="d{n}">
      <informationbeforedive><datetime>2026-03-{n:02d}T09:00:00Z</datetime></informationbeforedive>
      <samples>{samples}</samples>
      <tankdata><link ref="air"/><link ref="{tank}"/>
        <tankpressurebegin>20000000</tankpressurebegin><tankpressureend>12000000</tankpressureend></tankdata>
      <informationafterdive><greatestdepth>10.0</greatestdepth></informationafterdive></dive>"""
        for n in range(1, dives + 1)
    )
    return f"""<?xml version="1.0" encoding="utf-8"?>
    <uddf version="3.2.0" xmlns="http://www.streit.cc/uddf/3.2/"><generator><name>made for a test</name></generator>
      <diver><owner id="{owner}"><personal><firstname>a</firstname><lastname>b</lastname></personal>
        <equipment><tank id="{tank}"><name>t</name><tankvolume>0.012</tankvolume></tank></equipment></owner></diver>
      <gasdefinitions><mix id="air"><name>air</name><o2>0.21</o2><n2>0.79</n2></mix></gasdefinitions>
      <profiledata><repetitiongroup id="r">{body}</repetitiongroup></profiledata></uddf>"""


def test_uddf_finds_its_cylinder_whenever_the_register_comes(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "computer.uddf", _uddf())
    s.take_in(station)
    assert s.stored(station)["dive_tanks"]["unit_id"].isna().all()
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.take_in(station)
    assert s.stored(station)["dive_tanks"]["unit_id"].tolist() == ["C1"]
    assert s.take_in(station).files_read == 0


def test_uddf_finds_its_member_whenever_the_register_comes(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "computer.uddf", _uddf())
    result = s.take_in(station)
    assert (result.rows_read, result.rows_rejected) == (13, 13)
    s.drop(station, "members.csv", s.MEMBERS)
    result = s.take_in(station)
    assert result.resolved == 13
    assert not result.found_problems
    assert s.open_problems(station).empty
    assert s.stored(station)["dives"]["member_id"].tolist() == ["M1"]


def test_uddf_finds_its_cylinder_by_a_link_that_waited_for_the_register(tmp_path):
    """Links and dives first, the registers a run later: what that run publishes has them joined."""
    station = s.make(tmp_path)
    s.drop(station, "computer.uddf", _uddf("someone", "tank-a"))
    s.drop(
        station,
        "links.csv",
        [
            {"source_ref": "someone", "kind": "member", "target_id": "M1"},
            {"source_ref": "tank-a", "kind": "cylinder", "target_id": "C3"},
        ],
    )
    s.take_in(station)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.take_in(station)
    found = s.stored(station)["dive_tanks"]
    assert found["unit_id"].tolist() == ["C3"]
    assert found["member_id"].tolist() == ["M1"]
    assert s.open_problems(station).empty
    assert s.take_in(station).files_read == 0


def test_uddf_follows_its_links_and_no_others(tmp_path):
    station = s.make(tmp_path)
    for name, rows in (("members.csv", s.MEMBERS), ("cylinders.csv", s.CYLINDERS)):
        s.drop(station, name, rows)
    s.drop(station, "one.uddf", _uddf("someone", "tank-a"))
    s.drop(station, "two.uddf", _uddf("M2", "tank-b"))
    s.take_in(station)
    s.drop(
        station,
        "links.csv",
        [
            {"source_ref": "someone", "kind": "member", "target_id": "M1"},
            {"source_ref": "tank-a", "kind": "cylinder", "target_id": "C3"},
        ],
    )
    result = s.take_in(station)
    assert {f["file"] for f in result.files} == {"links.csv", "one.uddf"}
    found = s.stored(station)["dive_tanks"].set_index("member_id")["unit_id"]
    assert found["M1"] == "C3"
    assert found.isna()["M2"]
    s.drop(
        station,
        "links.csv",
        [
            {"source_ref": "someone", "kind": "member", "target_id": "M1"},
            {"source_ref": "tank-a", "kind": "cylinder", "target_id": "C2"},
        ],
        5,
    )
    s.take_in(station)
    assert s.stored(station)["dive_tanks"].set_index("member_id")["unit_id"]["M1"] == "C2"
