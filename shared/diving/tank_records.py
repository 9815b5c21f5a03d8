"""What is known of cylinders on dives, and what was found of them: arrays, a row a cylinder of a dive."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from shared.diving.tank_grid import START, STEPS, UNKNOWNS


@dataclass(frozen=True)
class TankRecords:
    """Rows, one a cylinder (or joined set) of a dive, on a grid of STEPS steps from first to last sample.

    Readings stand at places of the grid (0 to STEPS, fractions allowed), NaN where there is none.
    """

    duration_s: NDArray
    bar_min: NDArray  # (rows, STEPS + 1) integral of ambient pressure
    ambient_bar_abs: NDArray  # (rows, STEPS + 1)
    water_c: NDArray  # (rows, STEPS)
    water_sd_c: NDArray
    water_capacity_l: NDArray
    cylinders: NDArray
    wall_j_k_l: NDArray  # heat of the wall per litre of capacity
    o2_pct: NDArray
    he_pct: NDArray
    ar_pct: NDArray
    reading_at: NDArray  # (rows, readings)
    reading_bar: NDArray
    reading_sd_bar: NDArray
    rate_sd: NDArray  # scatter of the rate around its mean, as a share of the mean
    rate_lag_s: NDArray  # how long the rate remembers
    breathing_share: NDArray  # (rows, STEPS) part of the breathing that it serves, 1 for a cylinder breathed alone
    inflates: NDArray  # True where wing or suit are fed from it
    shared_mean: NDArray  # (rows, SHARED_COUNT) prior of the unknowns SHARED; content NaN where only readings say it
    shared_cov: NDArray  # (rows, SHARED_COUNT, SHARED_COUNT)

    def __len__(self) -> int:
        return len(self.duration_s)

    def take(self, rows: NDArray | slice) -> "TankRecords":
        """The same for some of the rows."""
        return TankRecords(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


@dataclass
class TankFits:
    """What was found, a row a record; free litres and °C."""

    unknowns: NDArray  # (rows, UNKNOWNS): the columns are WATER, START, … of this module
    spread: NDArray  # (rows, UNKNOWNS, UNKNOWNS) their covariance
    prior_mean: NDArray  # (rows, UNKNOWNS)
    prior_precision: NDArray  # (rows, UNKNOWNS, UNKNOWNS)
    information: NDArray  # (rows, UNKNOWNS, UNKNOWNS) of the readings alone, where it was asked for
    vector: NDArray  # (rows, UNKNOWNS) information times mean
    reference_rate_l_min: NDArray
    used_free_l: NDArray
    used_sd_free_l: NDArray
    amount_free_l: NDArray  # (rows, STEPS + 1)
    gas_c: NDArray  # (rows, STEPS + 1)
    modelled_bar: NDArray  # (rows, STEPS + 1)
    rate_l_min: NDArray  # (rows, STEPS)
    residual_bar: NDArray  # (rows, readings)
    weight: NDArray  # (rows, readings): 1 believed, 0 not

    @property
    def start_free_l(self) -> NDArray:
        """Content at the first sample, free litres."""
        return self.amount_free_l[:, 0]

    @property
    def start_c(self) -> NDArray:
        """Gas temperature at the first sample, °C."""
        return self.unknowns[:, START]

    def sd_of(self, place: int) -> NDArray:
        """Standard deviation of one of the unknowns."""
        return np.sqrt(np.abs(self.spread[:, place, place]))

    @property
    def end_c(self) -> NDArray:
        """Gas temperature at the last sample, °C."""
        return self.gas_c[:, -1]

    def take(self, rows: NDArray | slice) -> "TankFits":
        """The same for some of the rows."""
        return TankFits(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    @classmethod
    def blank(cls, rows: int, readings: int) -> "TankFits":
        """Nothing known of so many rows."""
        wide: dict[str, tuple[int, ...]] = {
            "unknowns": (UNKNOWNS,),
            "spread": (UNKNOWNS, UNKNOWNS),
            "prior_mean": (UNKNOWNS,),
            "prior_precision": (UNKNOWNS, UNKNOWNS),
            "information": (UNKNOWNS, UNKNOWNS),
            "vector": (UNKNOWNS,),
            "amount_free_l": (STEPS + 1,),
            "gas_c": (STEPS + 1,),
            "modelled_bar": (STEPS + 1,),
            "rate_l_min": (STEPS,),
            "residual_bar": (readings,),
            "weight": (readings,),
        }
        return cls(**{f.name: np.full((rows, *wide.get(f.name, ())), np.nan) for f in fields(cls)})

    def put(self, rows: NDArray, fits: "TankFits") -> None:
        """Write fits of some rows into their places."""
        for f in fields(self):
            mine, theirs = getattr(self, f.name), getattr(fits, f.name)
            if mine.ndim == 2:
                mine[rows, : theirs.shape[1]] = theirs
            else:
                mine[rows] = theirs
