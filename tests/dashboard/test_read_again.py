"""A settled reading that cannot be of this fill is asked about before it is saved."""

import pandas as pd
import pytest
from test_logging import LOG, press, put, rows, station  # noqa: F401
from test_pages import run

from dashboard import read_again
from dashboard.views import filling
from schemas import fields
from schemas.reading_units import METRIC, US

AT = pd.Timestamp("2031-06-30 18:00", tz="UTC")
FILL = {"settled_pressure_bar_15c": 220.0, "settled_low_bar_15c": 217.0, "settled_high_bar_15c": 223.0,
        "gas_c_basis": "model", "o2_pct": 20.95, "he_pct": 0.0, "filled_at": AT - pd.Timedelta(hours=8)}  # fmt: skip


def ask(bar, fill=FILL, before=(), c=15.0, units=METRIC):
    row = {"settled_pressure_bar": bar, "settled_c": c, "read_at": AT}
    return read_again.asked(row, fill, before, units, "UTC", 4.0)


@pytest.mark.parametrize("bar, asks", [(220.0, False), (208.0, False), (233.0, False), (200.0, True), (240.0, True)])
def test_what_is_far_from_what_is_expected_is_asked_about(bar, asks):
    assert ("217 to 223" in ask(bar)) is asks


def test_where_it_was_read_already_the_readings_decide():
    settled = FILL | {"gas_c_basis": "settled"}
    assert ask(210.0) == "" and "by its readings so far" in ask(210.0, settled)
    assert ask(214.0, settled) == ""
    before = {"settled_pressure_bar": "200", "settled_c": "15", "read_at": "2031-06-30T14:10:00Z"}
    assert "by the reading of 14:10" in ask(220.0, before=[before]) and ask(202.0, FILL, [before | {"settled_c": ""}])


def test_what_is_still_warm_may_read_more_and_never_less():
    early = FILL | {"filled_at": AT - pd.Timedelta(hours=1)}
    assert ask(245.0, early) == "" and ask(180.0, early) != ""


def test_figures_are_the_readers_own():
    assert ask(3190.0, c=59.0, units=US) == "" and ask(2800.0, c=59.0, units=US) != ""
    assert ask(None) == ask(220.0, None) == ask(200.0, c=None) == ""


def test_the_question_is_a_sentence():
    begins = "this is 200 bar at 15 °C, against 217 to 223 bar "
    assert ask(200.0).replace("\xa0", " ").startswith(f"{begins}expected of this fill. Look again")
    read = ask(200.0, FILL | {"gas_c_basis": "settled"})
    assert read.replace("\xa0", " ").startswith(f"{begins}by its readings so far. Look again")


def test_what_no_gauge_in_bar_reads_is_refused_with_the_unit_it_may_be_of(station):  # noqa: F811
    assert ask(2900.0) == ask(220.0, c=150.0) == ""
    test = run(station, "filling", "operator", **LOG, **{"log_T12-1": "settled"})
    for label, value in {"Reads now, bar": 2900.0, "Surroundings, °C": 15.0, "Who read it": "Ines"}.items():
        put(test, label, value)
    for _ in range(2):
        text = press(test, "Save the reading")
        assert "psi" in text and "not known" not in text and rows(station) == []


def test_it_is_asked_once_and_then_saved(station):  # noqa: F811
    test = run(station, "filling", "operator", **LOG, **{"log_T12-1": "settled"})
    for label, value in {"Reads now, bar": 100.0, "Surroundings, °C": 15.0, "Who read it": "Ines"}.items():
        put(test, label, value)
    assert "Look again: the right cylinder" in press(test, "Save the reading") and rows(station) == []
    press(test, "Save the reading")
    assert rows(station)[0]["settled_pressure_bar"] == "100"


def test_a_pressure_is_called_read_only_where_somebody_read_it():
    said = filling._READ_OR_NOT
    assert set(said) == set(fields.GAS_C_BASIS.choices)
    assert [basis for basis, word in said.items() if "computed" not in word] == ["settled"]
