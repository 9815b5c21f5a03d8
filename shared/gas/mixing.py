"""What a mix is fit for, and what a filling makes of residue and addition.

Blending itself, step by step, is in `shared.filling.blending`.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas import mix as gas
from shared.gas.constants import AIR_O2_PCT, BREATHABLE_MOST_AR_PCT
from shared.gas.units import absolute, kelvin

PPO2_BAR = 1.4
PPO2_LEAST_BAR = 0.18
OXYGEN_LIMIT_PCT = 22.0
"""Above this share oxygen service is needed (scope of EN 13949); rule sets may say otherwise."""

HELIAIR_TOLERANCE_PCT = 0.5

PLAIN_O2_PCT = (20.0, 22.0)
"""Within these, without helium, a gas is taken for air (oxygen of breathing air by EN 12021: 21 ± 1 %)."""
TRACE_PCT = 0.5
AIR_ARGON_PCT = (0.9, 0.97)
"""Air's own argon, 0.93 %, as somebody may write it down; less than 1 % and no share of one."""


def is_plain_air(o2_pct: ArrayLike, he_pct: ArrayLike = 0.0, ar_pct: ArrayLike = np.nan) -> Any:
    """True where a gas is plain air as far as breathing goes; shares in molar per cent, helium and argon NaN: none."""
    o2 = np.asarray(o2_pct, float)
    plain = (o2 >= PLAIN_O2_PCT[0]) & (o2 <= PLAIN_O2_PCT[1]) & (np.nan_to_num(np.asarray(he_pct, float)) < TRACE_PCT)
    return (plain & (np.nan_to_num(np.asarray(ar_pct, float)) <= BREATHABLE_MOST_AR_PCT))[()]


def share_for_per_cent(value_pct: ArrayLike) -> Any:
    """True where a figure in per cent looks like a share of one: between 0 and 1, both left out."""
    value = np.asarray(value_pct, float)
    return ((value > 0.0) & (value < 1.0))[()]


def max_operating_depth_m(o2_pct: ArrayLike, ppo2_bar: ArrayLike = PPO2_BAR) -> Any:
    """Depth, m, at which oxygen reaches a partial pressure, bar: (ppO2/fO2 - 1)·10.

    By the trade's 10 m a bar and 1 bar at the surface. NaN for no oxygen or none known.

    >>> float(max_operating_depth_m(32.0))
    33.75
    """
    share = np.asarray(o2_pct, float) / 100.0
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = (np.asarray(ppo2_bar, float) / share - 1.0) * 10.0
    return np.where(share > 0, depth, np.nan)[()]


def least_depth_m(o2_pct: ArrayLike, ppo2_least_bar: ArrayLike = PPO2_LEAST_BAR) -> Any:
    """Minimum depth, m, to breathe a mix at: (0.18/fO2 - 1)·10, 0 when it may be breathed at the surface."""
    share = np.asarray(o2_pct, float) / 100.0
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = np.maximum((np.asarray(ppo2_least_bar, float) / share - 1.0) * 10.0, 0.0)
    return np.where(share > 0, depth, np.nan)[()]


def whole_metres_down(depth_m: ArrayLike) -> Any:
    """A greatest depth as screens and labels show it: rounded down (18.0 stays 18 whatever its last bit)."""
    return np.floor(np.asarray(depth_m, float) + 1e-9)[()]


def whole_metres_up(depth_m: ArrayLike) -> Any:
    """A minimum depth as screens and labels show it: rounded up."""
    return np.ceil(np.asarray(depth_m, float) - 1e-9)[()]


@dataclass(frozen=True)
class OxygenService:
    """Why a fill needs an oxygen-clean unit, a mask each: rich gas went in by itself, or the mix itself is rich."""

    decanted: NDArray
    above_limit: NDArray

    @property
    def needed(self) -> NDArray:
        return self.decanted | self.above_limit


