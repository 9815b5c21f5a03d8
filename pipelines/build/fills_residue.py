"""What was inside before a fill, and the mix that residue and addition make."""

import numpy as np
import pandas as pd

from pipelines.build.columns import floats
from shared import thermal
from shared.constants import AIR_O2_PCT
from shared.mixing import is_plain_air as is_air

EMPTY_BAR = 0.5
"""Below this a cylinder has no residue that counts."""
NOTHING_KEPT = 0.02
"""A share of residue so small that an unknown mix may be passed over."""
GASES = ("o2", "he", "ar")


def _method(c: pd.DataFrame) -> pd.Series:
    return c["fill_method"].astype(object).where(c["fill_method"].notna(), "")


def source_is_air(c: pd.DataFrame) -> np.ndarray:
    """True where the source and the method can only have brought air."""
    method = _method(c)
    o2, he = floats(c["source_o2_pct"]), floats(c["source_he_pct"])
    known = np.isfinite(o2)
    # a bank that nobody described holds air only where the log says so
    vague = ((c["source_kind"] == "bank") & (method == "")).to_numpy() & ~known
    return method.isin(["air", ""]).to_numpy() & ~vague & np.where(known, is_air(o2, he), True)


def follow_residue(c: pd.DataFrame, gas_c: np.ndarray) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Residue of each fill, and the mix expected of it, molar per cent by gas; NaN where it cannot be told.

    Parameters
    ----------
    c : DataFrame
        Fills in the order of time with their source (see `fills_context`).
    gas_c : ndarray
        Gas temperature at stop, °C.

    Notes
    -----
    Balance of moles. How much of the gas is residue follows from the densities before and after; with that the mix is
    linear in the residue's, so a row of fills without analyses is followed by a few rounds. What blending added
    (continuous, partial pressure) is not recorded, so nothing is expected of it.
    """
    unit = c["unit_id"].astype(object).to_numpy()
    target = {"o2": floats(c["target_o2_pct"]), "he": np.nan_to_num(floats(c["target_he_pct"])),
              "ar": np.nan_to_num(floats(c["target_ar_pct"]))}
    o2, he = floats(c["analysed_o2_pct"]), floats(c["analysed_he_pct"])
    o2 = np.where(np.isfinite(o2), o2, floats(c["second_analysed_o2_pct"]))
    told = np.isfinite(o2)
    analysed = {"o2": o2, "he": np.where(np.isfinite(he), he, np.where(told, target["he"], np.nan)),
                "ar": np.where(told, target["ar"], np.nan)}
    air = source_is_air(c)
    banked = _method(c).isin(["banked_mix", ""]).to_numpy() & np.isfinite(floats(c["source_o2_pct"]))
    added = {"o2": np.where(banked, floats(c["source_o2_pct"]), np.where(air, AIR_O2_PCT, np.nan)),
             "he": np.where(banked, np.nan_to_num(floats(c["source_he_pct"])), np.where(air, 0.0, np.nan)),
             "ar": np.where(banked | air, 0.0, np.nan)}
    filled_before = pd.Series(unit).groupby(unit).cumcount().to_numpy() > 0

    def carried(values: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        shifted = pd.DataFrame(values).groupby(unit).shift()
        return {gas: shifted[gas].to_numpy() for gas in GASES}

    known = {gas: np.where(np.isfinite(analysed[gas]), analysed[gas], target[gas]) for gas in GASES}
    expected, residue = known, carried(known)
    for _ in range(3):  # densities depend a little on the mixes they lead to
        kept = _kept(c, gas_c, residue, known)
        # without an earlier fill only an empty cylinder says what is in it
        share = np.where(filled_before, kept, np.where(kept < NOTHING_KEPT, 0.0, np.nan))
        moved = 0.0
        for _ in range(60):
            made = {g: share * residue[g] + (1.0 - share) * added[g] for g in GASES}
            expected = {g: np.where(share == 0.0, added[g], made[g]) for g in GASES}
            foreseen = {g: np.where(np.isfinite(expected[g]), expected[g], target[g]) for g in GASES}
            then = {g: np.where(np.isfinite(analysed[g]), analysed[g], foreseen[g]) for g in GASES}
            step = max(np.nanmax(np.abs(then[g] - known[g]), initial=0.0) for g in GASES)
            known, residue, moved = then, carried(then), max(moved, step)
            if step < 1e-3:
                break
        if moved < 0.2:
            break
    return residue, expected


def _kept(
    c: pd.DataFrame, gas_c: np.ndarray, residue: dict[str, np.ndarray], after: dict[str, np.ndarray]
) -> np.ndarray:
    """Share of the moles at stop that was inside before; mixes to the nearest per cent are near enough here."""

    def near(mix: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        o2, he, ar = (np.round(mix[g]) for g in GASES)
        o2 = np.where(is_air(mix["o2"], mix["he"], mix["ar"]) | ~np.isfinite(o2), AIR_O2_PCT, o2)
        he = np.minimum(np.nan_to_num(he), 100.0 - o2)
        return o2, he, np.where(ar > 1.0, np.minimum(ar, 100.0 - o2 - he), np.nan)

    start = np.maximum(floats(c["start_pressure_bar"]), 0.0)
    before = thermal.density_mol_l(start, floats(c["ambient_c"]), *near(residue), strict=False)
    at_stop = thermal.density_mol_l(floats(c["stop_pressure_bar"]), gas_c, *near(after), strict=False)
    return np.clip(before / at_stop, 0.0, 1.0)
