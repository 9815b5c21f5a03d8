"""No address or name of a member stands in a list of problems, whatever is wrong with its row."""

import os
import stat

import pytest
import small_station as s

GOOD = "member_id,display_name,email,joined_on,mix_qualification\n"
BAD = {
    "too many cells": GOOD + "M1,Ines Vard,ines@weir.example,2020-01-01,air,extra\n",
    "shifted": GOOD + "M1,,Ines Vard,ines@weir.example,air\n",
    "shifted to a choice": GOOD + "M1,Vard,Ines,2020-01-01,ines@weir.example\n",
    "no header": "M1,Ines Vard,ines@weir.example,2020-01-01,air\n",
    "a formula": GOOD + "M1,=Ines Vard,=ines@weir.example,2020-01-01,air\n",
    "control": GOOD + "M1,Ines\x07Vard,ines@weir.example\x07,2020-01-01,air\n",
    "an address as key, twice": GOOD + "ines@weir.example,Ines Vard,,,\nines@weir.example,Ines,,,\n",
    "too long": GOOD + f"M1,Ines Vard{'x' * 40000},ines@weir.example,2020-01-01,air\n",
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_row_of_members_repeats_nothing_personal(tmp_path, case):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", BAD[case])
    result = s.take_in(station)
    rejects = s.ask(station, "SELECT * FROM rejects")
    assert len(rejects) or case == "a formula"
    shown = rejects.drop(columns="file").to_string(max_colwidth=None) + str(result.files)
    assert "ines" not in shown.casefold()
    assert "vard" not in shown.casefold()


def test_an_address_in_any_other_file_is_not_repeated(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1, ambient_c="jon.alder@weir.example"), s.fill(2, ambient_c="warm")])
    s.take_in(station)
    problems = s.open_problems(station)
    assert "alder" not in problems.to_string(max_colwidth=None)
    assert "warm" in problems["value"].tolist()


def test_names_of_operators_and_inspectors_are_not_repeated(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1, operator="Ines\u200bVard", analysed_by="=Ines Vard"), s.fill(2)])
    s.drop(station, "fills-wide.csv", s.text([s.fill(3, operator="Ines Vard")]).strip() + ",Ines Vard\n")
    seen = {"cylinder_id": "C1", "inspected_on": "2025-01-01", "kind": "visual", "result": "pass"}
    s.drop(station, "inspections.csv", [seen | {"inspector": "Ines\x07Vard"}])
    s.take_in(station)
    problems = s.open_problems(station)
    assert problems["rule"].tolist() == [
        "wrong_cell_count",
        "control_character",
        "formula_in_cell",
        "control_character",
    ]
    shown = problems.drop(columns="file").to_string(max_colwidth=None)
    assert "Ines" not in shown and "Vard" not in shown


def test_the_name_of_a_member_is_repeated_from_no_file(tmp_path):
    """Also where a list of members lies under another name, without its header."""
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.take_in(station)
    s.drop(station, "cylinders-2.csv", "M1,Ines Vard,ines@weir.example\nM2,Jon Alder,\n", 5)
    s.drop(station, "fills.csv", [s.fill(1, ambient_c="ask ines  vard"), s.fill(2, unit_id="Jon Alder"), s.fill(3)], 5)
    s.drop(station, "kits.csv", [{"member_id": "Ines Vard", "valid_from": "2026-01-01"}], 5)
    result = s.take_in(station)
    problems = s.open_problems(station)
    assert len(problems) == 4
    shown = (problems.drop(columns="file").to_string(max_colwidth=None) + str(result.files)).casefold()
    assert not any(name in shown for name in ("ines", "vard", "alder"))
    assert "the headers found are: m1" in shown


@pytest.mark.skipif(os.name == "nt", reason="rights of files are others there")
def test_nobody_but_its_owner_reads_the_warehouse(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.take_in(station)
    for path in station.folder.glob("warehouse.duckdb*"):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path


# --- what is not read in the inbox ------------------------------------------------------------
def test_links_and_what_is_no_file_are_listed_while_they_are_there(tmp_path):
    station = s.make(tmp_path / "station")
    outside = tmp_path / "elsewhere"
    outside.mkdir()
    (outside / "fills.csv").write_text("x")
    (station.inbox / "fills-link.csv").symlink_to(outside / "fills.csv")
    (station.inbox / "shared").symlink_to(outside, target_is_directory=True)
    (station.inbox / "fills-gone.csv").symlink_to(outside / "nothing.csv")
    os.mkfifo(station.inbox / "fills-pipe.csv")
    s.take_in(station)
    s.take_in(station)
    assert s.notices(station) == [
        ("fills-gone.csv", "link_passed_over"),
        ("fills-link.csv", "link_passed_over"),
        ("fills-pipe.csv", "not_a_file"),
        ("shared", "link_passed_over"),
    ]
    for path in station.inbox.iterdir():
        path.unlink()
    s.take_in(station)
    assert s.notices(station) == []


def test_a_folder_of_the_system_with_tables_in_it_is_listed(tmp_path):
    station = s.make(tmp_path)
    for folder in ("__MACOSX", ".hidden/deep", "north.bak", "north"):
        s.drop(station, f"{folder}/fills.csv", [s.fill(1)])
    s.drop(station, ".keep/state.db", "x")
    s.drop(station, ".settings.csv", "x")
    s.take_in(station)
    listed = [
        (".hidden", "folder_passed_over"),
        ("__MACOSX", "folder_passed_over"),
        ("north.bak", "folder_passed_over"),
    ]
    assert s.notices(station) == listed


def test_problems_of_a_folder_that_cannot_be_looked_into_stay_open(tmp_path, monkeypatch):
    station = s.make(tmp_path)
    s.drop(station, "north/fills.csv", "no,header\n1,2\n")
    s.drop(station, "south/fills.csv", "no,header\n1,2\n")
    s.take_in(station)
    assert len(s.open_problems(station)) == 2
    real = os.scandir

    def scandir(path="."):
        if str(path).endswith("north"):
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    (station.inbox / "south" / "fills.csv").unlink()
    s.take_in(station)
    assert s.open_problems(station)["file"].tolist() == ["north/fills.csv"]
    assert s.notices(station) == [("north", "folder_unreadable")]
    monkeypatch.undo()
    s.take_in(station)
    assert s.notices(station) == []
