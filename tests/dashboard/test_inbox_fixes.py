"""Problems by cause, and what one tap on the page Inbox puts right: the small file it becomes, and for whom."""

import made_up
import pandas as pd
import pytest
from made_up import ME, NOW, OTHER
from test_logging import MOMENT, field, press, put
from test_pages import run, said

from dashboard import entry_door
from dashboard.problems import causes
from schemas import entries

BASE = {"source": "dive_tanks", "file": f"dives/{ME}/a.uddf", "file_sha256": "a", "line": 9, "severity": "row",
        "first_seen_at": NOW, "resolved_at": pd.NaT, "dismissed_at": pd.NaT, "dismissed_by": None,
        "dismissed_reason": None, "message": "?", "fix": "Do it."}  # fmt: skip


def problem(number: int, **more) -> dict:
    return BASE | {"row_number": number, "problem_id": f"{number:010x}"} | more


ROLE = {"rule": "uddf_role_unknown", "column": "role", "value": "tk-0413"}
CYLINDER = {"rule": "unknown_reference", "column": "unit_id", "value": "S12-9", "source": "fills", "file": "fills.csv"}
TEXT = {
    "rule": "not_a_number",
    "column": "ambient_c",
    "source": "fills",
    "file": "fills.csv",
    "message": "Not a number.",
}
REJECTS = pd.DataFrame(
    [
        *(problem(n, **ROLE) for n in range(1, 29)),
        problem(30, **ROLE | {"file": f"dives/{OTHER}/b.uddf"}),
        *(problem(n, **CYLINDER) for n in (41, 42)),
        problem(50, **TEXT, value="warm"),
        problem(51, **TEXT, value="cold"),
    ]
)
TANK = {"member_id": ME, "tank_no": 1, "tank_ref": "tk-0413", "source_ref": "tk-0413", "role": "stage",
        "water_capacity_l": 12.0, "o2_pct": 32.0, "start_pressure_bar": 200.0, "suggested_unit_id": "T12-1",
        "reasons": ["tank_on_loan", "tank_size_fits"], "other_unit_ids": ["S10-4"]}  # fmt: skip
TANKS = pd.DataFrame(
    [
        TANK | {"dive_id": "d1", "started_at": NOW - pd.Timedelta(days=9)},
        TANK | {"dive_id": "d2", "started_at": NOW - pd.Timedelta(days=8)},
        TANK | {"member_id": OTHER, "dive_id": "d3", "started_at": NOW, "tank_ref": None, "source_ref": "d3 tank 1",
                "suggested_unit_id": None, "reasons": [], "other_unit_ids": []},
    ]
)  # fmt: skip


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fix") / "published"
    made_up.publish(folder, rejects=REJECTS, tank_suggestions=TANKS)
    return folder


@pytest.fixture
def station(snapshot, tmp_path, monkeypatch):
    (tmp_path / "published").symlink_to(snapshot)
    (tmp_path / "inbox").mkdir()
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT)
    return tmp_path / "published"


def rows(published, source):
    return [w.row for w in entries.written(published.parent / "inbox") if w.source == source]


def test_a_cause_is_one_line_and_every_problem_is_in_one():
    found = causes(REJECTS)
    assert [c.says for c in found] == [
        "28 tanks named tk-0413 have no role",
        "2 rows of fills name S12-9, which is not in the register",
        "2 rows of fills: Not a number.",
        "1 tank named tk-0413 has no role",
    ]
    assert sum(len(c.rows) for c in found) == len(REJECTS) and len({c.key for c in found}) == 4
    assert [c.member_id for c in found] == [ME, "", "", OTHER] and causes(REJECTS.iloc[:0]) == []
    whole = causes(pd.DataFrame([problem(1, **TEXT | {"row_number": None}, value=None)]))
    assert whole[0].says == "Not a number." and not whole[0].value


def test_one_choice_gives_28_tanks_their_role_and_is_saved_once(station):
    test = run(station, "inbox", "manager", logged_by="Ada")
    assert said(test).count("28 tanks named tk-0413 have no role") == 1
    next(w for w in test.selectbox if w.label == "It was carried as").set_value("stage")
    text = press(test, "Save the role")
    (row,) = rows(station, "links")
    assert (row["source_ref"], row["kind"], row["target_id"], row["member_id"]) == ("tk-0413", "role", "stage", ME)
    assert "What tk-0413 is: stage" in text and row["entered_by"] == "Ada"


def test_a_suggestion_is_accepted_with_one_tap_and_asks_who(station):
    test = run(station, "inbox", "manager")
    text = said(test)
    assert "Probably <strong>T12-1</strong>. It was lent to this member then" in text and "2 dives" in text
    assert "nothing says which" in text
    assert "Say who you are" in press(test, "Accept") and rows(station, "links") == []
    put(test, "Who you are", "Ada")
    press(test, "Accept")
    (row,) = rows(station, "links")
    assert (row["source_ref"], row["kind"], row["target_id"], row["member_id"]) == ("tk-0413", "cylinder", "T12-1", ME)
    assert "Probably" not in said(test)


def test_a_row_missing_from_the_register_is_added_and_a_cause_is_left_with_its_reason(station):
    test = run(station, "inbox", "manager", logged_by="Ada")
    for label, value in {"Material": "steel", "Size, litres": 12.0, "Working pressure, bar": 232.0}.items():
        put(test, label, value)
    press(test, "Add S12-9")
    (row,) = rows(station, "cylinders")
    assert (row["cylinder_id"], row["status"], row["owner_id"]) == ("S12-9", "in_service", "station")
    assert "Needed: nothing is saved without it." in press(test, "Leave it so") and rows(station, "withdrawals") == []
    which = field(test, "Which")
    which.set_value(next(o for o in causes(REJECTS) if o.rule == "not_a_number").key)
    put(test, "Why it stays so", "nobody looked")
    press(test, "Leave it so")
    found = rows(station, "withdrawals")
    assert sorted(r["key"] for r in found) == [f"{n:010x}" for n in (50, 51)]
    assert {(r["source"], r["reason"], r["withdrawn_by"]) for r in found} == {("problems", "nobody looked", "Ada")}


def test_who_may_not_put_it_right_sees_the_cause_and_no_form(station):
    test = run(station, "inbox", "diver", ME)
    assert "28 tanks named tk-0413 have no role" in said(test)
    assert not [b for b in test.button if b.label != "Hand it in"] and not test.text_input
