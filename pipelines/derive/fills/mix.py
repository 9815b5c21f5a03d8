"""The mix of every fill: what was expected, what was analysed, how deep and for whom it is fit."""

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats, looked_up
from pipelines.derive.fills.residue import Followed, follow_residue, source_is_air
from schemas.policy import Policy
from shared.gas import mixing
from shared.gas.constants import AIR_O2_PCT, BREATHABLE_LEAST_O2_PCT, BREATHABLE_MOST_AR_PCT
from shared.gas.mixing import PLAIN_O2_PCT, TRACE_PCT
from shared.gas.mixing import is_plain_air as is_air

QUALIFICATIONS = ("air", "nitrox", "normoxic_trimix", "trimix")
NORMOXIC_O2_PCT = 18.0


def build_mix(
    c: pd.DataFrame,
    chain: pd.DataFrame,
    gas_c: np.ndarray,
    elsewhere: np.ndarray,
    policy: Policy,
    oxygen_limit_pct: float,
) -> pd.DataFrame:
    """What is known of each fill's mix, on the index of the context frame.

    Returns the published columns o2_pct … min_operating_depth_m, and for the verdict: other_than_air (may be
    inside), residue_unknown, helium_not_analysed, oxygen_decanted, above_oxygen_limit, qualification_needed, suit_gas,
    analyses_differ.

    Parameters
    ----------
    c, chain : DataFrame
        See `fill_context`.
    gas_c : ndarray
        Gas temperature at stop, °C.
    elsewhere : ndarray of bool
        See `gas_from_elsewhere`.
    policy : Policy
    oxygen_limit_pct : float
        Oxygen service above this share.
    """
    tolerance = policy.filling.mix_tolerance_pct + 1e-9
    o2, second, he = (floats(c[k]) for k in ("analysed_o2_pct", "second_analysed_o2_pct", "analysed_he_pct"))
    target_o2, target_he, target_ar = (
        floats(c["target_o2_pct"]),
        np.nan_to_num(floats(c["target_he_pct"])),
        floats(c["target_ar_pct"]),
    )
    first = np.where(np.isfinite(o2), o2, second)
    errors = np.column_stack([o2 - target_o2, second - target_o2])
    furthest = np.argmax(np.nan_to_num(np.abs(errors), nan=-1.0), axis=1)
    worst = errors[np.arange(len(errors)), furthest]
    off = (np.abs(worst) > tolerance) | (np.abs(he - target_he) > tolerance)
    empty_bar = policy.filling.least_arrival_bar
    found = follow_residue(c, chain, gas_c, elsewhere, empty_bar, policy.filling.mix_tolerance_pct)
    expected, residue = found.expected, found.residue
    # what an analysis of oxygen alone cannot see
    helium_inside = (target_he >= TRACE_PCT) | (found.helium_left_pct >= TRACE_PCT)
    argon_inside = (found.argon_left_pct > BREATHABLE_MOST_AR_PCT) & ~(target_ar > BREATHABLE_MOST_AR_PCT)
    analysed = np.isfinite(first) & (np.isfinite(he) | ~helium_inside) & ~argon_inside
    verdict = np.where(off, "out_of_tolerance", np.where(analysed, "in_tolerance", "not_analysed"))

    residue_other = np.isfinite(residue["o2"]) & ~is_air(residue["o2"], residue["he"], residue["ar"])
    residue_unknown = found.residue_unknown & ~found.passed_over
    other = ~is_air(target_o2, target_he, target_ar) | ~source_is_air(c) | residue_other
    other |= helium_inside | argon_inside | residue_unknown
    plain = ~other & ~np.isfinite(first)

    richest, leanest = np.fmax(o2, second), np.fmin(o2, second)
    richest, leanest = (np.where(plain, AIR_O2_PCT, x) for x in (richest, leanest))
    # where a station has helium, a cylinder of unknown past may hold some that nobody looked for
    # also some fills later: an analysis of oxygen alone, or air on top, does not say that there is none
    not_looked_for = (found.helium_unknown_share > 0.0) & ~np.isfinite(he) & c["helium_kept"].to_numpy(bool)
    not_looked_for &= np.isfinite(first) | ~residue_unknown
    no_helium = ~helium_inside & ~not_looked_for & (np.isfinite(first) | plain)
    shown_he = np.where(np.isfinite(he), he, np.where(no_helium, 0.0, np.nan))
    known = np.isfinite(richest)
    mix_o2 = np.where(known, richest, np.fmax(target_o2, expected["o2"]))
    least_o2 = np.where(known, leanest, np.fmin(target_o2, expected["o2"]))
    suit_gas = np.maximum(np.nan_to_num(target_ar), found.argon_left_pct) > BREATHABLE_MOST_AR_PCT
    suit_gas |= least_o2 < BREATHABLE_LEAST_O2_PCT
    mix_he = np.where(np.isfinite(he), he, np.fmax(target_he, found.helium_left_pct))
    service = mixing.oxygen_service(
        c["fill_method"].astype(object).where(c["fill_method"].notna(), ""),
        target_o2,
        target_he,
        mix_o2,
        floats(c["source_o2_pct"]),
        floats(c["source_he_pct"]),
        oxygen_limit_pct,
    )
    depths = [
        np.where(suit_gas, np.nan, depth)
        for depth in (
            mixing.max_operating_depth_m(richest, policy.filling.ppo2_bar),
            mixing.max_operating_depth_m(richest, policy.filling.ppo2_deco_bar),
            mixing.least_depth_m(leanest, policy.filling.ppo2_least_bar),
        )
    ]
    return pd.DataFrame(
        {
            "o2_pct": np.where(plain, AIR_O2_PCT, first),
            "he_pct": shown_he,
            "expected_o2_pct": expected["o2"],
            "expected_he_pct": expected["he"],
            "o2_error_pct": worst,
            "mix_verdict": verdict,
            "max_operating_depth_m": depths[0],
            "max_operating_depth_deco_m": depths[1],
            "min_operating_depth_m": depths[2],
            "unlike_expected": _unlike(first, found, c),
            "other_than_air": other,
            "residue_unknown": residue_unknown,
            "helium_not_analysed": not_looked_for | (np.isfinite(first) & ~np.isfinite(he) & helium_inside),
            "oxygen_decanted": service.decanted,
            "above_oxygen_limit": service.above_limit,
            "qualification_needed": _needed(mix_o2, least_o2, mix_he),
            "suit_gas": suit_gas,
            "analyses_differ": np.abs(o2 - second) > tolerance,
            "analysed_twice": np.isfinite(o2) & np.isfinite(second),
        },
        index=c.index,
    )


