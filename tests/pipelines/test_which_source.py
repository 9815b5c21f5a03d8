"""What a log holds is proposed from its headers and values; where it reads as several, a person is asked."""

from pathlib import Path
from shutil import copy

import pytest
import small_station as s

from pipelines.readers.tables.propose import which_source
from pipelines.station.proposed_layout import ReadsAsSeveral, proposed_layout

SAMPLE = Path(__file__).parents[2] / "sample_data" / "inbox"
LOGS = {
    "fills": "Datum;Flasche;Druck Start;Druck Ende;Temp;Wer\n03.05.2026 10:10;S1;50,0;232,0;18,5;Ines\n",
    "inspections": "Bottle,Test date,Type,Result,Inspected by\nS1,2026-05-03,visual,pass,Ada\n",
    "cylinders": "Botella,Propietario,Material,Capacidad,Presión de trabajo,Estado\nS1,club,acero,12,232,en servicio\n",
    "members": "Mitglied,Vorname Name,E-Mail,Mitglied seit\n17,Ada Moss,a@example.org,2020-01-01\n",
    "compressor_log": "Compressor,Read at,Hours,Outlet temperature\nK1,2026-05-03 10:00,812,41\n",
    "air_tests": "Compressor,Sample date,Lab,CO,CO2,Oil\nK1,2026-05-03,Quay,1,400,0.1\n",
    "dives": "Dive no,Diver,Start,Duration,Max depth\n1,M1,2026-05-03 10:00,41,22\n",
}


@pytest.fixture
def file(tmp_path):
    def at(text, name="old-log.csv"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return at


@pytest.mark.parametrize("source", LOGS)
def test_what_people_write_over_their_columns_says_what_it_is(file, source):
    assert which_source(file(LOGS[source]))[0].source == source


@pytest.mark.parametrize(
    "headers",
    ["no,date,bottle,p start,p end,p target,air temp", "ID,Date,Bottle,Start,Stop,Target,Room temp"],
)
def test_short_words_over_a_log_of_fills_are_known(file, headers):
    text = f"{headers}\n1,2026-05-03 10:10,S1,50,230,232,18.5\n2,2026-05-03 11:00,S2,60,231,232,18\n"
    (found,) = which_source(file(text))
    assert found.source == "fills" and len(found.headers) == 7


@pytest.mark.parametrize(
    "source", ["fills", "cylinders", "members", "inspections", "loans", "air_tests", "bookings", "kits", "gauges"]
)
def test_our_own_headers_are_clear_whatever_the_file_is_called(tmp_path, source):
    path = next(p for p in sorted(SAMPLE.glob(f"{source}*")))
    found = which_source(Path(copy(path, tmp_path / f"old-log{path.suffix}")))
    assert [fit.source for fit in found] == [source]


def test_the_proposal_says_that_it_was_taken_to_be_that_and_by_what(tmp_path, file):
    station = s.make(tmp_path / "station")
    made, mapping = proposed_layout(station, file(LOGS["fills"]))
    assert made.source == mapping.source == "fills"
    assert made.notes[0].startswith(
        "source: the file's name does not say it; fills is proposed, for 'Datum', 'Flasche'"
    )
    named, _ = proposed_layout(station, file(LOGS["fills"], "fills-old.csv"))
    assert not any(note.startswith("source:") for note in named.notes)


def test_one_that_reads_as_several_is_asked_and_one_that_reads_as_none_is_said(tmp_path, file):
    station = s.make(tmp_path / "station")
    with pytest.raises(ReadsAsSeveral) as unclear:
        proposed_layout(station, file("Bottle,Date\nS1,2026-05-03\n"))
    assert len(unclear.value.choices) > 1 and "Give --source: " in str(unclear.value)
    with pytest.raises(ValueError, match="nor do its headers"):
        proposed_layout(station, file("Colour,Mood,Lunch\nred,good,soup\n"))
    with pytest.raises(ValueError, match="there is no such source"):
        proposed_layout(station, file("Colour\nred\n"), "colours")


def test_a_log_that_numbers_no_row_gets_a_key_built_of_what_it_has(tmp_path, file):
    station = s.make(tmp_path / "station")
    made, _ = proposed_layout(station, file(LOGS["fills"]))
    assert made.layout["key"] == ["unit_id", "filled_at"] and not any("found: fill_id" in note for note in made.notes)
    numbered, _ = proposed_layout(station, file("Nr;" + LOGS["fills"].replace("\n03", "\n1;03")))
    assert "key" not in numbered.layout and numbered.layout["headers"]["fill_id"] == "Nr"
