"""Whatever lies in the inbox: a reason and a fix for each, the rest goes on, and never a traceback."""

import os
import random
import subprocess
import sys

import pytest
import small_station as s

BAD = {
    "unknown header": ("fills-a.csv", s.text([s.fill(1, colour="red")]), "unknown_header", 1),
    "missing column": (
        "fills-b.csv",
        s.text([{k: v for k, v in s.fill(1).items() if k != "unit_id"}]),
        "missing_column",
        None,
    ),
    "wrong type": ("fills-c.csv", s.text([s.fill(2, stop_pressure_bar="full")]), "not_a_number", 0),
    "impossible value": ("fills-d.csv", s.text([s.fill(3, stop_pressure_bar="-4")]), "out_of_bounds", 0),
    "psi for bar": ("fills-e.csv", s.text([s.fill(4, stop_pressure_bar="3000")]), "out_of_bounds", 0),
    "empty file": ("fills-f.csv", b"", "empty_file", None),
    "blank file": ("fills-g.csv", b"\n\n   \n", "empty_file", None),
    "a PDF named .csv": ("fills-h.csv", b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj", "not_what_its_name_says", None),
    "a picture named .xlsx": ("fills-i.xlsx", b"\x89PNG\r\n\x1a\n" + bytes(100), None, None),
    "zeros named .xlsx": ("fills-j.xlsx", bytes(5000), None, None),
    "zeros named .csv": ("fills-k.csv", bytes(5000), "not_what_its_name_says", None),
    "unknown source": ("holiday.csv", "a,b\n1,2\n", "unknown_source", None),
    "no ending": ("notes", "a,b\n1,2\n", "unsupported_file", None),
    "a photograph": ("club.jpg", b"\xff\xd8\xff\xe0" + bytes(50), "unsupported_file", None),
    "not UTF-8": ("members-a.csv", "member_id,display_name\nM9,Zo\xeb\n".encode("latin-1"), "not_utf8", None),
    "unclosed quote": ("members-b.csv", 'member_id,display_name\nM9,"Zoe\nM8,Ann\n', "broken_quotes", None),
    "header twice": ("members-c.csv", "member_id,display_name,member_id\nM9,Zoe,M8\n", "header_twice", None),
    "truncated UDDF": (
        "dives/M1/cut.uddf",
        '<?xml version="1.0"?><uddf version="3.2.0"><profiledata><repetitiongroup><dive id="a"><samp',
        "uddf_broken",
        None,
    ),
    "another XML": ("dives/M1/other.uddf", '<?xml version="1.0"?><html/>', "uddf_wrong_root", None),
    "empty UDDF": ("dives/M1/none.uddf", b"", None, None),
    "entities": (
        "dives/M1/bomb.uddf",
        '<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "x"><!ENTITY c "&b;&b;&b;">]><uddf>&c;</uddf>',
        None,
        None,
    ),
    "times ahead": ("fills-l.csv", s.text([s.fill(5, filled_at="2031-01-01 10:00")]), "in_the_future", 0),
    "an impossible day": ("fills-m.csv", s.text([s.fill(6, filled_at="2026-02-30 10:00")]), "impossible_date", 0),
}


@pytest.fixture(scope="module")
def inbox_of_everything(tmp_path_factory):
    station = s.stocked(tmp_path_factory.mktemp("everything"))
    for name, content, _, _ in BAD.values():
        s.drop(station, name, content, 5)
    return station, s.take_in(station)


@pytest.mark.parametrize("case", BAD)
def test_each_is_rejected_with_a_reason_and_a_fix(inbox_of_everything, case):
    name, _, rule, accepted = BAD[case]
    station, result = inbox_of_everything
    problems = s.open_problems(station)
    problems = problems[problems["file"] == name]
    assert len(problems), "a bad file without a problem"
    assert (problems["message"].str.len() > 10).all()
    assert (problems["fix"].str.len() > 5).all()
    assert "reader_failed" not in set(problems["rule"])
    if rule:
        assert rule in set(problems["rule"])
    row = s.files(station).loc[name]
    assert row["outcome"] == ("refused" if accepted is None else "taken")
    if accepted is None:
        assert (row["rows_read"], row["rows_accepted"], row["rows_rejected"]) == (0, 0, 0)
        assert problems["row_number"].isna().all()
        assert any(f["file"] == name and f["refused"] for f in result.files)
    else:
        assert row["rows_accepted"] == accepted
        assert problems.loc[problems["severity"] == "row", "row_number"].notna().all()


def test_the_rest_goes_on(inbox_of_everything):
    station, result = inbox_of_everything
    assert result.found_problems
    files = s.files(station)
    for name, rows in s.season().items():
        assert files.loc[name, "rows_accepted"] == len(rows)


def test_a_guess_is_offered_and_not_taken(inbox_of_everything):
    station, _ = inbox_of_everything
    problems = s.open_problems(station).set_index("file").loc["fills-e.csv"]
    assert "psi" in problems["fix"]
    assert "station.toml" in problems["fix"]


def test_lock_files_are_passed_over_in_silence_and_copies_of_a_conflict_are_listed(tmp_path):
    station = s.make(tmp_path)
    for name in ("~$fills.xlsx", ".fills.csv.swp", "fills.csv.part", ".DS_Store", "desktop.ini"):
        s.drop(station, name, b"x")
    s.drop(station, "fills (conflicted copy 2026-03-02).csv", [s.fill(1)])
    result = s.take_in(station)
    assert (result.files_read, result.refused) == (0, 0)
    assert s.notices(station) == [("fills (conflicted copy 2026-03-02).csv", "sync_conflict_passed_over")]


def test_what_is_no_file_is_passed_over(tmp_path):
    station = s.make(tmp_path)
    (station.inbox / "fills.csv").mkdir()
    outside = tmp_path / "secret.csv"
    outside.write_text(s.text([s.fill(1)]))
    (station.inbox / "fills-link.csv").symlink_to(outside)
    (station.inbox / "fills-circle.csv").symlink_to("fills-circle.csv")
    if hasattr(os, "mkfifo"):
        os.mkfifo(station.inbox / "fills-pipe.csv")
    assert s.take_in(station).files_read == 0


@pytest.mark.skipif(sys.platform == "win32", reason="names of bytes")
def test_odd_names_and_times_end_no_pass(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    named = os.fsencode(station.inbox) + b"/fills-\xff.csv"
    with open(named, "wb") as file:
        file.write(s.text([s.fill(1)]).encode())
    s.drop(station, "fills-<b>&'\n\u202e.csv", [s.fill(2)])
    s.drop(station, "fills-" + "x" * 200 + ".csv", [s.fill(3)])
    far = s.drop(station, "fills-far.csv", [s.fill(4)])
    os.utime(far, (16_000_000_000, 13_000_000_000))  # the year 2381
    old = s.drop(station, "fills-old.csv", [s.fill(5)])
    os.utime(old, (-10_000_000_000, -10_000_000_000))
    assert s.take_in(station).rows_accepted == 3 + 5
    assert s.take_in(station).files_read == 0


def test_a_file_that_cannot_be_opened_is_reported_and_tried_again(tmp_path, monkeypatch):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1)])

    def closed(path, *more, **named):
        if str(path).endswith("fills.csv"):
            raise PermissionError(13, "Permission denied")
        return open(path, *more, **named)

    monkeypatch.setattr("pipelines.intake.archive.open", closed, raising=False)
    result = s.take_in(station)
    assert (result.refused, result.rows_accepted) == (1, 3)
    assert "Permission denied" in next(f["refused"] for f in result.files if f["file"] == "fills.csv")
    monkeypatch.undo()
    assert s.take_in(station).rows_accepted == 1


