"""Holds and call-backs as pages and reports show them: which gas a cylinder holds, and what stands against it.

Nothing is judged here: the reasons and marks of the published fills are put together by cylinder.
"""

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
import pandas as pd

from schemas import words
from schemas.codes import codes_that

#: reasons for which the gas of a fill is called back: it is not to be breathed, nor to be filled upon
CALLED_BACK = codes_that(lambda c: c.called_back)
#: of these gases nobody knows the source, from days on which a compressor's air stood failed
SOURCE_UNKNOWN = codes_that(lambda c: c.source_unknown)
DRAIN_FIRST = "Drain it before it is filled again: what is inside is not to be breathed, nor to be filled upon."


def released(row: Mapping[str, Any]) -> bool:
    """Whether a person lifted the hold of a fill."""
    return bool(row["released"]) if words.known(row["released"]) else False


def held(row: Mapping[str, Any]) -> bool:
    """Whether a fill is not to be handed over, by its verdict and what nobody released."""
    return row["verdict"] == "stop" and not released(row)


def called_back(row: Mapping[str, Any]) -> bool:
    """Whether the gas of a fill is called back for its air."""
    return bool(CALLED_BACK.intersection(words.listed(row["reasons"]))) and not released(row)


def air(row: Mapping[str, Any]) -> str:
    """How the air of a fill stood, in words: that of its source, and whether it lies upon gas that is called back."""
    own = words.air(row["air_state"], row["air_failed_on"])
    codes = words.listed(row["reasons"])
    if "residue_on_recall" in codes:
        return f"{own}; filled upon gas that is called back"
    return f"{own}; filled upon gas of unknown source" if "residue_of_unknown_source" in codes else own


def still_inside(fills: pd.DataFrame) -> pd.Series:
    """A mask over all fills: some cylinder holds that gas still, for no later fill of it is known."""
    last_of_unit = fills["filled_at"] == fills.groupby("unit_id")["filled_at"].transform("max")
    if "latest_fill" not in fills:
        return last_of_unit
    return fills["latest_fill"].astype("boolean").fillna(last_of_unit).astype(bool)


def inside(fills: pd.DataFrame, names: Collection[str]) -> pd.DataFrame:
    """The fills whose gas these cylinders hold, newest first; `names` are those of cylinders and of their set."""
    wanted = set(names)
    of_unit = fills["unit_id"].isin(wanted).to_numpy(bool)
    if "cylinder_ids" in fills:
        of_unit = of_unit | np.array([not wanted.isdisjoint(words.listed(ids)) for ids in fills["cylinder_ids"]], bool)
    found = fills[of_unit & still_inside(fills)].sort_values("filled_at", ascending=False)
    if "cylinder_ids" not in found:
        return found
    # of a set that was taken apart only the last fill of each cylinder counts
    seen: set[str] = set()
    keep = []
    for ids in found["cylinder_ids"]:
        own = (set(words.listed(ids)) & wanted) or set(words.listed(ids))
        keep.append(bool(own - seen) or not own)
        seen |= own
    return found[keep]


def not_released(fills: pd.DataFrame, verdict: str = "stop") -> pd.DataFrame:
    """Fills of this verdict that some cylinder holds still and nobody released; newest first."""
    lifted = fills["released"].astype("boolean").fillna(False).astype(bool)
    found = fills[(fills["verdict"] == verdict) & ~lifted & still_inside(fills)]
    return found.sort_values("filled_at", ascending=False)


def of_cylinders(fills: pd.DataFrame) -> dict[str, str]:
    """What stands against the gas in each cylinder, in two words: `called back`, `on hold` or `source unknown`."""
    said: dict[str, str] = {}
    newest_first = fills[still_inside(fills)].sort_values("filled_at", ascending=False)
    for row in newest_first.to_dict("records"):
        ids = words.listed(row.get("cylinder_ids")) or [row["unit_id"]]
        unknown = bool(SOURCE_UNKNOWN.intersection(words.listed(row["reasons"]))) and not released(row)
        word = "called back" if called_back(row) else "on hold" if held(row) else "source unknown" if unknown else ""
        for cylinder in ids:
            said.setdefault(cylinder, word)
    return {cylinder: word for cylinder, word in said.items() if word}


# --- sources ----------------------------------------------------------------------------------
def failed_sources(gas_sources: pd.DataFrame) -> pd.DataFrame:
    """Compressors and banks whose air stands failed today."""
    return gas_sources[gas_sources["air_state"] == "failed"].sort_values("source_id")


def none_may_be_used(gas_sources: pd.DataFrame) -> bool:
    """Whether the air of every compressor stands failed, so that there is nothing to fill from."""
    compressors = gas_sources[gas_sources["kind"] == "compressor"]
    return bool(len(compressors)) and bool((compressors["air_state"] == "failed").all())


def why_failed(row: Mapping[str, Any]) -> str:
    """'air test of 5 May 2031 failed: carbon monoxide 7 ppm, limit 5'."""
    fault = f": {row['air_fault']}" if words.known(row["air_fault"]) else ""
    compressor = row["compressor_id"]
    at = f" at {compressor}" if words.known(compressor) and compressor != row["source_id"] else ""
    return f"air test of {words.day(row['air_failed_on'])}{at} failed{fault}"
