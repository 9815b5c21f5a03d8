"""One cylinder's life in order: fills, readings, use nobody logged, inspections, loans, sets, dives."""

import numpy as np
import pandas as pd

from pipelines.derive.fleet.inspections import local_day, noon_of
from pipelines.derive.units import cylinders_of_units_on, set_membership
from schemas.policy import Policy
from schemas.tables import TABLES


def build_cylinder_life(
    inputs: dict[str, pd.DataFrame],
    filled: pd.DataFrame,
    dive_tank_use: pd.DataFrame,
    intervals: pd.DataFrame,
    policy: Policy,
) -> pd.DataFrame:
    """The `cylinder_life` table. A day without a time stands at noon of the station.

    `event` is `filled` (value: settled pressure at 15 °C, bar), `arrived` (start pressure, bar),
    `inspected_KIND` (found mass, kg; code: result, or the finding), `dived` (gas used, free L), `lent`,
    `returned` (pressure, bar), `joined_set`, `left_set` (code: the set), `unexplained_use` and
    `interval` (content lost, bar), `manufactured`.
    """

    def day(column: pd.Series) -> pd.Series:
        return noon_of(column, policy.time_zone)

    parts = [
        _part(
            filled["cylinder_id"],
            filled["filled_at"],
            "filled",
            filled["settled_pressure_bar_15c"],
            fill=filled["fill_id"],
        ),
        _part(
            filled["cylinder_id"], filled["filled_at"], "arrived", filled["start_pressure_bar"], fill=filled["fill_id"]
        ),
    ]
    inspections = inputs["inspections"]
    finding = inspections["finding"].where(inspections["finding"].notna() & inspections["finding"].ne("none"))
    parts.append(
        _part(
            inspections["cylinder_id"],
            day(inspections["inspected_on"]),
            "inspected_" + inspections["kind"].astype("object"),
            inspections["found_mass_kg"],
            code=inspections["result"].astype("object") + ("; " + finding.astype("object")).fillna(""),
        )
    )
    cylinders = inputs["cylinders"].dropna(subset=["manufactured_on"])
    parts.append(
        _part(cylinders["cylinder_id"], day(cylinders["manufactured_on"]), "manufactured", cylinders["empty_mass_kg"])
    )
    members = set_membership(inputs)
    for moment, event in (("from_on", "joined_set"), ("to_on", "left_set")):
        dated = members.dropna(subset=[moment])
        parts.append(_part(dated["cylinder_id"], day(dated[moment]), event, None, code=dated["set_id"]))
    parts += _loans(inputs, policy)
    parts.append(_dives(inputs, dive_tank_use, policy))
    parts.append(_intervals(inputs, intervals, policy))
    made = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    made["at"] = made["at"].astype("datetime64[us, UTC]")
    return made.take(_in_order(made)).reset_index(drop=True)[TABLES["cylinder_life"].columns]


def _in_order(made: pd.DataFrame) -> np.ndarray:
    """Positions by cylinder, moment and event; of several with the same the first, and none without a moment."""
    cylinder, event = (pd.factorize(made[name], sort=True)[0] for name in ("cylinder_id", "event"))
    at = made["at"].to_numpy("datetime64[us]")
    order = np.lexsort((event, at, cylinder))
    order = order[~np.isnat(at[order])]
    again = np.zeros(len(order), bool)
    again[1:] = np.logical_and.reduce([values[order][1:] == values[order][:-1] for values in (cylinder, at, event)])
    return order[~again]


def _part(cylinder_id, at, event, value, *, fill=None, dive=None, code=None) -> pd.DataFrame:
    n = len(cylinder_id)
    return pd.DataFrame(
        {
            "cylinder_id": _texts(cylinder_id, n),
            "at": pd.to_datetime(pd.Series(at), utc=True).astype("datetime64[us, UTC]").array,
            "event": _texts(event, n),
            "value": np.full(n, np.nan) if value is None else pd.Series(value).to_numpy("float64"),
            "fill_id": _texts(fill, n),
            "dive_id": _texts(dive, n),
            "code": _texts(code, n),
        },
        copy=False,
    )


def _texts(values, n: int) -> pd.api.extensions.ExtensionArray:
    """Texts as they are held, one for all rows among them; none where there are none."""
    if values is None or isinstance(values, str):
        return pd.array([values], dtype="str").take(np.zeros(n, "int64"))
    return pd.Series(values).astype("str").array


def _loans(inputs: dict[str, pd.DataFrame], policy: Policy) -> list[pd.DataFrame]:
    loans = inputs["loans"]
    parts = []
    for moment, event, value in (("out_at", "lent", None), ("back_at", "returned", "back_pressure_bar")):
        dated = loans.dropna(subset=[moment]).reset_index(drop=True)
        pairs = cylinders_of_units_on(inputs, dated["unit_id"], local_day(dated[moment], policy.time_zone))
        rows = dated.iloc[pairs["row"]]
        parts.append(
            _part(
                pairs["cylinder_id"],
                rows[moment],
                event,
                None if value is None else rows[value],
                code=rows["member_id"],
            )
        )
    return parts


def _dives(inputs: dict[str, pd.DataFrame], dive_tank_use: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    dives = inputs["dives"][["member_id", "dive_id", "started_at"]]
    d = dive_tank_use.dropna(subset=["unit_id"]).merge(dives, on=["member_id", "dive_id"], how="inner")
    if d.empty:
        return _part([], pd.Series([], dtype="datetime64[us, UTC]"), "dived", [])
    pairs = cylinders_of_units_on(inputs, d["unit_id"], local_day(d["started_at"], policy.time_zone))
    rows = d.iloc[pairs["row"]]
    return _part(pairs["cylinder_id"], rows["started_at"], "dived", rows["gas_used_free_l"], dive=rows["dive_id"])


def _intervals(inputs: dict[str, pd.DataFrame], intervals: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    shown = intervals[intervals["use"].astype(bool) | intervals["unexplained"].astype(bool)]
    if shown.empty:
        return _part([], pd.Series([], dtype="datetime64[us, UTC]"), "interval", [])
    pairs = cylinders_of_units_on(inputs, shown["unit_id"], local_day(shown["to_at"], policy.time_zone))
    rows = shown.iloc[pairs["row"]]
    event = np.where(rows["unexplained"], "unexplained_use", "interval")
    return _part(pairs["cylinder_id"], rows["to_at"], event, rows["loss_bar"], fill=rows["fill_id"])
