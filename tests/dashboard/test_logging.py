"""What can be logged on the pages, by whom, and what is said of it, without a browser."""

import datetime as dt
import json
import threading
from contextlib import nullcontext
from shutil import copytree

import made_up
import pandas as pd
import pytest
import streamlit as st
from made_up import ME
from streamlit.testing.v1 import AppTest
from test_pages import run, said

from dashboard import app, code_door, entry_door, run_after_entry
from dashboard.access import MAY_LOG, ROLES, Refused, Viewer, may_log
from dashboard.data import open_snapshot
from dashboard.entry_form import _to_type
from dashboard.views import saved
from pipelines.station.settings import write_station
from schemas import entries, reading_units, station_code
from schemas.clearance import fill_clearance
from schemas.entries import NotSaved, new_token
from schemas.typed_number import as_typed

MOMENT = made_up.NOW + pd.Timedelta(hours=1)
LOG = {"unit": "T12-1", "filling_part": "log"}


@pytest.fixture
def station(tmp_path, published, monkeypatch):
    """The made-up station with an inbox, an hour after its last run."""
    copytree(published, tmp_path / "published")
    (tmp_path / "inbox").mkdir()
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT)
    return tmp_path / "published"


def labelled(test, label):
    return [w for kind in ("text_input", "selectbox", "time_input") for w in test.get(kind) if w.label == label]


def field(test, label):
    found = labelled(test, label)
    assert len(found) == 1, (label, found)
    return found[0]


def put(test, label, value):
    """What somebody types or chooses; a figure as it is typed."""
    field(test, label).set_value(f"{value:g}" if isinstance(value, float) else value)


def press(test, label):
    next(b for b in test.button if b.label == label).click()
    test.run()
    assert not test.exception, test.exception
    return said(test)


def log_stop(test, **more):
    for label, value in (
        {"Read at the start, bar": 50.0, "Stopped at, bar": 230.0, "Who filled": "Cora"} | more
    ).items():
        put(test, label, value)
    return press(test, "Save the stop")


def rows(published):
    return [w.row for w in entries.written(published.parent / "inbox")]


def test_a_stop_is_logged_with_three_numbers_and_a_name(station):
    test = run(station, "filling", "operator", **LOG)
    text = log_stop(test)
    assert "Saved, being computed" in text and "The stop of T12-1 at 230 bar, 30 Jun 2031, 20:00, by Cora." in text
    (row,) = rows(station)
    assert row["unit_id"] == "T12-1" and row["operator"] == row["entered_by"] == "Cora"
    assert (row["start_pressure_bar"], row["stop_pressure_bar"], row["target_pressure_bar"]) == ("50", "230", "232")
    assert row["filled_at"] == "2031-06-30T19:00:00Z" and row["source_id"] == "bank-1" and row["ambient_c"] == "18"
    press(test, "Log another stop")
    assert field(test, "Stopped at, bar").value is None  # the next form is a new one


def test_what_is_refused_has_its_reason_beside_its_field_and_keeps_what_was_typed(station):
    test = run(station, "filling", "operator", **LOG)
    text = log_stop(test, **{"Stopped at, bar": 3365.0, "Who filled": "", "O₂ wanted, %": 0.32})
    for reason in (
        "Above 450 bar, gauge. Is it psi?",
        "Did you mean 32?",
        "Say who you are",
        "Not saved: look at what",
    ):
        assert reason in text
    # the part it stands in may be folded away: said at the button too
    assert text.count("Did you mean 32?") == 2 and text.count("Say who you are") == 1
    assert rows(station) == [] and field(test, "Stopped at, bar").value == "3365"
    text = log_stop(test, **{"O₂ wanted, %": 32.0})
    assert "Not saved" not in text and len(rows(station)) == 1


