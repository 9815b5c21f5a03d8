"""A layout proposed for somebody's own log: what the file shows is used, what it does not show is asked."""

import tomllib
import unicodedata

import pytest
import small_station as s

from pipelines.cli.propose_layout import print_proposal
from pipelines.readers.tables.header_words import HEADER_WORDS
from pipelines.readers.tables.propose import propose
from schemas.sources import SOURCES

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


def _without_marks(text: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))


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
        "target_pressure_bar": "Solldruck", "ambient_c": "Temp °C", "target_o2_pct": "O2 soll",
    }  # fmt: skip
    assert layout["decimal"] == "," and layout["formats"] == {"filled_at": "DD.MM.YYYY hh:mm"}
    assert layout.get("encoding", "utf-8") == encoding and layout["files"] == ["log-*.csv"]
    assert any("Not placed: 'Bemerkung'" in note for note in made.notes)  # asked, not guessed


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
    log.write_text(COMMAS, encoding="utf-8")
    print_proposal(station, log, "fills")
    said = capsys.readouterr().out
    assert "2 rows of 2 would load" in said and "[layouts.log.headers]" in said
    assert {p: p.read_bytes() for p in station.folder.rglob("*") if p.is_file()} == before
    refused = [("log.csv", "fill", "there is no such source")]
    for name, source, words in [*refused, ("gone.csv", "fills", "there is no such file")]:
        with pytest.raises(ValueError, match=words):
            print_proposal(station, tmp_path / name, source)
    (tmp_path / "empty.csv").write_text("")
    with pytest.raises(ValueError, match=r"empty\.csv"):
        print_proposal(station, tmp_path / "empty.csv", "fills")


#: day, unit, start, stop, target, room, oxygen wanted, oxygen found, who: as five logs say it
NEEDED = ("filled_at", "unit_id", "start_pressure_bar", "stop_pressure_bar", "target_pressure_bar", "ambient_c",
          "target_o2_pct", "analysed_o2_pct", "operator")  # fmt: skip
LOGS = {
    "de": "Füllnummer;Datum;Flaschen-Nr;Startdruck;Druck nachher;Druck soll;Umgebungstemperatur;O2 soll;O2 ist;Fueller",
    "fr": "Numéro;Gonflé le;Bouteille;Pression initiale;Pression finale;Pression souhaitée;"
    "Température ambiante;Mélange;O2 mesuré;Gonflé par",
    "es": "Carga nº;Fecha;Botella;Presión inicial;Presión final;Presión deseada;"
    "Temperatura ambiente;Mezcla;O2 medido;Cargado por",
    "it": "Ricarica;Data;Bombola;Pressione iniziale;Pressione finale;Pressione richiesta;"
    "Temperatura ambiente;Miscela;O2 misurato;Ricaricato da",
    "nl": "Vulling;Datum;Fles;Begindruk;Einddruk;Gewenste druk;Omgevingstemperatuur;Mengsel;O2 gemeten;Gevuld door",
}
ROWS = [f"{n};{12 + n:02}.03.2026;C1;{40 + n};23{n};232;18,5;20,9;20,8;Ada" for n in range(1, 5)]


@pytest.mark.parametrize("language", LOGS)
def test_headers_of_the_trade_are_known_in_five_languages_and_by_whatever_keyboard(tmp_path, language):
    for header in (LOGS[language], _without_marks(LOGS[language]), LOGS[language].upper()):
        _, layout = proposed(tmp_path, "\n".join([header, *ROWS]))
        theirs = header.split(";")[1:]
        assert {c: layout["headers"][c] for c in NEEDED} == dict(zip(NEEDED, theirs, strict=True))


def test_two_headers_for_one_column_and_one_header_for_two_are_left_open(tmp_path):
    rows = [f"2026-03-1{n} 10:00,C1,50,23{n},22{n},232,18,21" for n in range(4)]
    made, layout = proposed(tmp_path, "\n".join(["Date,Tank,Start,Enddruck,Stop,Target,Room,Mix", *rows]))
    assert "stop_pressure_bar" not in layout["headers"] and "start_pressure_bar" in layout["headers"]
    assert any("'Enddruck' as well as 'Stop' may mean it" in note for note in made.notes)
    assert any(note.startswith("Not placed: 'Enddruck', 'Stop'") for note in made.notes)


def test_what_no_header_says_is_proposed_by_its_values_and_asked(tmp_path):
    rows = [f"20260303101{n},C1,4{(3 * n) % 4},23{(5 * n) % 7}.5,232,18,21" for n in range(4)]
    made, layout = proposed(tmp_path, "\n".join(["A,Tank,P (bar),B,Target,Room,Gas x", *rows]))
    want = {"filled_at": "A", "stop_pressure_bar": "B", "start_pressure_bar": "P (bar)", "target_o2_pct": "Gas x"}
    assert want.items() <= layout["headers"].items() and layout["formats"] == {"filled_at": "YYYYMMDDhhmm"}
    asked = [n.split(":")[0] for n in made.notes if "no header says it" in n and n.endswith("Make sure of it.")]
    assert sorted(asked) == sorted(want)


@pytest.mark.parametrize(
    ("header", "values"),
    [
        ("Hours", [201.5, 203, 204, 209]),  # a word that is known for something else
        ("Z", [201, 202, 203, 204]),  # counts up
        ("Z", [151, 480, 220, 230]),  # beyond what a fill stops at
        ("Z (min)", [201, 240, 220, 230]),  # another unit
    ],
)
def test_figures_that_may_be_something_else_are_no_stop(tmp_path, header, values):
    rows = [f"2026-03-1{n} 10:00,C1,50,{v},232,18,21" for n, v in enumerate(values)]
    made, layout = proposed(tmp_path, "\n".join([f"Date,Tank,Start,{header},Target,Room,Mix", *rows]))
    assert "stop_pressure_bar" not in layout["headers"]
    assert made.notes[0].startswith("Needed and not found: ") and "stop_pressure_bar" in made.notes[0]


def test_figures_between_18_and_40_are_oxygen_only_where_something_says_so(tmp_path):
    rows = [f"2026-03-1{n} 10:00,C1,50,23{n},232,{v},{v}" for n, v in enumerate((19, 22, 31, 24))]
    header = "Date,Tank,Start,Stop,Target,X,{}"
    assert "target_o2_pct" not in proposed(tmp_path, "\n".join([header.format("Y"), *rows]))[1]["headers"]
    found = proposed(tmp_path, "\n".join([header.format("Y %"), *rows]))[1]["headers"]
    assert found["target_o2_pct"] == "Y %"


def test_no_word_stands_over_two_columns_of_one_source_that_values_cannot_tell_apart():
    for source, declared in SOURCES.items():
        over: dict[tuple[str, str], list[str]] = {}
        for column in declared.fields:
            kind = declared.fields[column].kind
            for word in HEADER_WORDS.get(column, ()):
                over.setdefault((word, "number" if kind in ("float", "int") else kind), []).append(column)
        twice = {word: columns for (word, _), columns in over.items() if len(columns) > 1}
        assert not twice, source
