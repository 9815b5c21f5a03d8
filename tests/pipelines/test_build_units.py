"""What a unit holds and how far it may be filled."""

import pandas as pd
import pytest

from pipelines.derive.columns import in_time, places
from pipelines.derive.units import STATE_TODAY, build_units, cylinders_of_units_on, set_membership
from schemas.tables import TABLES
from tests.pipelines.fleet_frames import frames

TODAY = pd.Timestamp("2026-06-01")


def units_of(**sources):
    made = build_units(frames(**sources), TODAY)["units"]
    assert [*made.columns, *STATE_TODAY] == TABLES["units"].columns
    return made.set_index("unit_id")


def steel(cylinder_id, **more):
    return {
        "cylinder_id": cylinder_id,
        "owner_id": "station",
        "material": "steel",
        "water_capacity_l": 12.0,
        "working_pressure_bar": 232.0,
        "status": "in_service",
    } | more


@pytest.mark.parametrize(
    "marks, capacity_l, sd_pct",
    [
        # 77.4 ft³ × 28.3168 × 1.01325 / (3000 × 0.0689476 + 1.01325), by hand
        ({"rated_capacity_cuft": 77.4, "service_pressure_psi": 3000}, 10.684, 1.5),
        ({"rated_capacity_cuft": 71.2, "service_pressure_psi": 2250, "plus_marked": True}, 11.900, 1.5),
        (
            {"rated_capacity_cuft": 71.2, "service_pressure_psi": 2250, "plus_marked": True, "spec": "DOT-3AA"},
            11.900,
            6.0,
        ),
        ({"rated_capacity_cuft": 71.2, "service_pressure_psi": 2250, "spec": "3AA", "rated_at_psi": 2475}, 11.900, 1.5),
    ],
)
def test_capacity_from_a_rating_in_cubic_feet(marks, capacity_l, sd_pct):
    """Worked by hand from the ideal rating.

    The 72s agree with US Navy Diving Manual § 17-10.5.3 (read): a nominal 72 floods 0.420 ft³, 11.89 L.
    """
    unit = units_of(cylinders=[{"cylinder_id": "A", "material": "steel", "status": "in_service"} | marks]).loc["A"]
    assert unit.water_capacity_l == pytest.approx(capacity_l, abs=0.01)
    assert unit.capacity_sd_pct == sd_pct
    assert unit.capacity_basis == "rated"
    assert "capacity_estimated" in unit["flags"]
    assert ("rating_pressure_unknown" in unit["flags"]) == (sd_pct == 6.0)


def test_a_stated_water_capacity_wins_and_the_plus_mark_never_raises_the_working_pressure():
    unit = units_of(
        cylinders=[
            {
                "cylinder_id": "A",
                "material": "steel",
                "status": "in_service",
                "water_capacity_l": 12.2,
                "rated_capacity_cuft": 71.2,
                "service_pressure_psi": 2250,
                "plus_marked": True,
            }
        ]
    ).loc["A"]
    assert unit.water_capacity_l == 12.2 and unit.capacity_basis == "register" and unit.capacity_sd_pct == 0.4
    assert unit.permitted_bar == pytest.approx(155.13, abs=0.01)
    assert "plus_mark_not_counted" in unit["flags"]


def test_the_permitted_pressure_of_a_set_is_the_least_of_everything_on_it():
    units = units_of(
        cylinders=[
            steel(
                "L",
                set_id="S",
                set_position="left",
                set_kind="manifolded",
                working_pressure_bar=300.0,
                valve_pressure_bar=232.0,
                empty_mass_kg=14.0,
                test_pressure_bar=450.0,
            ),
            steel(
                "R",
                set_id="S",
                set_position="right",
                set_kind="manifolded",
                working_pressure_bar=300.0,
                valve_pressure_bar=300.0,
                empty_mass_kg=14.1,
                test_pressure_bar=348.0,
            ),
        ]
    )
    assert units.loc["S", "permitted_bar"] == 232 and units.loc["R", "permitted_bar"] == 300
    assert units.loc["S", "water_capacity_l"] == 24 and units.loc["S", "empty_mass_kg"] == pytest.approx(28.1)
    assert units.loc["S", "test_pressure_bar"] == 348
    assert units.loc["S", "joined"] and units.loc["L", "joined"] and units.loc["L", "side"] == "left"


@pytest.mark.parametrize("names, flag", [("A", "set_incomplete"), ("AB", None), ("ABC", "set_over_full")])
def test_a_manifolded_set_is_two_cylinders(names, flag):
    units = units_of(cylinders=[steel(c, set_id="S", set_kind="manifolded") for c in names])
    assert set(units.loc["S", "flags"]) & {"set_incomplete", "set_over_full"} == ({flag} if flag else set())


