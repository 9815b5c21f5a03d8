"""The causes of error that the settling model knows, and which of them act on which fill.

Rows: each fill by the heat balance, then each by its wall. Terms: what acts on the fill, and last (READING_TERMS)
what acts on the later reading only.
"""

import numpy as np
import pandas as pd

from pipelines.build.columns import floats
from pipelines.build.fills_ways import DELIVERY, INSIDE, OUTSIDE, START, WALL, Reading, Ways
from shared import settling
from shared.fill_heat import StopState

PRIOR_SD = {
    "outside": 0.35, "inside": 0.5, "inside_size": 0.2, "inside_helium": 0.4, "wall": 0.08, "wall_size": 0.05,
    "delivery": 5.0, "start": 1.2, "ambient": 0.7, "rise": 0.06, "rise_source": 0.04, "film": 2.0,
}
"""How far each cause may be off before any settled reading (logarithm, K or share). Judgement, no source."""
OWN_WALL_SD = 0.06
WALL_UNKNOWN_FACTOR = 1.8
"""A unit's own wall (logarithm), and how much less is known of it when its mass is estimated."""
STATED_OFFSET_SHARE = 0.25
"""What is left of a gauge's uncertainty once its offset was measured and stated."""
IN_WATER_BIAS_SD_BAR = 2.0
"""What readings in the water by one diver's transmitter have in common; a station's, where nobody says whose."""
MOST_GAUGE_STEPS = 120
READING_TERMS = (-2, -1)


def design(c: pd.DataFrame, state: StopState, w: Ways, read: Reading) -> settling.Design:
    """Terms for 2n rows; each fill touches its station, source, gauge, material, size and unit."""
    n = len(c)

    def twice(column: pd.Series) -> tuple[np.ndarray, list[str]]:
        code, levels = pd.factorize(column.astype("str"), sort=True)
        return np.tile(code, 2), list(levels)

    def per_kelvin(model: np.ndarray, wall: np.ndarray) -> np.ndarray:
        both = w.wall_share * wall + (1.0 - w.wall_share) * model
        return np.concatenate([w.by_model.per_k * model, w.by_wall.per_k * both])

    gas, film = state.gas_per, state.gas_per - state.wall_per
    station, source = twice("at " + c["station"]), twice(c["station"] + "/" + c["source"])
    material, size = twice(c["station"] + "/" + c["material"]), twice(c["station"] + "/" + c["size"])
    rise, helium = state.gas_c - floats(c["ambient_c"]), floats(c["gas_he_pct"]) / 100.0
    zero, one = np.zeros(n), np.ones(n)
    less_known = np.where(c["outlet_known"], 0.5, 1.0)
    acts = (
        ("outside", station, gas[:, OUTSIDE], film[:, OUTSIDE]),
        ("inside", station, gas[:, INSIDE], film[:, INSIDE]),
        ("inside_size", size, gas[:, INSIDE], film[:, INSIDE]),
        ("inside_helium", station, gas[:, INSIDE] * helium, film[:, INSIDE] * helium),
        ("wall", material, gas[:, WALL], film[:, WALL]),
        ("wall_size", size, gas[:, WALL], film[:, WALL]),
        ("delivery", source, gas[:, DELIVERY] * less_known, film[:, DELIVERY] * less_known),
        ("start", station, gas[:, START], film[:, START]),
        ("ambient", station, one, zero),
        ("rise", station, rise, zero),
        ("rise_source", source, rise, zero),
        ("film", station, zero, one),
    )
    gauges, priors = twice(c["gauge"]), _gauge_priors(c)
    per_bar = np.concatenate([w.by_model.per_bar, w.by_wall.per_bar])
    step, window = gauge_steps(c)
    terms = [
        settling.Term("gauge", *gauges, -per_bar, 1.0, priors),
        settling.Term("gauge_walk", *gauges, -per_bar, float(np.sqrt(window)), step=np.tile(step, 2)),
        *(settling.Term(of, *level, per_kelvin(model, wall), PRIOR_SD[of]) for of, level, model, wall in acts),
        settling.Term("gauge", *twice(c["settled_gauge"]), np.tile(read.per_bar, 2), 1.0, priors),
        settling.Term("in_water", *twice(c["in_water_by"]), np.ones(2 * n), IN_WATER_BIAS_SD_BAR),
    ]
    share = np.where(c["mass_known"], 1.0, WALL_UNKNOWN_FACTOR)
    own = per_kelvin(gas[:, WALL] * share, film[:, WALL] * share)
    return settling.design(terms, settling.Term("own_wall", *twice(c["unit_id"]), own, OWN_WALL_SD))


def gauge_steps(c: pd.DataFrame) -> tuple[np.ndarray, int]:
    """Step of time in which each fill's gauge is followed, and how many months one step has.

    Months, unless many gauges over many years would make the model large.
    """
    month = c["filled_on"].to_numpy("datetime64[M]").astype(int)
    gauge = pd.factorize(c["gauge"])[0]
    window = 1
    for window in (1, 3, 6, 12, 60):
        if len(np.unique(gauge * 100_000 + month // window)) <= MOST_GAUGE_STEPS:
            break
    return month // window, window


def _gauge_priors(c: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Offset of each gauge beyond what is stated: SD half its class limit, less once stated."""
    filling = c.drop_duplicates("gauge")
    share = np.where(filling["gauge_offset_stated_bar"].notna(), STATED_OFFSET_SHARE, 1.0)
    sd = floats(filling["gauge_limit_bar"]) / 2.0 * share
    check = c.drop_duplicates("settled_gauge")
    priors = dict(zip(check["settled_gauge"], floats(check["settled_limit_bar"]) / 2.0, strict=True))
    priors |= dict(zip(filling["gauge"], sd, strict=True))
    return {gauge: (0.0, max(float(sd), 1e-3)) for gauge, sd in priors.items()}