def test_a_reader_that_fails_costs_its_file_alone(tmp_path, monkeypatch):
    from pipelines.readers.tables import table

    def broken(path, source, *more):
        if source == "fills":
            raise IndexError("no such thing")
        return real(path, source, *more)

    station, real = s.make(tmp_path), table.read_table
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1)])
    monkeypatch.setattr(table, "read_table", broken)
    result = s.take_in(station)
    assert (result.refused, result.rows_accepted) == (1, 3)
    assert s.open_problems(station)["rule"].tolist() == ["reader_failed"]


@pytest.mark.parametrize("seed", range(4))
def test_scribbled_files_are_counted_whatever_they_hold(tmp_path, seed):
    """Files of the season with bytes changed, cut and doubled: read = accepted + rejected, and no reader fails."""
    dice = random.Random(seed)
    station = s.make(tmp_path)
    for name, rows in s.season().items():
        data = bytearray(s.text(rows[:60]).encode())
        for _ in range(dice.randint(1, 12)):
            at = dice.randrange(len(data))
            what = dice.choice(["change", "cut", "double", "insert"])
            if what == "change":
                data[at] = dice.randrange(256) if dice.random() < 0.2 else ord(dice.choice(',;"\n-.:eE0/ =#\t'))
            elif what == "cut":
                del data[at : at + dice.randint(1, 40)]
            elif what == "double":
                data[at:at] = data[at : at + dice.randint(1, 200)]
            else:
                data[at:at] = dice.choice(
                    ["1e999", "NaN", "=1+1", "\r", "'", '""', "∞", "\u200b", "2026-13-45", "-0"]
                ).encode()
        s.drop(station, name, bytes(data))
    s.take_in(station)
    assert "reader_failed" not in set(s.open_problems(station)["rule"])


def test_the_command_says_so_and_ends_with_one(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "fills.csv", b"%PDF-1.7")
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    done = subprocess.run(
        [sys.executable, "-m", "pipelines.cli", "run", "--station", str(tmp_path)], capture_output=True, text=True
    )
    assert done.returncode == 1
    assert "fills.csv" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr
