"""Is the air fit: purity tests against the chosen limits, and how each compressor's air stands on a day.

A test speaks for what it measured and for nothing else: a failure stands until that quantity passes, and each
quantity falls due by its own last measurement.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from schemas.policy import Policy
from schemas.tables import TABLES
from shared.air.purity import QUANTITIES, AirTests, Limit, judge, limits_of, purity_rules, within
from shared.inspection.dates import add_months, last_event_on

#: how the air of a compressor stands, worst first
STATES = ("failed", "failed_later", "overdue", "never_tested", "partly_tested", "passed")

WORDS = {
    "o2_pct": ("oxygen", "%"),
    "co_ppm": ("carbon monoxide", "ppm"),
    "co2_ppm": ("carbon dioxide", "ppm"),
    "oil_mg_m3": ("oil", "mg/m³"),
    "hydrocarbons_ppm": ("hydrocarbons", "ppm"),
    "water_mg_m3": ("water", "mg/m³"),
    "odour": ("odour", ""),
}


# --- limits -----------------------------------------------------------------------------------
def air_rules(policy: Policy) -> tuple[dict[str, Limit], AirTests]:
    """The limits and the test interval that this station goes by."""
    tests = purity_rules().tests
    by_country = tests.get(policy.rule_set) or tests["adr"]
    return limits_of(policy.air.purity_standard or by_country.standard), by_country


def co_limit(policy: Policy) -> tuple[float, str]:
    """The limit for carbon monoxide in ppm, and where it comes from."""
    limits, _ = air_rules(policy)
    own = policy.air.co_limit_ppm
    cited = limits.get("co_ppm")
    if own is not None:
        return float(own), "set by the station" + (f" ({cited.name}: {cited.at_most:g})" if cited else "")
    if cited is None:
        return float("nan"), ""
    return cited.at_most, f"{cited.name} ({cited.citation.verified})"


def limits_in_force(policy: Policy) -> dict[str, Limit]:
    """The limit of each quantity, the station's own for carbon monoxide among them."""
    limits, _ = air_rules(policy)
    own = policy.air.co_limit_ppm
    if own is not None and "co_ppm" in limits:
        cited = limits["co_ppm"]
        name = co_limit(policy)[1]
        limits["co_ppm"] = Limit(cited.standard, name, "co_ppm", -np.inf, float(own), np.inf, cited.citation)
    return limits


def _values(tests: pd.DataFrame) -> dict[str, np.ndarray]:
    values = {name: tests[name].to_numpy("float64") for name in QUANTITIES if name != "odour"}
    values["odour"] = tests["odour"].astype("Float64").to_numpy("float64", na_value=np.nan)
    return values


