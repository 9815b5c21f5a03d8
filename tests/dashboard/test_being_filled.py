"""What is being filled just now stands on the board and on other phones, until its stop is logged."""

import pandas as pd
import pytest
from test_logging import LOG, MOMENT, field, log_stop, press, put, rows, station  # noqa: F401
from test_pages import run
from test_pages import said as all_said

from dashboard import being_filled, board, entry_door
from dashboard.views import today

BEGIN = "It is being filled now"


def said(test):
    return all_said(test).replace("\u00a0", " ")


def begun(published, start="47", who="Cora", role="operator"):
    test = run(published, "filling", role, **LOG)
    put(test, "Read at the start, bar", start)
    put(test, "Who filled", who)
    press(test, BEGIN)
    return test, said(test)


def test_a_fill_that_has_begun_stands_on_the_board_and_on_another_phone_and_nothing_is_recorded(station, monkeypatch):  # noqa: F811
    _, text = begun(station)
    assert "Being filled since 20:00 (0 min), 47 bar read at the start, by Cora." in text
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT + pd.Timedelta(minutes=6))
    board = said(run(station, "today", "operator"))
    assert "Being filled: 1" in board and "since 20:00 (6 min), 47 bar read at the start, by Cora." in board
    other = run(station, "filling", "operator", **LOG)
    assert field(other, "Read at the start, bar").value == "47" and BEGIN not in [b.label for b in other.button]
    assert rows(station) == []
    log_stop(other, **{"Read at the start, bar": 47.0})
    assert "Being filled" not in said(run(station, "today", "operator")) and len(rows(station)) == 1


def test_without_names_nobody_is_named(station):  # noqa: F811
    being_filled.begin(station, being_filled.Begun("T12-1", MOMENT, 47.0, "Cora"))
    board = said(run(station, "today", "local_network"))
    assert "Being filled: 1" in board and "Cora" not in board
    being_filled.end(station, "T12-1")


@pytest.mark.parametrize("typed", ["1,500", "3365", "x"])
def test_a_start_that_cannot_be_begins_nothing(station, typed):  # noqa: F811
    begun(station, typed)
    assert being_filled.now(station, MOMENT) == []


def test_it_can_be_taken_back_and_lets_go_by_itself(station):  # noqa: F811
    test, _ = begun(station, "")
    (one,) = being_filled.now(station, MOMENT)
    assert one.start_bar is None
    assert being_filled.now(station, MOMENT + being_filled.STAYS) == []
    press(test, "It is not being filled")
    assert being_filled.now(station, MOMENT) == []


def test_a_hold_stays_on_the_board_while_its_unit_is_being_filled():
    states = (board.HELD, board.HELD_LONGER, board.ANALYSE, board.COOLING, board.READY)
    found = [board.Task(f"{state}{n}", state, {}, "", "") for state in states for n in range(2)]
    left = today.next_beside(found, {f"{state}0" for state in states})
    stay = ["held0", "held1", "held_longer0", "held_longer1", "analyse1", "cooling1", "ready1"]
    assert [task.unit_id for task in left] == stay
