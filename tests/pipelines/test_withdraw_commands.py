"""`coldfill withdraw`, `reinstate`, `history` and `rejects --dismiss`: plain words, and files that a rebuild reads."""

import json
import shutil

import pandas as pd
import pytest
import small_station as s
from typer.testing import CliRunner

from pipelines.cli import app
from pipelines.intake import row_key

WHO = ("--reason", "logged twice", "--by", "Ada")


@pytest.fixture(scope="module")
def computed(tmp_path_factory):
    """A station with a correction and two bad rows."""
    made = s.stocked(tmp_path_factory.mktemp("withdraw") / "station")
    s.drop(made, "fills-b.csv", [s.fill(5, stop_pressure_bar="225"), s.fill(8, unit_id="C9")], 5)
    s.drop(made, "members-b.csv", [s.MEMBERS[0] | {"email": "ines@example.org"}, {"member_id": "M3"}], 5)
    s.run(made)
    return made


@pytest.fixture
def station(computed, tmp_path):
    shutil.copytree(computed.folder, tmp_path / "station")
    return s.load_station(tmp_path / "station")


@pytest.fixture
def coldfill(station):
    def run(*words: str, code: int = 0) -> str:
        result = CliRunner().invoke(app, [*words, "--station", str(station.folder)])
        said = result.output if not result.exception or isinstance(result.exception, SystemExit) else ""
        assert result.exit_code == code or (code == 2 and result.exception), result.output
        return said or str(result.exception)

    return run


def counts(station, fill_id: str) -> float | None:
    fills = s.stored(station)["fills"].set_index("fill_id")["stop_pressure_bar"]
    return float(fills[fill_id]) if fill_id in fills else None


def test_a_row_by_its_key(station, coldfill):
    assert "Withdrawn: fills:F5." in coldfill("withdraw", "f5", *WHO)
    assert counts(station, "F5") == 225
    s.take_in(station)
    assert counts(station, "F5") is None
    assert "withdrawn already" in coldfill("withdraw", "fills:F5", *WHO, code=2)
    said = coldfill("history", "F5")
    assert "fills:F5: 2 versions, withdrawn" in said
    assert "fills-b.csv, row 1" in said and "stop_pressure_bar 230 → 225" in said
    assert "withdrawn by Ada: logged twice" in said
    assert "Brought back: fills:F5." in coldfill("reinstate", "F5", "--reason", "was right", "--by", "Jon")
    s.take_in(station)
    assert counts(station, "F5") == 225
    said = coldfill("history", "F5").splitlines()
    assert "brought back by Jon: was right" in said[-1] and "withdrawn by Ada" in said[-2]
    # at once again, although the clock shows the same second
    coldfill("withdraw", "F5", *WHO)
    s.take_in(station)
    assert counts(station, "F5") is None


@pytest.mark.parametrize("name", ["fills-b.csv", "inbox/fills-b.csv", "path", "sha256"])
def test_a_file_by_its_place_or_its_content(station, coldfill, name):
    sha256 = s.files(station).loc["fills-b.csv", "file_sha256"]
    word = {"path": str(station.inbox / "fills-b.csv"), "sha256": sha256[:10]}.get(name, name)
    assert f"fills-b.csv ({sha256[:12]}…)" in coldfill("withdraw", word, *WHO)
    result = s.take_in(station)
    assert counts(station, "F5") == 230
    assert not result.found_problems and "fills-b.csv" not in set(s.open_problems(station)["file"])
    assert "its file is withdrawn" in coldfill("history", "fills:F5")
    coldfill("reinstate", word, *WHO)
    s.take_in(station)
    assert counts(station, "F5") == 225
    assert "fills-b.csv" in set(s.open_problems(station)["file"])


