"""Inspection states of cylinders and units on given days, for fills, loans and the fleet.

A thin door between the frames of a station and the rules in `shared.inspection`.
"""

import numpy as np
import pandas as pd

from pipelines.derive.units import as_joined, cylinders_of_units_on
from schemas.policy import Policy
from shared.inspection.history import Inspections, oxygen_clean_at
from shared.inspection.state import Cylinders, States, state_on_days

# worst first: of a set the worst of its cylinders counts
STATE_ORDER = ("condemned", "unknown", "out_of_date", "due_soon", "in_date")


def _text(column: pd.Series) -> np.ndarray:
    return column.astype("object").where(column.notna(), "").to_numpy(dtype=object)


def _days(column: pd.Series) -> np.ndarray:
    return column.to_numpy("datetime64[us]").astype("datetime64[D]")


def register_of(cylinders: pd.DataFrame) -> Cylinders:
    """The register as the rules read it, in the order of the frame."""
    return Cylinders(
        material=_text(cylinders["material"]),
        manufactured_on=_days(cylinders["manufactured_on"]),
        alloy=_text(cylinders["alloy"]),
        first_used_on=_days(cylinders["first_used_on"]),
        service_life_ends_on=_days(cylinders["service_life_ends_on"]),
        rule_set=_text(cylinders["rule_set"]),
        regime=_text(cylinders["regime"]),
        status=_text(cylinders["status"]),
    )


def history_of(inspections: pd.DataFrame, cylinders: pd.DataFrame) -> Inspections:
    """The history as the rules read it; inspections of cylinders that nobody registered are left out."""
    place = pd.Index(cylinders["cylinder_id"].astype("object")).get_indexer(inspections["cylinder_id"].astype("object"))
    known = place >= 0
    rows = inspections.loc[known]
    return Inspections(
        cylinder=place[known],
        inspected_on=_days(rows["inspected_on"]),
        kind=_text(rows["kind"]),
        result=_text(rows["result"]),
        permanent_expansion_pct=rows["permanent_expansion_pct"].to_numpy("float64"),
    )


def local_day(at: pd.Series, time_zone: str) -> pd.Series:
    """The calendar day at the station of each moment; naive days pass through."""
    at = pd.Series(at)
    if at.dt.tz is not None:
        at = at.dt.tz_convert(time_zone).dt.tz_localize(None)
    return at.dt.normalize()


def noon_of(day: pd.Series, time_zone: str) -> pd.Series:
    """The moment at which a day without a time stands: noon at the station, UTC."""
    local = pd.Series(day) + pd.Timedelta(hours=12)
    return local.dt.tz_localize(time_zone, ambiguous=True, nonexistent="shift_forward").dt.tz_convert("UTC")


def cylinder_states_on(
    inputs: dict, policy: Policy, cylinder_id: pd.Series, day: pd.Series, *, with_reasons: bool = True
) -> tuple[np.ndarray, States]:
    """States of cylinders on days: positions in the register (-1 unknown) and the states of the known ones."""
    cylinders = inputs["cylinders"]
    of_name, names = pd.factorize(pd.Series(cylinder_id))  # the same ones again and again
    register = pd.Index(cylinders["cylinder_id"].astype("object"))
    place = np.append(register.get_indexer(names.astype("object")), -1)[of_name]
    known = place >= 0
    states = state_on_days(
        register_of(cylinders),
        history_of(inputs["inspections"], cylinders),
        policy.rule_set,
        place[known],
        _days(pd.Series(day))[known],
        due_soon_days=policy.fleet.due_soon_days,
        with_reasons=with_reasons,
    )
    return place, states


def unit_states_at(inputs: dict, policy: Policy, unit_id: pd.Series, at: pd.Series) -> pd.DataFrame:
    """Whether each unit could be filled at each moment as far as its inspections go.

    Parameters
    ----------
    unit_id, at : Series of one length
        Units and moments (UTC), for example of the fills.

    Returns
    -------
    DataFrame
        On the index of `unit_id`: in_test, withdrawn, oxygen_clean (booleans; a set only if both
        cylinders are), inspection_state (the worst), next_due_on (the first), reasons (list of codes,
        those of all cylinders). A unit nobody knows is `unknown` and not in test, and so is a set of which
        only one side is registered. Where the unit is one side of a joined set: other_side_unfit, whether
        what is known of it allows filling while the set does not; all_oxygen_clean, with the other side;
        and in reasons those of that side.
    """
    unit_id, at = pd.Series(unit_id), pd.Series(at)
    whole = as_joined(inputs, unit_id, local_day(at, policy.time_zone))
    sides = np.flatnonzero((whole != unit_id.astype("str")).to_numpy(bool))
    asked = pd.concat([unit_id.astype("str"), whole.iloc[sides]], ignore_index=True) if sides.size else unit_id
    moments = pd.concat([at, at.iloc[sides]], ignore_index=True) if sides.size else at
    found = _states_of(inputs, policy, asked, moments)
    own = found.iloc[: len(unit_id)].set_axis(unit_id.index).copy()
    own["other_side_unfit"], own["all_oxygen_clean"] = (
        pd.array([False] * len(own), dtype="boolean"),
        own["oxygen_clean"],
    )
    if sides.size:
        both = found.iloc[len(unit_id) :]
        alone = own.iloc[sides]
        fit, fit_together = (f["in_test"] & ~f["withdrawn"] for f in (alone, both))
        own.iloc[sides, own.columns.get_loc("other_side_unfit")] = fit.array & ~fit_together.array
        clean = alone["oxygen_clean"].array & both["oxygen_clean"].array
        own.iloc[sides, own.columns.get_loc("all_oxygen_clean")] = clean
        reasons = own["reasons"].tolist()
        for place, codes in zip(sides, both["reasons"], strict=True):
            reasons[place] = list(dict.fromkeys([*reasons[place], *codes]))
        own["reasons"] = pd.Series(reasons, index=own.index, dtype="object")
    return own


