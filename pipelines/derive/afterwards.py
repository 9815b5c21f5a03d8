"""What was read of a fill, or became of a loan, after its row was written: put beside it before anything is computed.

A reading of its own row stands whatever happens to the log: a file of fills that is saved again without it does not
take it back, and whoever reads a gauge need not write the whole fill again.
"""

import numpy as np
import pandas as pd

from schemas.tank_names import tank_name

Frames = dict[str, pd.DataFrame]

OTHER_SIDE = "second_analysed_o2_pct"
#: columns of a fill that one act reads together → the moment of it; a group is taken whole or not at all
_GROUPS = (
    (("analysed_o2_pct", "analysed_he_pct", OTHER_SIDE), "analysed_at", "analysed_by"),
    (("settled_pressure_bar", "settled_c", "settled_gauge_id"), "settled_at", None),
)


def with_what_came_after(inputs: Frames) -> Frames:
    """The inputs with each fill's later readings and each loan's return in its own row."""
    return inputs | {
        "fills": with_co_read_at(with_readings(inputs["fills"], inputs["fill_readings"])),
        "loans": with_returns(inputs["loans"], inputs["returns"]),
        "dive_tanks": with_linked_units(inputs["dive_tanks"], inputs["links"]),
    }


def with_linked_units(tanks: pd.DataFrame, links: pd.DataFrame) -> pd.DataFrame:
    """Tanks of dives with the unit that a person has said they were, where their own system gives them no name.

    A link of one member's tank counts before one that names no member.

    Parameters
    ----------
    tanks, links : DataFrame
        Current rows of `dive_tanks` and `links`.
    """
    of_units = links[(links["kind"] == "cylinder").fillna(False).astype(bool)]
    if of_units.empty or tanks["unit_id"].notna().all():
        return tanks
    said = {
        (ref, member if isinstance(member, str) else None): unit
        for ref, member, unit in zip(of_units["source_ref"], of_units["member_id"], of_units["target_id"], strict=True)
    }
    lost = np.flatnonzero(tanks["unit_id"].isna())
    columns = (tanks[name].iloc[lost].tolist() for name in ("dive_id", "tank_no", "member_id"))
    unit = tanks["unit_id"].to_numpy(object, copy=True)
    for row, dive, no, member in zip(lost, *columns, strict=True):
        unit[row] = said.get((name := tank_name(dive, no), member)) or said.get((name, None))
    return tanks.assign(unit_id=pd.Series(unit, index=tanks.index, dtype=tanks["unit_id"].dtype))


def with_readings(fills: pd.DataFrame, readings: pd.DataFrame) -> pd.DataFrame:
    """Fills with their latest analysis and their latest settled reading; `co_read_at`: when carbon monoxide was read
    that counts, empty where the log says it.

    Of what the log says and what was read afterwards the later counts, by when it was read; what has no time comes
    first. An analysis of one side says nothing of the other: what was last read there stands, so that sides that
    differ are not cleared by half an analysis. Of carbon monoxide the worse counts where the reading is not the later.

    Parameters
    ----------
    fills, readings : DataFrame
        Current rows of `fills` and `fill_readings`, with `value_flags`.
    """
    if readings.empty or fills.empty:
        return fills
    made = fills.copy()
    place = pd.Series(range(len(fills)), index=fills["fill_id"])
    ordered = readings.sort_values("read_at", kind="stable")
    ordered = ordered.assign(**{OTHER_SIDE: ordered.groupby("fill_id")[OTHER_SIDE].ffill()})
    for columns, at, by in _GROUPS:
        given = ordered[ordered[columns[0]].notna() & ordered["fill_id"].isin(place.index)]
        last = given.drop_duplicates("fill_id", keep="last").set_index("fill_id")
        rows = place[last.index].to_numpy()
        logged = made.iloc[rows][[columns[0], at]]
        newer = (logged[columns[0]].isna() | logged[at].isna()).to_numpy() | (
            last["read_at"].to_numpy() >= logged[at].to_numpy()
        )
        last, rows = last[newer], rows[newer]
        for column in columns:
            values = last[column]
            if column == OTHER_SIDE:
                values = values.where(values.notna(), made.iloc[rows][column].to_numpy())
            _put(made, rows, column, values)
        _put(made, rows, at, last["read_at"])
        if by:
            _put(made, rows, by, last["read_by"])
        _flag(made, rows, last["value_flags"])
    measured = ordered[ordered["co_ppm"].notna() & ordered["fill_id"].isin(place.index)]
    last = measured.drop_duplicates("fill_id", keep="last").set_index("fill_id")
    rows = place[last.index].to_numpy()
    counts = _carbon_monoxide(fills.iloc[rows], last)
    if len(rows):
        made = with_co_read_at(made)
    taken = (counts == last["co_ppm"]).to_numpy(bool)  # the read figure, not the log's
    _put(made, rows[taken], "co_read_at", last["read_at"][taken])
    _put(made, rows, "co_ppm", counts)
    return made


def with_co_read_at(fills: pd.DataFrame) -> pd.DataFrame:
    """Fills with the column, empty, if they have it not."""
    if "co_read_at" in fills:
        return fills
    return fills.assign(co_read_at=pd.Series(pd.NaT, fills.index, dtype="datetime64[us, UTC]"))


def _carbon_monoxide(logged: pd.DataFrame, read: pd.DataFrame) -> pd.Series:
    """The later figure; the higher of both where the reading is dated before the log's, or before the stop."""
    at = read["read_at"].to_numpy()
    later = ~(logged["analysed_at"].to_numpy() > at) & (logged["filled_at"].to_numpy() <= at)
    higher = np.fmax(read["co_ppm"].to_numpy("float64"), logged["co_ppm"].to_numpy("float64", na_value=np.nan))
    return read["co_ppm"].where(later, higher)


def with_returns(loans: pd.DataFrame, returns: pd.DataFrame) -> pd.DataFrame:
    """Loans with the day they came back: a return ends the last loan of its unit that was out by then.

    One of a unit that was not out by the log changes nothing. Of two returns of one loan the earlier counts.
    """
    if returns.empty or loans.empty:
        return loans
    made = loans.copy()
    out = loans.reset_index(drop=True)[["unit_id", "out_at", "back_at"]].assign(place=range(len(loans)))
    came = returns.reset_index(drop=True)[["unit_id", "back_at", "back_pressure_bar", "value_flags"]]
    pairs = pd.merge_asof(
        came.sort_values("back_at"),
        out.rename(columns={"back_at": "logged_back_at"}).sort_values("out_at"),
        left_on="back_at",
        right_on="out_at",
        by="unit_id",
    )
    pairs = pairs[pairs["place"].notna() & pairs["logged_back_at"].isna()].drop_duplicates("place")
    rows = pairs["place"].to_numpy(int)
    for column in ("back_at", "back_pressure_bar"):
        _put(made, rows, column, pairs[column])
    _flag(made, rows, pairs["value_flags"])
    return made


def _put(frame: pd.DataFrame, rows, column: str, values: pd.Series) -> None:
    if len(rows):
        frame.iloc[rows, frame.columns.get_loc(column)] = values.array


def _flag(frame: pd.DataFrame, rows, flags: pd.Series) -> None:
    """What is to be known of a reading is to be known of its row."""
    if "value_flags" not in frame or not any(len(f) for f in flags):
        return
    column = frame["value_flags"].tolist()
    for row, more in zip(rows, flags, strict=True):
        column[row] = list(dict.fromkeys([*column[row], *more]))
    frame["value_flags"] = pd.Series(column, index=frame.index, dtype="object")
