"""What a person says on the page of a tank (its unit, its role) and of a rejected row, and what that settles."""

import pandas as pd
import small_station as s
from uddf_files import START, TANKDATA, dive, document

from pipelines.derive.afterwards import with_linked_units
from pipelines.derive.dives.suggest import suggest_units
from pipelines.warehouse.store import Warehouse
from schemas.entries import Entry, new_token, reasons_against, save

TANKS = '<tank id="t1"><aliasname>back</aliasname></tank><tank id="tk-0413"/>'
TWO = TANKDATA + TANKDATA.replace("t1", "tk-0413")
NOW = pd.Timestamp("2026-03-20T12:00:00Z")


def enter(station, source, **row):
    """As a form of the page writes it."""
    save(station.inbox, Entry(source, row, "Ada", "inbox", new_token(NOW)), NOW, NOW + pd.Timedelta(days=20))


def dives_of(owner: str, *days: int) -> str:
    starts = [START.replace("2031-05-20", f"2026-03-{day:02d}") for day in days]
    return document(*(dive(f"d{n}", start=at, tanks=TWO) for n, at in enumerate(starts)), owner=owner, tanks=TANKS)


def test_a_role_for_all_tanks_of_a_name_and_a_row_entered_anew_close_the_problems_they_settle(tmp_path):
    """Also where the file was read by a version that did not note which of its tanks have no role."""
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(1, stop_pressure_bar="full"), s.fill(2), s.fill(3, unit_id="C9")])
    s.drop(station, "dives/M1/a.uddf", dives_of("x", 2, 3, 4))
    s.drop(station, "dives/M2/b.uddf", dives_of("y", 5))
    s.take_in(station)
    open_ = s.open_problems(station)
    assert sorted(open_["rule"]) == ["not_a_number", *["uddf_role_unknown"] * 4, "unknown_reference"]
    warehouse = Warehouse(station.warehouse)
    warehouse.con.execute("UPDATE ingest_files SET refs = []")
    warehouse.close()
    enter(station, "links", source_ref="tk-0413", kind="role", target_id="stage", member_id="M1")
    row = {"fill_id": "F1", "filled_at": NOW, "unit_id": "C2", "start_pressure_bar": 50.0, "stop_pressure_bar": 230.0}
    row |= {"target_pressure_bar": 232.0, "ambient_c": 18.0, "target_o2_pct": 20.95, "fill_method": "air"}
    enter(station, "fills", **row)
    enter(station, "cylinders", cylinder_id="C9", owner_id="station", material="steel", water_capacity_l=12.0,
          working_pressure_bar=232.0, status="in_service")  # fmt: skip
    s.take_in(station)
    rows = s.stored(station)
    found = rows["dive_tanks"]
    assert found.loc[found["member_id"] == "M1", "role"].value_counts().to_dict() == {"back": 3, "stage": 3}
    assert set(found.loc[found["role"] == "stage", "tank_ref"]) == {"tk-0413"}
    assert s.open_problems(station)["file"].tolist() == ["dives/M2/b.uddf"]  # another member's may be another tank
    assert set(rows["fills"]["fill_id"]) == {"F1", "F2", "F3"}


def test_a_role_that_is_none_is_refused():
    entry = Entry("links", {"source_ref": "t", "kind": "role", "target_id": "spare"}, "Ada", "inbox", new_token(NOW))
    assert "back, stage" in reasons_against(entry, NOW)["target_id"][0]


def test_a_tank_without_a_name_gets_the_unit_that_was_said_of_it_and_no_other_does():
    tanks = pd.DataFrame(
        {
            "member_id": ["M1", "M2", "M1", "M1"],
            "dive_id": ["D1", "D1", "D1", "D2"],
            "tank_no": [1, 1, 2, 1],
            "unit_id": pd.array([None, None, "C3", None], dtype="str"),
        }
    )
    links = pd.DataFrame(
        [
            ("D1 tank 1", "cylinder", "C1", "M1"),
            ("D1 tank 2", "cylinder", "C2", "M1"),
            ("D2 tank 1", "cylinder", "C2", None),
            ("D1 tank 1", "role", "stage", None),
        ],
        columns=["source_ref", "kind", "target_id", "member_id"],
    )
    assert with_linked_units(tanks, links)["unit_id"].fillna("").tolist() == ["C1", "", "C3", "C2"]


# --- suggestions ----------------------------------------------------------------------------------
def at(day: int, hour: int = 14) -> pd.Timestamp:
    return pd.Timestamp(f"2026-03-{day:02d}T{hour}:00:00Z")


