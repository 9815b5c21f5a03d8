"""What was inside before a fill, and the mix that residue and addition make.

Of what nobody knows nothing is assumed: gas from a fill that is not in the log, or from a blend that nobody analysed,
passes on from fill to fill by its share until an analysis says what is there or the cylinder was emptied.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats
from pipelines.derive.fills.chain import kept_share
from shared.gas import thermal
from shared.gas.constants import AIR_O2_PCT, ATM_BAR
from shared.gas.mixing import PLAIN_O2_PCT
from shared.gas.mixing import is_plain_air as is_air

APART_PCT = 0.5
"""Cylinders joined to one set whose mixes differ by more make a mix that nobody knows."""
GASES = ("o2", "he", "ar")
PASSED_OVER_SHARE = (PLAIN_O2_PCT[1] - AIR_O2_PCT) / (100.0 - AIR_O2_PCT)
"""So small a share, 1.3 %, leaves the mix air even if pure oxygen was inside: the fourth fill with air from 50 bar."""
ASSUMED_LEAST_BAR = 50.0
"""A start pressure that the settings state for all fills does not show that little was inside: at least so much."""


def _method(c: pd.DataFrame) -> pd.Series:
    return c["fill_method"].astype(object).where(c["fill_method"].notna(), "")


def source_is_air(c: pd.DataFrame) -> np.ndarray:
    """True where the source and the method can only have brought air."""
    method = _method(c)
    o2, he = floats(c["source_o2_pct"]), floats(c["source_he_pct"])
    known = np.isfinite(o2)
    unsaid = (method == "").to_numpy()
    # a bank that nobody described holds air only where the log says so
    vague = (c["source_kind"] == "bank").to_numpy() & ~known
    # and so does a source that nobody named, where the station keeps other gases
    vague |= (~c["source_known"] & c["other_gas_kept"]).to_numpy(bool)
    by_method = np.where(known & (method == "banked_mix").to_numpy(), True, method.isin(["air", ""]).to_numpy())
    return by_method & ~(vague & unsaid) & np.where(known, is_air(o2, he), True)


@dataclass(frozen=True)
class Followed:
    """What each fill found and made, molar per cent by gas; NaN where it is not known.

    `unknown_share`: share of the gas after the fill of which nothing is known; 0 where so little of it is left that
    the mix counts as air, or no more than an empty cylinder holds; `helium_unknown_share` the same of helium, of which
    an analysis of oxygen says nothing. `helium_left_pct`, `argon_left_pct`: at least so
    much of them, from residue and addition. `emptied`: it arrived with nothing that counts. `passed_over`: so little of
    the unknown is left. `added_o2_pct`: what went in, NaN where blending is not recorded.
    """

    residue: dict[str, np.ndarray]
    expected: dict[str, np.ndarray]
    unknown_share: np.ndarray
    helium_unknown_share: np.ndarray
    residue_unknown: np.ndarray
    helium_left_pct: np.ndarray
    argon_left_pct: np.ndarray
    emptied: np.ndarray
    passed_over: np.ndarray
    added_o2_pct: np.ndarray


def follow_residue(
    c: pd.DataFrame, chain: pd.DataFrame, gas_c: np.ndarray, elsewhere: np.ndarray, least_arrival_bar: float,
    tolerance_pct: float,
) -> Followed:  # fmt: skip
    """Residue of each fill, and the mix expected of it.

    Parameters
    ----------
    c : DataFrame
        Fills in the order of time with their source (see `fills_context`).
    chain : DataFrame
        Their cylinders and each cylinder's fill before (see `chain_of_fills`).
    gas_c : ndarray
        Gas temperature at stop, °C.
    elsewhere : ndarray of bool
        Somebody who is not in the log filled it before.
    least_arrival_bar : float
        Up to this start pressure it arrived empty.
    tolerance_pct : float
        Analyses of the two sides further apart than this are of two gases.

    Notes
    -----
    Balance of moles. How much of the gas is residue follows from the densities before and after; with that the mix is
    linear in the residue's, so a row of fills without analyses is followed by a few rounds. What blending added
    (continuous, partial pressure) is not recorded, so nothing is expected of it.
    """
    target = {"o2": floats(c["target_o2_pct"]), "he": np.nan_to_num(floats(c["target_he_pct"])),
              "ar": np.nan_to_num(floats(c["target_ar_pct"]))}  # fmt: skip
    first, second, he = (floats(c[k]) for k in ("analysed_o2_pct", "second_analysed_o2_pct", "analysed_he_pct"))
    o2 = np.where(np.isfinite(first), first, second)
    analysed = np.isfinite(o2)
    air = source_is_air(c)
    banked = _method(c).isin(["banked_mix", ""]).to_numpy() & np.isfinite(floats(c["source_o2_pct"]))
    added = {"o2": np.where(banked, floats(c["source_o2_pct"]), np.where(air, AIR_O2_PCT, np.nan)),
             "he": np.where(banked, np.nan_to_num(floats(c["source_he_pct"])), np.where(air, 0.0, np.nan)),
             "ar": np.where(banked | air, 0.0, np.nan)}  # fmt: skip
    start, stop = np.maximum(floats(c["start_pressure_bar"]), 0.0), floats(c["stop_pressure_bar"])
    emptied = (start <= least_arrival_bar) & ~c["start_assumed"].to_numpy(bool)
    blended = ~analysed & ~np.isfinite(added["o2"])
    differ = np.abs(first - second) > tolerance_pct + 1e-9
    # a blend with helium in it holds some until somebody says otherwise
    blended_he = np.where(np.isfinite(added["he"]), 0.0, target["he"])
    blended_ar = np.where(np.isfinite(added["ar"]), 0.0, target["ar"])
    as_empty = (least_arrival_bar + ATM_BAR) / (np.maximum(stop, 0.0) + ATM_BAR)
    tie = _Ties(chain, len(c))
    # of a fill that ends below its start nobody knows how much went in, or whether anything did
    unclear = ~np.isfinite(stop)

    known = {gas: np.where(np.isfinite(o2), o2, target["o2"]) if gas == "o2" else target[gas] for gas in GASES}
    unknown, unknown_he = np.ones((2, len(c)))
    left_he, left_ar = known["he"].copy(), known["ar"].copy()
    for _ in range(3):  # densities depend a little on the mixes they lead to
        kept = np.where(emptied, 0.0, _kept(c, gas_c, tie.joined(known)[0], known))
        moved = 0.0
        for _ in range(60):
            carried, (found, apart) = tie.most(unknown, where_none=1.0), tie.joined(known)
            residue_unknown = ~emptied & ((carried > 0.0) | elsewhere | apart)
            residue = {g: np.where(residue_unknown | emptied, np.nan, found[g]) for g in GASES}
            outright = elsewhere | apart | (carried >= 1.0)
            share = kept * np.where(outright, 1.0, carried)
            # fills with a known gas thin out what was unknown; where all that is inside is, only an empty cylinder does
            passed_over = np.where(outright, as_empty, np.maximum(as_empty, PASSED_OVER_SHARE))
            alike = np.logical_and.reduce([np.abs(residue[g] - added[g]) <= APART_PCT for g in GASES])
            nothing_known = blended | differ | (unclear & ~alike & ~analysed)
            now_unknown = np.where(nothing_known, 1.0, np.where(analysed | (share <= passed_over), 0.0, share))
            made = {g: kept * residue[g] + (1.0 - kept) * added[g] for g in GASES}
            share_he = kept * np.where(outright, 1.0, tie.most(unknown_he, where_none=1.0))
            now_unknown_he = np.where(nothing_known, 1.0, np.where(share_he <= passed_over, 0.0, share_he))
            now_unknown_he = np.where(np.isfinite(he), 0.0, now_unknown_he)
            # so little of the unknown counts as what was added
            plain = emptied | (residue_unknown & (share <= passed_over))
            expected = {g: np.where(plain, added[g], np.where(unclear & ~alike, np.nan, made[g])) for g in GASES}
            helium = kept * tie.most(left_he) + (1.0 - kept) * np.nan_to_num(added["he"])
            argon = kept * tie.most(left_ar) + (1.0 - kept) * np.nan_to_num(added["ar"])
            helium, argon = np.maximum(helium, blended_he), np.maximum(argon, blended_ar)
            foreseen = {g: np.where(np.isfinite(expected[g]), expected[g], target[g]) for g in GASES}
            then = {
                "o2": np.where(analysed, o2, foreseen["o2"]),
                "he": np.where(np.isfinite(he), he, np.maximum(foreseen["he"], np.where(analysed, helium, 0.0))),
                "ar": foreseen["ar"],
            }
            step = max(np.nanmax(np.abs(then[g] - known[g]), initial=0.0) for g in GASES)
            step = max(step, 100.0 * np.max(np.abs(now_unknown - unknown), initial=0.0))
            step = max(step, 100.0 * np.max(np.abs(now_unknown_he - unknown_he), initial=0.0))
            step = max(step, np.nanmax(np.abs(np.where(np.isfinite(he), he, helium) - left_he), initial=0.0))
            known, unknown, unknown_he, moved = then, now_unknown, now_unknown_he, max(moved, step)
            left_he, left_ar = np.where(np.isfinite(he), he, helium), argon
            if step < 1e-3:
                break
        if moved < 0.2:
            break
    return Followed(
        residue,
        expected,
        unknown,
        unknown_he,
        residue_unknown,
        helium,
        argon,
        emptied,
        share <= passed_over,
        added["o2"],
    )


class _Ties:
    """Values that each fill takes over from the fills before it, of all its cylinders."""

    def __init__(self, chain: pd.DataFrame, n: int):
        ordered = chain.sort_values("row", kind="stable")
        row, before = ordered["row"].to_numpy(), ordered["before"].to_numpy()
        starts = np.searchsorted(row, np.arange(n))
        self._first = before[starts] if n else before
        # fills of several cylinders are few
        self._sets = np.flatnonzero(np.diff(np.append(starts, len(row))) > 1)
        of_sets = np.isin(row, self._sets)
        self._before, self._starts = before[of_sets], np.searchsorted(row[of_sets], self._sets)

    def _over(self, values: np.ndarray, where_none: float, reduce: np.ufunc) -> np.ndarray:
        taken = np.where(self._first >= 0, values[self._first], where_none) if len(values) else np.zeros(0)
        if self._sets.size:
            of_sets = np.where(self._before >= 0, values[self._before], where_none)
            taken[self._sets] = reduce.reduceat(of_sets, self._starts)
        return taken

    def most(self, values: np.ndarray, where_none: float = 0.0) -> np.ndarray:
        """The greatest."""
        return self._over(values, where_none, np.maximum)

    def joined(self, mixes: dict[str, np.ndarray]) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """Of each gas, half way between the least and the greatest, NaN where a cylinder has no fill before; and
        where the cylinders bring mixes that differ.
        """
        found, apart = {}, np.zeros(len(self._first), bool)
        for gas, values in mixes.items():
            greatest, least = (self._over(values, np.nan, reduce) for reduce in (np.maximum, np.minimum))
            found[gas] = 0.5 * (least + greatest)
            apart |= greatest - least > APART_PCT
        return found, apart


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
    start = np.where(c["start_assumed"], np.maximum(start, ASSUMED_LEAST_BAR), start)
    before = thermal.density_mol_l(start, floats(c["ambient_c"]), *near(residue), strict=False)
    at_stop = thermal.density_mol_l(floats(c["stop_pressure_bar"]), gas_c, *near(after), strict=False)
    share = np.clip(before / at_stop, 0.0, 1.0)
    return np.where(np.isfinite(share), share, kept_share(c))