@pytest.mark.parametrize(
    "label, typed, says",
    [
        ("Read at the start, bar", "1,500", "1,500: a decimal comma or thousands? Thousands take no mark"),
        ("Stopped at, bar", "1.230", "1.230: a decimal point or thousands?"),
        ("Minutes it took", "1 500", "1 500: thousands take no mark."),
        ("O₂ wanted, %", "32 %", "32 %: type the figure alone, in %."),
        ("Surroundings, °C", "1,2,3", "1,2,3 is not a number"),
    ],
)
def test_a_figure_that_could_be_two_is_refused_beside_its_field_and_nothing_is_saved(station, label, typed, says):
    test = run(station, "filling", "operator", **LOG)
    before = field(test, label).value
    assert says in log_stop(test, **{label: typed}) and rows(station) == []
    assert field(test, label).value == typed
    text = log_stop(test, **{label: before or "60,5"})
    assert "Not saved" not in text and len(rows(station)) == 1


def test_a_form_is_begun_with_figures_that_a_gauge_shows():
    for value, unit, begun in ((12.222222222222221, "°C", "12.2"), (232.4999, "bar", "232.4"), (20.95, "", "20.95")):
        assert as_typed(_to_type(value, reading_units.shown(unit))) == begun


def test_pressed_twice_before_the_page_has_turned_it_is_one_row(station, monkeypatch):
    """The second press reaches the form while the first one is still being answered."""
    test = run(station, "filling", "operator", **LOG)
    monkeypatch.setattr("dashboard.entry_form.EntryForm._close", lambda *_: None)
    log_stop(test)
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT + pd.Timedelta(seconds=3))
    press(test, "Save the stop")
    assert len(rows(station)) == 1


def test_what_another_browser_has_just_logged_is_asked_about_before_it_is_a_second_row(station):
    log_stop(run(station, "filling", "operator", **LOG), **{"Stopped at, bar": 231.0})
    second = run(station, "filling", "operator", **LOG)
    text = log_stop(second, **{"Who filled": "Dora"})
    assert "Not saved: a stop of T12-1 at 231" in text and "was logged by Cora at 20:00" in text
    assert len(rows(station)) == 1
    assert "Not saved" not in press(second, "Save the stop")
    assert {r["entered_by"] for r in rows(station)} == {"Cora", "Dora"}
    assert len({r["fill_id"] for r in rows(station)}) == 2


def test_a_stop_of_hours_ago_and_of_another_unit_is_no_doubt(station):
    log_stop(run(station, "filling", "operator", **LOG))
    test = run(station, "filling", "operator", **LOG)
    assert "Not saved" not in log_stop(test, **{"Time, if not just now": dt.time(17, 0)})
    assert len(rows(station)) == 2


def test_a_form_that_stood_open_overnight_is_shown_once_more(station, monkeypatch):
    test = run(station, "filling", "operator", **LOG)
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT + pd.Timedelta(hours=14))
    text = log_stop(test)
    assert "has stood open since 30 Jun 2031, 20:00" in text and rows(station) == []
    press(test, "Save the stop")
    assert [r["filled_at"] for r in rows(station)] == ["2031-07-01T09:00:00Z"]


def test_surroundings_of_yesterday_are_not_offered_for_today(station, monkeypatch):
    assert field(run(station, "filling", "operator", **LOG), "Surroundings, °C").value == "18"
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT + pd.Timedelta(hours=20))
    assert field(run(station, "filling", "operator", **LOG), "Surroundings, °C").value is None


def test_an_earlier_stop_has_its_time_at_the_station_and_a_time_ahead_asks_for_its_day(station):
    test = run(station, "filling", "operator", **LOG)
    text = log_stop(test, **{"Time, if not just now": pd.Timestamp("23:30").time()})
    assert "That is later than now: give the day too." in text and rows(station) == []
    log_stop(test, **{"Time, if not just now": pd.Timestamp("17:30").time()})
    assert [r["filled_at"] for r in rows(station)] == ["2031-06-30T16:30:00Z"]


def test_one_side_of_a_joined_set_is_logged_as_the_set(station):
    tables = map(
        open_snapshot(station, Viewer("alone")).table, ("units", "cylinder_health", "fill_quality", "gas_sources")
    )
    assert fill_clearance("T12-1L", *tables).whole == "T12-1"


