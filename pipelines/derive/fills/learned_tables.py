"""What is published of what a station has learned: its table, and a name for it."""

import hashlib
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from pipelines.derive.fills.estimates import Later
from shared.filling.settling import Belief
from shared.gas.constants import Z80

MODEL = "settling-2"
LEVELS = ["station_id", "source_id", "material", "size"]


def model_table(c: pd.DataFrame, belief: Belief, by_model: np.ndarray, settled: np.ndarray) -> pd.DataFrame:
    """What is believed per station, source, material and size, as a mean over that group's fills."""
    frame = pd.DataFrame({k: c[k].astype(object).where(c[k].notna(), "") for k in LEVELS})
    effect = belief.effect(np.arange(len(c)))
    frame["settled_fills"] = settled.astype("int64")
    frame["effect_bar"], frame["sd"] = effect.bar, effect.sd_bar
    row = belief.fills.model
    frame["noise"] = np.hypot(belief.noise_scale * belief.estimates.sd_bar[row], belief.fills.stop_sd_bar)
    frame = frame[np.isfinite(by_model)]
    table = frame.groupby(LEVELS, as_index=False, sort=True).agg(
        settled_fills=("settled_fills", "sum"),
        effect_bar=("effect_bar", "mean"),
        sd=("sd", "median"),
        noise=("noise", "median"),
    )
    variance, noise = table["sd"] ** 2, table["noise"] ** 2
    after = variance - variance**2 / (variance + noise)  # with one more reading of such a fill
    table["effect_low_bar"] = table["effect_bar"] - Z80 * table["sd"]
    table["effect_high_bar"] = table["effect_bar"] + Z80 * table["sd"]
    table["gain_of_next_reading_bar"] = Z80 * (np.sqrt(variance + noise) - np.sqrt(after + noise))
    for name in LEVELS:
        table[name] = table[name].where(table[name] != "")
    return table.astype({k: "str" for k in LEVELS} | {"settled_fills": "Int64"})


def version_of(c: pd.DataFrame, later: Mapping[str, Later]) -> str:
    """The model's name, how many fills it has readings of, and a mark that changes with them."""
    bars = np.column_stack([reading.bar for reading in later.values()])
    on = np.isfinite(bars).any(axis=1)
    seen = pd.DataFrame(np.nan_to_num(bars[on]).round(6)).assign(fill=c["fill_id"].to_numpy()[on])
    mark = hashlib.sha256(np.sort(pd.util.hash_pandas_object(seen, index=False).to_numpy()).tobytes()).hexdigest()[:8]
    return f"{MODEL}-{int(on.sum())}-{mark}"


def joined_versions(versions: Sequence[str]) -> str:
    """One version of several stations' models."""
    if len(versions) == 1:
        return versions[0]
    readings = sum(int(v.split("-")[-2]) for v in versions)
    return f"{MODEL}-{readings}-{hashlib.sha256(' '.join(versions).encode()).hexdigest()[:8]}"
