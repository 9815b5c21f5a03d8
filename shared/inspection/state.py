"""When a cylinder must be inspected, and whether it was in test on a given day.

Pure functions of (cylinders, history, rule sets, days). Days are numpy datetime64[D]; text is numpy
object or string arrays. Law, the stamp on the cylinder and a competent inspector decide; this counts
calendar months.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from shared.inspection.dates import add_months, latest
from shared.inspection.history import Inspections, counted_results, last_inspection_on
from shared.inspection.rules import KINDS, Period, RuleSet, rule_sets

DATE_KINDS = ("visual", "hydrostatic", "eddy_current", "ultrasonic")
# a hydrostatic inspection includes the visual one, never the reverse
INCLUDED_IN = {"visual": ("hydrostatic",)}
STATES = ("in_date", "due_soon", "out_of_date", "condemned", "unknown")
NAT = np.datetime64("NaT", "D")


@dataclass(frozen=True)
class Cylinders:
    """What the rules ask about n cylinders; each field an array of length n.

    Days are datetime64[D] with NaT for unknown; texts are empty where not stated.
    """

    material: np.ndarray
    manufactured_on: np.ndarray
    alloy: np.ndarray
    first_used_on: np.ndarray
    service_life_ends_on: np.ndarray
    rule_set: np.ndarray
    regime: np.ndarray
    status: np.ndarray

    def __len__(self) -> int:
        return len(self.material)


@dataclass(frozen=True)
class States:
    """What was known on each asked day; arrays as long as the days.

    `in_test` is false when unknown. `due_on` is the first date that runs out, NaT where none is
    known; after a fail it is the day of the fail. `due_by_kind` has the date of each kind by itself, the day of its
    fail where one stands, NaT where it is not asked for or is not known. The last passed inspections are those of
    that very kind. `reasons` holds tuples of codes, worst first.
    """

    state: np.ndarray
    due_on: np.ndarray
    due_kind: np.ndarray
    in_test: np.ndarray
    withdrawn: np.ndarray
    last_visual_on: np.ndarray
    last_hydrostatic_on: np.ndarray
    due_by_kind: Mapping[str, np.ndarray]
    reasons: np.ndarray


def _applies(period: Period, cylinders: Cylinders, regime_known: np.ndarray) -> np.ndarray:
    mask = np.ones(len(cylinders), bool)
    if period.materials:
        mask &= np.isin(cylinders.material, period.materials)
    if period.alloys:
        mask &= alloy_matches(cylinders.alloy, period.alloys)
    regime = np.where(regime_known, cylinders.regime, "")
    if period.regimes:
        mask &= np.isin(regime, period.regimes)
    if period.without_regimes:
        mask &= ~np.isin(regime, period.without_regimes)
    return mask


def alloy_matches(alloy, named: tuple[str, ...]) -> np.ndarray:
    """True where a stated alloy begins with one of the named ones (`6351-T6` is a `6351`)."""
    text = np.char.upper(np.asarray(alloy, dtype="U32"))
    text = np.char.replace(np.char.replace(text, "AA", ""), " ", "")
    return np.any([np.char.startswith(text, name) for name in named], axis=0)


def state_on_days(
    cylinders: Cylinders,
    inspections: Inspections,
    station_rule_set: str,
    cylinder: np.ndarray,
    day: np.ndarray,
    *,
    due_soon_days: int = 60,
    rules: Mapping[str, RuleSet] | None = None,
    with_reasons: bool = True,
) -> States:
    """State, next date and reasons for many (cylinder, day) questions at once.

    Parameters
    ----------
    cylinders, inspections
        The register and the history. Of the history only what is dated up to the day counts.
    station_rule_set : str
        Used where a cylinder names none of its own.
    cylinder, day : arrays of one length
        Positions in `cylinders`, and days (datetime64[D]).
    due_soon_days : int
        `due_soon` within so many days of the date.
    with_reasons : bool
        Whether anybody asks why; else there are no `reasons`.

    Returns
    -------
    States

    Notes
    -----
    In test up to and including the due day. A fail keeps a cylinder out until a later pass of its kind
    or of one that includes it; a failed oxygen_clean bars oxygen service only. Condemned is for ever.
    The register's status bears no date: `condemned` counts from the first condemning inspection, and
    `withdrawn` from a fail that was never passed again; where there is none, for all days.
    """
    rules = rules if rules is not None else rule_sets()
    cylinder = np.asarray(cylinder, "int64")
    day = np.asarray(day, "datetime64[D]")
    n = len(day)
    chosen = np.where(np.asarray(cylinders.rule_set) == "", station_rule_set, cylinders.rule_set)

    result = counted_results(inspections, chosen, rules)
    passed = {k: last_inspection_on(inspections, result, k, "pass", cylinder, day) for k in KINDS}
    covering = {k: latest([passed[k], *(passed[i] for i in INCLUDED_IN.get(k, ()))]) for k in KINDS}

    noted: list[tuple[np.ndarray, str]] = []

    def note(mask: np.ndarray, code: str) -> None:
        if with_reasons:
            noted.append((np.flatnonzero(mask), code))

    condemned = _condemned(cylinders, inspections, result, cylinder, day)
    note(condemned, "condemned")

    failed_on = np.full(n, NAT)
    failed_kind = np.full(n, "", "U16")
    failed_by_kind = {}
    for k in KINDS:
        if k == "oxygen_clean":
            continue
        fail = last_inspection_on(inspections, result, k, "fail", cylinder, day)
        still = ~np.isnat(fail) & ~(covering[k] > fail)
        failed_by_kind[k] = np.where(still, fail, NAT)
        first = still & (np.isnat(failed_on) | (fail < failed_on))
        failed_on[first] = fail[first]
        failed_kind[first] = k
        note(still & ~condemned, f"{k}_failed")
    failed = ~np.isnat(failed_on)

    barred = np.zeros(n, bool)
    due = np.full(n, NAT)
    due_kind = np.full(n, "", "U24")
    due_by_kind = {k: np.full(n, NAT) for k in DATE_KINDS}
    lacking = np.zeros(n, bool)
    any_period = np.zeros(n, bool)
    known_rules = np.isin(chosen, list(rules))
    for code, rule_set in rules.items():
        here_cylinder = chosen == code
        if not here_cylinder[cylinder].any():
            continue
        regime_known = (cylinders.regime == "") | np.isin(cylinders.regime, rule_set.regimes)
        note((here_cylinder & ~regime_known)[cylinder], "regime_unknown")
        for period in rule_set.periods:
            mask = (here_cylinder & _applies(period, cylinders, regime_known))[cylinder]
            if not mask.any():
                continue
            any_period |= mask
            last = latest([passed[k] for k in period.counts_from])
            start = _start(cylinders, period.start)[cylinder]
            date = np.where(np.isnat(last), add_months(start, period.first_months), add_months(last, period.months))
            note(mask & np.isnat(date), f"{period.kind}_date_unknown")
            lacking |= mask & np.isnat(date)
            _take_earlier(due_by_kind[period.kind], date, mask)
            earlier = mask & ~np.isnat(date) & (np.isnat(due) | (date < due))
            due[earlier] = date[earlier]
            due_kind[earlier] = period.kind
        for alloys, from_on, _ in rule_set.barred:
            hit = (here_cylinder & alloy_matches(cylinders.alloy, alloys))[cylinder] & (day >= from_on)
            barred |= hit
            note(hit, "alloy_not_permitted")

    life = cylinders.service_life_ends_on[cylinder]
    composite = (cylinders.material == "composite")[cylinder]
    life_unknown = composite & np.isnat(life)
    note(life_unknown, "service_life_unknown")
    life_over = ~np.isnat(life) & (day > life)
    note(life_over, "service_life_over")
    ends = ~np.isnat(life) & (np.isnat(due) | (life < due))
    due[ends] = life[ends]
    due_kind[ends] = "end_of_service_life"

    # a cylinder of unknown age without any passed inspection has no date at all, unless its rule set counts
    # from first use and that is known
    no_basis = (
        np.isnat(cylinders.manufactured_on[cylinder]) & np.isnat(latest([passed[k] for k in DATE_KINDS])) & lacking
    )
    no_rules = ~known_rules[cylinder]
    no_period = ~no_rules & ~any_period
    note(no_rules, "rule_set_unknown")
    note(no_period, "no_period_for_material")
    note(no_basis, "no_inspection_known")
    # one of the two dates is wrong, and with it what counts from them
    not_made = day < cylinders.manufactured_on[cylinder]
    note(not_made, "not_made_by_then")
    unknown = lacking | life_unknown | no_rules | no_period | not_made

    overdue = ~np.isnat(due) & (day > due)
    for k, dates in due_by_kind.items():
        note(~np.isnat(dates) & (day > dates), f"{k}_out_of_date")
    out = failed | barred | life_over | overdue
    soon = ~np.isnat(due) & (due - day <= np.timedelta64(due_soon_days, "D"))
    note(soon & ~out & ~unknown & ~condemned, "inspection_due_soon")

    due[failed & ~(due < failed_on)] = failed_on[failed & ~(due < failed_on)]
    at_fail = failed & (due == failed_on)
    due_kind[at_fail] = failed_kind[at_fail]
    due[condemned] = NAT
    due_kind[condemned] = ""

    state = np.select(
        [condemned, out, unknown, soon], ["condemned", "out_of_date", "unknown", "due_soon"], default="in_date"
    ).astype(object)
    withdrawn = _withdrawn(cylinders, inspections, result, cylinder, day)
    note(withdrawn, "withdrawn")
    return States(
        state=state,
        due_on=due,
        due_kind=due_kind.astype(object),
        in_test=np.isin(state, ("in_date", "due_soon")),
        withdrawn=withdrawn,
        last_visual_on=passed["visual"],
        last_hydrostatic_on=passed["hydrostatic"],
        due_by_kind={k: np.fmin(dates, failed_by_kind[k]) for k, dates in due_by_kind.items()},
        reasons=_tuples(noted, n if with_reasons else 0),
    )


def _tuples(noted: list[tuple[np.ndarray, str]], n: int) -> np.ndarray:
    """The codes of each of n in the order in which they were noted; most have none."""
    said: dict[int, list[str]] = {}
    for places, code in noted:
        for i in places.tolist():
            said.setdefault(i, []).append(code)
    made = np.empty(n, dtype=object)
    made.fill(())
    for i, codes in said.items():
        made[i] = tuple(codes)
    return made


def _start(cylinders: Cylinders, name: str) -> np.ndarray:
    """First use where the rule counts from it and it is known, else manufacture (never the later guess)."""
    if name == "manufactured_on":
        return cylinders.manufactured_on
    return np.where(np.isnat(cylinders.first_used_on), cylinders.manufactured_on, cylinders.first_used_on)


def _take_earlier(into: np.ndarray, date: np.ndarray, mask: np.ndarray) -> None:
    earlier = mask & ~np.isnat(date) & (np.isnat(into) | (date < into))
    into[earlier] = date[earlier]


def _first_of(inspections: Inspections, pick: np.ndarray, n: int) -> np.ndarray:
    first = np.full(n, np.datetime64("9999-12-31", "D"))
    np.minimum.at(first, inspections.cylinder[pick], inspections.inspected_on[pick].astype("datetime64[D]"))
    return first


def _condemned(cylinders, inspections, result, cylinder, day) -> np.ndarray:
    never = np.datetime64("9999-12-31", "D")
    first = _first_of(inspections, result == "condemned", len(cylinders))
    undated = (cylinders.status == "condemned") & (first == never)
    return undated[cylinder] | (day >= first[cylinder])


def _withdrawn(cylinders, inspections, result, cylinder, day) -> np.ndarray:
    """Withdrawn on the day: from the first fail that stands to this day, where there is one."""
    n = len(cylinders)
    everyone = np.arange(n)
    far = np.full(n, np.datetime64("9999-12-30", "D"))
    since = np.full(n, NAT)
    for k in KINDS:
        fail = last_inspection_on(inspections, result, k, "fail", everyone, far)
        cover = latest(
            [last_inspection_on(inspections, result, i, "pass", everyone, far) for i in (k, *INCLUDED_IN.get(k, ()))]
        )
        standing = ~np.isnat(fail) & ~(cover > fail)
        since = np.where(standing, np.fmin(since, fail), since)
    taken = cylinders.status == "withdrawn"
    return (taken & np.isnat(since))[cylinder] | (taken[cylinder] & (day >= since[cylinder]))
