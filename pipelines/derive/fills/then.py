"""What was believed of a fill when it was made: by what had been learned until then, and by its own readings.

Dives start from this. What the station learns later changes what is published of old fills by hairs, and would
otherwise change every dive that began with one. A station's first readings teach most, so its first fills wait for
these.
"""

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats
from pipelines.derive.fills.terms import Model, steps_of_fills
from shared.filling import settling
from shared.filling.settling_beliefs import Beliefs
from shared.filling.track_record import Correction

LEARNED_FROM = 20
"""From so many settled fills on, what they taught of the heat balance is weighed with a fill's own reading."""
FIRST_READINGS = 60
"""Fills made before so many readings were known are believed by what these taught: until then each moves the most."""
DOUBTFUL_TRUST, DOUBTFUL_EARLY_TRUST, FAR_SD = 0.2, 0.1, 6.6
"""A settled reading believed less than this is doubtful and left out: 4.6 standard deviations off what all else says
of its fill; 6.6 while the station has few."""
DOUBTED_FROM = 6
"""With fewer readings than this none is doubted for being far from the others."""
OFFSET_KNOWN = 0.5
"""A gauge's offset counts as known once its SD is this share of what its class allows."""


def doubtful_trust(readings: int) -> float:
    """How far a settled reading must be believed to count, where so many are known; 0 where all count."""
    if readings < DOUBTED_FROM:
        return 0.0
    return DOUBTFUL_EARLY_TRUST if readings < LEARNED_FROM else DOUBTFUL_TRUST


class Then:
    """Settled pressures of a station's fills as believed when each was made: bar at 15 °C, SD, offsets of gauges.

    Parameters
    ----------
    c : DataFrame
        One station's fills in the order of time, see `fill_context`.
    settle_hours : float
        A settled reading so late stands alone while little has been learned.
    """

    def __init__(self, c: pd.DataFrame, settle_hours: float):
        self._c, self._steps = c, steps_of_fills(c)
        self._late = floats(c["settled_hours"]) >= settle_hours
        self.bar, self.sd_bar, self.gauge_offset_bar = (np.full(len(c), np.nan) for _ in range(3))
        self._first: list[np.ndarray] = []

    def believed(
        self, fills: np.ndarray, beliefs: Beliefs, model: Model, found: Correction, *, last: bool = False
    ) -> None:
        """Note what is believed of fills just made, with what the record of predictions says of it.

        The first wait until enough has been read; with `last` no more will be.
        """
        if beliefs.best.readings < FIRST_READINGS and not last:
            self._first.append(fills)
            return
        fills = np.concatenate([*self._first, fills])
        self._first = []
        if fills.size:
            self._note(fills, beliefs, model, found)

    def _note(self, fills: np.ndarray, beliefs: Beliefs, model: Model, found: Correction) -> None:
        said = beliefs.settled_unlearned(fills, doubtful_trust(beliefs.best.readings))
        share = beliefs.best.share_at_stop(fills)
        at_stop = beliefs.settled(fills, ())
        bar = said.bar + found.shift_sd * at_stop.sd_bar * share
        more = (found.widening**2 - 1.0) * (share * at_stop.sd_bar) ** 2
        sd = np.sqrt(np.maximum(said.sd_bar**2 + more, 0.01))
        if beliefs.best.readings < LEARNED_FROM:
            for rank, kinds in enumerate(model.kind[:, fills]):
                on = np.flatnonzero((kinds == "settled") & self._late[fills])
                alone = beliefs.settled(fills[on], (rank,), at_stop=False)
                foreseen = beliefs.reading(fills[on], rank, ())
                read = model.estimates.bar[model.fills.readings[rank, fills[on]]]
                believed = np.abs(read - foreseen.bar) <= FAR_SD * foreseen.sd_bar
                believed |= beliefs.best.readings < DOUBTED_FROM
                on = on[believed]
                bar[on], sd[on] = alone.bar[believed], alone.sd_bar[believed]
        self.bar[fills], self.sd_bar[fills] = bar, sd
        self.gauge_offset_bar[fills] = known_offsets_bar(self._c.iloc[fills], beliefs.best, self._steps[fills])


def check_gauge_limits_bar(c: pd.DataFrame, settled: np.ndarray, *, carried: bool = True) -> np.ndarray:
    """What the check gauge of each fill's settled reading may be off by, bar; that of the last reading until then where
    it has none, and 0 before the first. NaN for these two where it is not `carried`.
    """
    on = settled & c["settled_on_check_gauge"].to_numpy(bool)
    limit = np.where(on, floats(c["settled_limit_bar"]), np.nan)
    return pd.Series(limit).ffill().fillna(0.0).to_numpy() if carried else limit


def known_offsets_bar(c: pd.DataFrame, belief: settling.Belief, steps: np.ndarray) -> np.ndarray:
    """What each fill's gauge is believed to be off by, bar, where readings determine most of it; else 0.

    `steps` are those of the gauges' walk at these fills.
    """
    column = belief.causes.column
    base = np.array([column["gauge", g, 0] for g in c["gauge"]], int)
    walk = np.array([column["gauge_walk", g, int(s)] for g, s in zip(c["gauge"], steps, strict=True)], int)
    v = belief.covariance
    variance = v[base, base] + v[walk, walk] + 2.0 * v[base, walk]
    prior = (floats(c["gauge_limit_bar"]) / 2.0) ** 2
    return np.where(variance < OFFSET_KNOWN**2 * prior, belief.mean[base] + belief.mean[walk], 0.0)
