"""A change of layout changes nothing that was accepted until somebody has seen the difference and said yes."""

import json
import shutil

import pytest
import small_station as s
from test_intake_reread import _uddf as uddf

from pipelines.cli.commands import app
from pipelines.intake.file_layout import layout_from, layout_of
from pipelines.intake.layout_change import STANDS, WAITS

PSI = "[sources.fills.units]\n'*_pressure_bar' = 'psi'\n"
STOP_PSI = "[sources.fills.units]\nstop_pressure_bar = 'psi'\n"
ALL = "[layouts.all]\nsource = 'fills'\nfiles = ['fills*']\nunits.stop_pressure = 'psi'"
BENCH = """
[layouts.bench]
source = 'fills'
files = ['bench*.csv', 'bench/*']
decimal = ','
separator = ';'
[layouts.bench.units]
start_pressure = 'psi'
target_pressure = 'psi'
stop_pressure = 'psi'
ambient = 'F'
[layouts.bench.headers]
stop_pressure_bar = 'Stop'
"""


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory):
    made = s.make(tmp_path_factory.mktemp("read") / "station")
    s.drop(made, "cylinders.csv", s.CYLINDERS)
    s.drop(made, "fills.csv", [s.fill(n) for n in (1, 2, 3)])
    s.take_in(made)
    return made


@pytest.fixture
def station(taken_in, tmp_path):
    shutil.copytree(taken_in.folder, tmp_path, dirs_exist_ok=True)
    return s.load_station(tmp_path)


def stops(station) -> dict[str, float]:
    return s.stored(station)["fills"].set_index("fill_id")["stop_pressure_bar"].round(2).to_dict()


def said(result) -> str:
    return "\n".join(f"{c['rule']} {c['file']} {c['message']}" for c in result.layout_changes)


def bench(*numbers: int, **more: str) -> str:
    rows = [
        s.fill(n, start_pressure_bar="725", target_pressure_bar="3365", stop_pressure_bar="3335,9", ambient_c="68")
        | {"target_o2_pct": "20,95"}
        | more
        for n in numbers
    ]
    return (
        s.text(rows)
        .replace('"', "")
        .replace("3335,9", "#")
        .replace("20,95", "@")
        .replace(",", ";")
        .replace("#", "3335,9")
        .replace("@", "20,95")
        .replace("stop_pressure_bar", "Stop")
    )


# --- several layouts side by side -------------------------------------------------------------
def test_a_log_in_psi_with_decimal_commas_lives_beside_one_in_bar(tmp_path):
    station = s.with_settings(s.make(tmp_path), BENCH)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1)])
    s.drop(station, "bench-march.csv", bench(2))
    s.drop(station, "bench/april.csv", bench(3))
    assert s.take_in(station).rows_rejected == 0
    assert stops(station) == {"F1": 230.0, "F2": 230.0, "F3": 230.0}
    assert s.stored(station)["fills"]["ambient_c"].round(6).tolist() == [18.0, 20.0, 20.0]
    assert s.take_in(station).files_read == 0


def test_a_second_layout_leaves_the_first_log_as_it_is(station):
    """150 bar became 10.3 when a rule for a second log was written under the source."""
    changed = s.with_settings(station, BENCH)
    s.drop(changed, "bench.csv", bench(4))
    result = s.take_in(changed)
    assert (result.files_read, result.layout_changes) == (1, [])
    assert stops(station) == {"F1": 230.0, "F2": 230.0, "F3": 230.0, "F4": 230.0}


def test_two_layouts_that_match_one_file_refuse_it_and_name_both(tmp_path):
    both = BENCH + "[layouts.other]\nsource = 'fills'\nfiles = ['*march*']\n"
    station = s.with_settings(s.make(tmp_path), both)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "bench-march.csv", bench(2))
    assert s.take_in(station).refused == 1
    found = s.open_problems(station).iloc[0]
    assert found["rule"] == "layouts_overlap"
    assert "[layouts.bench] and [layouts.other]" in found["message"]
    path = station.folder / "station.toml"
    path.write_text(path.read_text().replace("*march*", "*april*"))
    result = s.take_in(s.load_station(station.folder))
    assert (result.refused, result.rows_accepted) == (0, 1)
    assert s.open_problems(station).empty


