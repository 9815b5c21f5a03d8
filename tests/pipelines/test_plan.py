"""The plan is the best there is (against brute force), keeps its limits, and says what would free a booking."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import sparse

from pipelines.derive.fleet.inspections import unit_states_at
from pipelines.derive.fleet.plan import _visits, build_plan
from pipelines.derive.fleet.plan_solver import SHORT_COST, Demands, Options, solve
from pipelines.derive.units import build_units
from schemas.policy import Policy
from tests.pipelines.fleet_frames import frames

TODAY = pd.Timestamp("2031-03-01")


def day(n):
    return TODAY + pd.Timedelta(days=n)


def plan(cylinders, inspections=(), visits=(), bookings=(), **more):
    inputs = frames(
        cylinders=list(cylinders), inspections=list(inspections), visits=list(visits), bookings=list(bookings), **more
    )
    units = build_units(inputs, TODAY)["units"]
    return build_plan(inputs, units, Policy(), TODAY)


def cylinder(name, **more):
    return {
        "cylinder_id": name,
        "owner_id": "station",
        "status": "in_service",
        "material": "steel",
        "water_capacity_l": 12.0,
        "working_pressure_bar": 232.0,
        "manufactured_on": "2020-01-01",
    } | more


def past(name, due):
    """A hydrostatic pass sixty months before the day it is due; the visual of it falls due halfway."""
    on = pd.Timestamp(due) - pd.DateOffset(months=60)
    return [
        {"cylinder_id": name, "kind": "hydrostatic", "result": "pass", "inspected_on": on},
        {"cylinder_id": name, "kind": "visual", "result": "pass", "inspected_on": TODAY - pd.Timedelta(days=10)},
    ]


def brute_force(options, demands, capacity, items, bookings):
    """Every combination of options; the shortest shortages by trying all small ones."""
    by_item = [np.flatnonzero(options.item == i) for i in range(items)]
    places, absent = options.places.toarray(), options.absent.toarray() > 0
    best = np.inf
    for picked in product(*by_item):
        picked = np.array(picked, int)
        if (places[picked].sum(axis=0) > capacity).any():
            continue
        there = np.array(
            [(f & ~absent[picked][:, s]).sum() for s, f in zip(demands.slice_no, demands.fits, strict=True)]
        )
        lacking = demands.needed - there
        top = int(max(lacking.max(initial=0), 0))
        short = min(
            (
                sum(c)
                for c in product(range(top + 1), repeat=bookings)
                if all((np.array(c) * who).sum() >= n for who, n in zip(demands.bookings, lacking, strict=True))
            ),
            default=0,
        )
        best = min(best, options.cost[picked].sum() + SHORT_COST * short)
    return best


@pytest.mark.parametrize("seed", range(12))
def test_the_choice_is_as_good_as_trying_everything(seed):
    rng = np.random.default_rng(seed)
    items, visits, slices, bookings = 4, 3, 3, 2
    item, places, absent, cost = [], [], [], []
    for i in range(items):
        for v in range(-1, visits):
            item.append(i)
            places.append([float(u == v) for u in range(visits)])
            absent.append((rng.random(slices) < 0.4).astype(float))
            cost.append(float(rng.integers(0, 200)))
    options = Options(
        np.array(item), np.array(cost), sparse.csr_array(np.array(places)), sparse.csr_array(np.array(absent))
    )
    fits = rng.random((bookings, items)) < 0.7
    rows = [(s, b) for s in range(slices) for b in range(bookings)]
    demands = Demands(
        np.array([s for s, _ in rows] + list(range(slices))),
        np.array([float(rng.integers(0, 3)) for _ in rows] + [3.0] * slices),
        np.array([fits[b] for _, b in rows] + [fits.any(axis=0)] * slices),
        np.array([np.arange(bookings) == b for _, b in rows] + [np.ones(bookings, bool)] * slices),
    )
    capacity = rng.integers(0, 3, visits)
    found = solve(options, demands, capacity, items, bookings)
    assert found.optimal
    assert found.cost == pytest.approx(brute_force(options, demands, capacity, items, bookings), abs=0.01)
    assert (options.places[found.chosen].toarray().sum(axis=0) <= capacity).all()


def test_a_cylinder_goes_on_the_last_visit_before_its_date():
    made = plan(
        [cylinder("A")],
        past("A", day(100)),
        [{"visit_on": day(n), "capacity": 5, "back_on": day(n + 5)} for n in (20, 60, 90, 110)],
    )
    row = made["inspection_plan"].iloc[0]
    assert len(made["inspection_plan"]) == 1
    assert (row.visit_on, row.kind, row.days_early, row.in_service_after) == (day(90), "hydrostatic", 10, day(95))


def test_a_full_visit_pushes_one_to_an_earlier_one_and_none_goes_out_of_date():
    visits = [
        {"visit_on": day(60), "capacity": 5, "back_on": day(65)},
        {"visit_on": day(90), "capacity": 1, "back_on": day(95)},
    ]
    made = plan([cylinder("A"), cylinder("B")], past("A", day(95)) + past("B", day(100)), visits)["inspection_plan"]
    assert sorted(made["visit_on"]) == [day(60), day(90)]
    assert made["days_early"].sum() == 45 and made["days_early"].min() >= 0


def test_a_visit_that_would_leave_a_booked_course_short_is_not_taken():
    visits = [
        {"visit_on": day(60), "capacity": 5, "back_on": day(65)},
        {"visit_on": day(90), "capacity": 5, "back_on": day(97)},
    ]
    course = [{"starts_on": day(92), "ends_on": day(94), "cylinders_needed": 2, "water_capacity_l": 12.0}]
    made = plan([cylinder("A"), cylinder("B")], past("A", day(99)) + past("B", day(99)), visits, course)
    assert set(made["inspection_plan"]["visit_on"]) == {day(60)}
    assert made["booking_cover"].loc[0, ["needed", "available", "short_by"]].tolist() == [2, 2, 0]


def test_what_cannot_be_covered_says_by_how_much_and_what_would_free_it():
    course = [{"starts_on": day(120), "ends_on": day(125), "cylinders_needed": 3}]
    made = plan(
        [cylinder("A"), cylinder("B"), cylinder("C", owner_id="M1")],
        past("A", day(99)) + past("B", day(300)),
        [],
        course,
    )
    cover = made["booking_cover"].iloc[0]
    assert (cover.needed, cover.available, cover.short_by) == (3, 1, 2)
    assert "1 out of date by then" in cover.freed_by and "hire 1" in cover.freed_by


@pytest.mark.parametrize(
    ("due", "life_ends", "there"),
    [(day(4), None, 1), (day(5), None, 0), (None, None, 0), (day(4), day(8), 0), (day(4), day(9), 1)],
)
def test_a_lent_cylinder_serves_once_it_is_back_and_any_to_the_end_of_its_life(due, life_ends, there):
    made = plan(
        [cylinder("A", service_life_ends_on=life_ends)],
        past("A", day(700)),
        bookings=[{"starts_on": day(5), "ends_on": day(9), "cylinders_needed": 1}],
        loans=[{"unit_id": "A", "member_id": "M1", "out_at": "2031-02-01T10:00Z", "due_on": due}],
    )
    assert made["booking_cover"].loc[0, "available"] == there


def test_the_visit_of_today_is_still_to_come():
    visits = [{"visit_on": day(n), "capacity": 5} for n in (-1, 0)]
    made = plan([cylinder("A")], past("A", day(20)), visits)["inspection_plan"]
    assert made["visit_on"].tolist() == [day(0)]


def test_bookings_of_the_same_days_share_what_fits():
    both = [
        {"starts_on": day(5), "ends_on": day(9), "cylinders_needed": 2, "water_capacity_l": w} for w in (12.0, None)
    ]
    cylinders = [cylinder("A"), cylinder("B"), cylinder("C", water_capacity_l=15.0)]
    inspections = [row for name in "ABC" for row in past(name, day(700))]
    cover = plan(cylinders, inspections, [], both)["booking_cover"]
    assert cover["short_by"].sum() == 1


def test_a_joined_set_travels_as_one_and_takes_two_places():
    pair = [cylinder(n, set_id="S", set_position=p, set_kind="manifolded") for n, p in (("L", "left"), ("R", "right"))]
    visits = [
        {"visit_on": day(60), "capacity": 2, "back_on": day(65)},
        {"visit_on": day(90), "capacity": 1, "back_on": day(95)},
    ]
    course = [{"starts_on": day(70), "ends_on": day(75), "cylinders_needed": 1, "water_capacity_l": 24.0}]
    made = plan(pair, past("L", day(95)) + past("R", day(200)), visits, course)
    assert made["inspection_plan"][["visit_on", "cylinder_id"]].values.tolist() == [[day(60), "L"], [day(60), "R"]]
    assert made["booking_cover"].loc[0, "short_by"] == 0


def test_a_visit_that_does_not_offer_the_kind_is_no_help():
    visits = [
        {"visit_on": day(40), "capacity": 5, "kinds": "visual;hydrostatic"},
        {"visit_on": day(90), "capacity": 5, "kinds": "visual"},
    ]
    made = plan([cylinder("A")], past("A", day(95)), visits)["inspection_plan"]
    assert made["visit_on"].tolist() == [day(40)]


def test_a_failed_or_overdue_cylinder_goes_first_and_a_condemned_one_never():
    rows = [
        *past("A", day(300)),
        {"cylinder_id": "A", "kind": "visual", "result": "fail", "inspected_on": day(-2)},
        *past("B", day(-30)),
        *past("C", day(50)),
        {"cylinder_id": "C", "kind": "visual", "result": "condemned", "inspected_on": day(-5)},
    ]
    visits = [{"visit_on": day(n), "capacity": 5} for n in (10, 40)]
    made = plan([cylinder("A"), cylinder("B"), cylinder("C")], rows, visits)["inspection_plan"]
    assert made[["cylinder_id", "kind", "visit_on"]].values.tolist() == [
        ["A", "visual", day(10)],
        ["B", "hydrostatic", day(10)],
    ]


def test_each_cylinder_of_a_visit_has_its_own_date_and_an_unknown_one_none():
    """A set travels as one; what nobody dated goes at once and is never said to be a day late, nor just inspected."""
    pair = [cylinder(c, set_id="S", set_kind="manifolded") for c in "LR"]
    visits = [{"visit_on": day(n), "capacity": 5, "kinds": "hydrostatic"} for n in (10, 40)]
    undated = cylinder("U", manufactured_on=None)
    made = plan([*pair, undated], past("L", day(15)) + past("R", day(200)), visits)["inspection_plan"]
    assert made["visit_on"].eq(day(10)).all()
    rows = made.set_index("cylinder_id")
    assert rows.loc["L", ["due_on", "days_early"]].tolist() == [day(15), 5]
    assert rows.loc["R", ["due_on", "days_early"]].tolist() == [day(200), 190]
    assert rows.loc["U", ["due_on", "days_early"]].isna().all()


def test_a_visit_says_how_late_a_failed_cylinder_is_from_the_day_it_failed():
    fail = {"cylinder_id": "A", "kind": "visual", "result": "fail", "inspected_on": day(-2)}
    made = plan([cylinder("A")], [*past("A", day(300)), fail], [{"visit_on": day(10), "capacity": 5}])
    assert made["inspection_plan"][["due_on", "days_early"]].values.tolist() == [[day(-2), -12]]


def test_nothing_to_plan_gives_empty_tables():
    made = plan([])
    assert made["inspection_plan"].empty and made["booking_cover"].empty


def in_service_on(cylinder_rows, inspection_rows, plan_rows, visits, moment):
    """Day by day and from the rules again: cylinders in test that are not away, the plan's visits taken as passed."""
    back = {v["visit_on"]: v["back_on"] for v in visits}
    done = [
        {"cylinder_id": r.cylinder_id, "kind": r.kind, "result": "pass", "inspected_on": r.visit_on}
        for r in plan_rows.itertuples()
        if back[r.visit_on] <= moment
    ]
    inputs = frames(cylinders=cylinder_rows, inspections=[*inspection_rows, *done])
    names = inputs["cylinders"]["cylinder_id"]
    in_test = unit_states_at(inputs, Policy(), names, pd.Series(moment, index=names.index))["in_test"].astype(bool)
    away = {r.cylinder_id for r in plan_rows.itertuples() if r.visit_on <= moment < back[r.visit_on]}
    return int((in_test & ~names.isin(away)).sum())


