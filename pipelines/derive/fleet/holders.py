"""Who has each unit: the member on loan, else the owner, else the station."""

import numpy as np
import pandas as pd

from pipelines.derive.units import set_membership

STATION = "station"


def look_up(keys: pd.Series, table: pd.Series) -> pd.Series:
    """The entry of each key, missing where there is none; keeps the table's dtype also when it is empty."""
    return table.reindex(keys.to_numpy(object)).set_axis(keys.index)


def open_loans(loans: pd.DataFrame, as_of_on: pd.Timestamp, time_zone: str) -> pd.DataFrame:
    """Loans that are out at the end of a day, the latest a unit; `overdue` where due before that day."""
    end = (pd.Timestamp(as_of_on) + pd.Timedelta(days=1)).tz_localize(time_zone).tz_convert("UTC")
    out = loans[(loans["out_at"] < end) & (loans["back_at"].isna() | (loans["back_at"] >= end))]
    out = out.sort_values("out_at").drop_duplicates("unit_id", keep="last")
    return out.assign(overdue=out["due_on"].notna() & (out["due_on"] < pd.Timestamp(as_of_on)))


def loans_of_cylinders(inputs: dict, as_of_on: pd.Timestamp, time_zone: str) -> pd.DataFrame:
    """Open loans by cylinder, a loaned set standing for the cylinders it consists of today."""
    out = open_loans(inputs["loans"], as_of_on, time_zone)
    members = set_membership(inputs)
    now = members[~(members["from_on"] > pd.Timestamp(as_of_on)) & ~(members["to_on"] < pd.Timestamp(as_of_on))][
        ["set_id", "cylinder_id"]
    ]
    by_set = out.merge(now, left_on="unit_id", right_on="set_id", how="inner").drop(columns="set_id")
    single = out[out["unit_id"].isin(inputs["cylinders"]["cylinder_id"])]
    single = single.assign(cylinder_id=single["unit_id"])
    both = pd.concat([single, by_set], ignore_index=True)
    return both.sort_values("out_at").drop_duplicates("cylinder_id", keep="last", ignore_index=True)


def holder_at_end(inputs: dict, unit_id: pd.Series, as_of_on: pd.Timestamp, time_zone: str) -> pd.DataFrame:
    """Who has each unit at the end of a day: held_by and basis (`loan`, `owner`), on the index of `unit_id`."""
    units = pd.Series(unit_id)
    lent = open_loans(inputs["loans"], as_of_on, time_zone).set_index("unit_id")["member_id"]
    lent_cylinders = loans_of_cylinders(inputs, as_of_on, time_zone).set_index("cylinder_id")["member_id"]
    by_loan = look_up(units, lent).fillna(look_up(units, lent_cylinders))
    members = set_membership(inputs).drop_duplicates("set_id", keep="last").set_index("set_id")["cylinder_id"]
    owners = inputs["cylinders"].drop_duplicates("cylinder_id").set_index("cylinder_id")["owner_id"]
    owner = look_up(units, owners).fillna(look_up(look_up(units, members), owners)).fillna(STATION)
    return pd.DataFrame(
        {"held_by": by_loan.fillna(owner).astype("str"), "basis": np.where(by_loan.notna(), "loan", "owner")},
        index=units.index,
    )