def oxygen_service(
    fill_method: ArrayLike,
    target_o2_pct: ArrayLike,
    target_he_pct: ArrayLike = 0.0,
    analysed_o2_pct: ArrayLike = np.nan,
    source_o2_pct: ArrayLike = np.nan,
    source_he_pct: ArrayLike = np.nan,
    limit_pct: ArrayLike = OXYGEN_LIMIT_PCT,
) -> OxygenService:
    """Whether a fill needs an oxygen-clean unit, whatever its mix: asked before it and judged after it.

    Parameters
    ----------
    fill_method : array_like of str
        `air`, `banked_mix`, `continuous`, `partial_pressure`; anything else counts as not known.
    target_o2_pct, target_he_pct : array_like
        The mix asked for, molar per cent; helium NaN counts as none.
    analysed_o2_pct : array_like
        Oxygen analysed, the richest of several; where NaN, not analysed, the mix asked for counts.
    source_o2_pct, source_he_pct : array_like
        Oxygen and helium of the bank filled from; NaN where not known.
    limit_pct : array_like
        Oxygen-service limit of the rule set.

    Returns
    -------
    OxygenService

    Notes
    -----
    Blending by partial pressure brings pure oxygen in, save for helium topped with air alone (mixes on
    that line are taken to be made so). Where the method or the bank's gas is not known, a target above
    the limit counts as oxygen decanted, and so does a helium mix that helium and air alone do not make,
    save from a bank that holds helium itself. A bank richer than the limit is decanted through the valve even
    where the mix asked for is lean. A continuous blend is made before the compressor: nothing rich
    passes on its own.
    """
    method = np.asarray(fill_method, dtype=object)
    target, helium, analysed, source, source_he, limit = (
        np.asarray(x, float)
        for x in (target_o2_pct, target_he_pct, analysed_o2_pct, source_o2_pct, source_he_pct, limit_pct)
    )
    helium = np.where(np.isnan(helium), 0.0, helium)
    heliair = (helium > 0) & (target <= (100.0 - helium) * AIR_O2_PCT / 100.0 + HELIAIR_TOLERANCE_PCT)
    blended = method == "partial_pressure"
    through = ~blended & (method != "continuous") & ((target > limit) | (source > limit))
    # neither said to be blended nor bought or made as it is
    unsaid = ~blended & (method != "continuous") & (method != "banked_mix") & ~(source_he >= TRACE_PCT)
    decanted = np.asarray((blended | unsaid & (helium >= TRACE_PCT)) & ~heliair | through, dtype=bool)
    above = np.asarray(np.where(np.isnan(analysed), target, analysed) > limit, dtype=bool)
    return OxygenService(*np.broadcast_arrays(decanted, above))


def expected_mix(
    start_pressure_bar: ArrayLike,
    start_c: ArrayLike,
    stop_pressure_bar: ArrayLike,
    stop_c: ArrayLike,
    start_o2_pct: ArrayLike,
    start_he_pct: ArrayLike,
    added_o2_pct: ArrayLike,
    added_he_pct: ArrayLike = 0.0,
    start_ar_pct: ArrayLike = np.nan,
    added_ar_pct: ArrayLike = np.nan,
    *,
    strict: bool = True,
) -> tuple[Any, Any, Any]:
    """Mix of a fill from what was inside and the one gas that was added.

    Parameters
    ----------
    start_pressure_bar, stop_pressure_bar : array_like
        Gauge pressure before and after, bar.
    start_c, stop_c : array_like
        Gas temperature before and after, °C.
    start_o2_pct, start_he_pct, start_ar_pct : array_like
        Residue, molar per cent; argon NaN means air's share of the balance.
    added_o2_pct, added_he_pct, added_ar_pct : array_like
        Gas added, likewise.

    Returns
    -------
    o2_pct, he_pct, ar_pct : ndarray or float
        Molar per cent. Where nothing was added, the residue's.

    Raises
    ------
    OutOfRange
        A state outside the gas engine's box, where `strict`; else NaN.

    Notes
    -----
    Balance of moles at constant volume. How much was added follows from the final density, which
    depends on the final mix: a few rounds settle it to 1e-6 of a per cent.
    """
    residue = gas.shares_pct(start_o2_pct, start_he_pct, start_ar_pct)
    addition = gas.shares_pct(added_o2_pct, added_he_pct, added_ar_pct)
    inside = gas.density_mol_l(
        absolute(np.asarray(start_pressure_bar, float)),
        kelvin(np.asarray(start_c, float)),
        start_o2_pct,
        start_he_pct,
        start_ar_pct,
        strict=strict,
    )
    stop_bar_abs, stop_k = absolute(np.asarray(stop_pressure_bar, float)), kelvin(np.asarray(stop_c, float))
    mix = 0.5 * (residue + addition)
    for _ in range(20):
        after = gas.density_mol_l(stop_bar_abs, stop_k, mix[..., 0], mix[..., 1], mix[..., 2], strict=strict)
        kept = np.clip(inside / after, 0.0, 1.0)[..., None]
        before, mix = mix, kept * residue + (1.0 - kept) * addition
        if np.nanmax(np.abs(mix - before), initial=0.0) < 1e-7:
            break
    return mix[..., 0][()], mix[..., 1][()], mix[..., 2][()]