def test_check_knows_what_a_file_of_withdrawals_names(station, coldfill, tmp_path):
    sha256 = s.files(station).loc["fills-b.csv", "file_sha256"]
    said = {"withdrawn_at": "2026-03-31 10:00", "withdrawn_by": "Ada", "reason": "twice"}
    known = (("fills", "F5"), ("files", sha256[:10]), ("dive_samples", "M1 · D2"), ("fills", "F99"))
    rows = [{"source": source, "key": key} | said for source, key in known]
    (tmp_path / "withdrawals.csv").write_text(s.text(rows))
    found = coldfill("check", str(tmp_path / "withdrawals.csv"), code=1)
    assert "4 rows, 3 would load, 1 would not" in found and "F99" in found
    again = coldfill("check", str(station.inbox / "fills-b.csv"), code=1)
    assert "2 rows, 1 would load, 1 would not" in again
    assert s.files(station).loc["fills-b.csv", "run_id"] != "check"


def test_words_that_name_nothing_or_too_much_say_what_to_write(station, coldfill):
    for folder, fill in (("x", 9), ("y", 10)):
        s.drop(station, f"{folder}/fills-c.csv", [s.fill(fill)], 6)
    s.take_in(station)
    assert "Nothing is known by F99" in coldfill("withdraw", "F99", *WHO, code=2)
    assert "can mean several things: files:" in coldfill("withdraw", "fills-c.csv", *WHO, code=2)
    assert "x/fills-c.csv" in coldfill("withdraw", "x/fills-c.csv", *WHO)
    assert "F5 is not withdrawn" in coldfill("reinstate", "F5", *WHO, code=2)
    assert "parts joined by" in coldfill("history", "dives:D2", code=2)
    assert "1 version" in coldfill("history", "M1 | D2")
    assert len(list((station.inbox / "entries").glob("withdrawals-*.csv"))) == 1


def test_a_reason_that_no_file_may_hold_is_refused_and_nothing_written(station, coldfill):
    assert "Not saved" in coldfill("withdraw", "F5", "--by", "Ada", "--reason", "=cmd('x')", code=2)
    assert not (station.inbox / "entries").exists() or not list((station.inbox / "entries").iterdir())


def test_what_history_says_of_a_person_is_not_repeated(coldfill):
    said = coldfill("history", "members:M1")
    assert "email" in said and "ines@" not in said and "Ines" not in said


def test_history_for_scripts(coldfill):
    found = json.loads(coldfill("history", "fills:F5", "--json"))
    assert [v["state"] for v in found["versions"]] == ["superseded", "current"]
    assert found["versions"][1]["changed"]["stop_pressure_bar"] == [230.0, 225.0]


def test_problems_are_dismissed_by_number_or_file(station, coldfill):
    first = coldfill("rejects", code=1).splitlines()
    number = next(line for line in first if "fills-b.csv" in line)[1:11]
    assert "--reason" in coldfill("rejects", "--dismiss", number, code=2)
    assert "Dismissed 1 problem;" in coldfill("rejects", "--dismiss", number, *WHO)
    assert "Dismissed 1 problem;" in coldfill("rejects", "--dismiss", "members-b.csv", *WHO)
    s.run(station)
    said = coldfill("rejects")
    assert "No open problems." in said and "2 more were dismissed" in said
    assert "Dismissed by Ada: logged twice" in coldfill("rejects", "--dismissed")
    assert "1 withdrawal or return took effect" in coldfill("reinstate", f"problems:{number}", *WHO, "--run")
    assert number in coldfill("rejects", code=1)


def test_a_few_digits_of_a_hash_name_no_content(monkeypatch):
    known = pd.DataFrame({"file_sha256": ["0123456789abcdef" * 4, "012345ff" * 8]})
    monkeypatch.setattr(row_key.withdrawn, "contents", lambda _: known)
    asked = ["0123456", "01234567", "0123456789ABCDEF", "f"]
    assert [len(row_key.find(None, "files", digits, "UTC")) for digits in asked] == [0, 1, 1, 0]