def test_a_pattern_that_matches_nothing_is_listed_until_it_does(station):
    changed = s.with_settings(station, BENCH)
    s.take_in(changed)
    listed = s.ask(station, "SELECT file, value FROM notices WHERE rule = 'pattern_without_files'")
    assert listed["file"].unique().tolist() == ["station.toml"]
    assert listed["value"].tolist() == ['[layouts.bench] files "bench*.csv"', '[layouts.bench] files "bench/*"']
    s.drop(changed, "bench.csv", bench(4))
    s.take_in(changed)
    assert s.ask(station, "SELECT value FROM notices WHERE rule = 'pattern_without_files'")["value"].tolist() == [
        '[layouts.bench] files "bench/*"'
    ]


def test_a_problem_names_the_table_of_its_own_layout_and_the_line_of_the_file(tmp_path):
    station = s.with_settings(s.make(tmp_path), BENCH)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "bench.csv", "\n" + bench(2, fill_method="decanted"))
    s.take_in(station)
    found = s.open_problems(station).iloc[0]
    assert found["rule"] == "not_a_choice"
    assert "[layouts.bench.words.fill_method]" in found["fix"]
    assert found["line"] == 3


# --- nothing changes unseen -------------------------------------------------------------------
def test_a_changed_layout_shows_what_it_would_change_and_changes_nothing(station):
    changed = s.with_settings(station, STOP_PSI)
    for _ in range(2):
        result = s.take_in(changed)
        assert result.files_read == 0
        assert stops(station) == {"F1": 230.0, "F2": 230.0, "F3": 230.0}
        assert "3 known fills would change" in said(result)
        assert "line 2, F1: stop_pressure_bar 230 → 15.858" in said(result)
        assert "[sources.fills]" in said(result)
        assert s.notices(station) == [("fills.csv", WAITS)]


def test_once_confirmed_the_rows_change_and_nothing_is_listed(station):
    changed = s.with_settings(station, STOP_PSI)
    s.take_in(changed)
    result = s.take_in(changed, accept_layouts=("*",))
    assert (result.files_read, result.layout_changes) == (1, [])
    assert stops(station) == {"F1": 15.86, "F2": 15.86, "F3": 15.86}
    assert s.notices(station) == []
    assert s.take_in(changed).files_read == 0


def test_a_yes_counts_only_for_what_was_shown(station):
    changed = s.with_settings(station, STOP_PSI)
    result = s.take_in(changed, accept_layouts=("*",))
    assert "3 known fills would change" in said(result)
    assert max(stops(station).values()) == 230
    other = s.with_settings(station, "ambient_c = 'K'")  # the layout shown is not this one
    result = s.take_in(other, accept_layouts=("*",))
    assert max(stops(station).values()) == 230
    assert "would" in said(result)


def test_a_change_taken_back_leaves_no_trace(station):
    path = station.folder / "station.toml"
    before = path.read_text()
    s.take_in(s.with_settings(station, STOP_PSI))
    path.write_text(before)
    result = s.take_in(s.load_station(station.folder))
    assert (result.files_read, result.layout_changes, s.notices(station)) == (0, [], [])
    assert s.take_in(s.load_station(station.folder), accept_layouts=("*",)).files_read == 0


def test_a_newer_content_of_the_place_is_read_as_before_until_then(station):
    changed = s.with_settings(station, STOP_PSI)
    s.take_in(changed)
    s.drop(changed, "fills.csv", [s.fill(n) for n in (1, 2, 3, 4)], 5)
    result = s.take_in(changed)
    assert "3 known fills would change" in said(result)
    assert stops(station) == dict.fromkeys(("F1", "F2", "F3", "F4"), 230.0)
    s.take_in(changed, accept_layouts=("*",))
    assert stops(station) == dict.fromkeys(("F1", "F2", "F3", "F4"), 15.86)
    assert s.notices(station) == []


def test_layout_and_content_changed_at_once_change_nothing_known(station):
    changed = s.with_settings(station, STOP_PSI)
    s.drop(changed, "fills.csv", [s.fill(1, stop_pressure_bar="225"), s.fill(4)], 5)
    result = s.take_in(changed)
    assert stops(station) == {"F1": 225.0, "F2": 230.0, "F3": 230.0, "F4": 230.0}
    assert "known fill would change" in said(result)


def test_a_content_that_only_the_new_layout_reads_changes_no_known_row_unseen(station):
    renamed = s.text([s.fill(n, stop_pressure_bar="3335.9") for n in (1, 4)]).replace("stop_pressure_bar", "Druck")
    wrong = "[sources.fills.headers]\nstop_pressure_bar = 'Druck'\n[sources.fills.units]\nstop_pressure_bar = 'kPa'"
    changed = s.with_settings(station, wrong)
    s.drop(changed, "fills.csv", renamed, 5)
    result = s.take_in(changed)
    assert "1 known fill would change" in said(result)
    assert stops(station) == {"F1": 230.0, "F2": 230.0, "F3": 230.0}
    path = station.folder / "station.toml"
    path.write_text(path.read_text().replace("'kPa'", "'psi'"))
    result = s.take_in(s.load_station(station.folder))  # 3335.9 psi is 230 bar to 0.002 bar, and not the same number
    assert len(result.layout_changes) == 2  # the earlier content of the place had another header and was in bar
    content = s.files(station)["file_sha256"].iloc[-1]
    s.take_in(s.load_station(station.folder), accept_layouts=(content[:8],))
    assert stops(station) == {"F1": 230.0, "F2": 230.0, "F3": 230.0, "F4": 230.0}


def test_a_change_that_only_adds_rows_is_taken_at_once(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1), s.fill(2, fill_method="decanted")])
    assert s.take_in(station).rows_rejected == 1
    changed = s.with_settings(station, "[sources.fills.words.fill_method]\ndecanted = 'banked_mix'")
    result = s.take_in(changed)
    assert (result.rows_accepted, result.layout_changes) == (2, [])
    assert s.open_problems(station).empty


def test_rows_that_would_be_rejected_are_shown_and_go_once_confirmed(station):
    changed = s.with_settings(station, "[sources.fills]\ndecimal = ','")
    result = s.take_in(changed)
    assert "3 known fills would go" in said(result)
    assert len(stops(station)) == 3
    s.take_in(changed, accept_layouts=("*",))
    assert stops(station) == {}


def test_a_layout_that_cannot_read_the_file_takes_nothing_back(station):
    changed = s.with_settings(station, "[sources.fills]\nheader_row = 2")
    for accept in ((), ("*",), ("*",)):
        result = s.take_in(changed, accept_layouts=accept)
        assert len(stops(station)) == 3
        assert said(result).startswith(STANDS)
        assert "A required column is missing" in said(result)


def test_a_pattern_that_no_longer_matches_takes_nothing_back(tmp_path):
    station = s.make(tmp_path)
    path = station.folder / "station.toml"
    before = path.read_text()
    station = s.with_settings(station, '[sources.fills]\nnames = ["compressor-book*"]')
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "compressor-book.csv", [s.fill(1)])
    s.take_in(station)
    path.write_text(before)
    for accept in ((), ("*",), ("*",)):
        result = s.take_in(s.load_station(station.folder), accept_layouts=accept)
        assert stops(station) == {"F1": 230.0}
        assert result.refused == 0
        assert "1 known fill" in said(result)
    s.drop(station, "compressor-book.csv", [s.fill(1), s.fill(2)], 5)  # its place goes on as before
    s.take_in(s.load_station(station.folder))
    assert stops(station) == {"F1": 230.0, "F2": 230.0}


def test_a_pattern_that_comes_to_match_a_known_file_asks_first(station):
    changed = s.with_settings(station, ALL)
    result = s.take_in(changed)
    assert "By [layouts.all] as it is now" in said(result)
    assert max(stops(station).values()) == 230


def test_a_known_file_moved_under_another_layout_asks_first(station):
    changed = s.with_settings(station, ALL.replace("fills*", "desk/*").replace("all", "desk"))
    (station.inbox / "desk").mkdir()
    shutil.move(station.inbox / "fills.csv", station.inbox / "desk" / "zz.csv")
    result = s.take_in(changed)
    assert max(stops(station).values()) == 230
    assert "3 known fills would change" in said(result)


