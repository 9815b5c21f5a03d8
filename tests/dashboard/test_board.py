"""Each unit that was filled lately stands once on the day's page, under what is to be done next."""

import pandas as pd
import pytest
from test_pages import run, said

from dashboard import board
from schemas import holds, words
from schemas.codes import sentence

NOW = pd.Timestamp("2031-05-20 14:00", tz="UTC")
UNITS = pd.DataFrame({"unit_id": ["C1"], "material": ["steel"]})
HEALTH = pd.DataFrame({"cylinder_id": ["C1"], "inspection_state": ["in_date"], "status": ["in_service"]})
LIFE = pd.DataFrame({"cylinder_id": pd.Series([], dtype="str"), "at": pd.Series([], dtype="datetime64[us, UTC]"),
                     "event": pd.Series([], dtype="str")})  # fmt: skip


def fill(hours_ago: float = 1.0, **other) -> dict:
    """A good air fill of a steel 12, hot at stop."""
    return {
        "fill_id": "F1", "filled_at": NOW - pd.Timedelta(hours=hours_ago), "unit_id": "C1", "cylinder_ids": ["C1"],
        "latest_fill": True, "verdict": "good", "released": False, "on_hold": False, "reasons": [],
        "mix_verdict": "in_tolerance",
        "gas_c_basis": "model", "gas_and_wall_c": 35.0, "ambient_c": 20.0, "water_capacity_l": 12.0,
        "working_pressure_bar": 232.0, "target_pressure_bar": 232.0, "stop_pressure_bar": 230.0,
        "settled_pressure_bar_15c": 220.0, "settled_low_bar_15c": 217.0, "settled_high_bar_15c": 223.0,
        "o2_pct": 20.95, "he_pct": 0.0, "permitted_bar": 232.0, "air_state": "passed", "air_failed_on": pd.NaT,
    } | other  # fmt: skip


def one(row: dict, life: pd.DataFrame = LIFE, units: pd.DataFrame = UNITS, health: pd.DataFrame = HEALTH) -> board.Task:
    (found,) = board.tasks(pd.DataFrame([row]), units, health, life, NOW, "UTC")
    return found


def event(what: str, hours_ago: float, cylinder: str = "C1") -> pd.DataFrame:
    return pd.DataFrame({"cylinder_id": [cylinder], "at": [NOW - pd.Timedelta(hours=hours_ago)], "event": [what]})


STOP = {"verdict": "stop", "on_hold": True}


@pytest.mark.parametrize(
    ("row", "life", "state"),
    [
        (fill(1.0), LIFE, board.COOLING),
        (fill(5.0), LIFE, board.READY),
        (fill(1.0, gas_c_basis="settled"), LIFE, board.READY),
        (fill(5.0, verdict="short", reasons=["short_fill"]), LIFE, board.READY),
        (fill(5.0, verdict="attention", reasons=["gauge_drifting"]), LIFE, board.LOOK),
        (fill(5.0, verdict=None), LIFE, board.LOOK),  # unknown is not ready
        (fill(1.0, **STOP, reasons=["mix_not_analysed"]), LIFE, board.ANALYSE),
        (fill(1.0, **STOP, reasons=["mix_not_analysed", "not_in_test"]), LIFE, board.HELD),
        (fill(900.0, **STOP, reasons=["not_in_test"]), LIFE, board.HELD_LONGER),  # however old
        (fill(24.0 * 7.0 - 0.1, **STOP, reasons=["not_in_test"]), LIFE, board.HELD),
        (fill(24.0 * 7.0, **STOP, reasons=["not_in_test"]), LIFE, board.HELD_LONGER),
        (fill(5.0, **STOP, reasons=[]), LIFE, board.HELD),
        (fill(5.0, verdict="stop", released=True, reasons=["not_in_test"]), LIFE, board.LOOK),
        (fill(5.0), event("dived", 2.0), board.EMPTY),
        (fill(5.0), event("unexplained_use", 2.0), board.EMPTY),
        (fill(5.0), event("lent", 2.0), board.OUT),
        (fill(5.0), event("lent", 9.0), board.READY),  # brought in to be filled
        (fill(5.0), event("dived", 2.0, "C2"), board.READY),
        (fill(5.0, **STOP, reasons=["not_in_test"]), event("lent", 2.0), board.HELD),  # out, and not to be breathed
    ],
)
def test_what_is_next_for_a_unit(row, life, state):
    assert one(row, life).state == state


