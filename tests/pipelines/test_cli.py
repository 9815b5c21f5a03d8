"""Every command: documented, with help, plain words and exit codes that scripts can use; never a traceback."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
import small_station as s
import typer

from pipelines import cli
from schemas.snapshot import current_name

#: what a command is called with is replaced, and where it stands
pytestmark = pytest.mark.steps_as_they_are

ROOT = Path(__file__).parents[2]
GROUP = typer.main.get_command(cli.app)


def _commands(group, before: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for name, command in group.commands.items():
        path = (*before, name)
        found += _commands(command, path) if hasattr(command, "commands") else [path]
    return found


COMMANDS = _commands(GROUP)


@pytest.fixture
def coldfill(monkeypatch, capsys):
    """Runs a command as the console script does; gives exit code, output and error output."""

    def run(*words: str | Path) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["coldfill", *map(str, words)])
        code = 0
        try:
            cli.main()
        except SystemExit as ended:
            code = ended.code or 0
        printed = capsys.readouterr()
        assert "Traceback" not in printed.out + printed.err
        return code, printed.out, printed.err

    return run


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    made = s.stocked(tmp_path_factory.mktemp("station"))
    s.drop(made, "fills-bad.csv", [s.fill(20, stop_pressure_bar="3000"), s.fill(21, unit_id="C9"), s.fill(22)])
    s.run(made)
    return made


# --- words ------------------------------------------------------------------------------------
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_a_command_has_help_and_stands_in_the_readme(coldfill, command):
    code, out, _ = coldfill(*command, "--help")
    assert code == 0
    assert len(out.splitlines()) > 4
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.search(r"coldfill\b[^\n`]*\b" + r"[ |]".join(command), readme) or f"`{' '.join(command)}`" in readme, (
        "not in README.md"
    )


def test_every_option_says_what_it_is_for():
    def look(group, path):
        for name, command in group.commands.items():
            if hasattr(command, "commands"):
                look(command, (*path, name))
                continue
            for option in command.params:
                if name != "help" and option.name != "help":
                    assert getattr(option, "help", None), f"{' '.join((*path, name))} {option.name}"

    look(GROUP, ())


def test_the_readme_names_no_command_that_is_not_there():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"(?:^|`|\s|/)coldfill ([a-z][a-z-]*)\b", readme, re.MULTILINE))
    assert named <= set(GROUP.commands) | {"stands", "takes", "gives", "looks", "advises", "is", "has", "runs", "reads"}


def test_help_loads_nothing_heavy():
    printed = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "pipelines.cli", "--help"], capture_output=True, text=True
    ).stderr
    loaded = {line.rsplit("|", 1)[-1].strip().split(".")[0] for line in printed.splitlines() if "|" in line}
    assert not loaded & {
        "pandas",
        "duckdb",
        "pandera",
        "pyarrow",
        "prefect",
        "streamlit",
        "scipy",
        "plotly",
        "openpyxl",
        "lxml",
    }


def test_run_does_not_load_prefect(station):
    printed = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "pipelines.cli", "run", "--station", str(station.folder)],
        capture_output=True,
        text=True,
    ).stderr
    assert "prefect" not in printed
    assert "streamlit" not in printed


# --- exit codes -------------------------------------------------------------------------------
NEED_A_STATION = [
    ("run",),
    ("rejects",),
    ("export", "--to", "out"),
    ("check", "fills.csv"),
    ("dashboard", "--no-browser"),
    ("schedule",),
]


@pytest.mark.parametrize("words", NEED_A_STATION, ids=lambda w: w[0])
def test_without_a_station_two_and_a_sentence(coldfill, tmp_path, monkeypatch, words):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "fills.csv").write_text("fill_id\n")
    code, _out, err = coldfill(*words)
    assert code == 2
    assert "is no station" in err
    assert "coldfill init" in err
    assert [p.name for p in tmp_path.iterdir()] == ["fills.csv"]


@pytest.mark.parametrize(
    "words",
    [
        ("no-such-command",),
        ("run", "--no-such-option"),
        ("export",),
        ("template", "fills"),
        ("check",),
        ("init",),
        ("gas", "settle"),
        ("run", "--as-of", "soon"),
        ("export", "--to", "x", "--format", "pdf"),
        ("template", "tanks", "--to", "x.xlsx"),
        ("check", "there-is-no-such-file.csv"),
        ("init", "x", "--rule-set", "moon"),
        ("init", "x", "--time-zone", "Moon/Crater"),
    ],
    ids=" ".join,
)
def test_wrong_use_gives_two_and_says_why(coldfill, station, monkeypatch, words):
    monkeypatch.chdir(station.folder)
    code, out, err = coldfill(*words)
    assert code == 2
    assert err.strip() or out.strip()


def test_a_mistake_in_the_settings_is_reported_with_its_line(coldfill, tmp_path):
    made = s.make(tmp_path / "x")
    path = made.folder / "station.toml"
    path.write_text(path.read_text() + '\n[sources.fill]\nzone = "UTC"\n')
    code, _, err = coldfill("run", "--station", made.folder)
    assert code == 2
    assert "line" in err
    assert "fills" in err


# --- run --------------------------------------------------------------------------------------
def test_run_ends_with_one_when_this_pass_rejected_something_and_with_nought_after(coldfill, tmp_path):
    made = s.make(tmp_path / "x")
    s.drop(made, "cylinders.csv", s.CYLINDERS)
    s.drop(made, "fills.csv", [s.fill(1), s.fill(2, stop_pressure_bar="9999")])
    code, out, _err = coldfill("run", "--station", made.folder)
    assert code == 1
    assert "1 rejected" in out
    assert "1 open problems" in out or "1 open problem" in out
    assert coldfill("run", "--station", made.folder)[0] == 0


def test_run_for_scripts_ends_with_one_line_of_json(coldfill, station):
    code, out, _ = coldfill("run", "--station", station.folder, "--json")
    assert code == 0
    lines = out.strip().splitlines()
    printed = json.loads(lines[-1])
    assert {"files_read", "rows_read", "rows_accepted", "rows_rejected", "snapshot", "seconds"} <= printed.keys()
    assert printed["snapshot"] == current_name(station.published)
    assert len(lines) == 1


def test_run_says_where_its_time_went(coldfill, tmp_path):
    made = s.make(tmp_path)
    s.drop(made, "members.csv", s.MEMBERS)
    s.drop(made, "cylinders.csv", s.CYLINDERS)
    s.drop(made, "fills.csv", [s.fill(1)])
    _, out, _ = coldfill("run", "--station", made.folder, "--timing")
    shares = {
        line[2:].split("  ")[0]: line.split()[-4:] for line in out.split("Where the time went")[1].splitlines()[1:]
    }
    assert {"Intake", "Fills", "Fleet and air", "Publishing"} <= shares.keys() and "Dives" in shares
    took = float(re.search(r"in ([\d.]+) s", out)[1])
    assert sum(float(words[0]) for words in shares.values()) == pytest.approx(took, abs=0.06 + 0.005 * len(shares))
    assert "Where the time went" not in coldfill("run", "--station", made.folder)[1]


def test_run_takes_the_folder_one_stands_in(coldfill, station, monkeypatch):
    monkeypatch.chdir(station.folder)
    assert coldfill("run")[0] == 0


def test_an_unforeseen_error_says_how_to_see_more(coldfill, station, monkeypatch):
    monkeypatch.setattr("pipelines.refresh.run.run_pass", lambda *_, **__: 1 / 0)
    code, _, err = coldfill("run", "--station", station.folder)
    assert code == 1
    assert "--debug" in err
    with pytest.raises(ZeroDivisionError):
        monkeypatch.setattr(sys, "argv", ["coldfill", "--debug", "run", "--station", str(station.folder)])
        cli.main()


# --- check ------------------------------------------------------------------------------------
def _everything(folder: Path) -> dict[str, tuple[int, int]]:
    return {
        p.relative_to(folder).as_posix(): (p.stat().st_size, p.stat().st_mtime_ns)
        for p in folder.rglob("*")
        if p.is_file()
    }


def test_check_says_what_would_happen_and_changes_nothing(coldfill, station, tmp_path):
    good, bad = tmp_path / "fills-june.csv", tmp_path / "fills-july.csv"
    good.write_text(s.text([s.fill(23), s.fill(24)]))
    bad.write_text(s.text([s.fill(25, stop_pressure_bar="3000"), s.fill(26)]))
    before = _everything(station.folder)
    code, out, _ = coldfill("check", good, "--station", station.folder)
    assert (code, "2 would load" in out) == (0, True)
    code, out, _ = coldfill("check", good, bad, "--station", station.folder)
    assert code == 1
    assert "1 would not" in out
    assert "line 2" in out
    assert "psi" in out
    code, out, _ = coldfill("check", bad, "--station", station.folder, "--json")
    printed = json.loads(out)[0]
    assert (printed["read"], printed["accepted"], printed["rejected"]) == (2, 1, 1)
    pdf = tmp_path / "fills.csv"
    pdf.write_bytes(b"%PDF-1.5")
    code, out, _ = coldfill("check", pdf, "--station", station.folder)
    assert (code, "would be refused" in out) == (1, True)
    assert _everything(station.folder) == before


def test_check_waits_for_no_pass_and_says_so(coldfill, station, tmp_path):
    from pipelines.refresh.run import pass_lock

    file = tmp_path / "fills.csv"
    file.write_text(s.text([s.fill(1)]))
    with pass_lock(station):
        code, _, err = coldfill("check", file, "--station", station.folder)
    assert code == 2
    assert "Another run is at work" in err


def test_check_of_two_files_of_one_name(coldfill, station, tmp_path):
    for n, stop in (("a", "230"), ("b", "9999")):
        (tmp_path / n).mkdir()
        (tmp_path / n / "fills.csv").write_text(s.text([s.fill(1, stop_pressure_bar=stop)]))
    files = [tmp_path / n / "fills.csv" for n in "ab"]
    _, out, _ = coldfill("check", *files, "--station", station.folder, "--json")
    assert [f["accepted"] for f in json.loads(out)] == [1, 0]


def test_check_before_the_first_pass(coldfill, tmp_path):
    made = s.make(tmp_path / "x")
    file = tmp_path / "fills.csv"
    file.write_text(s.text([s.fill(1)]))
    before = _everything(made.folder)
    code, out, _ = coldfill("check", file, "--station", made.folder)
    assert code == 1  # the cylinder is not known yet: the row would wait
    assert "cylinders" in out
    assert _everything(made.folder) == before


def test_check_of_a_file_in_the_inbox_that_was_taken_in(coldfill, station):
    code, out, _ = coldfill("check", station.inbox / "fills.csv", "--station", station.folder)
    assert (code, "7 would load" in out) == (0, True)


# --- rejects and export -----------------------------------------------------------------------
def test_rejects_are_reported_with_file_row_column_value_and_fix(coldfill, station):
    code, out, _ = coldfill("rejects", "--station", station.folder)
    assert code == 1
    assert "fills-bad.csv, line 2, stop_pressure_bar = 3000" in out
    assert "fills-bad.csv, line 3, unit_id = C9" in out
    assert "Add it to the register" in out


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_rejects_go_to_a_file(coldfill, station, tmp_path, ending):
    import pandas as pd

    to = tmp_path / f"problems.{ending}"
    coldfill("rejects", "--station", station.folder, "--to", to)
    rows = pd.read_csv(to) if ending == "csv" else pd.read_excel(to)
    assert rows["row_number"].tolist() == [1, 2]
    assert {"file", "column", "value", "rule", "message", "fix", "line"} <= set(rows.columns)


def test_rejects_for_scripts(coldfill, station):
    printed = json.loads(coldfill("rejects", "--station", station.folder, "--json")[1])
    assert [r["row_number"] for r in printed] == [1, 2]


def test_rejects_to_an_ending_nobody_knows(coldfill, station, tmp_path):
    code, _, err = coldfill("rejects", "--station", station.folder, "--to", tmp_path / "problems.docx")
    assert code == 2
    assert ".csv" in err


def test_export_and_rejects_before_the_first_pass(coldfill, tmp_path):
    made = s.make(tmp_path / "x")
    for words in (("rejects",), ("export", "--to", tmp_path / "out")):
        code, _, err = coldfill(*words, "--station", made.folder)
        assert code == 2
        assert "coldfill run" in err


def test_init_makes_a_station_once(coldfill, tmp_path):
    code, _out, _ = coldfill("init", tmp_path / "new", "--rule-set", "de", "--time-zone", "Europe/Berlin")
    assert code == 0
    assert (tmp_path / "new" / "inbox").is_dir()
    assert s.load_station(tmp_path / "new").policy.rule_set == "de"
    code, _, err = coldfill("init", tmp_path / "new")
    assert code == 2
    assert "already" in err
    assert coldfill("run", "--station", tmp_path / "new")[0] == 0  # nothing in it is no problem


def test_demo_keeps_its_hands_off_a_folder_of_something_else(coldfill, tmp_path):
    (tmp_path / "letters.txt").write_text("x")
    code, _, err = coldfill("demo", "--no-dashboard", "--dir", tmp_path)
    assert code == 2
    assert "other things" in err
    assert [p.name for p in tmp_path.iterdir()] == ["letters.txt"]
