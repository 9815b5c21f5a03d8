"""What a member's part of a step is given: all that its figures are made from, and nothing of others.

The parts are made of hand-written frames, so each thing that a figure depends on is there once and by itself.
"""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from pipelines.derive.dives import step as of_dives
from pipelines.refresh import divers, dives
from pipelines.refresh.step import Part, Shelf, Step
from schemas.frames import conform
from schemas.policy import Policy
from schemas.sources import SOURCES

MAY, JUNE, JULY = (pd.Timestamp(f"2031-{month:02d}-10T10:00Z") for month in (5, 6, 7))
MONTHS = pd.DataFrame({"month_on": pd.to_datetime(["2031-04-01", "2031-05-01", "2031-06-01", "2031-07-01"])})


def shelf_of(**frames: pd.DataFrame) -> Shelf:
    shelf = Shelf()
    for name, frame in frames.items():
        shelf.put(name, frame)
    return shelf


def fake(shelf: Shelf, publisher: object = None) -> tuple[SimpleNamespace, dict[str, dict[str, Part]]]:
    """A refresh that runs nothing and notes each step's parts."""
    asked: dict[str, dict[str, Part]] = {}

    def run(step, parts=(), **more):
        asked[step.name] = {part.name: part for part in parts}

    def positions(name, column):
        return {str(value): rows for value, rows in shelf[name].groupby(column).indices.items()}

    made = SimpleNamespace(shelf=shelf, publisher=publisher, policy=Policy(), run=run, positions=positions)
    made.table = lambda *given: None
    return made, asked


def test_a_frame_that_is_put_anew_with_its_columns_elsewhere_is_read_by_their_names():
    step = Step("margins", 1, lambda _: {}, (), {"dives": ("depth_m", "bar")})
    shelf = shelf_of(dives=pd.DataFrame({"depth_m": [18.0], "bar": [200.0]}))
    first = shelf.read(step, "dives").to_dict("list"), shelf.fingerprint(step, "dives", None)
    shelf.put("dives", pd.DataFrame({"bar": [200.0], "water_c": [9.0], "depth_m": [18.0]}))
    assert (shelf.read(step, "dives").to_dict("list"), shelf.fingerprint(step, "dives", None)) == first
    assert first[0] == {"depth_m": [18.0], "bar": [200.0]}


def given(shelf: Shelf, part: Part, name: str, column: str) -> list[object]:
    return shelf[name][column].iloc[part.rows[name]].tolist()


# --- trends and reserves ----------------------------------------------------------------------
OWN = pd.DataFrame({"member_id": ["m", "m", "n"], "dive_id": ["1", "2", "1"], "started_at": [MAY, JUNE, JULY]})


@pytest.fixture
def of_divers():
    """Member m has dived a hired twin-set filled in it, and a stage with its own fill; a third tank's row was lost."""
    shelf = shelf_of(
        dives=OWN,
        dive_consumption=OWN.assign(fill_id=["back", "none", "of n"]),
        dive_tank_use=pd.DataFrame(
            {
                "member_id": ["m", "m", "n"],
                "fill_id": ["back", "stage", "of n"],
                "unit_id": ["twin", "small", "tank of n"],
            }
        ),
        dive_tanks_all=pd.DataFrame({"member_id": ["m", "n"], "unit_id": ["lost", "tank of n"]}),
        fills_before_dives=pd.DataFrame(
            {"fill_id": ["of n", "stage", "back", "another"], "unit_id": ["tank of n", "small", "hired", "spare"]}
        ),
        units=pd.DataFrame({"unit_id": ["twin", "small", "lost", "hired", "spare", "tank of n"]}),
        trend_model=MONTHS,
        reserve_correction=MONTHS,
        reserve_margins=OWN,
        **{name: OWN for name in ("consumption_trend", "trend_state", "dive_surfacing", "kits")},
    )
    traces = {name: SimpleNamespace(fingerprint=f"trace of {name}") for name in "mn"}
    refresh, asked = fake(shelf, SimpleNamespace(tables={"dive_trace": traces}, read=lambda table, name: (table, name)))
    divers.build_trends(refresh)
    divers.build_reserves(refresh)
    return shelf, asked


def test_a_reserve_is_given_the_fills_of_all_its_cylinders_and_no_other(of_divers):
    shelf, asked = of_divers
    part = asked["reserve"]["m"]
    assert sorted(given(shelf, part, "fills_before_dives", "fill_id")) == ["back", "stage"]


def test_a_reserve_is_given_the_units_of_its_tanks_of_rows_that_were_lost_and_of_its_fills(of_divers):
    shelf, asked = of_divers
    assert sorted(given(shelf, asked["reserve"]["m"], "units", "unit_id")) == ["hired", "lost", "small", "twin"]
    assert given(shelf, asked["reserve"]["n"], "units", "unit_id") == ["tank of n"]


def test_a_reserve_is_known_by_its_members_trace_and_own_rows(of_divers):
    shelf, asked = of_divers
    for name, part in asked["reserve"].items():
        assert part.later["dive_trace"].fingerprint == f"trace of {name}"
        assert part.later["dive_trace"].read() == ("dive_trace", name)
        for frame in ("dives", "consumption_trend", "trend_state", "dive_tank_use", "dive_surfacing", "kits"):
            assert set(given(shelf, part, frame, "member_id")) == {name} and len(part.rows[frame])


def test_what_all_share_is_given_until_the_month_of_the_members_last_dive(of_divers):
    shelf, asked = of_divers
    for step, shared in {
        "trend": "trend_model",
        "reserve": "trend_model",
        "reserve_stated": "reserve_correction",
    }.items():
        until = {name: given(shelf, part, shared, "month_on")[-1].month for name, part in asked[step].items()}
        assert until == {"m": 6, "n": 7}, step


