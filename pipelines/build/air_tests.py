"""Is the air fit: purity tests against the chosen limits, and which fills stand behind a failed one.

The pages say beside it: a failed test means stop filling, keep back what was filled since the last good
test, drain the banks it fed, and call the laboratory.
"""

import numpy as np
import pandas as pd

from pipelines.build.holders import holder_at_end
from pipelines.build.inspections import local_day
from schemas.policy import Policy
from shared.event_dates import add_months, last_event_on
from shared.purity import QUANTITIES, AirTests, Limit, judge, limits_of, purity_rules, within

# below this share of a cylinder's gas a suspect fill counts as used up: two refills from 50 bar. A judgement.
USED_UP_SHARE = 0.05

QUALITY_COLUMNS = ["compressor_id", "sampled_on", "quantity", "value", "limit", "limit_source", "verdict"]
RECALL_COLUMNS = ["fill_id", "unit_id", "held_by", "reason", "since"]
# worst first
AIR_STATES = ("failed", "failed_later", "overdue", "never_tested", "passed", "not_traced")

WORDS = {
    "o2_pct": ("oxygen", "%"),
    "co_ppm": ("carbon monoxide", "ppm"),
    "co2_ppm": ("carbon dioxide", "ppm"),
    "oil_mg_m3": ("oil", "mg/m³"),
    "water_mg_m3": ("water", "mg/m³"),
    "odour": ("odour", ""),
}


def air_rules(policy: Policy) -> tuple[dict[str, Limit], AirTests]:
    """The limits and the test interval that this station goes by."""
    _, tests = purity_rules()
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


def _values(tests: pd.DataFrame) -> dict[str, np.ndarray]:
    values = {name: tests[name].to_numpy("float64") for name in QUANTITIES if name != "odour"}
    values["odour"] = tests["odour"].astype("Float64").to_numpy("float64", na_value=np.nan)
    return values


def _limits(policy: Policy) -> dict[str, Limit]:
    limits, _ = air_rules(policy)
    own = policy.air.co_limit_ppm
    if own is not None and "co_ppm" in limits:
        cited = limits["co_ppm"]
        name = co_limit(policy)[1]
        limits["co_ppm"] = Limit(cited.standard, name, "co_ppm", -np.inf, float(own), np.inf, cited.citation)
    return limits


