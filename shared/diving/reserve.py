"""Gas that would bring a team to the surface, and how near a logged dive came to it.

Everything here looks back at a recorded dive. It is a yardstick, not a gas plan: no decompression, no
allowance for stress, cold or a buddy beyond the rate and the team size that the policy names.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas.constants import ATM_BAR, GRAVITY_M_S2, SALT_WATER_KG_M3

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class AscentPolicy:
    """The ascent that the gas is counted for; the defaults are those of the policy file."""

    minutes_before_ascent: float = 1.0
    ascent_m_min: float = 9.0
    stop_depth_m: float = 5.0
    stop_min: float = 3.0
    stop_below_m: float = 10.0


def ascent_bar_min(
    depth_m: ArrayLike,
    surface_pressure_bar_abs: ArrayLike = ATM_BAR,
    water_density_kg_m3: ArrayLike = SALT_WATER_KG_M3,
    ascent: AscentPolicy | None = None,
) -> Floats:
    """Integral of ambient pressure over time from leaving a depth to the surface, bar·min.

    Parameters
    ----------
    depth_m : array_like
        Depth at which the ascent is decided, m; below zero counts as zero.
    surface_pressure_bar_abs, water_density_kg_m3 : array_like
        Surface pressure, bar absolute, and density of the water, kg/m³; broadcast with the depth.
    ascent : AscentPolicy, optional
        Minutes before the ascent, its rate, and the stop.

    Returns
    -------
    ndarray
        ∫P dt, bar·min, of the broadcast shape; NaN where an input is.

    Notes
    -----
    P = P_surface + ρ·g·depth is linear in depth and the ascent is at one rate, so the integral is closed:
    the mean pressure of the ascent is that at half the depth. The stop counts when the diver is deeper
    than `stop_below_m` at that moment; it adds time and takes nothing from the ascent. The ascent rate
    of about 9 m/min is that of the US Navy Diving Manual Rev. 4 Change A § 8-2.2.1 (30 ft/min).
    """
    a = ascent or AscentPolicy()
    depth = np.asarray(depth_m, float)
    depth = np.where(depth < 0, 0.0, depth)
    surface = np.asarray(surface_pressure_bar_abs, float)
    bar_per_m = np.asarray(water_density_kg_m3, float) * GRAVITY_M_S2 / 1e5
    at_depth = a.minutes_before_ascent * (surface + bar_per_m * depth)
    rising = depth / a.ascent_m_min * (surface + bar_per_m * depth / 2)
    stop = a.stop_min * (surface + bar_per_m * a.stop_depth_m)
    return at_depth + rising + np.where(depth > a.stop_below_m, stop, 0.0)


def required_free_l(
    depth_m: ArrayLike,
    surface_pressure_bar_abs: ArrayLike = ATM_BAR,
    water_density_kg_m3: ArrayLike = SALT_WATER_KG_M3,
    stressed_rmv_l_min: ArrayLike = 30.0,
    team_size: ArrayLike = 2,
    *,
    member_rmv_l_min: ArrayLike | None = None,
    ascent: AscentPolicy | None = None,
) -> Floats:
    """Free litres that bring a team up from each depth on one supply.

    Parameters
    ----------
    depth_m, surface_pressure_bar_abs, water_density_kg_m3, ascent
        As in `ascent_bar_min`.
    stressed_rmv_l_min : array_like
        Rate of each diver, L/min at ambient pressure.
    team_size : array_like
        Divers who breathe from this supply, the member included.
    member_rmv_l_min : array_like, optional
        The member's own stressed rate where it is not that of the others.

    Returns
    -------
    ndarray
        Free litres (1 bar, 15 °C) of the broadcast shape.
    """
    team_rmv = team_rmv_l_min(stressed_rmv_l_min, team_size, member_rmv_l_min)
    return team_rmv * ascent_bar_min(depth_m, surface_pressure_bar_abs, water_density_kg_m3, ascent)


def team_rmv_l_min(
    stressed_rmv_l_min: ArrayLike, team_size: ArrayLike, member_rmv_l_min: ArrayLike | None = None
) -> Floats:
    """Sum of the stressed rates of a team, L/min at ambient pressure; the member's own may differ."""
    others = np.asarray(stressed_rmv_l_min, float)
    member = others if member_rmv_l_min is None else np.asarray(member_rmv_l_min, float)
    return member + (np.asarray(team_size, float) - 1.0) * others


CAUSES = ("started_short", "cooling", "consumption", "profile")


