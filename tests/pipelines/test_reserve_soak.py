"""Chances stated before dives against what came of them, over seasons of divers with habits of their own.

A small form runs always; the whole with COLDFILL_SOAK=full. Goals by band: 0.015 below 0.1, 0.06 above.
"""

import os

import numpy as np
import pandas as pd
import pytest

from pipelines.derive.divers.reserve_chance import chance_before_each, correct_chances, fit_corrections, month_of
from pipelines.derive.divers.trend import build_member_trend, fit_trend_months
from schemas.policy import Policy
from tests.pipelines.diver_seasons import as_tables, club, coast

FULL = os.environ.get("COLDFILL_SOAK") == "full"
POLICY = Policy()
BANDS = ((0, 0.02), (0.02, 0.05), (0.05, 0.1), (0.1, 0.2), (0.2, 0.4), (0.4, 0.6), (0.6, 1.01))
pytestmark = pytest.mark.soak


def stated(season) -> pd.DataFrame:
    """Margins of a season with the chances as they were stated before each dive."""
    consumption, dives, margins = as_tables(season)
    model = fit_trend_months(consumption, dives)
    state = build_member_trend(consumption, dives, model)["trend_state"]
    of_member = dict(list(state.groupby("member_id")))
    margins["chance_drawn"] = np.nan
    for member, rows in margins.groupby("member_id"):
        margins.loc[rows.index, "chance_drawn"] = chance_before_each(rows, of_member[member], model, POLICY)
    correction = fit_corrections(margins, margins["started_at"].max().tz_localize(None))
    month = month_of(margins["started_at"])
    return margins.assign(chance=correct_chances(margins["chance_drawn"].to_numpy(float), month, correction))


def by_band(rows):
    """(band, dives, said, came) of the bands that hold dives."""
    chance, below = rows["chance"].to_numpy(float), rows["below_policy"].to_numpy(bool)
    for low, high in BANDS:
        part = (chance >= low) & (chance < high)
        if part.any():
            yield (low, high), int(part.sum()), float(chance[part].mean()), float(below[part].mean())


#: family, how much harder than usual, and about the share of dives below that it makes
LEVELS = [
    (club, -0.3, 0.05), (club, -0.16, 0.14), (club, 0.3, 0.5),
    (coast, -0.3, 0.05), (coast, 0.06, 0.14), (coast, 0.85, 0.5),
]  # fmt: skip
if not FULL:
    LEVELS = [level for level in LEVELS if level[2] == 0.14]


@pytest.mark.parametrize(("family", "harder", "base"), LEVELS, ids=lambda v: getattr(v, "__name__", str(v)))
def test_stated_chances_hold_by_band(family, harder, base):
    stations, members = (6, 50) if FULL else (1, 25)
    rows = pd.concat([stated(family(100 + 7 * s, members, harder)) for s in range(stations)])
    rows = rows[rows["chance"].notna()]
    share = float(rows["below_policy"].mean())
    print(f"\n{family.__name__}, {len(rows)} dives, {share:.3f} below")
    assert not FULL or share == pytest.approx(base, rel=0.4)
    for (low, high), dives, said, came in by_band(rows):
        goal = 0.015 if high <= 0.1 else 0.06
        # dives of one member go together: about three of them tell what one independent dive would
        chance_alone = 2.0 * np.sqrt(3.0 * said * (1 - said) / dives)
        print(f"  {low:.2f} to {high:.2f}: {dives:5d} dives, said {said:.3f}, came {came:.3f}")
        assert abs(said - came) < goal + (0.0 if FULL and dives > 1500 else chance_alone)
