"""Pages read in psi, cubic feet, feet and °F: no metric figure is left, in words and drawings."""

import csv
import json
import re
from shutil import copytree

import pandas as pd
import pytest
from made_up import ME, NOW
from streamlit.testing.v1 import AppTest
from test_approved import plain
from test_logging import field, press, put

from dashboard import entry_door, in_bar
from dashboard.views import season

METRIC = re.compile(r"\d[ \u00a0](bar|°C|m|kg|L|L/min)(?![\w²³])|\b(bar|°C|kg|L/min)\b|free litres")
#: a partial pressure is absolute and stays bar; classes of size are litres of water
PARTIAL = re.compile(r"ppO₂ [\d.]+[ \u00a0]bar|\d+ to \d+ L\b")
#: what divers elsewhere hold to is said in the unit they hold to it in
PRACTICE = re.compile(r"50[ \u00a0]bar is common practice")


def _in_psi(published, page, role, member):
    from pathlib import Path

    from dashboard.access import Viewer
    from dashboard.app import VIEWS
    from dashboard.data import open_snapshot
    from schemas import reading_units

    with reading_units.reading("us"):
        VIEWS[page].page(open_snapshot(Path(published), Viewer(role, member)))


def run(published, page, role="alone", member=None, **state):
    asked = {"published": str(published), "page": page, "role": role, "member": member}
    test = AppTest.from_function(_in_psi, default_timeout=20, kwargs=asked)
    for key, value in state.items():
        test.session_state[key] = value
    test.run()
    assert not test.exception, test.exception
    return test


def words_of_figures(test):
    """Titles, legends, marks and what hovering says."""
    for chart in test.get("plotly_chart"):
        spec = json.loads(chart.proto.spec)
        layout = spec["layout"]
        for axis in ("xaxis", "yaxis", "yaxis2"):
            yield layout.get(axis, {}).get("title", {}).get("text", "")
        yield from (str(note.get("text")) for note in layout.get("annotations", []))
        for trace in spec["data"]:
            yield from (str(trace.get(key, "")) for key in ("name", "hovertemplate"))
            yield from (str(text) for text in trace.get("text", []) if isinstance(text, str))


@pytest.mark.parametrize(
    "page, role, state",
    [
        ("filling", "operator", {"unit": "A11-2", "filling_part": "day"}),
        ("fleet", "alone", {"fleet_part": "life", "cylinder": "A11-2"}),
        ("divers", "manager", {}),
        *(("season", "diver", {"season_part": part}) for part in season.PARTS),
    ],
)
def test_no_metric_figure_is_left(published, page, role, state):
    test = run(published, page, role, ME if role == "diver" else None, **state)
    said = [plain(element.proto.body) for element in test.get("html")]
    labels = [w.label for kind in ("selectbox", "text_input") for w in test.get(kind)]
    shown = "\n".join([*said, *labels, *words_of_figures(test)])
    left = [line for line in shown.splitlines() if METRIC.search(PRACTICE.sub("", PARTIAL.sub("", line)))]
    assert not left


def test_a_stop_is_typed_in_psi_and_kept_so(tmp_path, published, monkeypatch):
    copytree(published, tmp_path / "published")
    (tmp_path / "inbox").mkdir()
    monkeypatch.setattr(entry_door, "now", lambda: NOW + pd.Timedelta(hours=1))
    test = run(tmp_path / "published", "filling", "operator", unit="T12-1", filling_part="log")
    assert field(test, "Wanted once cold, psi").value == "3364"  # of 232 bar, and never more
    for label, typed in {"Read at the start, psi": 700.0, "Stopped at, psi": 3300.0, "Who filled": "Cora"}.items():
        put(test, label, typed)
    assert "The stop of T12-1 at 3\u202f300 psi" in press(test, "Save the stop")
    (file,) = (tmp_path / "inbox" / "entries").glob("fills-*-us.csv")
    with file.open(newline="") as held:
        (row,) = csv.DictReader(held)
    assert (row["stop_pressure_psi"], row["start_pressure_psi"], row["ambient_F"]) == ("3300", "700", "64.4")


def test_bar_typed_into_a_field_for_psi_is_asked_about_before_it_is_saved(tmp_path, published, monkeypatch):
    copytree(published, tmp_path / "published")
    (tmp_path / "inbox").mkdir()
    monkeypatch.setattr(entry_door, "now", lambda: NOW + pd.Timedelta(hours=1))
    test = run(tmp_path / "published", "filling", "operator", unit="T12-1", filling_part="log")
    for label, typed in {"Read at the start, psi": 50.0, "Stopped at, psi": 230.0, "Who filled": "Cora"}.items():
        put(test, label, typed)
    text = press(test, "Save the stop")
    assert (
        "a stop of 230 psi is 16 bar, where up to 3\u202f364 psi may be inside: is it bar? If it is psi, press" in text
    )
    assert not [*tmp_path.glob("inbox/entries/*")]
    assert "Not saved" not in press(test, "Save the stop") and len([*tmp_path.glob("inbox/entries/*.csv")]) == 1


@pytest.mark.parametrize("stop, units", [(3300.0, "us"), (1200.0, "us"), (40.0, "us"), (None, "us"), (230.0, "metric")])
def test_what_may_well_be_psi_is_not_asked_about(stop, units):
    unit, row = pd.Series({"permitted_bar": 232.0}), {"stop_pressure_bar": stop}
    assert not in_bar.asked(row, unit, units, "stop_pressure_bar", "a stop of")
    assert in_bar.asked({"stop_pressure_bar": 230.0}, unit, "us", "stop_pressure_bar", "a stop of")
