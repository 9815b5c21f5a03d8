"""A layout proposed for somebody's own log: what the file shows is used, what it does not show is asked."""

import tomllib

import pytest
import small_station as s

from pipelines.cli.propose_layout import print_proposal
from pipelines.readers.tables.propose import propose

COMMAS = """\
Nr;Datum;Uhrzeit;Flasche;Anfangsdruck (bar);Enddruck (bar);Solldruck;Temp °C;O2 soll;Gefüllt von;Bemerkung
1;03.03.2026;10:15;C1;48,5;231;232;18,5;20,9;Ada;
2;17.03.2026;11:40;C2;51;230,5;232;19;21;Ada;heiß
"""
PSI = """\
Fill No,Date,Time,Cylinder,Start,Stop (psi),Target psi,Ambient,Mix,Method
1,3/4/2026,10:15 AM,C1,700,3350,3365,64,20.9,top off
2,3/5/2026,11:40 AM,C2,740,3343,3365,66,21,air
"""


def proposed(folder, text: str, source: str = "fills", name: str = "log-2026.csv", encoding: str = "utf-8"):
    path = folder / name
    path.write_bytes(text.encode(encoding))
    made = propose(path, source)
    return made, tomllib.loads(made.toml())["layouts"]["log-2026"]


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_headers_day_and_clock_decimal_comma_and_encoding_are_found(tmp_path, encoding):
    made, layout = proposed(tmp_path, COMMAS, encoding=encoding)
    assert layout["headers"] == {
        "fill_id": "Nr", "filled_at": ["Datum", "Uhrzeit"], "unit_id": "Flasche", "operator": "Gefüllt von",
        "start_pressure_bar": "Anfangsdruck (bar)", "stop_pressure_bar": "Enddruck (bar)",
        "target_pressure_bar": "Solldruck", "ambient_c": "Temp °C",
    }  # fmt: skip
    assert layout["decimal"] == "," and layout["formats"] == {"filled_at": "DD.MM.YYYY hh:mm"}
    assert layout.get("encoding", "utf-8") == encoding and layout["files"] == ["log-*.csv"]
    assert any("'O2 soll', 'Bemerkung'" in note for note in made.notes)  # asked, not guessed
    assert made.notes[0].startswith("Needed and not found: target_o2_pct")


def test_units_come_from_headers_else_from_values_and_then_with_a_question(tmp_path):
    made, layout = proposed(tmp_path, PSI)
    assert layout["units"] == dict.fromkeys(
        ("start_pressure_bar", "stop_pressure_bar", "target_pressure_bar"), "psi"
    ) | {"ambient_c": "F"}
    asked = [note.split(":")[0] for note in made.notes if "Make sure of it" in note]
    assert sorted(asked) == ["ambient_c", "start_pressure_bar", "target_o2_pct"]  # no header says those
    assert layout["words"] == {"fill_method": {"top off": ""}}


def test_a_day_that_reads_both_ways_is_asked_and_one_that_does_not_is_stated(tmp_path):
    made, layout = proposed(tmp_path, PSI)
    assert "formats" not in layout
    assert any("DD/MM/YYYY hh:mm AM as well as MM/DD/YYYY hh:mm AM" in note for note in made.notes)
    assert proposed(tmp_path, PSI.replace("3/5/2026", "3/25/2026"))[1]["formats"] == {
        "filled_at": "MM/DD/YYYY hh:mm AM"
    }
    assert "formats" not in proposed(tmp_path, PSI.replace("3/4/2026,10:15 AM", "2026-03-04,10:15")
                                     .replace("3/5/2026,11:40 AM", "2026-03-05,11:40"))[1]  # fmt: skip


def test_our_own_headers_need_no_layout(tmp_path):
    made, layout = proposed(tmp_path, s.text([s.fill(1), s.fill(2)]))
    assert layout == {"source": "fills", "files": ["log-*.csv"]} and not made.notes


def test_shares_of_one_are_seen(tmp_path):
    rows = s.text([s.fill(1, target_o2_pct="0.21"), s.fill(2, target_o2_pct="0.32")])
    made, layout = proposed(tmp_path, rows.replace("target_o2_pct", "Mix"))
    assert layout["units"] == {"target_o2_pct": "fraction"} and "Make sure of it" in made.notes[0]
    # a header that says per cent is believed, and the rows are then asked about when they are read
    assert "units" not in proposed(tmp_path, rows)[1]


def test_the_proposal_is_tried_on_the_station_and_changes_nothing(tmp_path, capsys):
    station = s.make(tmp_path / "station")
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.take_in(station)
    before = {p: p.read_bytes() for p in station.folder.rglob("*") if p.is_file()}
    log = tmp_path / "log.csv"
    log.write_text(COMMAS.replace("O2 soll", "target_o2_pct"), encoding="utf-8")
    print_proposal(station, log, "fills")
    said = capsys.readouterr().out
    assert "2 rows of 2 would load" in said and "[layouts.log.headers]" in said
    assert {p: p.read_bytes() for p in station.folder.rglob("*") if p.is_file()} == before
    refused = [("log.csv", "", "does not say what it holds"), ("log.csv", "fill", "there is no such source")]
    for name, source, words in [*refused, ("gone.csv", "fills", "there is no such file")]:
        with pytest.raises(ValueError, match=words):
            print_proposal(station, tmp_path / name, source)
    (tmp_path / "empty.csv").write_text("")
    with pytest.raises(ValueError, match=r"empty\.csv"):
        print_proposal(station, tmp_path / "empty.csv", "fills")