@pytest.mark.parametrize("seed", range(2))
def test_what_the_cover_promises_holds_day_by_day(seed):
    rng = np.random.default_rng(seed)
    cylinders = [cylinder(f"C{i}") for i in range(8)]
    inspections = [r for i in range(8) for r in past(f"C{i}", day(int(rng.integers(-40, 250))))]
    visits = [{"visit_on": day(n), "capacity": 3, "back_on": day(n + 9)} for n in (15, 60, 110, 170)]
    bookings = [
        {"starts_on": day(int(s)), "ends_on": day(int(s) + 2), "cylinders_needed": int(rng.integers(3, 8))}
        for s in (20, 63, 168)
    ]
    made = plan(cylinders, inspections, visits, bookings)
    per_visit = made["inspection_plan"].groupby("visit_on")["cylinder_id"].nunique()
    assert (per_visit <= 3).all()
    for row in made["booking_cover"].itertuples():
        days = pd.date_range(row.starts_on, row.ends_on)
        there = min(in_service_on(cylinders, inspections, made["inspection_plan"], visits, d) for d in days)
        assert there == row.available
        assert row.short_by == max(0, row.needed - there)


@pytest.mark.parametrize(("back", "serves_from"), [(0, 1), (1, 1), (3, 3), (None, 1), (-2, 1)])
def test_what_goes_to_a_visit_is_not_there_on_its_day(back, serves_from):
    back_on = pd.NaT if back is None else day(40 + back)
    visits = pd.DataFrame({"visit_on": [day(40)], "back_on": [back_on], "kinds": [None], "capacity": [5]})
    assert _visits(visits, TODAY)["back_on"].tolist() == [day(40 + serves_from)]


@pytest.mark.parametrize(("capacity", "places"), [(5, 5), (None, 0), (-1, 0)])
def test_a_visit_of_unknown_capacity_takes_nobody(capacity, places):
    visits = pd.DataFrame({"visit_on": [day(40)], "back_on": [day(45)], "kinds": [None], "capacity": [capacity]})
    assert _visits(visits, TODAY)["capacity"].tolist() == [places]
