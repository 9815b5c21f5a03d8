"""Whether a fill may be handed over: every reason found, and the worst of them as the verdict."""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from pipelines.derive.air.of_fills import air_state_of_fills
from pipelines.derive.air.purity_tests import co_limit
from pipelines.derive.air.recall import USED_UP_SHARE
from pipelines.derive.columns import floats, looked_up, truth
from pipelines.derive.fills.chain import carried_over, kept_share
from pipelines.derive.fills.context import FillContext
from pipelines.derive.fills.mix import beyond_qualification
from pipelines.derive.fills.slips import fill_slips
from schemas.codes import codes_that, worst
from schemas.frames import lists
from schemas.policy import Policy
from shared.filling.permitted import above_permitted
from shared.filling.stop_advice import RELIEF_MARGIN_BAR
from shared.inspection.dates import add_months

GAUGE_CHECK_MONTHS = 12
"""Gauges are checked yearly: common practice, no source."""

LABORATORY = pd.Timedelta(days=7)
"""A laboratory takes days: who released within a week of the sample did not know its result. A judgement."""

#: what came to light with a test of the air, with a settled reading, with an analysis
AIR_REASONS = codes_that(lambda c: c.found_by == "air_test")
READING_REASONS = codes_that(lambda c: c.found_by == "settled_reading")
CO_REASONS = codes_that(lambda c: c.found_by == "co_reading")
ANALYSIS_REASONS = codes_that(lambda c: c.found_by == "analysis")
INSPECTION_REASONS = codes_that(lambda c: c.of_inspections)


