"""The mix of every fill: what was expected, what was analysed, how deep and for whom it is fit."""

import numpy as np
import pandas as pd

from pipelines.build.fills_context import floats, looked_up
from shared import mixing, thermal
from shared.constants import AIR_O2_PCT, BREATHABLE_LEAST_O2_PCT, BREATHABLE_MOST_AR_PCT

PLAIN_O2_PCT = (20.0, 22.0)
"""Within these, without helium, a gas is taken for air (oxygen of breathing air by EN 12021: 21 ± 1 %)."""
TRACE_PCT = 0.5
EMPTY_BAR = 0.5
"""Below this a cylinder has no residue that counts."""
QUALIFICATIONS = ("air", "nitrox", "normoxic_trimix", "trimix")
NORMOXIC_O2_PCT = 18.0


def is_air(o2_pct, he_pct, ar_pct=np.nan) -> np.ndarray:
    """True where a gas is plain air as far as breathing goes."""
    o2 = np.asarray(o2_pct, float)
    plain = (
        (o2 >= PLAIN_O2_PCT[0]) & (o2 <= PLAIN_O2_PCT[1]) & (np.nan_to_num(np.asarray(he_pct, float)) < TRACE_PCT)
    )
    return plain & (np.nan_to_num(np.asarray(ar_pct, float)) <= BREATHABLE_MOST_AR_PCT)


def build_mix(c: pd.DataFrame, gas_c: np.ndarray, policy, oxygen_limit_pct: float) -> pd.DataFrame:
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
    worst = np.take_along_axis(errors, np.argmax(np.nan_to_num(np.abs(errors), nan=-1.0), axis=1)[:, None], axis=1)[
        :, 0
    ]
    off = (np.abs(worst) > tolerance) | (np.abs(he - target_he) > tolerance)
    analysed = np.isfinite(first) & (np.isfinite(he) | (target_he < TRACE_PCT))
    verdict = np.where(off, "out_of_tolerance", np.where(analysed, "in_tolerance", "not_analysed"))

    residue, expected = _expected(c, gas_c, first, he)
    source_air = _source_is_air(c)
    residue_other = (
        residue["known"]
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
    decanted = mixing.oxygen_decanted(
        c["fill_method"].astype(object).where(c["fill_method"].notna(), ""),
        target_o2,
        target_he,
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
            "oxygen_decanted": decanted,
            "above_oxygen_limit": mix_o2 > oxygen_limit_pct,
            "qualification_needed": _needed(mix_o2, mix_he),
            "suit_gas": suit_gas,
            "analyses_differ": np.abs(o2 - second) > tolerance,
            "analysed_twice": np.isfinite(o2) & np.isfinite(second),
        },
        index=c.index,
    )


def _source_is_air(c: pd.DataFrame) -> np.ndarray:
    """True where the source and the method can only have brought air."""
    method = c["fill_method"].astype(object).where(c["fill_method"].notna(), "")
    o2, he = floats(c["source_o2_pct"]), floats(c["source_he_pct"])
    known = np.isfinite(o2)
    by_method = method.isin(["air", ""]).to_numpy()
    # a bank that nobody described holds air only where the log says so
    vague = (c["source_kind"] == "bank").to_numpy() & ~known & (method == "").to_numpy()
    return by_method & ~vague & np.where(known, is_air(o2, he), True)


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


def _expected(c: pd.DataFrame, gas_c: np.ndarray, analysed_o2: np.ndarray, analysed_he: np.ndarray):
    """Residue of each fill, and the mix that residue and addition make.

    How much of the gas is residue follows from the densities before and after; with that the mix is linear in the
    residue's, so a row of fills without an analysis is followed by a few rounds. Gas added by blending (continuous,
    partial pressure) is not recorded, so nothing is expected of it.
    """
    unit = c["unit_id"].astype(object)
    method = c["fill_method"].astype(object).where(c["fill_method"].notna(), "")
    target = {
        "o2": floats(c["target_o2_pct"]),
        "he": np.nan_to_num(floats(c["target_he_pct"])),
        "ar": np.nan_to_num(floats(c["target_ar_pct"])),
    }
    analysed = {
        "o2": analysed_o2,
        "he": np.where(
            np.isfinite(analysed_he), analysed_he, np.where(np.isfinite(analysed_o2), target["he"], np.nan)
        ),
        "ar": np.where(np.isfinite(analysed_o2), target["ar"], np.nan),
    }
    stated = np.isfinite(floats(c["source_o2_pct"]))
    air = _source_is_air(c)
    from_bank = method.isin(["banked_mix", ""]).to_numpy() & stated
    added = {
        "o2": np.where(from_bank, floats(c["source_o2_pct"]), np.where(air, AIR_O2_PCT, np.nan)),
        "he": np.where(from_bank, np.nan_to_num(floats(c["source_he_pct"])), np.where(air, 0.0, np.nan)),
        "ar": np.where(from_bank | air, 0.0, np.nan),
    }
    kept = _kept(c, gas_c, unit)
    known = {k: np.where(np.isfinite(analysed[k]), analysed[k], target[k]) for k in target}
    before = unit.groupby(unit).cumcount().to_numpy() > 0
    expected = known
    for _ in range(60):
        residue = {k: pd.Series(v).groupby(unit.to_numpy()).shift().to_numpy() for k, v in known.items()}
        # without an earlier fill only an empty cylinder says what is in it
        share = np.where(before, kept, np.where(kept < 0.02, 0.0, np.nan))
        expected = {
            k: np.where(share == 0.0, added[k], share * residue[k] + (1.0 - share) * added[k]) for k in known
        }
        then = {
            k: np.where(
                np.isfinite(analysed[k]), analysed[k], np.where(np.isfinite(expected[k]), expected[k], target[k])
            )
            for k in known
        }
        moved = max(np.nanmax(np.abs(then[k] - known[k]), initial=0.0) for k in known)
        known = then
        if moved < 1e-3:
            break
    residue = {k: pd.Series(v).groupby(unit.to_numpy()).shift().to_numpy() for k, v in known.items()}
    return {**residue, "known": np.isfinite(residue["o2"])}, expected


def _kept(c: pd.DataFrame, gas_c: np.ndarray, unit: pd.Series) -> np.ndarray:
    """Share of the moles at stop that was inside before; mixes to the nearest per cent are near enough here."""
    after = [np.round(floats(c[k])) for k in ("gas_o2_pct", "gas_he_pct", "gas_ar_pct")]
    after[0] = np.where(is_air(floats(c["gas_o2_pct"]), floats(c["gas_he_pct"])), AIR_O2_PCT, after[0])
    inside = [pd.Series(v).groupby(unit.to_numpy()).shift().fillna(pd.Series(v)).to_numpy() for v in after]
    start = thermal.density_mol_l(
        np.maximum(floats(c["start_pressure_bar"]), 0.0), floats(c["ambient_c"]), *inside, strict=False
    )
    stop = thermal.density_mol_l(floats(c["stop_pressure_bar"]), gas_c, *after, strict=False)
    return np.clip(start / stop, 0.0, 1.0)
