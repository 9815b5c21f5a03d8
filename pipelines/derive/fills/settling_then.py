"""Settled pressure of every fill as it was believed when the fill was made, and what was predicted of its reading.

No fill made later changes it, and no dive: what the dives' transmitters say was found with the help of later dives.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from pipelines.derive.fills.estimates import THERMOMETER_SD_K
from pipelines.derive.fills.learned import Learned
from pipelines.derive.fills.learning import learn_in_order_of_time
from pipelines.derive.fills.station_fills import (
    CAUSAL,
    CausalPass,
    Estimates,
    Settled,
    StationFills,
    by_fill,
    check_gauge_sd_bar,
    learned_then,
    together_over_gas_k,
    with_lone_readings,
)
from pipelines.derive.fills.terms import build_model
from pipelines.derive.fills.then import Then, check_gauge_limits_bar
from schemas.policy import Policy
from shared.filling.settling_beliefs import Beliefs


@dataclass(frozen=True)
class SettledThen(Settled):
    """By what had been learned when each fill was made, and by its own readings: no fill made later changes it, and no
    dive. `check` holds what was predicted of each settled reading.
    """

    check: pd.DataFrame
    learned: list[Learned]


def settle_then(estimates: Estimates, policy: Policy) -> SettledThen:
    """Settled pressure of every fill, by what had been learned when it was made and by its own readings."""
    parts = [_settle_station_then(fills, policy) for fills in estimates.stations]
    check = pd.concat([p.check for p in parts], ignore_index=True)
    return SettledThen(**by_fill(estimates, parts), check=check, learned=[one for p in parts for one in p.learned])


def settle_then_by(estimates: Estimates, learned: Sequence[Learned], policy: Policy) -> Settled:
    """Settled pressure of fills of today by what had been learned when it began (see `settle_then`), and by their own
    readings.

    Raises
    ------
    KeyError
        Of a station that has learned nothing yet.
    """
    by_station = {one.station: one for one in learned}
    of = [(fills, by_station[str(fills.c["station"].iloc[0])]) for fills in estimates.stations]
    return Settled(**by_fill(estimates, [_settle_then_by(fills, one, policy, 0) for fills, one in of]))


def _settle_station_then(fills: StationFills, policy: Policy) -> SettledThen:
    if fills.taught_by is not None:
        before = _settle_station_then(fills.taught_by, policy)
        n = len(fills.taught_by.c)
        after = _settle_then_by(fills, before.learned[0], policy, n)
        both = {f.name: (getattr(before, f.name), getattr(after, f.name)[n:]) for f in fields(Settled)}
        joined = {name: np.concatenate(parts) for name, parts in both.items()}
        return SettledThen(**joined, check=before.check, learned=before.learned)
    c = fills.c
    if fills.causal is None:
        then = Then(c, policy.filling.settle_hours)
        beliefs, check, corrected = learn_in_order_of_time(c, build_model(c, fills.known, CAUSAL), then)
        fills.causal = CausalPass(then, check, learned_then(fills, beliefs, corrected))
    then = fills.causal.then
    found = _then(fills, then, check_gauge_limits_bar(c, fills.settled) / 2.0, check_gauge_sd_bar(c, fills.alone))
    return SettledThen(**vars(found), check=fills.causal.check, learned=[fills.causal.learned])


def _settle_then_by(fills: StationFills, learned: Learned, policy: Policy, first: int) -> Settled:
    """As `_settle_station_then`, of fills made after all that was learned; those before `first` are not asked for."""
    model = build_model(fills.c, fills.known, CAUSAL)
    beliefs = Beliefs.taken_up(learned.posteriors, model.causes, model.estimates, model.fills)
    then = Then(fills.c, policy.filling.settle_hours)
    then.believed(np.arange(first, len(fills.c)), beliefs, model, learned.correction, last=True)
    own = check_gauge_limits_bar(fills.c, fills.settled, carried=False) / 2.0
    gauge_sd = np.where(np.isnan(own), learned.check_gauge_sd_bar, own)
    return _then(fills, then, gauge_sd, learned.alone_gauge_sd_bar)


def _then(fills: StationFills, then: Then, gauge_sd_bar: np.ndarray, alone_gauge_sd_bar: float) -> Settled:
    """What was noted of fills, with what all settled readings have in common and nothing that is read tells."""
    at_stop = fills.known.at_stop
    sd = np.hypot(then.sd_bar, np.hypot(THERMOMETER_SD_K * at_stop.by_model.per_k, gauge_sd_bar))
    bar, sd = with_lone_readings(fills, then.bar, sd, alone_gauge_sd_bar)
    basis = np.where(np.isfinite(at_stop.by_wall.bar), "wall", "model").astype(object)
    basis[fills.settled | fills.alone] = "settled"
    return Settled(bar, sd, together_over_gas_k(fills), then.gauge_offset_bar, basis)