def build_verdict(
    context: FillContext,
    q: pd.DataFrame,
    mix: pd.DataFrame,
    inputs: dict,
    policy: Policy,
    drifting: np.ndarray,
    as_of_on: pd.Timestamp | None = None,
    settled_known_at: Mapping[str, np.ndarray] | None = None,
) -> pd.DataFrame:
    """in_test, oxygen_clean, side_disagreement, air_state, verdict, reasons and released of each fill.

    Parameters
    ----------
    context : FillContext
        All fills of some cylinders.
    q : DataFrame
        Their pressures: settled_pressure_bar_15c and _ref, low and high at the reference temperature, basis.
    mix : DataFrame
        What `build_mix` found.
    drifting : ndarray of bool
        The filling gauge drifted in that month.
    as_of_on : Timestamp, optional
        Today: later air tests are not known yet.
    settled_known_at : mapping of ndarray, optional
        By station, when all its settled readings became known, in order; else those of the fills in the context.
    """
    c, chain, state = context.fills, context.chain, context.inspected
    source_air = _air(c, inputs, policy, as_of_on)
    air = source_air["air_state"].to_numpy(object)
    releases = looked_up(c["fill_id"], inputs["releases"].groupby("fill_id")["released_at"].max())
    most_co = co_limit(policy)[0]
    residue = _residue_of_air(c, chain, source_air, releases)
    residue["co_in_residue"] = _carbon_monoxide_left(c, chain, most_co)
    unclean = ~truth(state["all_oxygen_clean"])
    permitted, start = floats(c["permitted_bar"]), floats(c["start_pressure_bar"])
    low, median, high = floats(q["low_ref"]), floats(q["settled_pressure_bar_ref"]), floats(q["high_ref"])
    second, stop = floats(c["second_stop_pressure_bar"]), _stop_bar(c)
    read_above = above_permitted(floats(c["stop_pressure_bar"]), permitted)
    # two readings on gauges of one class: each has an offset of its own
    apart = np.sqrt(2.0) * floats(c["gauge_limit_bar"]) + floats(c["gauge_step_bar"])
    gauges_differ = np.abs(floats(c["stop_pressure_bar"]) - second) > apart
    overshoot = _overshoot_allowed(c, policy, settled_known_at)
    stated_offset = np.abs(floats(c["gauge_offset_stated_bar"])) > floats(c["gauge_limit_bar"])
    slips = fill_slips(c, policy.time_zone)
    tests_kept = len(inputs["air_tests"]) > 0

    found = {
        "unit_condemned": (state["inspection_state"] == "condemned").to_numpy(),
        "unit_withdrawn": truth(state["withdrawn"]),
        "not_in_test": ~truth(state["in_test"]),
        "other_side_not_in_test": truth(state["other_side_unfit"]),
        "inspection_not_taken": _inspection_not_taken(c, chain, inputs.get("inspections_not_taken")),
        "settled_above_permitted": above_permitted(low, permitted),
        "mix_out_of_tolerance": (mix["mix_verdict"] == "out_of_tolerance").to_numpy(),
        "mix_not_analysed": ((mix["mix_verdict"] == "not_analysed") & mix["other_than_air"]).to_numpy(),
        "residue_unknown": mix["residue_unknown"].to_numpy() & (mix["mix_verdict"] == "not_analysed").to_numpy(),
        "helium_not_analysed": mix["helium_not_analysed"].to_numpy(),
        "analysis_unlike_expected": mix["unlike_expected"].to_numpy(),
        "sides_analysed_apart": mix["analyses_differ"].to_numpy(),
        "oxygen_into_unclean_unit": mix["oxygen_decanted"].to_numpy() & unclean,
        "co_above_limit": floats(c["co_ppm"]) > most_co,
        "co_in_residue": residue["co_in_residue"].found,
        "air_test_failed": air == "failed",
        "likely_above_permitted": ~above_permitted(low, permitted) & above_permitted(median, permitted),
        "may_settle_above_permitted": ~above_permitted(median, permitted) & above_permitted(high, permitted),
        "mix_above_oxygen_limit": mix["above_oxygen_limit"].to_numpy() & unclean,
        "beyond_qualification": beyond_qualification(c, mix["qualification_needed"].to_numpy(), inputs["members"]),
        "side_gauges_differ": gauges_differ,
        "gauge_past_check": _past_check(c),
        "gauge_drifting": drifting | stated_offset,
        "arrived_empty": start < policy.filling.least_arrival_bar,
        "air_test_overdue": (air == "overdue") | ((air == "never_tested") & tests_kept),
        "air_test_failed_later": air == "failed_later",
        "residue_on_recall": residue["residue_on_recall"].found,
        "source_unknown_air_failed": air == "source_unknown",
        "residue_of_unknown_source": residue["residue_of_unknown_source"].found,
        "carbon_monoxide_untested": ~source_air["co_measured"].to_numpy(bool),
        "air_partly_tested": air == "partly_tested",
        "suit_gas_only": mix["suit_gas"].to_numpy(),
        "permitted_pressure_unknown": ~np.isfinite(permitted),
        "outside_gas_table": ~np.isfinite(floats(q["settled_pressure_bar_15c"])) & ~slips["stop_below_start"],
        **slips,
        # no verdict of its own, for it says nothing of what is inside; but nobody should ask for it again
        "asked_above_permitted": above_permitted(floats(c["target_pressure_bar"]), permitted),
        "stopped_above_permitted": above_permitted(stop, permitted) & read_above & ~overshoot,
        "stopped_above_by_offset": above_permitted(stop, permitted) & ~read_above & ~overshoot,
        "other_side_above_permitted": above_permitted(second, permitted) & ~overshoot,
        "short_fill": floats(q["settled_pressure_bar_15c"])
        < floats(c["target_pressure_bar"]) - policy.filling.short_bar,
        "hot_stop": floats(c["stop_pressure_bar"]) - floats(q["settled_pressure_bar_15c"]) > policy.filling.short_bar,
        "stopped_early": ~slips["stop_below_start"]
        & (floats(c["stop_pressure_bar"]) < floats(c["target_pressure_bar"]) - policy.filling.short_bar),
    }
    reasons = lists(found, len(c))
    for own, marks, inspection in zip(reasons, c["marks"], state["reasons"], strict=True):
        own.extend(m for m in marks if m not in own)
        if not INSPECTION_REASONS.isdisjoint(own):
            own.extend(r for r in inspection if r not in own)
    by_severity = [worst(r) for r in reasons]
    verdict = np.array(["good" if s in (None, "note") else s for s in by_severity], dtype=object)
    both_read = np.isfinite(second) | mix["analysed_twice"].to_numpy()
    disagree = pd.array(gauges_differ | mix["analyses_differ"].to_numpy(), dtype="boolean")
    disagree[~both_read] = pd.NA
    return pd.DataFrame(
        {
            "in_test": state["in_test"].astype("boolean").to_numpy(),
            "oxygen_clean": state["oxygen_clean"].astype("boolean").to_numpy(),
            "side_disagreement": disagree,
            "air_state": air,
            "air_failed_on": source_air["failed_on"].to_numpy("datetime64[us]"),
            "verdict": verdict,
            "reasons": pd.Series(reasons, index=c.index, dtype="object"),
            "released": pd.array(_lifted(c, reasons, source_air, releases, residue.values()), dtype="boolean"),
        },
        index=c.index,
    )