@pytest.mark.parametrize("change", ["zone", "station_zone"])
def test_another_zone_asks_first(station, change):
    path = station.folder / "station.toml"
    if change == "zone":
        changed = s.with_settings(station, "[sources.fills]\nzone = 'Asia/Tokyo'")
    else:
        path.write_text(path.read_text().replace('time_zone = "UTC"', 'time_zone = "Asia/Tokyo"'))
        changed = s.load_station(station.folder)
    result = s.take_in(changed)
    assert "F1: filled_at 2026-03-01 10:00 → 2026-03-01 01:00" in said(result)
    assert s.stored(station)["fills"]["filled_at"].dt.hour.eq(10).all()


def test_a_value_stated_in_place_of_one_that_was_read_asks_first(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    rows = [{k: v for k, v in s.fill(n).items() if k != "target_pressure_bar"} for n in (1, 2)]
    s.drop(station, "fills.csv", rows)
    path = station.folder / "station.toml"
    before = path.read_text()
    s.take_in(s.with_settings(station, "[sources.fills.stated]\ntarget_pressure_bar = 'working_pressure'"))
    path.write_text(before)
    changed = s.with_settings(station, "[sources.fills.stated]\ntarget_pressure_bar = 200.0")
    assert "target_pressure_bar 232 → 200" in said(s.take_in(changed))
    assert set(s.stored(station)["fills"]["target_pressure_bar"]) == {232}


def test_another_reading_of_uddf_pressures_asks_first(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "computer.uddf", uddf())
    s.take_in(station)
    assert s.stored(station)["dive_tanks"]["start_pressure_bar"].tolist() == [200.0]
    path = station.folder / "station.toml"
    path.write_text(path.read_text().replace('uddf_pressure = "gauge"', 'uddf_pressure = "absolute"'))
    changed = s.load_station(station.folder)
    result = s.take_in(changed)
    assert "By [uddf] as it is now it would be read otherwise: 1 known dive tank would change" in said(result)
    assert s.stored(station)["dive_tanks"]["start_pressure_bar"].tolist() == [200.0]
    s.take_in(changed, accept_layouts=("*",))
    assert s.stored(station)["dive_tanks"]["start_pressure_bar"].iloc[0] == pytest.approx(198.987, abs=0.01)


def test_a_lost_warehouse_comes_back_as_it_was_accepted(station):
    changed = s.with_settings(station, STOP_PSI)
    s.take_in(changed)
    station.warehouse.unlink()
    s.take_in(changed)
    assert stops(station) == {"F1": 230.0, "F2": 230.0, "F3": 230.0}
    assert "3 known fills would change" in said(s.take_in(changed))


def test_a_layout_kept_as_text_is_the_layout(station):
    changed = s.with_settings(station, BENCH)
    for file in ("bench.csv", "fills.csv", "x.uddf", "unknown.csv"):
        layout = layout_of(file, changed)
        assert layout_from(layout.as_json()).hash == layout.hash
    assert layout_from("{}x") is None


# --- the command ------------------------------------------------------------------------------
def test_run_shows_the_difference_and_takes_it_with_the_option(station, capsys):
    s.with_settings(station, STOP_PSI)
    where = ["--station", str(station.folder)]

    def run(*more: str) -> str:
        with pytest.raises(SystemExit) as ended:
            app(["run", *where, *more])
        assert ended.value.code == 0
        return capsys.readouterr().out

    printed = run()
    assert "By [sources.fills] as it is now it would be read otherwise: 3 known fills would change" in printed
    assert "coldfill run --accept-layout" in printed
    assert json.loads(run("--json"))["layout_changes"][0]["file"] == "fills.csv"
    assert "would change" in run("--accept-layout", "--only", "gauges*")
    assert "would change" not in run("--accept-layout", "--only", "fills*")
    assert stops(station) == {"F1": 15.86, "F2": 15.86, "F3": 15.86}


def test_a_difference_in_a_personal_list_names_the_columns_and_no_cell(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", [m | {"email": "ines@station.example"} for m in s.MEMBERS])
    s.take_in(station)
    changed = s.with_settings(station, "[sources.members.headers]\ndisplay_name = 'email'")
    printed = said(s.take_in(changed))
    assert "2 known members would change. line 2: display_name, email" in printed
    assert not any(secret in printed for secret in ("ines", "Ines", "Vard", "M1"))
