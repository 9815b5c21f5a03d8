"""Fills to call back: behind a failed air test, or of unknown origin while one stood, and not known to be used up.

The pages say beside it: a failed test means stop filling, keep back what was filled since the last good test, drain
the banks it fed, and call the laboratory.
"""

import numpy as np
import pandas as pd

from pipelines.derive.air.purity_tests import faults_of_tests
from pipelines.derive.columns import in_time
from pipelines.derive.fills.chain import chain_of_fills, kept_share, still_held
from pipelines.derive.fleet.holders import holder_at_end
from pipelines.derive.fleet.inspections import local_day
from schemas.codes.fills import AIR_IN_DOUBT
from schemas.frames import conform, empty
from schemas.policy import Policy
from schemas.tables import TABLES
from schemas.words import day as day_in_words

# below this share of a cylinder's gas a suspect fill counts as used up: two refills from 50 bar. A judgement.
USED_UP_SHARE = 0.05


def build_recall(
    inputs: dict[str, pd.DataFrame], air: pd.DataFrame, policy: Policy, as_of_on: pd.Timestamp
) -> pd.DataFrame:
    """The `recall` table, and who has what it lists.

    A later fill thins what was in a cylinder: (start + 1 bar) / (stop + 1 bar) of it stays, by the readings.
    """
    if not air["air_state"].isin(AIR_IN_DOUBT).any():  # mostly so, and who holds what need not be worked out
        return empty(TABLES["recall"].fields.values())
    fills = inputs["fills"].assign(**{c: air[c] for c in ("air_state", "last_good_on", "failed_on", "compressor_id")})
    end = (pd.Timestamp(as_of_on) + pd.Timedelta(days=1)).tz_localize(policy.time_zone)
    fills = fills[fills["filled_at"] < end]
    fills = fills.take(in_time(fills)).reset_index(drop=True)
    # nothing is called back from before the first of them
    first = int(fills["air_state"].isin(AIR_IN_DOUBT).to_numpy(bool).argmax()) if len(fills) else 0
    fills = fills[first:].reset_index(drop=True)
    chain = chain_of_fills(inputs, fills, local_day(fills["filled_at"], policy.time_zone))
    doubted = fills["air_state"].isin(AIR_IN_DOUBT).to_numpy(bool)
    held = pd.Series(still_held(chain, kept_share(fills), doubted, USED_UP_SHARE), dtype="object")
    suspect = fills.loc[sorted(held.index)]
    holder = holder_at_end(inputs, suspect["unit_id"], as_of_on, policy.time_zone)
    on_loan = holder["basis"].eq("loan").to_numpy()
    held_by = np.where(on_loan | suspect["member_id"].isna().to_numpy(), holder["held_by"], suspect["member_id"])
    made = pd.DataFrame(
        {
            "fill_id": suspect["fill_id"].astype("str").to_numpy(),
            "unit_id": suspect["unit_id"].astype("str").to_numpy(),
            "held_by": held_by,
            "reason": _reasons(suspect, faults_of_tests(inputs["air_tests"], policy)),
            "since": suspect["last_good_on"].to_numpy("datetime64[us]"),
            "air_state": suspect["air_state"].to_numpy(),
            "cylinder_ids": held.reindex(suspect.index).to_numpy(),
        }
    ).sort_values("fill_id", ignore_index=True)
    return conform(made, TABLES["recall"].fields.values())


def _reasons(suspect: pd.DataFrame, faults: dict[tuple, str]) -> list[str]:
    said = []
    for row in suspect.itertuples():
        fault = faults.get((row.compressor_id, row.failed_on), "see the test")
        test = f"air test of {day_in_words(row.failed_on)} at {row.compressor_id} failed: {fault}."
        said.append(
            f"Source unknown, and the {test}" if row.air_state == "source_unknown" else test[0].upper() + test[1:]
        )
    return said
