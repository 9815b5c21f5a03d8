"""A station begins by options or by asking; nothing is made of what cannot be meant."""

import pytest
from typer.testing import CliRunner

from pipelines.cli.commands import app
from pipelines.cli.options import Stop
from pipelines.station.settings import SettingsError, load_station
from schemas.entries import written


def init(*options, say=""):
    return CliRunner().invoke(app, ["init", *map(str, options)], input=say)


def test_options_make_settings_and_sources(tmp_path):
    made = init(
        tmp_path / "s", "--name", "Quay", "--units", "us", "--rule-set", "us", "--time-zone", "America/New_York",
        "--compressor", "K-1", "--bank", "B-1", "--manager", "Mo@quay.example",
    )  # fmt: skip
    assert made.exit_code == 0, made.output
    station = load_station(tmp_path / "s")
    assert (station.name, station.units, station.time_zone) == ("Quay", "us", "America/New_York")
    assert station.people == {"mo@quay.example": "manager"}
    rows = [(w.source, w.row.get("source_id") or w.row["compressor_id"]) for w in written(station.inbox)]
    assert sorted(rows) == [("compressors", "K-1"), ("sources", "B-1"), ("sources", "K-1")]


def test_asked_it_takes_enter_and_asks_again_for_what_cannot_be(tmp_path):
    answers = "Quay\nEurope/Dublinn\nEurope/Dublin\nnowhere\nuk\n\nK-1, K-2\n\n"
    made = init(tmp_path / "s", "--ask", say=answers)
    assert made.exit_code == 0, made.output
    assert "no time zone" in made.output and "none of" in made.output
    station = load_station(tmp_path / "s")
    assert (station.name, station.time_zone, station.units) == ("Quay", "Europe/Dublin", "metric")
    assert len(written(station.inbox)) == 4


@pytest.mark.parametrize(
    "options, says",
    [(("--units", "imperial"), "not one of metric, us"), (("--compressor", "K", "--bank", "K"), "one name")],
)
def test_what_cannot_be_meant_makes_nothing(tmp_path, options, says):
    made = init(tmp_path / "s", *options)
    assert isinstance(made.exception, Stop) and says in str(made.exception)
    assert not (tmp_path / "s").exists()


def test_a_station_that_is_there_is_not_asked_about(tmp_path):
    init(tmp_path / "s")
    assert isinstance(init(tmp_path / "s", "--ask").exception, SettingsError)