def test_a_clock_that_stands_before_the_last_run_saves_nothing(station, monkeypatch):
    monkeypatch.setattr(entry_door, "now", lambda: pd.Timestamp("2026-01-01T00:00Z"))
    text = log_stop(run(station, "filling", "operator", **LOG), **{"Surroundings, °C": 18.0})
    assert "Not saved: the clock of the station" in text and "before its last run" in text and rows(station) == []


@pytest.mark.parametrize(("minutes", "saved"), [(60.0, True), (-4.9, True), (-5.1, False), (-120.0, False)])
def test_a_clock_may_stand_five_minutes_before_the_last_run(station, monkeypatch, minutes, saved):
    snapshot = open_snapshot(station, Viewer("operator"))
    made_at = pd.Timestamp(snapshot.manifest.created_at)
    made_at = made_at.tz_localize("UTC") if made_at.tz is None else made_at
    monkeypatch.setattr(entry_door, "now", lambda: made_at + pd.Timedelta(minutes=minutes))
    monkeypatch.setattr(entry_door.entries, "save", lambda *given: "saved")
    monkeypatch.setattr(entry_door, "ask_for_run", lambda published: None)
    with nullcontext() if saved else pytest.raises(NotSaved, match="clock of the station"):
        assert entry_door.save(snapshot, "stop", "fills", {}, "Ines", "filling", "t") == "saved"


def test_an_inbox_that_is_gone_is_said(station):
    (station.parent / "inbox").rmdir()
    text = log_stop(run(station, "filling", "operator", **LOG))
    assert "Not saved: the station has no inbox" in text


@pytest.mark.parametrize("kind", MAY_LOG)
@pytest.mark.parametrize("role", ROLES)
def test_who_may_not_log_is_refused_at_the_door_whatever_the_page_shows(station, role, kind):
    viewer = Viewer(role, ME if role == "diver" else None)
    snapshot = open_snapshot(station, viewer)
    may = role in ("alone", "manager") or (
        role == "operator" and kind in ("stop", "analysis", "settled", "release", "return")
    )
    expected = NotSaved if may else Refused  # an empty row is refused for what it lacks
    with pytest.raises(expected):
        entry_door.save(snapshot, kind, "fills", {}, "Cora", "filling", new_token(MOMENT))
    assert rows(station) == []


def test_no_form_stands_where_nothing_may_be_logged(station):
    for role in ("local_network",):
        test = run(station, "filling", role, unit="T12-1")
        assert "Log it" not in str(test.main) and not [w for w in test.text_input if w.form_id]


def test_what_is_pending_names_nobody_to_who_may_not_know(station):
    log_stop(run(station, "filling", "operator", **LOG))
    snapshot = open_snapshot(station, Viewer("local_network"))
    assert "Cora" not in saved.said(snapshot, entry_door.pending(snapshot)[0])


def test_an_entry_is_told_of_until_a_snapshot_knows_it(station, monkeypatch):
    test = run(station, "filling", "operator", **LOG)
    log_stop(test)
    file = entries.written(station.parent / "inbox")[0].file
    known = pd.DataFrame({"file": [file], "file_sha256": ["ab"], "rows_accepted": [1], "rows_rejected": [0]})
    fill = test.session_state["saved_fills"][file]
    fills = made_up.fills()
    fills.loc[fills["fill_id"] == "f021", ["fill_id", "verdict"]] = [fill, "stop"]
    made_up.publish(station, name="2031-06-30T19:10:00.000001", ingest_files=known, fill_quality=fills)
    for _ in range(2):  # whoever looked away for a moment still finds it, with the verdict
        test.run()
        assert "being computed" not in said(test) and "Saved and computed: the stop" in said(test)
        assert "<strong>T12-1: Do not hand over</strong>" in said(test)
        assert "Cold, at 15 °C: 222\u00a0bar (219 to 225), asked for 232\u00a0bar." in said(test)
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT + saved.ANSWER_STAYS)
    test.run()
    assert "Saved and computed" not in said(test)