def build_air_quality(tests: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """The `air_quality` table: a row a test and limit; a limit nobody asks for only where it was measured."""
    limits = limits_in_force(policy)
    values = _values(tests)
    verdicts = judge(values, limits)
    parts = []
    for quantity, limit in limits.items():
        value = values[quantity]
        side = np.where(value < limit.at_least, limit.at_least, limit.at_most)
        part = pd.DataFrame(
            {
                "compressor_id": tests["compressor_id"].astype("str"),
                "sampled_on": tests["sampled_on"],
                "quantity": quantity,
                "value": value,
                "limit": side,
                "limit_source": _says_limit(limit),
                "verdict": verdicts[quantity],
            }
        )
        parts.append(part if limit.asked_for else part[verdicts[quantity] != "not_measured"])
    made = pd.concat(parts, ignore_index=True).astype({"quantity": "str", "limit_source": "str", "verdict": "str"})
    return made.sort_values(["compressor_id", "sampled_on", "quantity"], ignore_index=True)[
        TABLES["air_quality"].columns
    ]


def _says_limit(limit: Limit) -> str:
    span = f"{limit.at_least:g} to {limit.at_most:g}" if np.isfinite(limit.at_least) else f"at most {limit.at_most:.3g}"
    if limit.quantity == "odour":
        span = "none"
    unit = WORDS[limit.quantity][1]
    marks = {"read": "", "restated": ", restated", "memory": ", from memory: check"}
    at = f" at {limit.reference_c:g} °C and 1 atm" if limit.quantity == "water_mg_m3" else ""
    own = "" if limit.name.startswith("set by") else f"{limit.citation.edition}{marks[limit.citation.verified]}; "
    return f"{limit.name} ({own}{span}{' ' + unit if unit else ''}{at})"


def faults_of_tests(tests: pd.DataFrame, policy: Policy) -> dict[tuple, str]:
    """What was beyond its limit in each failed test, and by how much, in words, by compressor and day."""
    limits = limits_in_force(policy)
    values = _values(tests)
    words: dict[tuple, list[str]] = {}
    for quantity, limit in limits.items():
        value = values[quantity]
        for i in np.flatnonzero(~np.isnan(value) & ~within(value, limit)):
            name, unit = WORDS[quantity]
            edge = limit.at_least if value[i] < limit.at_least else limit.at_most
            said = name if quantity == "odour" else f"{name} {value[i]:g} {unit}, limit {edge:.3g}"
            words.setdefault((tests["compressor_id"].iloc[i], tests["sampled_on"].iloc[i]), []).append(said)
    return {key: "; ".join(said) for key, said in words.items()}


# --- how a compressor's air stands ------------------------------------------------------------
@dataclass(frozen=True)
class AirRecord:
    """What was measured of each compressor's air up to today: one entry a test and quantity."""

    compressors: pd.Index
    asked_for: tuple[str, ...]
    compressor: np.ndarray
    sampled_on: np.ndarray
    quantity: np.ndarray
    failed: np.ndarray


def air_record(tests: pd.DataFrame, policy: Policy, as_of_on: pd.Timestamp | None = None) -> AirRecord:
    """The tests up to and including today, taken apart by quantity."""
    if as_of_on is not None:
        tests = tests[tests["sampled_on"] <= pd.Timestamp(as_of_on)]
    limits = limits_in_force(policy)
    names = pd.Index(sorted(tests["compressor_id"].dropna().unique()), dtype="object")
    who = names.get_indexer(tests["compressor_id"].astype("object"))
    day = tests["sampled_on"].to_numpy("datetime64[us]").astype("datetime64[D]")
    parts = [
        (who[known], day[known], np.full(known.sum(), quantity, dtype=object), verdict[known] == "fail")
        for quantity, verdict in judge(_values(tests), limits).items()
        for known in [verdict != "not_measured"]
    ]
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    return AirRecord(names, tuple(q for q, limit in limits.items() if limit.asked_for), *columns)


def air_on_days(record: AirRecord, compressor_id: np.ndarray, day: np.ndarray, policy: Policy) -> pd.DataFrame:
    """How the air of compressors stood on days.

    Returns
    -------
    DataFrame
        state; failed_on: the failing test that decides; last_good_on: when what failed was last found good, NaT if
        never; due_on: when the first of the quantities falls due; missing: quantities never measured up to then
        (tuple). `failed`: a quantity's last measurement failed. `failed_later`: its next one after that day did, so all
        since the last good one is in doubt. `overdue`: a quantity's last measurement is too old. `partly_tested`: one
        was never measured. `never_tested`, `passed`.

    Notes
    -----
    What is filled on the day of a test belongs to that test; a later failure reaches back to that day as well.
    """
    n = len(day)
    day = np.asarray(day, "datetime64[D]")
    who = record.compressors.get_indexer(np.asarray(compressor_id, dtype=object))
    none = np.full(n, np.datetime64("NaT"), "datetime64[D]")
    stands, later = np.zeros(n, bool), np.zeros(n, bool)
    failed_on, later_on, good_before, due_on = none.copy(), none.copy(), none.copy(), none.copy()
    good_unknown = np.zeros(n, bool)
    never, measured = np.zeros((n, len(record.asked_for)), bool), np.zeros(n, bool)
    for quantity in dict.fromkeys([*record.asked_for, *record.quantity]):
        of = record.quantity == quantity
        what, when, bad = record.compressor[of], record.sampled_on[of], record.failed[of]
        last = last_event_on(what, when, who, day)
        last_good = last_event_on(what[~bad], when[~bad], who, day)
        now_bad = ~np.isnat(last) & (last_event_on(what[bad], when[bad], who, day) == last)
        following = next_event_after(what, when, who, day)
        next_bad = ~now_bad & ~np.isnat(following)
        next_bad &= next_event_after(what[bad], when[bad], who, day) == following
        stands |= now_bad
        later |= next_bad
        failed_on = np.where(now_bad, np.fmax(failed_on, last), failed_on)
        later_on = np.where(next_bad, np.fmin(later_on, following), later_on)
        in_doubt = now_bad | next_bad
        good_before = np.where(in_doubt, np.fmin(good_before, last_good), good_before)
        good_unknown |= in_doubt & np.isnat(last_good)
        measured |= ~np.isnat(last)
        if quantity in record.asked_for:
            never[:, record.asked_for.index(quantity)] = np.isnat(last)
            due_on = np.fmin(due_on, air_test_due_on(last, policy))
    state = np.select(
        [stands, later, ~measured, ~np.isnat(due_on) & (day > due_on), never.any(axis=1)],
        ["failed", "failed_later", "never_tested", "overdue", "partly_tested"],
        "passed",
    )
    missing = np.empty(n, dtype=object)
    lacks = never @ (1 << np.arange(never.shape[1]))
    for code in np.unique(lacks):
        some = np.empty(1, dtype=object)
        some[0] = tuple(q for place, q in enumerate(record.asked_for) if code >> place & 1)
        missing[lacks == code] = some
    good_before[good_unknown] = np.datetime64("NaT")
    fault = np.where(stands, failed_on, later_on)
    return pd.DataFrame(
        {
            "state": state,
            "failed_on": fault.astype("datetime64[us]"),
            "last_good_on": good_before.astype("datetime64[us]"),
            "due_on": due_on.astype("datetime64[us]"),
            "missing": missing,
        }
    )


def air_test_due_on(last_test_on: np.ndarray, policy: Policy) -> np.ndarray:
    """When the next purity test is due, datetime64[D]; NaT where none was made."""
    last = np.asarray(last_test_on, "datetime64[D]")
    if policy.air.test_interval_days is not None:
        return last + np.timedelta64(int(policy.air.test_interval_days), "D")
    _, interval = air_rules(policy)
    return add_months(last, interval.months)


def next_event_after(event_cylinder, event_at, cylinder, at) -> np.ndarray:
    """The first event after each moment: the last one before it, with time running backwards."""
    origin = np.datetime64("2000-01-01", "D")
    mirrored = origin - (event_at - origin)
    found = last_event_on(event_cylinder, mirrored, cylinder, origin - (at - origin), strictly_before=True)
    return origin - (found - origin)