# --- dives ------------------------------------------------------------------------------------
def parts_of_dives(monkeypatch, **other: object) -> tuple[Shelf, dict[str, Part]]:
    """Parts of m, who dived a twin-set after a fill of it, and of n; `other` replaces a frame or what is withdrawn."""
    rows = {
        "dives": OWN.assign(water_c=[np.nan, 9.0, 9.0]),
        "dive_tanks_all": pd.DataFrame({"member_id": ["m", "n"], "unit_id": ["small", "tank of n"]}),
        "units": pd.DataFrame(
            {
                "unit_id": ["twin", "left", "right", "small", "tank of n"],
                "set_id": [None, "twin", "twin", None, None],
                "joined": False,
            }
        ),
        "links": pd.DataFrame({"member_id": ["m"], "unit": ["twin"], "filled_at": [MAY - pd.Timedelta(days=1)]}),
        "lake": pd.DataFrame({"member_id": ["m", "m", "n"], "path": ["p1", "p2", "p3"], "order_at": [1, 2, 3]}),
        "out": {},
    } | other
    fills = pd.DataFrame(
        {
            "fill_id": ["first", "last", "of another"],
            "unit_id": ["twin", "twin", "small"],
            "filled_at": [MAY - pd.Timedelta(days=9), MAY - pd.Timedelta(days=1), MAY],
        }
    )
    water = pd.DataFrame({"year": 2031, "month": [3, 4, 5, 6], "water_c": 8.0})
    shelf = shelf_of(
        dives=rows["dives"],
        dive_tanks_all=rows["dive_tanks_all"],
        units=rows["units"],
        fills_before_dives=fills,
        fills=fills.assign(ambient_c=15.0),
    )
    monkeypatch.setattr(of_dives, "link_fills", lambda *given: rows["links"])
    monkeypatch.setattr(of_dives, "station_water_by_month", lambda *given: water)
    monkeypatch.setattr(of_dives, "ambient_of_fills", lambda *given: None)
    monkeypatch.setattr(of_dives, "air_of_dives", lambda own, *given: pd.DataFrame({"air_c": np.zeros(len(own))}))
    monkeypatch.setattr(dives, "parts_by_member", lambda warehouse: rows["lake"])
    monkeypatch.setattr(dives, "samples_out", lambda warehouse: rows["out"])
    refresh, _ = fake(shelf)
    made = dives._parts(refresh, SimpleNamespace(lake=None), None)
    return shelf, {part.name: part for part in made}


def test_dives_are_given_the_fill_before_them_and_the_cylinders_of_a_set(monkeypatch):
    shelf, parts = parts_of_dives(monkeypatch)
    assert given(shelf, parts["m"], "fills_of_dives", "fill_id") == ["last"]
    assert given(shelf, parts["m"], "fills_of_dives", "ambient_c") == [15.0]
    assert sorted(given(shelf, parts["m"], "units", "unit_id")) == ["left", "right", "small", "twin"]
    assert given(shelf, parts["n"], "units", "unit_id") == ["tank of n"]
    for name, part in parts.items():
        for frame in ("dives", "dive_tanks_all", "dive_air"):
            assert set(given(shelf, part, frame, "member_id")) == {name}


def test_the_stations_water_is_that_of_the_months_before_the_last_dive_that_states_none(monkeypatch):
    shelf, parts = parts_of_dives(monkeypatch)
    assert given(shelf, parts["m"], "station_water", "month") == [3, 4]
    assert given(shelf, parts["n"], "station_water", "month") == []


LAKE = pd.DataFrame({"member_id": ["m", "m", "n"], "path": ["p1", "p2", "p3"], "order_at": [1, 2, 3]})


@pytest.mark.parametrize(
    "other",
    [
        {"lake": LAKE.assign(path=["p1", "p9", "p3"])},
        {"lake": LAKE.assign(order_at=[1, 9, 3])},  # which of two samples of one moment counts hangs on it
        {"lake": LAKE.drop(index=1)},
        {"out": {"m": ["f1"]}},
    ],
)
def test_samples_are_known_by_their_parts_their_order_and_what_is_withdrawn(monkeypatch, other):
    of = [
        {name: part.later["dive_samples"].fingerprint for name, part in parts_of_dives(monkeypatch, **more)[1].items()}
        for more in ({}, other)
    ]
    assert of[0]["m"] != of[1]["m"] and of[0]["n"] == of[1]["n"]


def test_tanks_whose_row_was_lost_stand_beside_those_that_count_without_a_reading(monkeypatch):
    """Two lost rows of dive 1 that name no tank, one of a dive that only m has, one of a dive that nobody has."""
    fields = SOURCES["dive_tanks"].fields.values()
    counts = [{"member_id": "m", "dive_id": "1", "tank_no": n, "role": "back", "unit_id": "t"} for n in (1, 2)]
    lost = [("1", "m", None), ("1", "m", None), ("2", None, 1), ("9", None, 1)]
    gone = pd.DataFrame([{"dive_id": dive, "member_id": member, "tank_no": no} for dive, member, no in lost])
    gone = conform(gone.assign(end_pressure_bar=50.0), fields).assign(assumed=None, value_flags=None, row_hash="h")
    monkeypatch.setattr(dives, "tanks_without_a_row_that_counts", lambda warehouse: gone)
    made = dives.dive_tanks_with_lost(None, conform(pd.DataFrame(counts), fields), OWN)
    assert made[["member_id", "dive_id", "tank_no"]].to_numpy().tolist() == [
        ["m", "1", 1], ["m", "1", 2], ["m", "1", 3], ["m", "1", 4], ["m", "2", 1],
    ]  # fmt: skip
    assert made["end_pressure_bar"].isna().all() and set(made["role"]) == {"back"}
