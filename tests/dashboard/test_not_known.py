"""What a snapshot does not have, or cannot give, is not known: never none, and never nothing wrong."""

import json
import shutil
import sys
import uuid
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest
from made_up import fills as made_up_fills
from streamlit.testing.v1 import AppTest
from test_pages import said

from dashboard.access import ALONE, Viewer
from dashboard.data import open_snapshot
from dashboard.views import air, dive, divers, filling_held, fleet
from schemas.holds import still_inside
from schemas.snapshot import NothingPublished, SnapshotDamaged, read_manifest

APP = Path(__file__).parents[2] / "dashboard/app.py"


@dataclass
class Published:
    """A published folder whose parts are not held to a hash, as an earlier version left them."""

    folder: Path

    @property
    def inside(self) -> Path:
        return self.folder / read_manifest(self.folder).name

    def parts(self, table):
        return sorted((self.inside / table).glob("*.parquet"))

    def listing(self, change):
        path = self.inside / "manifest.json"
        listed = json.loads(path.read_text(encoding="utf-8"))
        change(listed)
        listed.pop("seal", None)
        path.write_text(json.dumps(listed), encoding="utf-8")

    def snapshot(self):
        return open_snapshot(self.folder, Viewer(ALONE))


@pytest.fixture
def old(published, tmp_path):
    made = Published(tmp_path / uuid.uuid4().hex)  # what is kept of a folder is kept by its name
    shutil.copytree(published, made.folder)
    made.listing(
        lambda listed: [part.pop("sha256", 0) for parts in listed["tables"].values() for part in parts.values()]
    )
    return made


@pytest.mark.parametrize("table", ["gas_sources", "recall", "rejects", "fill_quality"])
def test_a_table_that_is_not_listed_is_not_known(old, table):
    old.listing(lambda listed: listed["tables"].pop(table))
    for columns in (None, []):
        with pytest.raises(SnapshotDamaged, match=f"no table {table}.*coldfill run"):
            old.snapshot().table(table, columns)
    if table == "fill_quality":
        with pytest.raises(SnapshotDamaged, match="no table"):
            old.snapshot().latest(table, "filled_at")


@pytest.mark.parametrize(
    "table, column",
    [("gas_sources", "air_state"), ("cylinder_health", "inspection_state"), ("fill_quality", "verdict")],
)
def test_a_column_that_a_part_does_not_have_is_not_known_and_the_others_are(old, table, column):
    for part in old.parts(table):
        pq.write_table(pq.read_table(part).drop_columns([column]), part)
    snapshot = old.snapshot()
    for ask in ({"columns": None}, {"columns": [column]}, {"columns": [], column: "failed"}):
        with pytest.raises(SnapshotDamaged, match=f"no column {column} of {table}"):
            snapshot.table(table, **ask)
    other = next(c for c in pq.read_schema(old.parts(table)[0]).names if c != column)
    assert len(snapshot.table(table, [other]))


@pytest.mark.parametrize("at", [0.02, 0.5])
def test_bytes_that_are_not_those_written_are_said_to_be_damaged_where_no_hash_says_so(old, at):
    part = old.parts("fill_quality")[0]
    data = bytearray(part.read_bytes())
    begin = int(at * len(data))
    data[begin : begin + 400] = bytes(400)
    part.write_bytes(bytes(data))
    with pytest.raises(NothingPublished, match="damaged"):
        old.snapshot().table("fill_quality")


def test_a_listing_that_cannot_be_read_is_said_on_the_page(old):
    (old.inside / "manifest.json").write_text('{"name":', encoding="utf-8")
    page = AppTest.from_file(str(APP), default_timeout=30)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["app.py", "--published", str(old.folder)])
        page.run()
    assert not page.exception
    assert "Nothing to show" in said(page) and "coldfill" in said(page)


@pytest.mark.parametrize("state", ["unknown", "other", None])
def test_a_cylinder_of_unknown_state_is_not_in_date(state):
    health = pd.DataFrame(
        {
            "cylinder_id": ["A", "B"],
            "status": "in_service",
            "inspection_state": pd.Series(["in_date", state], dtype="str"),
            "next_due_on": pd.NaT,
        }
    )
    by = fleet.groups(health)
    assert {name: list(rows["cylinder_id"]) for name, rows in by.items() if len(rows)} == {
        "barred": ["B"],
        "in_date": ["A"],
    }