@dataclass(frozen=True)
class Traces:
    """Samples of many dives, flat; `start` (D,) is each dive's first sample. Back gas, free litres.

    content_free_l : above what is unusable, at each sample
    required_free_l : what would bring the team up from there
    used_free_l : breathed since the first sample
    """

    start: NDArray[np.int64]
    content_free_l: Floats
    required_free_l: Floats
    used_free_l: Floats

    @property
    def margin_free_l(self) -> Floats:
        """Content less required at each sample."""
        return self.content_free_l - self.required_free_l

    def dive(self) -> NDArray[np.int64]:
        """Number of the dive that each sample belongs to."""
        return np.repeat(np.arange(len(self.start)), np.diff(np.r_[self.start, len(self.content_free_l)]))


def least_at(value: Floats, start: NDArray[np.int64]) -> NDArray[np.int64]:
    """Sample of the least value in each dive, the first of equals; a dive without a value: its first sample."""
    filled = np.where(np.isnan(value), np.inf, value)
    least = np.minimum.reduceat(filled, start)
    dive = np.repeat(np.arange(len(start)), np.diff(np.r_[start, len(value)]))
    hit = np.flatnonzero(filled == least[dive])
    return hit[np.r_[True, dive[hit][1:] != dive[hit][:-1]]]


def critical_rmv_l_min(traces: Traces, rmv_l_min: Floats) -> Floats:
    """Rate at which each dive, with its start and its profile, would just have met the policy, (D,).

    The content at each sample falls in proportion to the rate and the required gas does not depend on
    it, so the least margin is zero at one rate: the least over samples of rate × (start's content −
    unusable − required) / used. Below the policy before a breath was taken: 0. NaN where the rate is.
    """
    spare = traces.content_free_l + traces.used_free_l - traces.required_free_l
    used = traces.used_free_l
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.where(used > 1e-9, spare / used, np.where(spare < 0, 0.0, np.inf))
    factor = np.where(np.isnan(spare), np.inf, factor)
    least = np.minimum.reduceat(factor, traces.start)
    return np.maximum(least, 0.0) * np.asarray(rmv_l_min, float)


def cause_shares(
    traces: Traces, short_free_l: Floats, cooling_free_l: Floats, saved_share: Floats
) -> tuple[Floats, Floats]:
    """What made each dive's least margin negative, as shares that add to one.

    Parameters
    ----------
    traces : Traces
        D dives.
    short_free_l, cooling_free_l : ndarray, (D,)
        What the start lacked against its target, stopped early or not refilled, and lost by cooling;
        not negative.
    saved_share : ndarray, (D,)
        Share of the gas used that breathing at the member's usual level would have saved, 0 to 1.

    Returns
    -------
    shares : ndarray, (D, 4)
        In the order of `CAUSES`; NaN where the least margin is not negative.
    deficit : ndarray, (D,)
        Free litres below, 0 where not negative.

    Notes
    -----
    Shapley value of the game v(S) = deficit − what is left of it with the players in S fixed; the
    profile has what no fixing removes. Fixing only adds gas, so v never falls.
    """
    start = traces.start
    margin, used = traces.margin_free_l, traces.used_free_l
    dive = traces.dive()
    fixes = (short_free_l[dive], cooling_free_l[dive], saved_share[dive] * used)

    def left(players: tuple[int, ...]) -> Floats:
        fixed = margin + sum(fixes[p] for p in players)
        return np.maximum(0.0, -np.minimum.reduceat(np.where(np.isnan(fixed), np.inf, fixed), start))

    deficit = left(())
    worth = {players: deficit - left(players) for players in _SUBSETS}
    shares = np.zeros((len(start), 4))
    for player in range(3):
        for players, weight in _SHAPLEY[player]:
            joined = tuple(sorted((*players, player)))
            shares[:, player] += weight * (worth[joined] - worth[players])
    with np.errstate(invalid="ignore", divide="ignore"):
        shares[:, :3] /= deficit[:, None]
    shares[:, 3] = 1.0 - shares[:, :3].sum(axis=1)
    shares[deficit <= 0] = np.nan
    return shares, deficit


_SUBSETS = ((), (0,), (1,), (2,), (0, 1), (0, 2), (1, 2), (0, 1, 2))
_SHAPLEY = {
    player: tuple((s, (1 / 3, 1 / 6, 1 / 3)[len(s)]) for s in _SUBSETS if player not in s) for player in range(3)
}