UNLIKE_PCT, UNLIKE_SHARE = 1.5, 0.08
"""An analysis this far from what residue and source make is of something else: an analyser's own error and the bank's,
and as a share of what lies between residue and source, for start and stop are read on a gauge. A judgement."""


def _unlike(first: np.ndarray, found: Followed, c: pd.DataFrame) -> np.ndarray:
    """True where oxygen was analysed as what residue and addition, both known, cannot have made."""
    expected, residue = found.expected["o2"], found.residue["o2"]
    between = np.nan_to_num(np.abs(residue - found.added_o2_pct))
    off = np.abs(first - expected) > UNLIKE_PCT + UNLIKE_SHARE * between
    return off & ~c["start_assumed"].to_numpy(bool)


def _needed(richest_pct: np.ndarray, leanest_pct: np.ndarray, he_pct: np.ndarray) -> np.ndarray:
    """Place in QUALIFICATIONS that a mix asks for."""
    helium = he_pct >= TRACE_PCT
    hypoxic = leanest_pct < NORMOXIC_O2_PCT
    rich = richest_pct > PLAIN_O2_PCT[1]
    return np.where(hypoxic, 3, np.where(helium, 2, np.where(rich, 1, 0)))


def beyond_qualification(c: pd.DataFrame, needed: np.ndarray, members: pd.DataFrame) -> np.ndarray:
    """True where the member's qualification is known and does not cover the mix."""
    held = members.drop_duplicates("member_id", keep="last").set_index("member_id")["mix_qualification"]
    place = looked_up(c["member_id"], held).map({q: i for i, q in enumerate(QUALIFICATIONS)}).astype(float)
    return (needed > floats(place)) & np.isfinite(floats(place))