def test_what_a_run_has_judged_is_shown_with_what_is_still_to_follow(station, monkeypatch):
    test = run(station, "filling", "operator", **LOG)
    log_stop(test)
    file = entries.written(station.parent / "inbox")[0].file
    known = pd.DataFrame({"file": [file], "file_sha256": ["ab"], "rows_accepted": [1], "rows_rejected": [0]})
    made_up.first_look(station, "2031-06-30T19:10:00", ingest_files=known)
    test.run()
    assert "Saved and computed: the stop" in said(test)
    shown: list[str] = []
    monkeypatch.setattr(app.parts, "show", lambda *markup: shown.extend(map(str, markup)))
    app.header(open_snapshot(station, Viewer("operator")))
    assert "Fills alone are so new. Dives, reserves, air and fleet are of" in " ".join(shown)
    monkeypatch.undo()
    made_up.publish(station, name="2031-06-30T19:10:00.000001", ingest_files=known)
    test.run()
    assert "Saved and computed: the stop" in said(test)  # the page turned by itself, so it still says so


def test_an_entry_that_a_run_did_not_take_is_said_with_the_reason(station):
    test = run(station, "filling", "operator", **LOG)
    log_stop(test)
    file = entries.written(station.parent / "inbox")[0].file
    known = pd.DataFrame({"file": [file], "file_sha256": ["ab"], "rows_accepted": [0], "rows_rejected": [1]})
    rejects = pd.DataFrame(
        {
            "file": [file],
            "file_sha256": ["ab"],
            "row_number": [1],
            "rule": ["unknown_reference"],
            "message": ["C9 is not known."],
            "fix": ["Add it."],
            "severity": ["row"],
        }
    )
    made_up.publish(station, name="2031-06-30T19:10:00.000001", ingest_files=known, rejects=rejects)
    test.run()
    assert "Saved, but not taken: the stop" in said(test) and "C9 is not known. Add it." in said(test)


def log(test, button, **typed):
    for label, value in typed.items():
        put(test, label, value)
    return press(test, button)


def test_a_day_is_typed_as_people_say_it_and_one_that_could_be_two_is_not_guessed(station, monkeypatch):
    typed, listed = {}, st.selectbox
    # the testing library sends only what is listed
    monkeypatch.setattr(st, "selectbox", lambda label, *a, **k: typed.get(label, listed(label, *a, **k)))
    test = run(station, "fleet", "manager", fleet_part="life", cylinder="A11-2")
    shown = field(test, "Day")
    assert shown.value == MOMENT.date() and shown.options[:2] == ["30 Jun 2031, today", "29 Jun 2031, yesterday"]
    for label, value in {"Kind": "visual", "Outcome": "pass", "Who logs it": "Boss"}.items():
        put(test, label, value)
    typed["Day"] = "3/5/2031"
    assert "&#x27;3/5/2031&#x27; is 3 May or 5 Mar. Write it as" in press(test, "Save the inspection")
    assert rows(station) == []
    typed["Day"] = "3 may 2029"
    assert "Visual inspection of A11-2 on 3 May 2029" in press(test, "Save the inspection")
    assert rows(station)[0]["inspected_on"] == "2029-05-03"


def test_an_analysis_is_a_reading_of_the_last_fill(station):
    test = run(station, "filling", "operator", **LOG, **{"log_T12-1": "analysis"})
    text = log(test, "Save the analysis", **{"O₂ analysed, %": 0.32, "Who analysed": "Dora"})
    assert "Did you mean 32?" in text and rows(station) == []
    text = log(test, "Save the analysis", **{"O₂ analysed, %": 31.8, "O₂, other side, %": 31.9, "CO, ppm": 1.0})
    (row,) = rows(station)
    assert (row["fill_id"], row["analysed_o2_pct"], row["second_analysed_o2_pct"]) == ("f021", "31.8", "31.9")
    assert row["read_by"] == row["entered_by"] == "Dora" and "Saved, being computed" in text


def test_a_stop_that_was_just_saved_can_be_analysed_before_it_is_computed(station):
    log_stop(run(station, "filling", "operator", **LOG))
    test = run(station, "filling", "operator", **LOG, **{"log_T12-1": "analysis"})
    log(test, "Save the analysis", **{"O₂ analysed, %": 20.9, "Who analysed": "Dora"})
    stop, analysis = rows(station)
    assert analysis["fill_id"] == stop["fill_id"]


