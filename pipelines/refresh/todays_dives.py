"""Dives that began since the day did, at a station of many fills: which fills they say something of.

Such a dive teaches tomorrow (`derive/fills/station_fills.py`); today it bears on the fills of the cylinders it used
and on no others.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.refresh.engine import Refresh
from pipelines.refresh.fills import FILLS
from pipelines.refresh.hashing import joined

_KEY = ["member_id", "dive_id"]
_NONE = np.uint64(0)


def of_earlier_dives(refresh: Refresh, until: pd.Timestamp | None) -> tuple[str, str]:
    """Hashes of the rows of dives, and of their cylinders, that did not begin since a moment, or nobody knows when."""
    dives, tanks = (np.flatnonzero(~today) for today in _todays(refresh, until))
    shelf = refresh.shelf
    return shelf.fingerprint(FILLS, "dives", dives), shelf.fingerprint(FILLS, "dive_tanks", tanks)


def hashes_of_todays_dives(refresh: Refresh, fills: pd.DataFrame, until: pd.Timestamp) -> NDArray[np.uint64]:
    """A hash a fill of the dives since a moment that it is judged by: those of its cylinders and of what ever shared
    one with them. The last fill of these stands for all, which are judged together; 0 of the others.

    Parameters
    ----------
    fills : DataFrame
        All fills in the order of time.
    """
    from pipelines.derive.fills.some import hanging_together

    found = np.full(len(fills), _NONE)
    shelf = refresh.shelf
    of_dives, of_tanks = (np.flatnonzero(today) for today in _todays(refresh, until))
    if not of_dives.size or not of_tanks.size:
        return found
    dives, tanks = shelf["dives"].iloc[of_dives][_KEY], shelf["dive_tanks"].iloc[of_tanks][[*_KEY, "unit_id"]]
    hashed = {
        name: joined([column[rows] for column in shelf.column_hashes(FILLS, name)], len(rows))
        for name, rows in (("dives", of_dives), ("dive_tanks", of_tanks))
    }
    place = pd.MultiIndex.from_frame(dives).get_indexer(pd.MultiIndex.from_frame(tanks))
    of_both = joined([hashed["dive_tanks"], hashed["dives"][place]], len(tanks))
    named = tanks["unit_id"].notna().to_numpy(bool)
    together = hanging_together(refresh.given(FILLS))
    asked = [together.get(unit, unit) for unit in tanks["unit_id"][named]]
    with np.errstate(over="ignore"):  # in whatever order they stand
        summed = pd.Series(of_both[named]).groupby(asked).sum()
    units = fills["unit_id"].astype(object).map(lambda unit: together.get(unit, unit))
    theirs = units[units.isin(summed.index)].drop_duplicates(keep="last")
    found[theirs.index.to_numpy()] = summed[theirs.to_numpy()].to_numpy("uint64")
    return found


def _todays(refresh: Refresh, until: pd.Timestamp | None) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which rows of dives, and of their cylinders, are of dives that began since a moment."""
    dives, tanks = refresh.shelf["dives"], refresh.shelf["dive_tanks"]
    if until is None:
        return np.zeros(len(dives), bool), np.zeros(len(tanks), bool)
    today = (dives["started_at"] >= until).to_numpy(bool, na_value=False)
    keys, since = pd.MultiIndex.from_frame(dives[_KEY]), pd.MultiIndex.from_frame(dives.loc[today, _KEY])
    if since.has_duplicates or keys[~today].isin(since).any():  # a row alone does not say which dive it is of
        return np.zeros(len(dives), bool), np.zeros(len(tanks), bool)
    return today, pd.MultiIndex.from_frame(tanks[_KEY]).isin(since)