def test_what_to_look_at_is_said_and_a_fill_without_a_verdict_says_that():
    drifting = one(fill(5.0, verdict="attention", reasons=["hot_stop", "gauge_drifting"]))
    assert drifting.says == sentence("gauge_drifting", drifting.fill)
    assert one(fill(5.0, verdict=None)).says == "It has no verdict."


@pytest.mark.parametrize(
    ("state", "status", "says"),
    [
        ("out_of_date", "in_service", "out of date"),
        ("condemned", "in_service", "condemned"),
        ("unknown", "in_service", "no inspection known"),
        (None, "in_service", "not known"),
        ("in_date", "withdrawn", "withdrawn"),
        ("in_date", None, "not known"),
    ],
)
def test_a_good_fill_in_a_cylinder_that_is_not_is_to_be_looked_at(state, status, says):
    health = HEALTH.assign(inspection_state=state, status=status)
    task = one(fill(5.0), health=health)
    assert task.state == board.LOOK and says in task.says.casefold()
    assert one(fill(5.0), health=HEALTH.iloc[:0]).state == board.LOOK


def test_the_reason_that_holds_it_back_stands_first():
    says = one(fill(5.0, **STOP, reasons=["gauge_drifting", "residue_on_recall"])).says
    assert says.startswith("It was filled on top of gas that is called back")


def test_a_cooling_unit_says_from_when_it_is_worth_reading():
    """By hand: 14 kg of steel at 470 J/(kg K) and 3.1 kg of dense air at 800 J/(kg K) hold 9.1 kJ/K; 0.33 m² of wall at
    9 W/(m² K) take 51 min for it to fall to 1/e; 13 bar to lose are half a bar after 3.3 of these, 2.8 h.

    Heat capacities: handbook values, from memory; the film: common for still air with radiation, from memory.
    """
    task = one(fill(1.0))
    hours = (task.worth_reading_at - task.fill["filled_at"]).total_seconds() / 3600.0
    assert 2.5 < hours < 3.6
    assert words.clock(task.worth_reading_at, "UTC") in task.says and "220" in task.says
    unknown = one(fill(1.0, gas_and_wall_c=float("nan")))
    assert unknown.worth_reading_at - unknown.fill["filled_at"] == pd.Timedelta(hours=4)
    assert one(fill(3.5, gas_and_wall_c=float("nan"))).state == board.COOLING
    assert one(fill(0.1, unit_id="X9"), units=UNITS).state == board.COOLING  # a unit nobody registered


def test_what_was_filled_again_or_long_ago_is_not_the_days_business():
    old = fill(24.0 * board.DAYS + 1.0)
    again = fill(9.0, latest_fill=False, fill_id="F0")
    assert board.tasks(pd.DataFrame([old, again]), UNITS, HEALTH, LIFE, NOW, "UTC") == []


def test_they_stand_in_the_order_of_the_work():
    rows = [fill(5.0, unit_id="A"), fill(1.0, unit_id="B"), fill(5.0, unit_id="C", **STOP, reasons=["not_in_test"])]
    states = [t.state for t in board.tasks(pd.DataFrame(rows), UNITS, HEALTH, LIFE, NOW, "UTC")]
    assert states == [board.HELD, board.COOLING, board.READY]


@pytest.mark.parametrize("role", ["operator", "local_network"])
def test_the_page_names_every_hold_and_no_person_to_a_phone(published, role):
    from dashboard.access import Viewer
    from dashboard.data import open_snapshot

    text = said(run(published, "today", role))
    fills = open_snapshot(published, Viewer("alone")).table("fill_quality")
    for row in holds.not_released(fills).to_dict("records"):
        assert row["unit_id"] in text
    assert "Held back" in text and words.WHO_DECIDES in text
    assert "Cora" not in text


def test_an_empty_station_says_so(published_empty):
    assert "Nothing was filled in the last 7 days" in said(run(published_empty, "today"))


def test_a_station_whose_day_is_that_of_its_data_is_shown_as_it_stood_then():
    from types import SimpleNamespace

    from dashboard.views.today import moment

    fills = pd.DataFrame({"filled_at": [pd.Timestamp("2026-03-05 10:00", tz="UTC")]})
    then = moment(SimpleNamespace(station={"today": "data"}), fills)
    assert then == pd.Timestamp("2026-03-05 10:30", tz="UTC")
    for station in ({"today": "clock"}, {}):
        assert pd.Timestamp.now(tz="UTC") - moment(SimpleNamespace(station=station), fills) < pd.Timedelta(minutes=1)
    assert moment(SimpleNamespace(station={"today": "data"}), fills.iloc[:0]) > then
