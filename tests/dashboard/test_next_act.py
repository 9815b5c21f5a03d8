"""After a stop is logged on the phone: what is next for that fill is one tap away, and a slip is corrected there."""

import pandas as pd
import pytest
from made_up import ME
from test_logging import LOG, MOMENT, field, log_stop, press, put, rows, station  # noqa: F401
from test_pages import run, said

from dashboard import entry_door
from dashboard.access import Viewer
from dashboard.data import Snapshot, open_snapshot
from dashboard.views import next_act
from schemas import entries
from schemas.entries import Entry, new_token


def kinds(test):
    return {b.label: b.proto.type for b in test.button}


@pytest.fixture
def stopped(station):  # noqa: F811
    test = run(station, "filling", "operator", **LOG)
    log_stop(test)
    return test


def test_the_analysis_of_that_very_fill_is_one_tap_from_its_stop(stopped, station):  # noqa: F811
    (stop,) = rows(station)
    assert kinds(stopped)["Log its analysis"] == "primary" and "Save the stop" not in kinds(stopped)
    press(stopped, "Log its analysis")
    put(stopped, "O₂ analysed, %", 20.9)
    put(stopped, "Who analysed", "Cora")
    text = press(stopped, "Save the analysis")
    assert rows(station)[1]["fill_id"] == stop["fill_id"]
    assert "its tag follows with its verdict" in text  # the tag is what stands there next


def test_a_reading_begun_before_the_stop_is_begun_anew_with_it(station):  # noqa: F811
    test = run(station, "filling", "operator", **LOG, **{"log_T12-1": "analysis"})
    assert field(test, "Fill of").value == "f021"
    test.session_state["log_T12-1"] = "stop"
    test.run()
    log_stop(test)
    press(test, "Log its analysis")
    assert field(test, "Fill of").value == rows(station)[0]["fill_id"]


def test_a_reading_whose_form_is_older_than_another_phones_stop_is_asked_about(station):  # noqa: F811
    test = run(station, "filling", "operator", **LOG, **{"log_T12-1": "analysis"})
    log_stop(run(station, "filling", "operator", **LOG))
    put(test, "O₂ analysed, %", 31.9)
    put(test, "Who analysed", "Dora")
    assert "is this reading of that one?" in press(test, "Save the analysis") and len(rows(station)) == 1
    press(test, "Log it of that fill")
    assert field(test, "Fill of").value == rows(station)[0]["fill_id"]


def test_a_mistyped_stop_is_corrected_by_a_newer_row_of_the_same_fill(stopped, station, monkeypatch):  # noqa: F811
    press(stopped, "Correct this one")
    assert field(stopped, "Stopped at, bar").value == "230" and field(stopped, "Who filled").value == "Cora"
    put(stopped, "Stopped at, bar", 203.0)
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT + pd.Timedelta(minutes=5))
    press(stopped, "Save the correction")
    first, second = sorted(rows(station), key=lambda row: row["revised_at"])
    assert (first["stop_pressure_bar"], second["stop_pressure_bar"]) == ("230", "203")
    same = ("fill_id", "filled_at", "unit_id", "start_pressure_bar", "source_id")
    assert [first[c] for c in same] == [second[c] for c in same] and second["revised_at"] > first["revised_at"]
    assert "Log its analysis" in kinds(stopped)


def test_another_stop_and_a_correction_are_offered_while_they_can_be_meant(stopped, station, monkeypatch):  # noqa: F811
    press(stopped, "Log another stop")
    assert "Save the stop" in kinds(stopped) and "Correct the stop of 20:00" in kinds(stopped)
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT + pd.Timedelta(hours=25))
    stopped.run()
    assert not any("Correct" in label for label in kinds(stopped))


def test_where_the_form_was_left_for_long_a_further_stop_is_what_it_is_for(stopped, monkeypatch):
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT + pd.Timedelta(minutes=21))
    stopped.run()
    assert "Save the stop" in kinds(stopped) and "Log its analysis" not in kinds(stopped)


