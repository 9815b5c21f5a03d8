"""Gas given by month, source and member, with the oxygen and helium it took."""

import numpy as np
import pandas as pd

from pipelines.derive.columns import in_time
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.gas.constants import AIR_O2_PCT, REFERENCE_C
from shared.gas.thermal import amount_free_l

_KEY = ["month_on", "source_id", "member_id"]


def build_gas_added(fill_quality: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """The table `gas_added`.

    Parameters
    ----------
    fill_quality : DataFrame
    policy : Policy
        The station's zone: a month is a month there.

    Notes
    -----
    What was inside is the unit's last fill before, air where there is none. With Δn the gas added, Δo and Δh
    the oxygen and helium in it, the rest came with air: pure oxygen = (Δo − a(Δn − Δh))/(1 − a), a = 0.2095.
    Sums leave out fills whose content is not known; `fills` counts all.
    """
    rows = fill_quality.take(in_time(fill_quality))
    unit = pd.factorize(rows["unit_id"], sort=True)[0]
    rows = rows.take(np.argsort(np.where(unit < 0, len(rows), unit), kind="stable"))
    o2, he = rows["o2_pct"].to_numpy(float), rows["he_pct"].fillna(0.0).to_numpy(float)
    before_o2 = rows.groupby("unit_id")["o2_pct"].shift().fillna(AIR_O2_PCT).to_numpy(float)
    before_he = rows.groupby("unit_id")["he_pct"].shift().fillna(0.0).to_numpy(float)
    added = rows["added_free_l"].to_numpy(float)
    after = amount_free_l(
        rows["water_capacity_l"].to_numpy(float),
        rows["settled_pressure_bar_15c"].to_numpy(float),
        REFERENCE_C,
        o2,
        he,
        strict=False,
    )
    before = np.maximum(after - added, 0.0)
    helium = np.maximum(after * he - before * before_he, 0.0) / 100.0
    air = AIR_O2_PCT / 100.0
    oxygen = np.maximum(((after * o2 - before * before_o2) / 100.0 - air * (added - helium)) / (1.0 - air), 0.0)
    # an analyser a tenth off must not sell oxygen with every air fill
    oxygen = np.where(np.abs(o2 - AIR_O2_PCT) + np.abs(before_o2 - AIR_O2_PCT) < 0.5, 0.0, oxygen)
    local = rows["filled_at"].dt.tz_convert(policy.time_zone).dt.tz_localize(None)
    made = rows.assign(month_on=local.dt.to_period("M").dt.to_timestamp(), oxygen_free_l=oxygen, helium_free_l=helium)
    sums = made.groupby(_KEY, dropna=False).agg(
        fills=("fill_id", "size"),
        added_free_l=("added_free_l", "sum"),
        oxygen_free_l=("oxygen_free_l", "sum"),
        helium_free_l=("helium_free_l", "sum"),
    )
    return conform(sums.reset_index(), TABLES["gas_added"].fields.values())
