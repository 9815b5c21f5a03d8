"""What the readings of each station have taught, kept with a run's tables, so that new fills can be judged by it."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd

from shared.filling.settling_posterior import Posterior
from shared.filling.track_record import Correction


@dataclass(frozen=True)
class Learned:
    """What one station's readings have taught, and what of its record counts for its next fills.

    `settled_filled_at`: moments of the fills with a settled reading, in order, UTC; `settled_known_at`: when readings
    became known, in order; `left_out`: how many are doubtful. `check_gauge_sd_bar` and `alone_gauge_sd_bar`: what the
    check gauges may be off by, of readings beside a heat balance and of such as stand alone.
    """

    station: str
    posteriors: list[Posterior]
    correction: Correction
    version: str
    settled_filled_at: np.ndarray
    settled_known_at: np.ndarray
    left_out: int
    check_gauge_sd_bar: float
    alone_gauge_sd_bar: float


_MATRICES = ("covariance", "own_to_shared")
_PLAIN = ("walk_sd", "log_weight", "scatter", "weight", "readings")


def as_frame(learned: Sequence[Learned]) -> pd.DataFrame:
    """A row a station and belief; matrices row by row."""
    rows = []
    for one in learned:
        for believed in one.posteriors:
            of, level, step = zip(*believed.names, strict=True) if believed.names else ((), (), ())
            rows.append(
                {
                    "station": one.station,
                    "version": one.version,
                    "shift_sd": one.correction.shift_sd,
                    "widening": one.correction.widening,
                    "settled_filled_at": one.settled_filled_at.astype("int64"),
                    "settled_known_at": one.settled_known_at.astype("int64"),
                    "left_out": one.left_out,
                    "check_gauge_sd_bar": one.check_gauge_sd_bar,
                    "alone_gauge_sd_bar": one.alone_gauge_sd_bar,
                    "of": list(of),
                    "level": list(level),
                    "step": list(step),
                    "units": believed.units,
                }
                | {name: np.ravel(getattr(believed, name)) for name in _ARRAYS}
                | {name: getattr(believed, name) for name in _PLAIN}
            )
    return pd.DataFrame(rows, columns=COLUMNS)


def from_frame(frame: pd.DataFrame) -> list[Learned]:
    """What `as_frame` was given."""
    found = []
    for _, rows in frame.groupby("station", sort=False):
        one = rows.iloc[0]
        found.append(
            Learned(
                one["station"],
                [_posterior(row) for row in rows.to_dict("records")],
                Correction(one["shift_sd"], one["widening"]),
                one["version"],
                np.asarray(one["settled_filled_at"], "int64").astype("datetime64[us]"),
                np.asarray(one["settled_known_at"], "int64").astype("datetime64[us]"),
                int(one["left_out"]),
                one["check_gauge_sd_bar"],
                one["alone_gauge_sd_bar"],
            )
        )
    return found


def _posterior(row: dict) -> Posterior:
    causes = len(row["of"])
    made: dict[str, Any] = {name: np.asarray(row[name], float) for name in _ARRAYS}
    made |= {name: made[name].reshape(-1, causes) for name in _MATRICES} | {name: row[name] for name in _PLAIN}
    names = list(zip(row["of"], row["level"], (int(s) for s in row["step"]), strict=True))
    return Posterior(names=names, units=list(row["units"]), **made)


_ARRAYS = tuple(f.name for f in fields(Posterior) if f.name not in (*_PLAIN, "names", "units"))
COLUMNS = [
    "station", "version", "shift_sd", "widening", "settled_filled_at", "settled_known_at", "left_out",
    "check_gauge_sd_bar", "alone_gauge_sd_bar", "of", "level", "step", "units", *_ARRAYS, *_PLAIN,
]  # fmt: skip
