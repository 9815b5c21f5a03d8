"""A station that holds nothing is led to its first fill, and files are handed in by those who may."""

import datetime as dt
from shutil import copytree

import made_up
import pandas as pd
import pytest
import streamlit as st
from made_up import ME, OTHER
from test_logging import field, log, press, put
from test_pages import run, said

from dashboard import entry_door, hand_in
from dashboard.access import ROLES, Refused, Viewer
from dashboard.data import open_snapshot
from dashboard.views import filling
from schemas import entries
from schemas.handed_in import NotTaken

MOMENT = made_up.NOW + pd.Timedelta(hours=1)


def beside_an_inbox(folder, snapshots, monkeypatch):
    copytree(snapshots, folder / "published")
    (folder / "inbox").mkdir()
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT)
    return folder / "published"


def test_one_form_registers_a_cylinder_with_its_inspections_once(tmp_path, published_empty, monkeypatch):
    station = beside_an_inbox(tmp_path, published_empty, monkeypatch)
    test = run(station, "filling", "manager")
    assert "1. Cylinders: no cylinder yet" in said(test) and "Which cylinder or set?" not in [
        s.label for s in test.selectbox
    ]
    for label, value in {
        "Its name or number": "C-1",
        "Material": "steel",
        "Water capacity in litres": 12.0,
        "Working pressure, bar": 232.0,
        "Last visual passed on": dt.date(2031, 5, 2),
        "Who enters it": "Cora",
    }.items():
        put(test, label, value)
    text = press(test, "Save the cylinder")
    assert "The cylinder C-1" in text and "Visual inspection of C-1 on 2 May 2031, 30 Jun" in text
    saved = {w.source: w.row for w in entries.written(tmp_path / "inbox")}
    assert saved["cylinders"]["water_capacity_l"] == "12" and saved["cylinders"]["status"] == "in_service"
    assert (saved["inspections"]["kind"], saved["inspections"]["result"]) == ("visual", "pass")
    assert len(saved) == 2  # no hydrostatic test was given, so none is made up


def test_a_stamp_with_a_month_alone_will_do_for_an_inspection_and_the_next_step_is_beside_what_was_saved(
    tmp_path, published_empty, monkeypatch
):
    station = beside_an_inbox(tmp_path, published_empty, monkeypatch)
    typed, listed = {"Last hydrostatic passed on": "May 2029"}, st.selectbox
    monkeypatch.setattr(st, "selectbox", lambda label, *a, **k: typed.get(label, listed(label, *a, **k)))
    test = run(station, "filling", "manager")
    assert not [b for b in test.button if b.label.startswith("Next: ")]
    log(test, "Save the cylinder", **{"Its name or number": "C-1", "Material": "steel", "Who enters it": "Cora",
                                      "Water capacity in litres": 12.0, "Working pressure, bar": 232.0})  # fmt: skip
    saved = {w.source: w.row for w in entries.written(tmp_path / "inbox")}
    assert saved["inspections"]["inspected_on"] == "2029-05-01"
    (on,) = [b for b in test.button if b.label == "Next: where gas comes from"]
    on.click().run()
    assert field(test, "Kind").value == "compressor"


def test_who_keeps_no_register_is_not_led_there(published_empty):
    assert "First steps" not in said(run(published_empty, "filling", "operator"))


@pytest.mark.parametrize("role", ROLES)
def test_a_file_is_taken_from_a_diver_as_own_dives_and_from_who_runs_the_station(
    role, tmp_path, published, monkeypatch
):
    station = beside_an_inbox(tmp_path, published, monkeypatch)
    snapshot = open_snapshot(station, Viewer(role, ME if role == "diver" else None))
    if role in ("operator", "local_network"):
        with pytest.raises(Refused):
            hand_in.take(snapshot, "dives.csv", b"dive_id\n", "dives")
        return
    place = hand_in.take(snapshot, "dives.csv", b"dive_id\n", "dives")
    assert (tmp_path / "inbox" / place).read_bytes() == b"dive_id\n"
    if role == "diver":
        assert place.startswith(f"dives/{ME}/handed_in/") and OTHER not in place
        with pytest.raises(Refused):
            hand_in.take(snapshot, "x.csv", b"member_id\n", "members")
        with pytest.raises(NotTaken):
            hand_in.take(snapshot, "members.csv", b"member_id\n")
    else:
        assert place.startswith("handed_in/dives-")


def test_what_is_wrong_with_a_handed_in_file_names_place_and_value_and_what_to_do_once():
    comma = {"rule": "decimal_comma", "line": 2, "message": "A comma in a number.", "fix": "Write a point."}
    lost = {"rule": "uddf_dive_rejected", "line": 8, "message": "Its dive was rejected.", "fix": "Fix the dive."}
    rows = [
        comma | {"column": "max_depth_m", "value": "18,2"},
        comma | {"column": "mean_depth_m", "value": "11,0"},
        lost,
    ]
    assert hand_in.reasons_of(pd.DataFrame(rows)) == [
        "line 2: max_depth_m “18,2”: A comma in a number. Write a point.",
        "line 2: mean_depth_m “11,0”: A comma in a number.",
    ]
    only = pd.DataFrame([lost | {"column": None, "value": None}])
    assert hand_in.reasons_of(only) == ["line 8: Its dive was rejected. Fix the dive."]


@pytest.mark.parametrize("units, chosen", [(["T12-1"], "T12-1"), (["S10-4", "T12-1"], None)])
def test_at_the_first_fill_the_only_cylinder_is_the_one(published, monkeypatch, units, chosen):
    monkeypatch.setattr(filling, "fillable_units", lambda _: units)
    for step in ("wanted", "show"):
        monkeypatch.setattr(filling.first_steps, step, lambda *_: True)
    assert field(run(published, "filling", "manager"), "Which cylinder or set?").value == chosen