UNITS = pd.DataFrame(
    {
        "unit_id": ["C1", "C2", "A7", "TW", "TW-L", "TW-R"],
        "set_id": [None, None, None, "TW", "TW", "TW"],
        "joined": [False, False, False, True, True, True],
        "water_capacity_l": [12.0, 12.0, 7.0, 24.0, 12.0, 12.0],
    }
)
OWNERS = pd.DataFrame(
    {"cylinder_id": ["C1", "C2", "A7", "TW-L", "TW-R"], "owner_id": ["station", "station", "M2", "M1", "M1"]}
)
LOANS = pd.DataFrame({"unit_id": ["C2"], "member_id": ["M1"], "out_at": [at(1)], "back_at": [at(9)]})
FILLS = pd.DataFrame(
    {
        "unit_id": ["C1", "TW"],
        "filled_at": [at(2, 9), at(2, 9)],
        "member_id": [None, None],
        "o2_pct": [20.95, 32.0],
        "settled_pressure_bar_15c": [210.0, 215.0],
    }
)


def suggested(*tanks: dict, owners=OWNERS, loans=LOANS, fills=FILLS):
    base = {"member_id": "M1", "unit_id": None, "tank_no": 1, "tank_ref": None, "role": "back", "o2_pct": 20.95,
            "water_capacity_l": 12.0, "start_pressure_bar": 208.0, "day": 3}  # fmt: skip
    rows = pd.DataFrame([base | {"dive_id": f"D{n}"} | more for n, more in enumerate(tanks)])
    rows["tank_ref"] = rows["tank_ref"].astype("str")
    dives = rows[["member_id", "dive_id"]].assign(started_at=[at(d) for d in rows.pop("day")], duration_min=40.0)
    return suggest_units(rows, dives.drop_duplicates(["member_id", "dive_id"]), UNITS, owners, loans, fills)


def test_what_was_lent_to_the_member_comes_before_what_the_size_alone_says():
    full = FILLS.assign(unit_id=["C2", "TW"])
    (row,) = suggested({}, fills=full).to_dict("records")
    assert row["suggested_unit_id"] == "C2" and "C1" in row["other_unit_ids"] and row["source_ref"] == "D0 tank 1"
    assert row["reasons"] == [
        "tank_on_loan", "tank_size_fits", "tank_filled_before", "tank_mix_fits", "tank_pressure_fits",
    ]  # fmt: skip


def test_a_loan_and_a_size_alone_are_too_little_for_one_tap_but_stand_first_to_choose_from():
    (row,) = suggested({}).to_dict("records")
    assert row["suggested_unit_id"] is None and row["reasons"] == [] and row["other_unit_ids"][0] == "C2"


def test_a_name_that_stands_for_several_units_is_none_of_them():
    tanks = [{"tank_ref": "tk", "day": day} for day in (3, 5, 7)]
    full = pd.concat([FILLS.iloc[:1].assign(unit_id="C2", filled_at=at(day, 9)) for day in (2, 4, 6)])
    assert suggested(*tanks, fills=full)["suggested_unit_id"].tolist() == ["C2"] * 3
    stated = [{"tank_ref": "tk", "unit_id": unit, "day": 8 + n} for n, unit in enumerate(("C1", "TW"))]
    assert suggested(*tanks, *stated, fills=full)["suggested_unit_id"].tolist() == [None] * 3
    two = [{"tank_ref": "tk", "day": 3, "dive_id": "D0", "tank_no": n} for n in (1, 2)]
    assert suggested(*two, fills=full)["suggested_unit_id"].tolist() == [None] * 2
    other_gas = {"tank_ref": "tk", "day": 3, "o2_pct": 50.0, "start_pressure_bar": 120.0, "water_capacity_l": 7.0}
    assert suggested(*tanks, other_gas, fills=full)["suggested_unit_id"].tolist() == [None] * 4


def test_a_set_is_suggested_as_one_by_its_owner_size_and_fill():
    (row,) = suggested({"water_capacity_l": 24.0, "o2_pct": 32.2, "start_pressure_bar": 213.0}).to_dict("records")
    assert row["suggested_unit_id"] == "TW"
    assert {"tank_owned", "tank_size_fits", "tank_mix_fits", "tank_pressure_fits"} <= set(row["reasons"])


def test_size_alone_suggests_nothing_and_what_another_dived_just_then_is_no_candidate():
    (row,) = suggested({}, loans=LOANS.iloc[:0]).to_dict("records")
    assert row["suggested_unit_id"] is None and "C2" in row["other_unit_ids"]
    taken = suggested({}, {"member_id": "M2", "unit_id": "C2"})
    assert taken["suggested_unit_id"].tolist() == [None] and "C2" not in taken["other_unit_ids"][0]


def test_tanks_of_one_name_are_one_and_known_ones_are_not_asked_for():
    found = suggested(
        {"tank_ref": "tk"}, {"tank_ref": "tk", "day": 5}, {"tank_ref": "tk", "day": 7}, {"unit_id": "C1", "day": 8}
    )
    assert found["source_ref"].tolist() == ["tk"] * 3 and found["other_unit_ids"].str[0].tolist() == ["C2"] * 3
    assert suggested({"unit_id": "C1"}).empty