def test_entries_since_a_moment_are_those_alone(tmp_path):
    for hour in (1, 2):
        at = pd.Timestamp(f"2031-06-30 0{hour}:00", tz="UTC")
        row = {"unit_id": "T12-1", "released_at": at, "fill_id": "f1", "released_by": "A", "reason": "looked"}
        row.pop("unit_id")
        entries.save(tmp_path, Entry("releases", row, "A", "filling", new_token(at)), at, at + pd.Timedelta(days=1))
    assert len(entries.written(tmp_path, since=pd.Timestamp("2031-06-30 01:30", tz="UTC"))) == 1


def test_the_tag_is_next_once_the_fill_is_analysed(stopped, station):  # noqa: F811
    press(stopped, "Log its analysis")
    put(stopped, "O₂ analysed, %", 20.9)
    put(stopped, "Who analysed", "Cora")
    press(stopped, "Save the analysis")
    stopped.session_state["log_T12-1"] = "stop"
    stopped.run()
    assert kinds(stopped)["Show its tag"] == "primary"
    press(stopped, "Show its tag")
    assert "its tag follows with its verdict" in said(stopped)


@pytest.mark.parametrize(
    "kind, button, typed, column",
    [
        ("analysis", "Save the analysis", {"O₂ analysed, %": 23.1, "Who analysed": "Dora"}, "analysed_o2_pct"),
        (
            "settled",
            "Save the reading",
            {"Reads now, bar": 202.0, "Surroundings, °C": 15.0, "Who read it": "Dora"},
            "settled_pressure_bar",
        ),
    ],
)
def test_a_mistyped_reading_is_corrected_as_the_same_reading(station, monkeypatch, kind, button, typed, column):  # noqa: F811
    test = run(station, "filling", "operator", **LOG, **{"log_T12-1": kind})
    for label, value in typed.items():
        put(test, label, value)
    if "Look again" in press(test, button):
        press(test, button)
    test.session_state["log_T12-1"] = kind  # after an analysis its tag stands there
    test.run()
    press(test, next(label for label in kinds(test) if label.startswith("Correct the")))
    label = next(iter(typed))
    assert field(test, label).value == f"{typed[label]:g}"
    put(test, label, 221.0 if kind == "settled" else 32.1)
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT + pd.Timedelta(minutes=5))
    press(test, "Save the correction")
    first, second = sorted(rows(station), key=lambda row: row["revised_at"])
    assert (first["fill_id"], first["read_at"]) == (second["fill_id"], second["read_at"])
    assert first[column] != second[column]


def test_a_correction_where_no_names_are_shown_keeps_whose_it_is(station, monkeypatch):  # noqa: F811
    test = run(station, "filling", "manager", **LOG)
    put(test, "For", ME)
    log_stop(test)
    monkeypatch.setattr(Snapshot, "names", lambda _: {})
    press(test, "Correct this one")
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT + pd.Timedelta(minutes=5))
    press(test, "Save the correction")
    assert [row["member_id"] for row in rows(station)] == [ME, ME]


def test_when_it_is_worth_a_settled_reading_is_said_of_a_fill_that_has_none(published):
    snapshot = open_snapshot(published, Viewer("operator"))
    fills = snapshot.table("fill_quality")
    by = {basis: rows.iloc[0] for basis, rows in fills.groupby("gas_c_basis")}
    said_of = {basis: str(next_act.worth_reading(snapshot, row["fill_id"], 1)) for basis, row in by.items()}
    assert said_of.pop("settled", "") == "" and said_of
    for basis, text in said_of.items():
        assert "worth a settled reading, from" in text, basis
    assert next_act.worth_reading(snapshot, "no such fill", 1) == ""


@pytest.mark.parametrize(
    "reasons, looks",
    [
        (["mix_not_analysed", "residue_unknown", "short_fill"], "primary"),
        (["mix_not_analysed", "not_in_test"], "secondary"),
        (["short_fill"], "primary"),
    ],
)
def test_the_analysis_is_what_counts_unless_more_holds_the_fill_back(stopped, station, monkeypatch, reasons, looks):  # noqa: F811
    (stop,) = rows(station)
    whole = Snapshot.table
    judged = pd.DataFrame({"mix_verdict": ["not_analysed"], "reasons": [reasons], "gas_c_basis": ["settled"]})
    monkeypatch.setattr(
        Snapshot,
        "table",
        lambda self, name, *of, **by: judged if by == {"fill_id": stop["fill_id"]} else whole(self, name, *of, **by),
    )
    stopped.run()
    assert kinds(stopped)["Log its analysis"] == looks