def test_a_settled_reading_needs_its_pressure(station):
    test = run(station, "filling", "operator", **LOG, **{"log_T12-1": "settled"})
    text = log(test, "Save the reading", **{"Surroundings, °C": 14.0, "Who read it": "Cora"})
    assert "settled_pressure_bar is empty, and what goes with it is not." in text and rows(station) == []
    log(test, "Save the reading", **{"Reads now, bar": 221.0})
    assert rows(station)[0]["settled_pressure_bar"] == "221" and rows(station)[0]["settled_c"] == "14"


def test_a_hold_is_released_with_a_reason_and_a_name(station):
    test = run(station, "filling", "operator", unit="A11-2", filling_part="log", **{"log_A11-2": "release"})
    held = said(test).split(" is held for this:")
    assert len(held) == 2 and "A11-2, " in held[0][-60:] and "was not in test" in held[1]
    text = log(test, "Release it", **{"Who releases it": "Cora"})
    assert "Needed: nothing is saved without it." in text and rows(station) == []
    log(test, "Release it", **{"Why it may be handed over": "Test report of 1 July"})
    (row,) = rows(station)
    assert (row["fill_id"], row["released_by"], row["reason"]) == ("f023", "Cora", "Test report of 1 July")


def test_what_is_out_comes_back_and_what_is_in_goes_out_by_the_manager_alone(station):
    out = {"unit": "A11-2", "filling_part": "log", "log_A11-2": "return"}
    log(
        run(station, "filling", "operator", **out),
        "Save the return",
        **{"Reads now, bar": 60.0, "Who took it back": "Cora"},
    )
    assert rows(station)[0] | {"unit_id": "A11-2", "back_pressure_bar": "60"} == rows(station)[0]
    lend = LOG | {"log_T12-1": "loan"}
    test = run(station, "filling", "manager", **lend)
    put(test, "To", ME)
    log(test, "Save the loan", **{"Who lends it": "Boss", "Due back": pd.Timestamp("2031-07-10").date()})
    loans = [w.row for w in entries.written(station.parent / "inbox") if w.source == "loans"]
    assert [(r["member_id"], r["due_on"]) for r in loans] == [(ME, "2031-07-10")]
    with pytest.raises(AssertionError):
        field(run(station, "filling", "operator", **LOG), "To")


def test_the_manager_logs_an_inspection_where_a_cylinders_life_stands(station):
    test = run(station, "fleet", "manager", fleet_part="life", cylinder="A11-2")
    text = log(test, "Save the inspection", **{"Kind": "hydrostatic", "Who logs it": "Boss"})
    assert "Needed: nothing is saved without it." in text and rows(station) == []
    log(test, "Save the inspection", **{"Outcome": "pass", "Permanent expansion, %": 2.5})
    (row,) = rows(station)
    kept = {c: row[c] for c in ("cylinder_id", "inspected_on", "kind", "result", "permanent_expansion_pct")}
    assert list(kept.values()) == ["A11-2", "2031-06-30", "hydrostatic", "pass", "2.5"]
    assert row["entered_page"] == "fleet" and "being computed" in said(test)


def test_the_manager_logs_an_air_test_and_work_at_the_compressor(station):
    test = run(station, "air", "manager")
    put(test, "Odour", "none")
    log(test, "Save the air test", **{"CO, ppm": 2.0})
    assert rows(station) == []  # nobody said who
    for who in (w for w in test.text_input if w.label == "Who logs it"):
        who.set_value("Boss")
    press(test, "Save the air test")
    (row,) = rows(station)
    assert (row["compressor_id"], row["co_ppm"], row["odour"]) == ("comp-1", "2", "false") and "oil_mg_m3" not in row
    put(test, "What", "filter_change")
    for who in (w for w in test.text_input if w.label == "Who logs it"):
        who.set_value("Boss")
    text = log(test, "Save the reading", **{"Hour counter, h": 820.0, "Pumped from, bar": 200.0, "to, bar": 50.0})
    assert "A timed run ends at 50 bar, below its start at 200" in text
    assert len(rows(station)) == 1
    log(test, "Save the reading", **{"to, bar": 230.0})
    work = next(w.row for w in entries.written(station.parent / "inbox") if w.source == "compressor_log")
    assert (work["hours"], work["event"]) == ("820", "filter_change")


