"""What is known of a member's dives once their cylinders are fitted, for all that makes tables of it."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.fit import Fitted, Readings
from pipelines.derive.dives.samples import Grid, Samples
from pipelines.derive.dives.sides import Sides
from schemas.policy import Policy
from shared.diving.tank_records import TankFits


@dataclass
class Built:
    """A member's dives on their way to the tables."""

    member_id: str
    dives: pd.DataFrame
    rows: pd.DataFrame
    samples: Samples
    grid: Grid
    place: NDArray
    flat: NDArray
    readings: Readings
    fits: TankFits
    fitted: Fitted
    by_trace: NDArray
    sides: Sides
    water_c: NDArray
    water_assumed: NDArray
    ran_out: NDArray
    flags: dict[str, set[str]]
    policy: Policy

    @property
    def dive(self) -> NDArray:
        """Each row's dive."""
        return self.rows["dive"].to_numpy(int)

    def by_dive(self, values: NDArray, mask: NDArray) -> NDArray:
        """Sum over the rows of each dive."""
        return np.bincount(self.dive[mask], values[mask], minlength=len(self.dives)).astype(float)

    @property
    def counted(self) -> NDArray:
        """Rows whose gas counts as breathed."""
        return self.rows["breathed"].to_numpy(bool) & ~self.sides.left_out
