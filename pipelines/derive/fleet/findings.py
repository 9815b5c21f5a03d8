"""What inspections found over the years, and where register and record disagree."""

import pandas as pd

from pipelines.derive.fleet.holders import look_up
from pipelines.derive.units import set_membership
from schemas.codes import codes_that
from shared.inspection.rules import rule_sets

# loss of stamped mass from which the wall is to be looked at; common practice, no source
MASS_LOST_SHARE = 0.02
HIGH_VALVE_BAR = 232.0
EXPANSION_HIGH_PCT = 10.0
OF_UNIT = codes_that(lambda c: c.of_unit)


def finding_reasons(inputs: dict[str, pd.DataFrame], units: pd.DataFrame) -> dict[str, set[str]]:
    """Cylinders by what stands against them: a set of cylinder_ids a code."""
    cylinders = inputs["cylinders"]
    inspections = inputs["inspections"].sort_values("inspected_on")
    by_cylinder = cylinders.set_index("cylinder_id")
    known = inspections[inspections["cylinder_id"].isin(by_cylinder.index)].copy()
    made_on = look_up(known["cylinder_id"], by_cylinder["manufactured_on"])
    eaten = known["finding"].isin(("corrosion", "pitting"))
    times = known[eaten].drop_duplicates(["cylinder_id", "inspected_on"]).groupby("cylinder_id").size()
    members = set_membership(inputs)
    in_set = set(members["cylinder_id"])
    thread, thread_passed = _thread_findings(known)

    weighed = (
        known.dropna(subset=["found_mass_kg"]).drop_duplicates("cylinder_id", keep="last").set_index("cylinder_id")
    )
    stamped = by_cylinder["empty_mass_kg"].reindex(weighed.index)
    ratio = weighed["found_mass_kg"] / stamped

    condemned_on = known[known["result"].eq("condemned")].groupby("cylinder_id")["inspected_on"].min()
    passes = known[known["result"].eq("pass")]
    after = passes["inspected_on"] > look_up(passes["cylinder_id"], condemned_on)
    limits = [
        r.permanent_expansion_over_pct for r in rule_sets().values() if r.permanent_expansion_over_pct is not None
    ]
    high = known["permanent_expansion_pct"] > min(limits, default=EXPANSION_HIGH_PCT)
    boot = by_cylinder["boot_fitted"].astype("boolean").fillna(False).astype(bool)

    found = {
        "corrosion_again": set(times.index[times >= 2]),
        "boot_hides_base": set(by_cylinder.index[boot & by_cylinder["material"].eq("steel")]) & set(times.index),
        "thread_finding_in_set": thread & in_set,
        "thread_finding": thread - in_set,
        "thread_finding_passed": thread_passed,
        "mass_lost": set(ratio.index[ratio < 1 - MASS_LOST_SHARE]),
        "mass_gained": set(ratio.index[ratio > 1 + MASS_LOST_SHARE]),
        "pass_after_condemned": set(passes.loc[after, "cylinder_id"]),
        "inspection_before_manufacture": set(known.loc[known["inspected_on"] < made_on, "cylinder_id"]),
        "permanent_expansion_high": set(known.loc[high, "cylinder_id"]),
        "valve_rating_unknown": set(
            by_cylinder.index[
                by_cylinder["valve_pressure_bar"].isna() & (by_cylinder["working_pressure_bar"] > HIGH_VALVE_BAR)
            ]
        ),
    }
    found |= _flags_of_units(units, members)
    return found


def _thread_findings(inspections: pd.DataFrame) -> tuple[set[str], set[str]]:
    """Cylinders with a thread finding that stands, and those that have passed since: the inspector saw the neck."""
    found = inspections[inspections["finding"].eq("thread")].groupby("cylinder_id")["inspected_on"].max()
    looked = inspections["result"].eq("pass") & inspections["kind"].isin(("visual", "hydrostatic"))
    passed = inspections[looked].groupby("cylinder_id")["inspected_on"].max().reindex(found.index)
    closed = set(found.index[passed > found])
    return set(found.index) - closed, closed


def _flags_of_units(units: pd.DataFrame, members: pd.DataFrame) -> dict[str, set[str]]:
    """Flags of a unit stand against each cylinder of it."""
    rows = units[["unit_id", "flags"]].explode("flags").dropna(subset=["flags"])
    rows = rows[rows["flags"].isin(OF_UNIT)]
    by_set = rows.merge(members[["set_id", "cylinder_id"]], left_on="unit_id", right_on="set_id", how="inner")
    singles = rows[~rows["unit_id"].isin(members["set_id"])].assign(cylinder_id=lambda r: r["unit_id"])
    both = pd.concat([singles[["cylinder_id", "flags"]], by_set[["cylinder_id", "flags"]]])
    return {str(code): set(part["cylinder_id"]) for code, part in both.groupby("flags")}
