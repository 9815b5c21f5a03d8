"""What the inspections of the past say: results as they count, and whether a cylinder is clean for oxygen."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from shared.inspection.dates import add_months, last_event_on
from shared.inspection.rules import RuleSet


@dataclass(frozen=True)
class Inspections:
    """History of m inspections; `cylinder` is the position in the cylinders' arrays."""

    cylinder: np.ndarray
    inspected_on: np.ndarray
    kind: np.ndarray
    result: np.ndarray
    permanent_expansion_pct: np.ndarray = field(default_factory=lambda: np.empty(0))


def counted_results(inspections: Inspections, chosen: np.ndarray, rules: Mapping[str, RuleSet]) -> np.ndarray:
    """Results as they count: a pass beyond the limit of permanent expansion condemns."""
    result = np.array(inspections.result, dtype=object)
    expansion = inspections.permanent_expansion_pct
    if len(expansion) == 0 or len(result) == 0:
        return result
    limits = {code: r.permanent_expansion_over_pct for code, r in rules.items()}
    limit = np.array([limits.get(code) if limits.get(code) is not None else np.inf for code in chosen], float)
    over = np.asarray(expansion, float) > limit[inspections.cylinder] * (1 + 1e-12)
    result[over & (inspections.kind == "hydrostatic")] = "condemned"
    return result


def last_inspection_on(inspections: Inspections, result, kind: str, what: str, cylinder, day) -> np.ndarray:
    """The last inspection of a kind with a result of each asked cylinder up to each asked day."""
    pick = (inspections.kind == kind) & (result == what)
    return last_event_on(inspections.cylinder[pick], inspections.inspected_on[pick], cylinder, day)


def oxygen_clean_at(
    inspections: Inspections,
    cylinder: np.ndarray,
    at: np.ndarray,
    *,
    clean_months: int = 12,
    soiled_cylinder: np.ndarray | None = None,
    soiled_at: np.ndarray | None = None,
) -> np.ndarray:
    """Whether each cylinder was clean for oxygen at each moment.

    Parameters
    ----------
    cylinder, at : arrays of one length
        Positions of cylinders, and moments (datetime64[s] or finer).
    clean_months : int
        A clean state lasts so many calendar months (common practice, no source).
    soiled_cylinder, soiled_at : arrays, optional
        Fills from a source not marked oxygen compatible: they end the state for what comes after.

    Returns
    -------
    bool ndarray
        False where nothing is known.

    Notes
    -----
    A later or same-day fail ends the state. Valve work ends it unless a clean of the same day or later
    follows.
    """
    at = np.asarray(at)
    today = at.astype("datetime64[D]")
    result = np.asarray(inspections.result)
    clean = last_inspection_on(inspections, result, "oxygen_clean", "pass", cylinder, today)
    bad = np.fmax(
        last_inspection_on(inspections, result, "oxygen_clean", "fail", cylinder, today),
        last_inspection_on(inspections, result, "oxygen_clean", "condemned", cylinder, today),
    )
    work = inspections.kind == "valve_service"
    valve = last_event_on(inspections.cylinder[work], inspections.inspected_on[work], cylinder, today)
    good = ~np.isnat(clean) & (today <= add_months(clean, clean_months)) & ~(bad >= clean) & ~(valve > clean)
    if soiled_cylinder is not None and soiled_at is not None:
        soiled = last_event_on(soiled_cylinder, soiled_at, cylinder, at, strictly_before=True)
        good &= ~(soiled >= clean.astype(at.dtype))
    return good