def build_air_quality(tests: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """The `air_quality` table: a row a test and limit."""
    limits = _limits(policy)
    values = _values(tests)
    verdicts = judge(values, limits)
    parts = []
    for quantity, limit in limits.items():
        value = values[quantity]
        side = np.where(value < limit.at_least, limit.at_least, limit.at_most)
        parts.append(
            pd.DataFrame(
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
        )
    made = pd.concat(parts, ignore_index=True).astype({"quantity": "str", "limit_source": "str", "verdict": "str"})
    return made.sort_values(["compressor_id", "sampled_on", "quantity"], ignore_index=True)[QUALITY_COLUMNS]


def _says_limit(limit: Limit) -> str:
    span = f"{limit.at_least:g} to {limit.at_most:g}" if np.isfinite(limit.at_least) else f"at most {limit.at_most:g}"
    unit = WORDS[limit.quantity][1]
    marks = {"read": "", "restated": ", restated", "memory": ", from memory: check"}
    own = "" if limit.name.startswith("set by") else f"{limit.citation.edition}{marks[limit.citation.verified]}; "
    return f"{limit.name} ({own}{span}{' ' + unit if unit else ''})"


def judge_tests(tests: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Each test as a whole: `failed` where a quantity is beyond its limit, `measured` where any was."""
    limits = _limits(policy)
    verdicts = judge(_values(tests), limits)
    failed = np.zeros(len(tests), bool)
    measured = np.zeros(len(tests), bool)
    complete = np.ones(len(tests), bool)
    for verdict in verdicts.values():
        failed |= verdict == "fail"
        measured |= verdict != "not_measured"
        complete &= verdict != "not_measured"
    return pd.DataFrame(
        {
            "compressor_id": tests["compressor_id"].astype("str"),
            "sampled_on": tests["sampled_on"],
            "failed": failed,
            "measured": measured,
            "complete": complete,
        },
        index=tests.index,
    )


def feeders(sources: pd.DataFrame, compressors: pd.DataFrame) -> pd.DataFrame:
    """Which compressors feed each source, through any chain of banks: source_id, compressor_id.

    A bank fed by several names them with `;`. A chain that closes on itself ends there.
    """
    fed = {str(s): _names(f) for s, f in zip(sources["source_id"], sources["fed_by"], strict=True)}
    is_compressor = set(compressors["compressor_id"].astype("str")) | set(
        sources.loc[sources["kind"].eq("compressor"), "source_id"].astype("str")
    )
    pairs = []
    for source in sorted(set(fed) | is_compressor):
        seen: set[str] = set()
        ahead = [source]
        while ahead:
            here = ahead.pop()
            if here in seen:
                continue
            seen.add(here)
            if here in is_compressor:
                pairs.append((source, here))
            else:
                ahead.extend(fed.get(here, ()))
    return pd.DataFrame(pairs, columns=["source_id", "compressor_id"], dtype="str")


def _names(value) -> list[str]:
    return [] if not isinstance(value, str) else [name.strip() for name in value.split(";") if name.strip()]


def air_state_of_fills(inputs: dict[str, pd.DataFrame], policy: Policy) -> pd.DataFrame:
    """The state of the air behind each fill, by the tests of the compressors that fed its source.

    Returns
    -------
    DataFrame
        On the index of the fills: air_state, last_good_on, failed_on (the failing test, NaT if none),
        compressor_id (the one whose tests decided).
        `failed`: the last test before the fill failed. `failed_later`: the next test after it did, so
        all since the last good one is in doubt. `overdue`, `never_tested`, `passed`; `not_traced` where
        no compressor is known behind the source (bought gas, or a source nobody registered).

    Notes
    -----
    A fill on the day of a test belongs to that test; a later fail reaches back to that day as well. Air that a
    bank took in before a failed test and still held after the next good one is not followed: the advice is to
    drain the bank.
    """
    fills = inputs["fills"]
    tests = judge_tests(inputs["air_tests"], policy)
    tests = tests[tests["measured"]]
    pairs = fills[["source_id", "filled_at"]].reset_index(drop=True).reset_index(names="row")
    pairs["day"] = local_day(pairs["filled_at"], policy.time_zone)
    pairs = pairs.merge(feeders(inputs["sources"], inputs["compressors"]), on="source_id", how="inner")
    names = pd.Index(sorted(set(pairs["compressor_id"]) | set(tests["compressor_id"])), dtype="object")
    who = names.get_indexer(pairs["compressor_id"].astype("object"))
    tested = names.get_indexer(tests["compressor_id"].astype("object"))
    sampled = tests["sampled_on"].to_numpy("datetime64[us]").astype("datetime64[D]")
    failed = tests["failed"].to_numpy(bool)
    day = pairs["day"].to_numpy("datetime64[us]").astype("datetime64[D]")

    last = last_event_on(tested, sampled, who, day)
    last_failed = last_event_on(tested[failed], sampled[failed], who, day)
    last_good = last_event_on(tested[~failed], sampled[~failed], who, day)
    next_test = _next_event_after(tested, sampled, who, day)
    next_failed = _next_event_after(tested[failed], sampled[failed], who, day)
    is_failed = ~np.isnat(last) & (last_failed == last)
    later = ~is_failed & ~np.isnat(next_failed) & (next_failed == next_test)
    overdue = day > air_test_due_on(last, policy)
    pairs["state"] = np.select(
        [is_failed, later, np.isnat(last), overdue], ["failed", "failed_later", "never_tested", "overdue"], "passed"
    )
    pairs["rank"] = pd.Categorical(pairs["state"], categories=AIR_STATES, ordered=True).codes
    pairs["last_good_on"] = last_good.astype("datetime64[us]")
    fault = np.where(is_failed, last_failed, np.where(later, next_failed, np.datetime64("NaT", "D")))
    pairs["failed_on"] = fault.astype("datetime64[us]")
    worst = pairs.sort_values(["row", "rank"]).drop_duplicates("row").set_index("row").reindex(range(len(fills)))
    return pd.DataFrame(
        {
            "air_state": worst["state"].fillna("not_traced").astype("str").to_numpy(),
            "last_good_on": worst["last_good_on"].to_numpy("datetime64[us]"),
            "failed_on": worst["failed_on"].to_numpy("datetime64[us]"),
            "compressor_id": worst["compressor_id"].astype("str").to_numpy(),
        },
        index=fills.index,
    ).astype({"air_state": "str", "compressor_id": "str"})


def air_test_due_on(last_test_on: np.ndarray, policy: Policy) -> np.ndarray:
    """When the next purity test is due, datetime64[D]; NaT where none was made."""
    last = np.asarray(last_test_on, "datetime64[D]")
    if policy.air.test_interval_days is not None:
        return last + np.timedelta64(int(policy.air.test_interval_days), "D")
    _, interval = air_rules(policy)
    return add_months(last, interval.months)


def _next_event_after(event_cylinder, event_at, cylinder, at) -> np.ndarray:
    """The first event after each moment: the last one before it, with time running backwards."""
    origin = np.datetime64("2000-01-01", "D")
    mirrored = origin - (event_at - origin)
    found = last_event_on(event_cylinder, mirrored, cylinder, origin - (at - origin), strictly_before=True)
    return origin - (found - origin)


def build_recall(
    inputs: dict[str, pd.DataFrame], air: pd.DataFrame, policy: Policy, as_of_on: pd.Timestamp
) -> pd.DataFrame:
    """The `recall` table: fills behind a failed test that are not known to be used up, and who has them.

    A later fill thins what was in the unit: (start + 1 bar) / (stop + 1 bar) of it stays, by the readings.
    """
    fills = inputs["fills"].assign(**{c: air[c] for c in ("air_state", "last_good_on", "failed_on", "compressor_id")})
    end = (pd.Timestamp(as_of_on) + pd.Timedelta(days=1)).tz_localize(policy.time_zone)
    order = fills[fills["filled_at"] < end].sort_values(["unit_id", "filled_at", "fill_id"])
    kept = ((order["start_pressure_bar"] + 1) / (order["stop_pressure_bar"] + 1)).clip(0, 1).fillna(1.0)
    unit = order["unit_id"].astype("str")
    total = np.log(kept.clip(lower=1e-6)).groupby(unit).cumsum()
    last = total.groupby(unit).transform("last")
    order["share_left"] = np.exp(last - total)
    suspect = order[order["air_state"].isin(("failed", "failed_later")) & (order["share_left"] >= USED_UP_SHARE)]
    holder = holder_at_end(inputs, suspect["unit_id"], as_of_on, policy.time_zone)
    on_loan = holder["basis"].eq("loan").to_numpy()
    held_by = np.where(on_loan | suspect["member_id"].isna().to_numpy(), holder["held_by"], suspect["member_id"])
    since = suspect["last_good_on"].dt.tz_localize(policy.time_zone, ambiguous=True, nonexistent="shift_forward")
    faults = _faults(inputs["air_tests"], policy)
    keys = list(zip(suspect["compressor_id"], suspect["failed_on"], strict=True))
    reasons = [
        f"Air test of {failed_on.date()} at {compressor} failed: {faults.get((compressor, failed_on), 'see the test')}."
        for compressor, failed_on in keys
    ]
    made = pd.DataFrame(
        {
            "fill_id": suspect["fill_id"].astype("str").to_numpy(),
            "unit_id": suspect["unit_id"].astype("str").to_numpy(),
            "held_by": held_by,
            "reason": reasons,
            "since": since.dt.tz_convert("UTC").astype("datetime64[us, UTC]").to_numpy(),
        }
    )
    made["since"] = pd.to_datetime(made["since"], utc=True).astype("datetime64[us, UTC]")
    made = made.astype({"held_by": "str", "reason": "str", "fill_id": "str", "unit_id": "str"})
    return made.sort_values("fill_id", ignore_index=True)[RECALL_COLUMNS]


def _faults(tests: pd.DataFrame, policy: Policy) -> dict[tuple, str]:
    """What was beyond its limit in each failed test, and by how much, in words."""
    limits = _limits(policy)
    values = _values(tests)
    words: dict[tuple, list[str]] = {}
    for quantity, limit in limits.items():
        value = values[quantity]
        for i in np.flatnonzero(~np.isnan(value) & ~within(value, limit)):
            name, unit = WORDS[quantity]
            edge = limit.at_least if value[i] < limit.at_least else limit.at_most
            said = name if quantity == "odour" else f"{name} {value[i]:g} {unit}, limit {edge:g}"
            words.setdefault((tests["compressor_id"].iloc[i], tests["sampled_on"].iloc[i]), []).append(said)
    return {key: "; ".join(said) for key, said in words.items()}
