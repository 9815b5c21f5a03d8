"""The mix of every fill: what was expected, what was analysed, how deep and for whom it is fit."""

import numpy as np
import pandas as pd

from pipelines.build.columns import floats, looked_up
from pipelines.build.fills_residue import EMPTY_BAR, follow_residue, source_is_air
from schemas.policy import Policy
from shared import mixing
from shared.constants import AIR_O2_PCT, BREATHABLE_LEAST_O2_PCT, BREATHABLE_MOST_AR_PCT
from shared.mixing import PLAIN_O2_PCT, TRACE_PCT
from shared.mixing import is_plain_air as is_air

QUALIFICATIONS = ("air", "nitrox", "normoxic_trimix", "trimix")
NORMOXIC_O2_PCT = 18.0


def build_mix(c: pd.DataFrame, gas_c: np.ndarray, policy: Policy, oxygen_limit_pct: float) -> pd.DataFrame:
    """What is known of each fill's mix, on the index of the context frame.

    Returns the published columns o2_pct … min_operating_depth_m, and for the verdict: other_than_air (may be
    inside), oxygen_decanted, above_oxygen_limit, beyond_qualification, suit_gas, analyses_differ.
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
    analysed = np.isfinite(first) & (np.isfinite(he) | (target_he < TRACE_PCT))
    verdict = np.where(off, "out_of_tolerance", np.where(analysed, "in_tolerance", "not_analysed"))

    residue, expected = follow_residue(c, gas_c)
    source_air = source_is_air(c)
    residue_other = (
        np.isfinite(residue["o2"])
        & ~is_air(residue["o2"], residue["he"], residue["ar"])
        & (floats(c["start_pressure_bar"]) > EMPTY_BAR)
    )
    other = ~is_air(target_o2, target_he, target_ar) | ~source_air | residue_other
    plain = ~other & ~np.isfinite(first)

    richest, leanest = np.fmax(o2, second), np.fmin(o2, second)
    richest, leanest = (np.where(plain, AIR_O2_PCT, x) for x in (richest, leanest))
    shown_he = np.where(
        np.isfinite(he), he, np.where((target_he < TRACE_PCT) & (np.isfinite(first) | plain), 0.0, np.nan)
    )
    mix_o2 = np.where(np.isfinite(richest), richest, target_o2)
    suit_gas = (np.nan_to_num(target_ar) > BREATHABLE_MOST_AR_PCT) | (mix_o2 < BREATHABLE_LEAST_O2_PCT)
    mix_he = np.where(np.isfinite(he), he, target_he)
    service = mixing.oxygen_service(
        c["fill_method"].astype(object).where(c["fill_method"].notna(), ""),
        target_o2,
        target_he,
        richest,
        floats(c["source_o2_pct"]),
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
            "other_than_air": other,
            "oxygen_decanted": service.decanted,
            "above_oxygen_limit": service.above_limit,
            "qualification_needed": _needed(mix_o2, mix_he),
            "suit_gas": suit_gas,
            "analyses_differ": np.abs(o2 - second) > tolerance,
            "analysed_twice": np.isfinite(o2) & np.isfinite(second),
        },
        index=c.index,
    )


def _needed(o2_pct: np.ndarray, he_pct: np.ndarray) -> np.ndarray:
    """Place in QUALIFICATIONS that a mix asks for."""
    helium = he_pct >= TRACE_PCT
    lean = o2_pct < NORMOXIC_O2_PCT
    rich = o2_pct > PLAIN_O2_PCT[1]
    return np.where(lean, 3, np.where(helium, 2, np.where(rich, 1, 0)))


def beyond_qualification(c: pd.DataFrame, needed: np.ndarray, members: pd.DataFrame) -> np.ndarray:
    """True where the member's qualification is known and does not cover the mix."""
    held = members.drop_duplicates("member_id", keep="last").set_index("member_id")["mix_qualification"]
    place = looked_up(c["member_id"], held).map({q: i for i, q in enumerate(QUALIFICATIONS)}).astype(float)
    return (needed > floats(place)) & np.isfinite(floats(place))