def _inspection_not_taken(c: pd.DataFrame, chain: pd.DataFrame, not_taken: pd.DataFrame | None) -> np.ndarray:
    """Fills of a cylinder since an inspection that may have failed and whose row was rejected; all, where that row
    does not say when.
    """
    found = np.zeros(len(c), bool)
    if not_taken is not None and len(not_taken):
        of = chain.merge(not_taken, on="cylinder_id")
        since = ~(of["inspected_on"].to_numpy() > c["filled_on"].to_numpy()[of["row"]])
        found[of["row"].to_numpy()[since]] = True
    return found


def _air(c: pd.DataFrame, inputs: dict, policy: Policy, as_of_on: pd.Timestamp | None) -> pd.DataFrame:
    """The air behind each fill of the context, which stands in the order of time."""
    states = air_state_of_fills(inputs, policy, as_of_on)
    place = pd.Index(inputs["fills"]["fill_id"]).get_indexer(c["fill_id"])
    return states.iloc[place].set_axis(c.index)


class _Residue(NamedTuple):
    """Fills on top of gas that nobody should breathe, and when that became known, seconds; -inf where nobody says."""

    found: np.ndarray
    known_at_s: np.ndarray


def _residue_of_air(
    c: pd.DataFrame, chain: pd.DataFrame, air: pd.DataFrame, released_at: pd.Series
) -> dict[str, _Residue]:
    """Fills on top of gas that is called back: what a person released after its failed test is not counted."""
    kept, state, known = kept_share(c), air["air_state"].to_numpy(object), _seconds(air["failed_on"] + LABORATORY)
    lifted = _released(released_at, c["filled_at"], air["failed_on"])
    failed = np.isin(state, ("failed", "failed_later")) & ~lifted
    unknown = (state == "source_unknown") & ~lifted
    called, doubted = (carried_over(chain, kept, m.astype(float), known) for m in (failed, unknown))
    on_recall = called.inside >= USED_UP_SHARE
    of_unknown = (doubted.inside >= USED_UP_SHARE) & ~on_recall
    return {
        "residue_on_recall": _Residue(on_recall, called.known_at_s),
        "residue_of_unknown_source": _Residue(of_unknown, doubted.known_at_s),
    }


def _seconds(moment: pd.Series) -> np.ndarray:
    """Moments as seconds, -inf where there is none."""
    at = moment.to_numpy("datetime64[us]")
    return np.where(np.isnat(at), -np.inf, at.astype("int64") / 1e6)


def _co_read_at(c: pd.DataFrame) -> pd.Series:
    """When carbon monoxide was read that counts, else when the fill was analysed."""
    read = c["co_read_at"] if "co_read_at" in c else c["analysed_at"]
    return read.where(read.notna(), c["analysed_at"])


