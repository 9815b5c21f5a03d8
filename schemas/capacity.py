"""Water capacity and working pressure of a register's cylinders, from their marks or from a rating."""

import numpy as np
import pandas as pd

from schemas.frames import lists
from shared.gas.units import bar_from_psi, capacity_l_from_rating

PLUS_MARK = 1.1  # the filling limit behind a '+' after the test date: 10 % over the marked pressure
STAMPED_SD_PCT = 0.4
"""Judgement: a stamp is rounded and one nominal size is listed 2.4 % apart; no tolerance was found published."""

RATED_SD_PCT = 1.5
RATED_SD_UNKNOWN_PRESSURE_PCT = 6.0


def resolve_capacity(cylinders: pd.DataFrame) -> pd.DataFrame:
    """Capacity and working pressure of each cylinder, from its marks or from a rating in cubic feet.

    Returns
    -------
    DataFrame
        On the cylinders' index: water_capacity_l, capacity_basis (`register`, `rated`, or
        missing), capacity_sd_pct, working_pressure_bar, flags (list of codes).

    Notes
    -----
    capacity = rated content × 1 atm / (p + 1 atm), ideal gas: the trade rates cylinders so. p is
    rated_at_psi, else the service pressure (× 1.1 where plus-marked, the pressure at which such a
    cylinder reaches its rating). A stated water capacity wins. The plus mark raises the rating only,
    never the working pressure: the 10 % are a special filling limit of US law (49 CFR 173.302a(b))
    that hangs on the last retest's stamp, which no column states.
    """
    stated = cylinders["water_capacity_l"].astype("float64")
    plus = cylinders["plus_marked"].astype("boolean").fillna(False).to_numpy(bool)
    service_psi = cylinders["service_pressure_psi"].astype("float64")
    rated_at_psi = cylinders["rated_at_psi"].astype("float64")
    p_psi = rated_at_psi.fillna(service_psi * np.where(plus, PLUS_MARK, 1.0))
    rated_cuft = cylinders["rated_capacity_cuft"].to_numpy("float64")
    estimated = pd.Series(capacity_l_from_rating(rated_cuft, p_psi.to_numpy()), cylinders.index)

    from_rating = (stated.isna() & estimated.notna()).to_numpy()
    spec = cylinders["spec"].astype("str").fillna("").str.replace(r"[^A-Za-z0-9]", "", regex=True)
    is_3aa = spec.str.upper().str.contains("3AA", regex=False).to_numpy(bool)
    pressure_unknown = from_rating & is_3aa & rated_at_psi.isna().to_numpy()

    capacity = stated.fillna(estimated)
    service_bar = pd.Series(bar_from_psi(service_psi.to_numpy()), cylinders.index)
    working = cylinders["working_pressure_bar"].astype("float64").fillna(service_bar)
    known = stated.notna().to_numpy()
    basis = pd.Series(np.select([known, from_rating], ["register", "rated"], default=""), cylinders.index)
    sds = [RATED_SD_UNKNOWN_PRESSURE_PCT, RATED_SD_PCT, STAMPED_SD_PCT]
    sd = np.select([pressure_unknown, from_rating, known], sds, np.nan)
    marks = {
        "capacity_estimated": from_rating,
        "rating_pressure_unknown": pressure_unknown,
        "plus_mark_not_counted": plus & cylinders["working_pressure_bar"].isna().to_numpy(),
        "capacity_unknown": capacity.isna().to_numpy(),
    }
    return pd.DataFrame(
        {
            "water_capacity_l": capacity,
            "capacity_basis": basis.astype("str").where(basis != ""),
            "capacity_sd_pct": sd,
            "working_pressure_bar": working,
            "flags": pd.Series(lists(marks, len(cylinders)), cylinders.index, dtype="object"),
        },
        index=cylinders.index,
    )
