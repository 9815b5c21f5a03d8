"""Units: what is filled, lent and dived as one thing, a cylinder or a manifolded set.

Everything later (fills, dives, loans, leaks) speaks of units, so this step comes first. It settles
capacity (also from a rating in cubic feet), the permitted pressure and who belongs to which set when.
"""

from functools import cache

import numpy as np
import pandas as pd

from schemas.capacity import resolve_capacity
from schemas.frames import empty, lists
from schemas.sources import SOURCES
from schemas.tables import TABLES

JOINED = "manifolded"
#: the columns of `units` that are added where states are worked out
STATE_TODAY = ("in_test_today", "oxygen_clean_today")
NAMED_LIKE = "set_named_like_cylinder"
_OF_BOTH_SIDES = (
    "water_capacity_l",
    "capacity_sd_pct",
    "working_pressure_bar",
    "permitted_bar",
    "test_pressure_bar",
    "empty_mass_kg",
)
#: what is looked up of a unit for its fills
OF_FILLS = ("unit_id", "material", *_OF_BOTH_SIDES, "valve_rating_known")
MEMBERSHIP_COLUMNS = ["set_id", "cylinder_id", "position", "from_on", "to_on", "assumed"]


def distinct_names(inputs: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """The inputs without sets that are named like a cylinder, their cylinders and the namesake marked.

    Cylinders and sets share one namespace: the name stays the cylinder's, and such a set is no unit.
    """
    cylinders, history = inputs["cylinders"], inputs["set_members"]
    by_register = cylinders["set_id"].isin(cylinders["cylinder_id"])
    by_history = history["set_id"].isin(cylinders["cylinder_id"])
    names = set(cylinders.loc[by_register, "set_id"]) | set(history.loc[by_history, "set_id"])
    concerned = names | set(history.loc[by_history, "cylinder_id"])
    marked = by_register | cylinders["cylinder_id"].isin(concerned)
    if NAMED_LIKE in cylinders:
        marked |= cylinders[NAMED_LIKE]
    return inputs | {
        "cylinders": cylinders.assign(
            set_id=cylinders["set_id"].astype("str").mask(by_register), **{NAMED_LIKE: marked.astype(bool)}
        ),
        "set_members": history[~by_history].reset_index(drop=True),
    }


def set_membership(inputs: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Who belonged to which set from when to when; `to_on` is the last day, NaT while it lasts.

    A set without rows in `set_members` is taken from today's register for all time, `assumed` true.
    """
    history = inputs["set_members"]
    cylinders = inputs["cylinders"]
    same = _content(history, _OF_HISTORY) + _content(cylinders, _OF_REGISTER)
    for known, made in _LAST:
        if len(known) == len(same) and all(a is b or _equal_bytes(a, b) for a, b in zip(known, same, strict=True)):
            return made.copy(deep=False)
    register = cylinders.loc[cylinders["set_id"].notna() & ~cylinders["set_id"].isin(history["set_id"])]
    made = _membership(history, register) if len(history) or len(register) else _no_sets()
    _LAST[:] = [(same, made), *_LAST[:1]]
    return made.copy(deep=False)


_OF_HISTORY = ("set_id", "cylinder_id", "position", "from_on", "to_on")
_OF_REGISTER = ("set_id", "cylinder_id", "set_position")
#: what was asked last and what came of it: many steps ask, and mostly of the same
_LAST: list[tuple[list[object], pd.DataFrame]] = []


def _content(frame: pd.DataFrame, columns: tuple[str, ...]) -> list[object]:
    """What stands for these columns: Arrow's arrays never change, so one that is the same has the same texts."""
    texts = [frame[c].array for c in columns]
    return [t.__arrow_array__() if hasattr(t, "__arrow_array__") and t.dtype == "str" else _bytes(t) for t in texts]


def _bytes(values: pd.api.extensions.ExtensionArray) -> object:
    made = np.asarray(values)
    return made.tobytes() if made.dtype.kind == "M" else object()


def _equal_bytes(one: object, other: object) -> bool:
    return isinstance(one, bytes) and one == other


@cache  # most small stations have none, and many steps ask
def _no_sets() -> pd.DataFrame:
    return _membership(empty(SOURCES["set_members"].fields.values()), empty(SOURCES["cylinders"].fields.values()))


def _membership(history: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    past = pd.DataFrame(
        {
            "set_id": history["set_id"].astype("str"),
            "cylinder_id": history["cylinder_id"].astype("str"),
            "position": history["position"].astype("str"),
            "from_on": history["from_on"].astype("datetime64[us]"),
            "to_on": history["to_on"].astype("datetime64[us]"),
            "assumed": False,
        }
    )
    today = pd.DataFrame(
        {
            "set_id": register["set_id"].astype("str"),
            "cylinder_id": register["cylinder_id"].astype("str"),
            "position": register["set_position"].astype("str"),
            "from_on": pd.Series(pd.NaT, register.index, dtype="datetime64[us]"),
            "to_on": pd.Series(pd.NaT, register.index, dtype="datetime64[us]"),
            "assumed": True,
        }
    )
    both = pd.concat([past, today], ignore_index=True)
    return both.sort_values(["set_id", "from_on", "position", "cylinder_id"], ignore_index=True)[MEMBERSHIP_COLUMNS]


def as_joined(inputs: dict[str, pd.DataFrame], unit_id: pd.Series, on: pd.Series) -> pd.Series:
    """What each unit was part of on each day: the joined set that a cylinder was a side of then, else the unit itself.

    A side of a joined set cannot be filled without the other, whichever name is logged. A set that is taken from
    today's register for all time is not older than its cylinders.
    """
    units = pd.Series(unit_id).astype("str")
    members, cylinders = set_membership(inputs), inputs["cylinders"]
    if not len(members):
        return units
    kind = _set_kinds(cylinders)["set_kind"]
    by_register = members["set_id"].map(kind)
    joined = (by_register.eq(JOINED) | ~members["set_id"].isin(kind.index)).to_numpy(bool)
    sides = members[joined & ~members["set_id"].isin(cylinders["cylinder_id"]).to_numpy(bool)]
    made_on = sides["cylinder_id"].map(cylinders.set_index("cylinder_id")["manufactured_on"])
    sides = sides.assign(from_on=sides["from_on"].fillna(made_on.groupby(sides["set_id"]).transform("max")))
    asked = pd.DataFrame({"row": np.arange(len(units)), "cylinder_id": units.array, "on": pd.to_datetime(on).array})
    pairs = asked[asked["cylinder_id"].isin(sides["cylinder_id"])].merge(sides, on="cylinder_id")
    then = ~(pairs["from_on"] > pairs["on"]) & ~(pairs["to_on"] < pairs["on"])
    pairs = pairs[then].drop_duplicates("row", keep="last")
    found = units.astype("object").to_numpy(copy=True)
    found[pairs["row"].to_numpy()] = pairs["set_id"].to_numpy(object)
    return pd.Series(found, units.index, dtype="str")


def cylinders_of_units_on(inputs: dict[str, pd.DataFrame], unit_id: pd.Series, on: pd.Series) -> pd.DataFrame:
    """The cylinders that each unit consisted of on each day.

    Parameters
    ----------
    unit_id, on : Series of equal length
        Cylinder or set, and the day (naive midnight, or a time of which the date counts).

    Returns
    -------
    DataFrame
        `row` (position in the given series), `unit_id`, `on`, `cylinder_id`, `position`. A unit that
        nobody knows, or a set without members that day, has no row. A set asked for before its first
        or after its last known day gives the nearest known members.
    """
    units = pd.Series(unit_id).astype("str").array
    day = pd.to_datetime(on).to_numpy("datetime64[us]").astype("datetime64[D]").astype("datetime64[us]")
    cylinders = inputs["cylinders"]["cylinder_id"].astype("str")
    single = np.asarray(units.isin(cylinders.array), bool)
    rows = np.flatnonzero(single)
    if single.all():  # no set is asked for
        return _pairs(rows, units, day, units, pd.array([None] * len(rows), dtype="str"))
    members = set_membership(inputs)
    of_rows, of_members = _nearest_members(np.flatnonzero(~single), units, day, members)
    # a unit of one cylinder has one row, so only members of sets are put in order among each other
    position, cylinder = (_in_order(members[name])[of_members] for name in ("position", "cylinder_id"))
    alone, every = np.zeros(len(rows), "int64"), np.concatenate([rows, of_rows])
    order = np.lexsort([np.concatenate([alone, cylinder]), np.concatenate([alone, position]), every])
    names = pd.concat([pd.Series(units), members["cylinder_id"]]).array
    return _pairs(
        every[order],
        units,
        day,
        names.take(np.concatenate([rows, len(units) + of_members])[order]),
        members["position"].array.take(np.concatenate([alone - 1, of_members])[order], allow_fill=True),
    )


def _in_order(texts: pd.Series) -> np.ndarray:
    """The place of each text among all of them; what is not there comes last."""
    place, distinct = pd.factorize(texts, sort=True)
    return np.where(place < 0, len(distinct), place)


def _pairs(rows: np.ndarray, units, day: np.ndarray, cylinder_id, position) -> pd.DataFrame:
    return pd.DataFrame(
        {"row": rows, "unit_id": units[rows], "on": day[rows], "cylinder_id": cylinder_id, "position": position},
        copy=False,
    )


def _nearest_members(rows: np.ndarray, units, day: np.ndarray, members: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Of the asked rows that name a set: pairs of such a row and of a member of that day, else of the nearest day."""
    if not len(members):
        return rows[:0], rows[:0]
    rows = rows[~np.isnat(day[rows])]
    code, sets = pd.factorize(members["set_id"])  # sorted by set
    first, count = np.searchsorted(code, np.arange(len(sets))), np.bincount(code)
    place = pd.Index(sets).get_indexer(units[rows])
    rows, place = rows[place >= 0], place[place >= 0]
    each = np.repeat(np.arange(len(rows)), count[place])
    if not each.size:
        return rows[:0], rows[:0]
    begins = np.cumsum(count[place]) - count[place]
    member = np.arange(len(each)) - begins[each] + first[place[each]]
    asked = day[rows][each].astype("int64")
    start, end = (members[name].to_numpy("datetime64[us]")[member] for name in ("from_on", "to_on"))
    before = np.where(np.isnat(start), 0, np.maximum(start.astype("int64") - asked, 0))
    after = np.where(np.isnat(end), 0, np.maximum(asked - end.astype("int64"), 0))
    near = before + after == np.minimum.reduceat(before + after, begins)[each]
    # on the day a side is changed both the old and the new cylinder match; each counts once
    each, member = each[near], member[near]
    cylinder = pd.factorize(members["cylinder_id"])[0]
    _, once = np.unique(each * (cylinder.max() + 1) + cylinder[member], return_index=True)
    once.sort()
    return rows[each[once]], member[once]


def build_units(inputs: dict[str, pd.DataFrame], as_of_on: pd.Timestamp) -> dict[str, pd.DataFrame]:
    """The `units` table: a row for each cylinder and for each manifolded set.

    `joined` on a cylinder's own row says that its set is manifolded, so that a transmitter on each
    post of one set can be distinguished from a sidemount pair. The permitted pressure is the least of working
    pressure and valve rating over the unit's cylinders; a test pressure not known of each is not known
    of the set, and of a set with one registered side neither size nor any pressure is.
    """
    inputs = distinct_names(inputs)
    cylinders = inputs["cylinders"].reset_index(drop=True)
    resolved = resolve_capacity(cylinders)
    valve = cylinders["valve_pressure_bar"].astype("float64")
    kind = _set_kinds(cylinders)
    single = pd.DataFrame(
        {
            "unit_id": cylinders["cylinder_id"].astype("str"),
            "set_id": cylinders["set_id"].astype("str"),
            "side": cylinders["set_position"].astype("str"),
            "joined": cylinders["set_id"].map(kind["set_kind"]).eq(JOINED).astype("boolean"),
            "material": cylinders["material"].astype("str"),
            "water_capacity_l": resolved["water_capacity_l"],
            "capacity_basis": resolved["capacity_basis"],
            "capacity_sd_pct": resolved["capacity_sd_pct"],
            "working_pressure_bar": resolved["working_pressure_bar"],
            "permitted_bar": np.minimum(resolved["working_pressure_bar"], valve.fillna(np.inf)),
            "test_pressure_bar": cylinders["test_pressure_bar"].astype("float64"),
            "valve_rating_known": valve.notna().astype("boolean"),
            "empty_mass_kg": cylinders["empty_mass_kg"].astype("float64"),
            "flags": [
                flags + [NAMED_LIKE] * bool(marked)
                for flags, marked in zip(resolved["flags"], cylinders[NAMED_LIKE], strict=True)
            ],
        }
    )
    sets = _sets(single, set_membership(inputs), kind, as_of_on)
    units = pd.concat([single, sets], ignore_index=True) if len(sets) else single
    return {
        "units": units.sort_values("unit_id", ignore_index=True)[
            [c for c in TABLES["units"].columns if c not in STATE_TODAY]
        ]
    }


def _set_kinds(cylinders: pd.DataFrame) -> pd.DataFrame:
    """Kind of each set by the register. Where its cylinders disagree it counts as not joined."""
    rows = cylinders[cylinders["set_id"].notna()]
    kinds = rows.groupby("set_id")["set_kind"].nunique()
    other = rows["set_kind"].notna() & (rows["set_kind"] != JOINED)
    first = rows.iloc[np.argsort(~other.to_numpy(bool), kind="stable")].drop_duplicates("set_id")
    return pd.DataFrame({"set_kind": first.set_index("set_id")["set_kind"].reindex(kinds.index), "differs": kinds > 1})


def _of_all(reduce: np.ufunc, members: pd.DataFrame, column: str) -> pd.Series:
    """Sum or least of a figure over each set's cylinders; not known where it is not known of one."""
    order = np.argsort(pd.factorize(members["set_id"], sort=True)[0], kind="stable")
    sets, values = members["set_id"].iloc[order], members[column].to_numpy("float64")[order]
    first = np.flatnonzero(~sets.duplicated().to_numpy(bool))
    return pd.Series(reduce.reduceat(values, first) if len(first) else values, sets.iloc[first].array)


def _sets(single: pd.DataFrame, membership: pd.DataFrame, kind: pd.DataFrame, as_of_on: pd.Timestamp) -> pd.DataFrame:
    """Rows of the manifolded sets as they stand today, or as they last stood."""
    set_kind = membership["set_id"].map(kind["set_kind"])
    known = membership["set_id"].isin(kind.index)
    # a set that the register no longer names but that set_members remembers was filled as one
    members = membership[(set_kind.eq(JOINED) | ~known) & ~membership["set_id"].isin(single["unit_id"])].copy()
    if members.empty:
        return single.iloc[0:0]
    members["known"] = members["set_id"].isin(kind.index)
    start = members["from_on"].fillna(pd.Timestamp.min.as_unit("us"))
    end = members["to_on"].fillna(pd.Timestamp.max.as_unit("us"))
    day = pd.Timestamp(as_of_on)
    members["away"] = (start - day).clip(lower=pd.Timedelta(0)) + (day - end).clip(lower=pd.Timedelta(0))
    least = members.groupby("set_id")["away"].transform("min")
    members = members[members["away"] == least].drop_duplicates(["set_id", "cylinder_id"])
    now = members.merge(
        single.drop(columns=["set_id", "side", "joined"]), left_on="cylinder_id", right_on="unit_id", how="inner"
    )
    twice = now.loc[now["away"] == pd.Timedelta(0), "cylinder_id"]
    now["in_two_sets"] = now["cylinder_id"].isin(twice[twice.duplicated()])
    litres_sd = now["water_capacity_l"] * now["capacity_sd_pct"]
    # cylinders of one set share the convention of their rating, so those errors add; each stamp errs by itself
    rated = now["capacity_basis"] == "rated"
    now["together_sd"] = litres_sd.where(rated, 0.0)
    now["apart_sd2"] = (litres_sd**2).where(~rated, 0.0)
    by_set = now.groupby("set_id")
    size = by_set.size()
    whole = {"min_count": 1}
    capacity = _of_all(np.add, now, "water_capacity_l")
    materials = by_set["material"].nunique()
    sets = pd.DataFrame(
        {
            "set_id": size.index.astype("str"),
            "unit_id": size.index.astype("str"),
            "side": pd.Series(np.nan, size.index, dtype="str"),
            "joined": pd.array([True] * len(size), dtype="boolean"),
            "material": by_set["material"].first(),
            "water_capacity_l": capacity,
            "capacity_basis": np.where(rated.groupby(now["set_id"]).any(), "rated", "register"),
            "capacity_sd_pct": np.sqrt(by_set["together_sd"].sum(**whole) ** 2 + by_set["apart_sd2"].sum(**whole))
            / capacity,
            "working_pressure_bar": by_set["working_pressure_bar"].min(),
            "permitted_bar": by_set["permitted_bar"].min(),
            "test_pressure_bar": _of_all(np.minimum, now, "test_pressure_bar"),
            "valve_rating_known": by_set["valve_rating_known"].all().astype("boolean"),
            "empty_mass_kg": _of_all(np.add, now, "empty_mass_kg"),
        },
        index=size.index,
    )
    # what the other side holds, bears and weighs is not known
    sets.loc[size < 2, [*_OF_BOTH_SIDES]] = np.nan
    sets.loc[size < 2, "valve_rating_known"] = False
    own = by_set["flags"].agg(lambda lists: sorted({code for codes in lists for code in codes}))
    marks = {
        "set_history_assumed": by_set["assumed"].any(),
        "set_incomplete": size < 2,
        "set_over_full": size > 2,
        "set_material_differs": materials > 1,
        "set_dissolved": by_set["away"].min() > pd.Timedelta(0),
        "set_kind_unknown": ~by_set["known"].any(),
        "cylinder_in_two_sets": by_set["in_two_sets"].any(),
    }
    extra = lists({code: mask.to_numpy(bool) for code, mask in marks.items()}, len(size))
    sets["flags"] = pd.Series([a + b for a, b in zip(own, extra, strict=True)], index=size.index, dtype="object")
    return sets.reset_index(drop=True)
