"""The batch plan of a large fleet beside the solver's own time within it."""

import time

import numpy as np
import pandas as pd
import pytest

from pipelines.derive.fleet import plan_solver
from tests.pipelines.test_plan import TODAY, cylinder, day, past, plan

pytestmark = pytest.mark.once

CYLINDERS, VISITS = 500, 26
MOST_TIMES_SOLVER = 6.0


def test_a_plan_costs_little_beyond_the_solver(measured, monkeypatch):
    dice = np.random.default_rng(3)
    names = [f"C{i:03d}" for i in range(CYLINDERS)]
    sizes = dice.choice([7.0, 10.0, 12.0, 15.0], CYLINDERS)
    inspections = [row for name in names for row in past(name, day(int(dice.integers(5, 380))))]
    visits = [{"visit_on": day(14 * v + 7), "capacity": 40, "back_on": day(14 * v + 17)} for v in range(VISITS)]
    bookings = [
        {"starts_on": day(int(b)), "ends_on": day(int(b) + 4), "cylinders_needed": int(dice.integers(40, 105)),
         "material": None, "water_capacity_l": float(dice.choice([10.0, 12.0, 15.0]))}
        for b in dice.integers(10, 350, 20)
    ]  # fmt: skip
    spent = []

    def timed(*given, solver=plan_solver.optimize.milp, **more):
        began = time.perf_counter()
        found = solver(*given, **more)
        spent.append(time.perf_counter() - began)
        return found

    monkeypatch.setattr(plan_solver.optimize, "milp", timed)
    began = time.perf_counter()
    fleet = [cylinder(n, water_capacity_l=s) for n, s in zip(names, sizes, strict=True)]
    made = plan(fleet, inspections, visits, bookings)
    whole = time.perf_counter() - began
    cover, sent = made["booking_cover"], made["inspection_plan"]
    work = f"plan of {CYLINDERS} cylinders, {VISITS} visits, {len(bookings)} bookings"
    measured(work, whole, "of it the solver", sum(spent), "6")
    assert not cover["freed_by"].fillna("").str.contains("not proven").any()
    assert (sent["visit_on"] <= pd.to_datetime(sent["due_on"])).mean() > 0.9 and sent["visit_on"].min() > TODAY
    assert whole < MOST_TIMES_SOLVER * sum(spent)