def test_what_is_known_of_one_side_alone_is_not_known_of_the_set():
    """A mark that nobody has read may be the lesser."""
    marks = {"test_pressure_bar": 348.0, "valve_pressure_bar": 232.0, "empty_mass_kg": 14.0}
    pair = [steel("A", set_id="S", set_kind="manifolded", **marks), steel("B", set_id="S", set_kind="manifolded")]
    unit = units_of(cylinders=pair).loc["S"]
    assert pd.isna(unit["test_pressure_bar"]) and pd.isna(unit["empty_mass_kg"]) and not unit["valve_rating_known"]


def test_of_a_set_with_one_registered_side_neither_size_nor_pressure_is_known():
    units = units_of(cylinders=[steel("A", set_id="S", set_kind="manifolded", valve_pressure_bar=232.0)])
    asked = ["water_capacity_l", "working_pressure_bar", "permitted_bar", "test_pressure_bar", "empty_mass_kg"]
    assert units.loc["S", asked].isna().all() and not units.loc["S", "valve_rating_known"]
    assert units.loc["A", ["water_capacity_l", "permitted_bar"]].notna().all()


def test_pairs_that_are_not_joined_are_two_units():
    pair = [steel(c, set_id="S", set_position=p, set_kind="sidemount") for c, p in (("L", "left"), ("R", "right"))]
    units = units_of(cylinders=pair)
    assert list(units.index) == ["L", "R"] and not units["joined"].any()


def test_an_unknown_working_pressure_is_never_replaced_by_the_valves():
    unit = units_of(cylinders=[steel("A", working_pressure_bar=None, valve_pressure_bar=300.0)]).loc["A"]
    assert pd.isna(unit.permitted_bar)


def test_a_rebuilt_set_keeps_its_past():
    inputs = frames(
        cylinders=[
            steel(c, set_id="S" if c != "OLD" else None, set_kind="manifolded" if c != "OLD" else None)
            for c in ("L", "NEW", "OLD")
        ],
        set_members=[
            {"set_id": "S", "cylinder_id": "L", "position": "left", "from_on": "2024-01-01"},
            {"set_id": "S", "cylinder_id": "OLD", "position": "right", "from_on": "2024-01-01", "to_on": "2025-05-31"},
            {"set_id": "S", "cylinder_id": "NEW", "position": "right", "from_on": "2025-06-01"},
        ],
    )
    days = pd.Series(pd.to_datetime(["2025-05-31", "2025-06-01", "2020-01-01", "2026-01-01"]))
    found = cylinders_of_units_on(inputs, pd.Series(["S", "S", "S", "L"]), days)
    assert found.groupby("row")["cylinder_id"].agg(set).tolist() == [{"L", "OLD"}, {"L", "NEW"}, {"L", "OLD"}, {"L"}]


def test_a_cylinder_in_two_sets_at_once_is_flagged_on_both():
    units = units_of(
        cylinders=[steel(c, set_id=s, set_kind="manifolded") for c, s in (("A", "S"), ("B", "S"), ("C", "T"))],
        set_members=[
            {"set_id": s, "cylinder_id": c, "position": p, "from_on": "2024-01-01"}
            for s, c, p in (("S", "A", "left"), ("S", "B", "right"), ("T", "C", "left"), ("T", "B", "right"))
        ],
    )
    assert all("cylinder_in_two_sets" in units.loc[s, "flags"] for s in ("S", "T"))


def test_who_belonged_to_a_set_is_asked_anew_where_a_row_has_changed():
    member = {"set_id": "S", "cylinder_id": "A", "position": "left", "from_on": "2025-01-01"}
    inputs = frames(cylinders=[steel("A"), steel("B")], set_members=[member])
    before = set_membership(inputs)
    assert set_membership(inputs).equals(before)
    inputs["set_members"].loc[0, "to_on"] = pd.Timestamp("2025-06-30")
    assert set_membership(inputs)["to_on"].tolist() == [pd.Timestamp("2025-06-30")]
    inputs["set_members"].loc[0, "cylinder_id"] = "B"
    assert set_membership(inputs)["cylinder_id"].tolist() == ["B"] and before["cylinder_id"].tolist() == ["A"]
    inputs["cylinders"].loc[0, "set_id"] = "T"
    assert set_membership(inputs)["set_id"].tolist() == ["S", "T"]


def test_rows_of_one_moment_are_in_the_order_of_their_names_and_those_without_one_last():
    at = pd.to_datetime(["2025-03-02", None, "2025-03-01", "2025-03-02", "2025-03-01", None], utc=True)
    fills = pd.DataFrame({"filled_at": at, "fill_id": pd.Series([*"bfdaec"], dtype="str")})
    assert fills["fill_id"].iloc[in_time(fills)].tolist() == [*"deabcf"]
    assert not in_time(fills.head(0)).size


def test_a_name_that_is_not_there_or_missing_has_no_place():
    names = pd.Series(["b", None, "x", "a", "b"], dtype="str")
    for among in (pd.Series(["a", "b"], dtype="str"), pd.Series(["a", "b"], dtype="object")):
        assert places(names, among).tolist() == [1, -1, -1, 0, 1]
    assert places(names, pd.Series([], dtype="str")).tolist() == [-1] * 5
