"""A temperature typed in the other unit is asked about, once, and never turned round by itself."""

import pandas as pd
import pytest
from test_logging import LOG, log_stop, press, put, rows, station  # noqa: F401
from test_pages import run, said

from dashboard import in_celsius
from schemas.reading_units import METRIC, US

HERE = (-3.0, 31.0)


@pytest.mark.parametrize(
    "typed, units, asks",
    [
        (12.0, METRIC, ""),
        (54.0, METRIC, "54 °F is 12 °C: is it °F?"),
        (-20.0, METRIC, "is it right?"),
        (54.0, US, ""),
        (12.0, US, "12 °C is 54 °F: is it °C?"),
        (150.0, US, "is it right?"),
    ],
)
def test_what_is_not_usual_here_is_asked_about(typed, units, asks):
    found = in_celsius.question(typed, HERE, units, "around it")
    assert (found == "") is (asks == "") and asks in found


def test_what_is_usual_is_what_was_logged_and_a_slip_among_them_widens_nothing():
    at = pd.Timestamp("2031-06-01", tz="UTC")
    fills = pd.DataFrame(
        {"filled_at": [at + pd.Timedelta(hours=n) for n in range(200)], "ambient_c": [10.0, 20.0] * 100}
    )
    fills.loc[7, "ambient_c"] = 58.0
    low, high = in_celsius.surroundings(fills)
    assert (low, high) == (2.0, pytest.approx(28.0))
    assert in_celsius.surroundings(fills.head(9)) == (-10.0, 42.0)


def test_a_stop_in_fahrenheit_is_asked_about_beside_the_form_and_saved_once_somebody_says_so(station):  # noqa: F811
    test = run(station, "filling", "operator", **LOG)
    text = log_stop(test, **{"Surroundings, °C": 57.0})
    assert "57 °F is 14 °C: is it °F?" in text and rows(station) == []
    press(test, "Save the stop")
    assert rows(station)[0]["ambient_c"] == "57"


def test_the_advice_asks_too(station):  # noqa: F811
    test = run(station, "filling", "operator", unit="T12-1", filling_part="advice")
    put(test, "Surroundings, °C", 57.0)
    test.run()
    assert "57 °F is 14 °C: is it °F?" in said(test)


def test_the_intake_of_a_compressor_may_be_warmer_than_the_room_and_not_by_so_much(station):  # noqa: F811
    test = run(station, "air", "manager")
    for typed, asks in (("58", True), ("35", False)):
        for label, value in (("Hour counter, h", "900"), ("Intake, °C", typed), ("Who logs it", "Ines")):
            next(w for w in test.text_input if w.label == label).set_value(value)
        assert ("58 °F is 14 °C: is it °F?" in press(test, "Save the reading")) is asks