@pytest.mark.parametrize("page, state", [("air", {}), ("fleet", {"fleet_part": "life", "cylinder": "A11-2"})])
def test_an_operator_logs_nothing_of_the_managers(station, page, state):
    assert not run(station, page, "operator", **state).get("text_input")


@pytest.fixture
def with_code(station, monkeypatch):
    """The station with a code, its hash a cheap one."""
    monkeypatch.setattr(station_code, "COST", {"n": 1 << 10, "r": 8, "p": 1})
    monkeypatch.setattr(code_door, "_attempts", {})
    station_code.set_code(station.parent, "weir-2031")
    return station


def _as_app(published):
    """Filling as the app shows it on the local network."""
    from pathlib import Path

    from dashboard import app, code_door
    from dashboard.access import Viewer
    from dashboard.data import open_snapshot
    from dashboard.views import filling

    where = Path(published)
    snapshot = open_snapshot(where, Viewer("local_network", code_given=code_door.given(where)))
    app.header(snapshot)
    filling.page(snapshot)


def on_phone(published):
    test = AppTest.from_function(_as_app, default_timeout=20, kwargs={"published": str(published)})
    for key, value in LOG.items():
        test.session_state[key] = value
    return test.run()


def test_the_local_network_logs_by_the_station_code_and_still_sees_no_names(with_code):
    test = on_phone(with_code)
    assert "to log takes the station code" in said(test) and not labelled(test, "Stopped at, bar")
    assert "not the station code" in log(test, "Give the code", **{"Station code": "quay-2031"})
    log(test, "Give the code", **{"Station code": "weir-2031"})
    text = log_stop(test)
    assert len(rows(with_code)) == 1 and "by the station code, to log" in text
    assert "Cora" not in text and "Anna" not in text and not [w for w in test.selectbox if w.label == "For"]
    station_code.set_code(with_code.parent, "pier-2032")
    assert not labelled(test.run(), "Stopped at, bar")


def test_wrong_codes_are_counted_over_all_browsers(with_code):
    for n in range(8):
        assert "not the station code" in code_door.try_code(with_code, f"guess-{n}")
    text = log(on_phone(with_code), "Give the code", **{"Station code": "weir-2031"})
    assert "Too many wrong codes" in text and rows(with_code) == []


def test_without_a_code_nothing_is_asked_for_on_the_local_network(station):
    test = on_phone(station)
    assert "to read only" in said(test) and not [w for w in test.text_input if w.form_id]
    with pytest.raises(Refused):
        snapshot = open_snapshot(station, Viewer("local_network"))
        entry_door.save(snapshot, "stop", "fills", {}, "Cora", "filling", new_token(MOMENT))


@pytest.mark.parametrize("kind", sorted(MAY_LOG))
def test_the_code_lets_log_what_an_operator_logs_and_no_more(kind):
    assert may_log(Viewer("local_network", code_given=True), kind) == may_log(Viewer("operator"), kind)
    assert not may_log(Viewer("diver", ME, code_given=True), kind)


def test_a_run_that_publishes_nothing_is_said_while_an_entry_waits(station):
    test = run(station, "filling", "operator", **LOG)
    log_stop(test)
    (station / "last_pass.json").write_text(json.dumps({"held": "The clock says 2020-01-01, set it right."}))
    assert "The last run published nothing. The clock says 2020-01-01" in said(test.run())
    snapshot = open_snapshot(station, Viewer("local_network", code_given=True))
    assert saved._when(snapshot) == "The last run did not publish. Tell who runs the station."
    (station / "last_pass.json").write_text("[")
    assert "follow with the next run" in said(test.run())