def _states_of(inputs: dict, policy: Policy, unit_id: pd.Series, at: pd.Series) -> pd.DataFrame:
    """As `unit_states_at`, of the units themselves."""
    index = pd.Series(unit_id).index
    at = pd.Series(at, index=index) if not isinstance(at, pd.Series) else at.set_axis(index)
    day = local_day(at, policy.time_zone)
    pairs = cylinders_of_units_on(inputs, pd.Series(unit_id), day)
    pairs["at"] = at.to_numpy("datetime64[us]")[pairs["row"].to_numpy()]
    place, states = cylinder_states_on(inputs, policy, pairs["cylinder_id"], pairs["on"])
    known = place >= 0
    pairs = pairs.loc[known].copy()
    pairs["in_test"] = states.in_test
    pairs["withdrawn"] = states.withdrawn
    pairs["due_on"] = states.due_on.astype("datetime64[us]")
    pairs["rank"] = pd.Categorical(states.state, categories=STATE_ORDER, ordered=True).codes
    pairs["oxygen_clean"] = _oxygen_clean(inputs, policy, place[known], pairs)
    pairs["reasons"] = pd.Series(list(states.reasons), index=pairs.index, dtype="object")

    rows = pairs.groupby("row")
    found = pd.DataFrame(
        {
            "in_test": rows["in_test"].all(),
            "withdrawn": rows["withdrawn"].any(),
            "oxygen_clean": rows["oxygen_clean"].all(),
            "rank": rows["rank"].min(),
            "next_due_on": rows["due_on"].min(),
        }
    ).reindex(range(len(index)))
    said: list[list[str]] = [[] for _ in range(len(index))]
    for row, codes in zip(pairs["row"], pairs["reasons"], strict=True):
        said[row].extend(code for code in codes if code not in said[row])
    is_set = ~pd.Series(unit_id).isin(inputs["cylinders"]["cylinder_id"]).to_numpy(bool)
    one_side = is_set & rows.size().reindex(range(len(index))).eq(1).to_numpy(bool)
    found.loc[one_side, ["in_test", "oxygen_clean"]] = False
    found["rank"] = found["rank"].where(~one_side, found["rank"].clip(upper=STATE_ORDER.index("unknown")))
    for row in np.flatnonzero(one_side):
        said[row].append("set_incomplete")
    unknown = found["rank"].isna().to_numpy()
    for row in np.flatnonzero(unknown):
        said[row].append("no_inspection_known")
    rank = found["rank"].fillna(STATE_ORDER.index("unknown")).astype("int64")
    return pd.DataFrame(
        {
            "in_test": found["in_test"].astype("boolean").fillna(False).to_numpy(),
            "withdrawn": found["withdrawn"].astype("boolean").fillna(False).to_numpy(),
            "oxygen_clean": found["oxygen_clean"].astype("boolean").fillna(False).to_numpy(),
            "inspection_state": np.array(STATE_ORDER, dtype=object)[rank],
            "next_due_on": found["next_due_on"].to_numpy("datetime64[us]"),
            "reasons": pd.Series(said, dtype="object").to_numpy(),
        },
        index=index,
    ).astype({"in_test": "boolean", "withdrawn": "boolean", "oxygen_clean": "boolean", "inspection_state": "str"})


def _oxygen_clean(inputs: dict, policy: Policy, place: np.ndarray, pairs: pd.DataFrame) -> np.ndarray:
    """Clean for oxygen at each moment, a fill from a source not marked oxygen compatible ending it."""
    cylinders = inputs["cylinders"]
    fills = inputs["fills"]
    if not (inputs["inspections"]["kind"] == "oxygen_clean").any():  # a station of air alone
        return np.zeros(len(place), bool)
    compatible = inputs["sources"].loc[inputs["sources"]["oxygen_compatible"].fillna(False).astype(bool), "source_id"]
    soiling = fills.loc[~fills["source_id"].isin(compatible)]
    soiled = cylinders_of_units_on(inputs, soiling["unit_id"], local_day(soiling["filled_at"], policy.time_zone))
    soiled_at = soiling["filled_at"].to_numpy("datetime64[us]")[soiled["row"].to_numpy()]
    register = pd.Index(cylinders["cylinder_id"].astype("object"))
    soiled_place = register.get_indexer(soiled["cylinder_id"].astype("object"))
    history = history_of(inputs["inspections"], cylinders)
    # a clean of the station's day is compared with moments in UTC: shift both to the station's clock
    shift = local_shift(pairs["at"], policy.time_zone)
    shift_soiled = local_shift(pd.Series(soiled_at), policy.time_zone)
    return oxygen_clean_at(
        history,
        place,
        pairs["at"].to_numpy("datetime64[us]") + shift,
        clean_months=policy.filling.oxygen_clean_months,
        soiled_cylinder=soiled_place,
        soiled_at=soiled_at + shift_soiled,
    )


def local_shift(at_utc: pd.Series, time_zone: str) -> np.ndarray:
    """Offset of the station's clock from UTC at each moment, as timedelta64."""
    aware = pd.to_datetime(pd.Series(at_utc)).dt.tz_localize("UTC")
    local = aware.dt.tz_convert(time_zone).dt.tz_localize(None)
    return (local.to_numpy("datetime64[us]") - aware.to_numpy("datetime64[us]")).astype("timedelta64[us]")