def test_a_quantity_that_nobody_measured_is_not_within_its_limit():
    last = pd.DataFrame({"quantity": list("abc"), "verdict": ["pass", "not_measured", "fail"]})
    assert air.not_within(last)["quantity"].tolist() == ["b", "c"]


def test_a_dive_is_talked_about_for_policy_or_surfacing_and_one_of_which_nothing_is_known_is_not():
    known = [(True, False), (False, True), (None, True), (True, None), (False, False), (None, None)]
    reserve = pd.DataFrame(
        {
            "dive_id": list("abcdef"),
            "below_policy": pd.array([policy for policy, _ in known], dtype="boolean"),
            "below_surfacing_min": pd.array([low for _, low in known], dtype="boolean"),
            "required_free_l_there": 900.0,
            "least_margin_free_l": -100.0,
            "surfaced_free_l": [400.0, 300.0, 300.0, -400.0, 900.0, None],  # d: less than nothing was left
        }
    )
    assert divers.to_talk_about(reserve)["dive_id"].tolist() == ["a", "b", "c"]


def test_the_dive_to_look_at_first_is_that_with_the_least_margin_and_not_one_of_unknown_margin():
    reserve = pd.DataFrame(
        {
            "dive_id": list("abcd"),
            "least_margin_free_l": [None, -50.0, -300.0, 200.0],
            "surfaced_bar": [5.0, 30.0, 60.0, 90.0],
        }
    )
    assert dive.thinnest(reserve) == "c"
    assert dive.thinnest(reserve.assign(least_margin_free_l=None)) == "a"  # then by the pressure at the surface


def test_what_forbids_filling_stands_first_among_what_stands_against_cylinders(monkeypatch):
    """Worst first: one leak that is flagged is less than three cylinders out of date, and minor things come last."""
    said_in_order: list[str] = []
    monkeypatch.setattr(fleet.parts, "line", lambda lead, *more: said_in_order.append(str(lead)) or "")
    monkeypatch.setattr(fleet.parts, "show", lambda *what: None)
    minor = sorted(fleet.words.MINOR_REASONS)[0]
    reasons = [["leaks"], ["hydrostatic_out_of_date"], ["hydrostatic_out_of_date", minor], ["leaks"], [minor]]
    fleet.reasons(pd.DataFrame({"cylinder_id": list("abcde"), "score_reasons": [*reasons]}))
    wanted = [fleet.sentence(code) for code in ("hydrostatic_out_of_date", "leaks", minor)]
    assert [next(w for w in wanted if fleet.parts.text(w) in said) for said in said_in_order] == wanted


def test_a_filter_whose_life_is_over_is_said_to_be_used_up():
    said = [air._left(hours).replace("\u00a0", " ") for hours in (-12.0, -0.6, 0.0, 5.0, None)]
    assert said == ["used up 12 h ago", "used up 1 h ago", "0 h", "5 h", "not known"]


def test_the_diver_to_see_first_is_thin_and_of_these_the_one_most_often_below():
    watch = pd.DataFrame(
        {
            "member_id": list("abcde"),
            "state": ["comfortable", "thin", "thin", "watch", "thin"],
            "dives_considered": 10,
            "dives_not_assessed": 0,
            "dives_below_policy": [9, 2, 5, 9, 2],
            "dives_below_surfacing_min": [0, 1, 0, 0, 3],
            "dives_surfaced_known": 10,
            "chance_next_below": [None, 0.1, 0.2, 0.9, 0.1],
        }
    )
    assert divers.worst_first(watch)["member_id"].tolist() == ["c", "e", "b", "d", "a"]


def test_what_was_released_or_is_no_more_inside_is_not_on_the_list_of_holds(monkeypatch):
    shown: list[str] = []
    monkeypatch.setattr(filling_held.parts, "heading", lambda title, *more: shown.append(title))
    monkeypatch.setattr(filling_held.parts, "show", lambda *what: None)
    monkeypatch.setattr(filling_held, "_cause", lambda *given: None)
    monkeypatch.setattr(filling_held, "look_first", lambda *given: None)
    all_held = made_up_fills().assign(verdict="stop", released=False)
    inside = still_inside(all_held)
    all_held.loc[all_held.index[inside][0], "released"] = True
    filling_held.show(None, all_held)
    assert shown[0].endswith(f": {int(inside.sum()) - 1}") and inside.sum() < len(all_held)