def test_what_is_saved_while_a_run_is_at_work_gets_one_more(tmp_path, monkeypatch):
    begun, go_on, runs = threading.Semaphore(0), threading.Semaphore(0), []

    def run_slowly(station):
        runs.append(station)
        begun.release()
        go_on.acquire()
        return "no room" if len(runs) == 1 else ""

    ready = []
    monkeypatch.setattr(run_after_entry, "_run", run_slowly)
    monkeypatch.setattr(run_after_entry._standby, "prepare", ready.append)
    published = tmp_path / "published"
    assert not run_after_entry.ask_for_run(published)  # no station there
    (tmp_path / "station.toml").touch()
    assert run_after_entry.ask_for_run(published)
    begun.acquire()
    for _ in range(3):
        run_after_entry.ask_for_run(published)
    go_on.release()
    begun.acquire()
    assert run_after_entry.trouble_of(published) == "no room"
    worker = next(t for t in threading.enumerate() if t.name == f"run of {tmp_path.resolve()}")
    go_on.release()
    worker.join()
    assert len(runs) == 2 and run_after_entry.trouble_of(published) == ""
    assert ready == [tmp_path.resolve()]


def test_a_form_opened_on_a_new_day_has_that_day_computed_before_anything_is_saved(station, monkeypatch):
    asked, ready = [], []
    monkeypatch.setattr(entry_door, "ask_for_run", asked.append)
    monkeypatch.setattr(entry_door, "prepare", ready.append)
    snapshot = open_snapshot(station, Viewer("operator"))
    today = snapshot.as_of_on.tz_localize(snapshot.zone)
    by_clock = [("clock", 23), ("clock", 24), ("data", 24)]
    for says, hour in by_clock:
        snapshot.manifest.station["today"] = says
        monkeypatch.setattr(entry_door, "now", lambda at=hour: (today + pd.Timedelta(hours=at)).tz_convert("UTC"))
        entry_door.expect_entry(snapshot, "stop")
    entry_door.expect_entry(open_snapshot(station, Viewer("diver", ME)), "stop")
    assert (len(asked), len(ready)) == (1, 2)


def test_a_run_that_stands_by_begins_when_asked_and_never_by_itself(tmp_path):
    station = tmp_path / "station"
    write_station(station, name="Small station", time_zone="UTC", today="2026-03-31")
    shelf = run_after_entry._Standby()
    shelf.prepare(station)
    waiting = shelf._waiting[station]
    shelf.prepare(station)
    assert shelf._waiting[station] is waiting  # one is enough
    assert shelf.take(station) is waiting and not shelf._waiting
    _, said = waiting.communicate("begin\n")
    assert (waiting.returncode, said) == (0, "") and (station / "published" / "current").is_file()
    left = shelf._waiting[station] = run_after_entry._start(station)
    before = (station / "published" / "last_pass.json").read_bytes()
    left.communicate()  # the pages have ended
    assert left.returncode == 0 and (station / "published" / "last_pass.json").read_bytes() == before


def test_after_an_analysis_is_saved_its_tag_is_what_stands_there(station):
    """A stale tag never: what was saved of the fill is being computed, and its tag comes with it."""
    test = run(station, "filling", "operator", **LOG, **{"log_T12-1": "analysis"})
    put(test, "O₂ analysed, %", 32.1)
    put(test, "Who analysed", "Cora")
    text = press(test, "Save the analysis")
    assert "what you saved of it is being computed, and its tag with it" in text and 'class="label"' not in text
    before = said(run(station, "filling", "operator", unit="T12-1", filling_part="log", **{"log_T12-1": "tag"}))
    assert 'class="label"' not in before


def test_a_tag_says_what_was_not_analysed_bears_no_names_on_the_local_network_and_stands_on_no_hold(published):
    shown = {"filling_part": "log"}
    text = said(run(published, "filling", "operator", unit="T12-1", **shown, **{"log_T12-1": "tag"}))
    assert 'class="label"' in text and "Maximum operating depth" in text
    held = said(run(published, "filling", "operator", unit="A11-2", **shown, **{"log_A11-2": "tag"}))
    assert "Held: do not hand over." in held and 'class="label"' not in held
