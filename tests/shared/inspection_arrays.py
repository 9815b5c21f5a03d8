"""Cylinders and histories for tests of the inspection rules, from plain words."""

import numpy as np

from shared.inspection.history import Inspections
from shared.inspection.state import Cylinders, state_on_days

DAY = "datetime64[D]"


def register(*rows: dict) -> Cylinders:
    def texts(name, usual=""):
        return np.array([r.get(name, usual) for r in rows], dtype=object)

    def days(name):
        return np.array([r.get(name, "NaT") for r in rows], DAY)

    return Cylinders(
        material=texts("material", "steel"),
        manufactured_on=days("manufactured_on"),
        alloy=texts("alloy"),
        first_used_on=days("first_used_on"),
        service_life_ends_on=days("service_life_ends_on"),
        rule_set=texts("rule_set"),
        regime=texts("regime"),
        status=texts("status", "in_service"),
    )


def history(*rows: tuple) -> Inspections:
    """(day, kind, result[, cylinder[, permanent expansion]]) a row."""
    rows = [(*r, *(0, np.nan)[len(r) - 3 :]) if len(r) < 5 else r for r in rows]
    return Inspections(
        cylinder=np.array([r[3] for r in rows], "int64"),
        inspected_on=np.array([r[0] for r in rows], DAY),
        kind=np.array([r[1] for r in rows], dtype=object),
        result=np.array([r[2] for r in rows], dtype=object),
        permanent_expansion_pct=np.array([r[4] for r in rows], float),
    )


def state(cylinder: dict, rows: list[tuple], day: str, rule_set: str = "uk"):
    """State, due day, kind and reasons of one cylinder on one day."""
    found = state_on_days(register(cylinder), history(*rows), rule_set, np.array([0]), np.array([day], DAY))
    return found.state[0], str(found.due_on[0]), found.due_kind[0], found.reasons[0]