def _carbon_monoxide_left(c: pd.DataFrame, chain: pd.DataFrame, most_ppm: float) -> _Residue:
    """Fills on top of gas in which so much carbon monoxide was measured that, thinned by them, it is above the limit.

    Nobody's release makes it less. A later measurement does, unless it is less than half of what must be left.
    """
    read = floats(c["co_ppm"])
    left = carried_over(chain, kept_share(c), np.nan_to_num(read), _seconds(_co_read_at(c)), read)
    return _Residue((left.inside > most_ppm) & ~(read >= left.inside / 2.0), left.known_at_s)


def _stop_bar(c: pd.DataFrame) -> np.ndarray:
    """Stop pressures without what the gauge's check found it to be off by."""
    return floats(c["stop_pressure_bar"]) - np.nan_to_num(floats(c["gauge_offset_stated_bar"]))


def _overshoot_allowed(
    c: pd.DataFrame, policy: Policy, settled_known_at: Mapping[str, np.ndarray] | None
) -> np.ndarray:
    """True where the station may stop a hot fill above the permitted pressure: it says so, has settled readings enough
    of its own by then, and the stop was below what its relief valve leaves."""
    filling = policy.filling
    if filling.hot_limit != "rule_set" or filling.relief_bar is None:
        return np.zeros(len(c), bool)
    known = c["settled_known_at"].where(c["settled_usable"])
    enough = np.zeros(len(c), bool)
    for station, rows in c.groupby("station").indices.items():
        at = None if settled_known_at is None else settled_known_at[str(station)]
        if at is None:
            at = np.sort(known.iloc[rows].dropna().to_numpy("datetime64[us]"))
        before = np.searchsorted(at, c["filled_at"].iloc[rows].to_numpy("datetime64[us]"), side="right")
        enough[rows] = before >= filling.overshoot_least_settled_fills
    # of two gauges the one that reads more: which is right is not known
    highest = np.fmax(np.fmax(floats(c["stop_pressure_bar"]), _stop_bar(c)), floats(c["second_stop_pressure_bar"]))
    return enough & (highest <= filling.relief_bar - RELIEF_MARGIN_BAR)


def _lifted(
    c: pd.DataFrame,
    reasons: list[list[str]],
    air: pd.DataFrame,
    released_at: pd.Series,
    residue: Iterable[_Residue],
) -> np.ndarray:
    """True where a person lifted the hold knowing what holds it: a release does not lift what came to light later."""
    by_air, by_reading, by_analysis, by_co = (
        pd.Series([bool(codes.intersection(r)) for r in reasons], c.index)
        for codes in (AIR_REASONS, READING_REASONS, ANALYSIS_REASONS, CO_REASONS)
    )
    inside = np.max([np.where(one.found, one.known_at_s, -np.inf) for one in residue], axis=0)
    done = _released(
        released_at,
        c["filled_at"],
        air["failed_on"].where(by_air),
        c["settled_known_at"].where(by_reading & c["settled_usable"]),
        c["analysed_at"].where(by_analysis),
        _co_read_at(c).where(by_co),
    )
    return done & (_seconds(released_at) >= inside)


def _past_check(c: pd.DataFrame) -> np.ndarray:
    checked = c["gauge_checked_on"].to_numpy("datetime64[us]").astype("datetime64[D]")
    due = add_months(checked, GAUGE_CHECK_MONTHS)
    return ~np.isnat(checked) & (c["filled_on"].to_numpy("datetime64[us]").astype("datetime64[D]") > due)


def _released(released_at: pd.Series, *known_from: pd.Series) -> np.ndarray:
    """True where a person released it once all was known that holds it: not what came to light later."""
    done = released_at.notna()
    for moment in known_from:
        if moment.dt.tz is None:  # the day of a test, at any station
            moment = moment.dt.tz_localize("UTC") + LABORATORY
        done &= moment.isna() | (released_at >= moment)
    return done.fillna(False).to_numpy(bool)
