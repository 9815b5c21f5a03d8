"""Which unit a tank of a dive probably was, where nothing says so: a suggestion for a person, never taken by itself.

One tap accepts it for every dive of that name, so a wrong one is worse than none: what is offered is at least as
likely as `OFFERED_FROM`. Each unit is weighed by how often a member takes such a one (own, lent, of the station,
another's, hired elsewhere) and by how well size, mix and pressure of the dive fit it and its last fill. The figures
are rough guesses of how people dive and log, common practice, no source; `tests/pipelines/test_tank_suggestions.py`
counts what comes of them where the truth is known.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from schemas.codes import all_codes, codes_that
from schemas.tank_names import tank_name
from shared.gas.constants import AIR_O2_PCT

#: of a size that a dive computer states: within so much it may be this one
SIZE_L, SIZE_SHARE = 0.6, 0.06
#: a fill so long before a dive may be what was dived
FILL_DAYS = 14
#: within which an analysis, and a reading before the dive, agree with what the dive says
MIX_PCT, PRESSURE_BAR = 1.5, 15.0
#: least probability of a unit that is offered to be accepted with one tap
OFFERED_FROM = 0.96

#: how readily a member takes a unit, against one of the station's that nobody has
OWN, LENT, FILLED_FOR, OF_STATION, OF_OTHERS = 30.0, 30.0, 20.0, 1.0, 0.3
#: a loan that nobody closed says less with time
OPEN_LOAN_DAYS = 30
#: all that hangs on a back and is not in the register, against the same
ELSEWHERE = 4.0
#: a stated size that is the unit's, that is not, and of a cylinder nobody knows; a size left as the computer had it
SIZE_FITS, SIZE_DIFFERS, SIZE_ELSEWHERE = 0.8, 0.05, 0.3
#: a mix stated as it was filled, or left on air
MIX_FITS, MIX_LEFT_ON_AIR, MIX_DIFFERS = 0.85, 0.12, 0.03
#: a unit with no fill on record before the dive, against one just filled
NOT_FILLED, NOT_FILLED_ELSEWHERE = 0.15, 0.3
#: of the pressure at the start: against the settled fill, against one that was misread or topped up, and unknown
FROM_FILL_SD_BAR, FAR_SD_BAR, FAR_SHARE = 7.0, 35.0, 0.1
USUAL_BAR, USUAL_SD_BAR = 205.0, 22.0
#: that one name in a member's logs stands for whatever was on the back
ONE_NAME_FOR_ALL = 0.3
#: a unit that the file itself states for another tank of the name
STATED_BEFORE = 10.0

#: what speaks for a unit, in the order in which it is said; without one that says whose it was nothing is suggested
SIGNS = [name for name, code in all_codes().items() if code.speaks_for_unit]
WHOSE = codes_that(lambda c: c.says_whose)
#: other units that are offered to choose from
MOST_OTHERS = 6
KEY = ["member_id", "dive_id", "tank_no"]


def suggest_units(
    tanks: pd.DataFrame,
    dives: pd.DataFrame,
    units: pd.DataFrame,
    cylinders: pd.DataFrame,
    loans: pd.DataFrame,
    fills: pd.DataFrame,
) -> pd.DataFrame:
    """Tanks without a unit, each with the one that size, owner, date and the fill before speak for.

    Parameters
    ----------
    tanks, dives, cylinders, loans : DataFrame
        Current rows of the sources `dive_tanks`, `dives`, `cylinders` and `loans`.
    units, fills : DataFrame
        Published `units` and `fill_quality`.

    Returns
    -------
    DataFrame
        A row a tank, as `tank_suggestions` declares it. Tanks that the files give one name are one to their member,
        and have one suggestion. It is empty where no unit is likely enough, or nothing says whose it was.
    """
    when = dives[["member_id", "dive_id", "started_at", "duration_min"]]
    known = tanks.merge(when, on=["member_id", "dive_id"], how="inner")
    lost = known[known["unit_id"].isna()].reset_index(drop=True)
    named = lost["tank_ref"].notna()
    by_dive = [tank_name(d, n) for d, n in zip(lost["dive_id"], lost["tank_no"], strict=True)]
    lost["source_ref"] = lost["tank_ref"].where(named, pd.Series(by_dive, index=lost.index, dtype="str"))
    out = lost[[*KEY, "source_ref", "tank_ref", "role", "water_capacity_l", "o2_pct", "start_pressure_bar"]].assign(
        started_at=lost["started_at"], suggested_unit_id=None, reasons=[[] for _ in range(len(lost))],
        other_unit_ids=[[] for _ in range(len(lost))],
    )  # fmt: skip
    whole = _dived_as_one(units)
    if lost.empty or whole.empty:
        return out
    pairs = _pairs(lost, known, whole, units, cylinders, loans, fills)
    named_for = _units_of_names(known)
    found = {
        name: _best(group, named_for.get(name, frozenset()))
        for name, group in pairs.groupby(["member_id", "source_ref"], sort=False)
    }
    answers = [found.get(key, (None, [], [])) for key in zip(out["member_id"], out["source_ref"], strict=True)]
    return out.assign(
        suggested_unit_id=[a[0] for a in answers],
        reasons=[a[1] for a in answers],
        other_unit_ids=[a[2] for a in answers],
    )


def _dived_as_one(units: pd.DataFrame) -> pd.DataFrame:
    """Cylinders and joined sets, without the sides of these."""
    joined = units["joined"].fillna(False).astype(bool)
    side = joined & units["set_id"].notna() & (units["unit_id"] != units["set_id"])
    return units.loc[~side, ["unit_id", "water_capacity_l"]].rename(columns={"water_capacity_l": "unit_capacity_l"})


def _units_of_names(known: pd.DataFrame) -> dict[tuple, frozenset[str]]:
    """Units that the files themselves state for tanks of a member's name."""
    stated = known[known["unit_id"].notna() & known["tank_ref"].notna()]
    return {name: frozenset(units.tolist()) for name, units in stated.groupby(["member_id", "tank_ref"])["unit_id"]}


def _pairs(lost, known, whole, units, cylinders, loans, fills) -> pd.DataFrame:
    """Every tank with every unit that it may have been, what speaks for it, and how much, a column each."""
    lost = lost.drop(columns="unit_id")
    pairs = lost.merge(whole.assign(unit_id=whole["unit_id"].astype("str")), how="cross")
    apart = (pairs["water_capacity_l"] - pairs["unit_capacity_l"]).abs()
    fits = (apart <= np.maximum(SIZE_L, SIZE_SHARE * pairs["unit_capacity_l"])) & apart.notna()
    pairs = pairs.assign(tank_size_fits=fits).sort_values("started_at", kind="stable")
    sets = units["set_id"].where(units["joined"].fillna(False))
    set_of = {u: s for u, s in zip(units["unit_id"].tolist(), sets.tolist(), strict=True) if isinstance(s, str)}
    used = known[known["unit_id"].notna()]
    used = used.assign(unit_id=[set_of.get(u, u) for u in used["unit_id"].tolist()])
    pairs = _not_dived_by_others(pairs, used)
    owner = cylinders.assign(unit_id=[set_of.get(c, c) for c in cylinders["cylinder_id"].tolist()])
    owned = set(zip(owner["unit_id"].tolist(), owner["owner_id"].tolist(), strict=True))
    of_station = set(owner.loc[owner["owner_id"] == "station", "unit_id"])
    pairs["tank_owned"] = [
        pair in owned for pair in zip(pairs["unit_id"].tolist(), pairs["member_id"].tolist(), strict=True)
    ]
    pairs["of_station"] = pairs["unit_id"].isin(of_station)
    pairs = _with_loans(pairs, loans)
    return _weighed(_with_fill(pairs, fills))


def _not_dived_by_others(pairs: pd.DataFrame, used: pd.DataFrame) -> pd.DataFrame:
    """Without units that somebody is known to have dived at that very time; with the last use before."""
    minutes = pd.to_timedelta(used["duration_min"].fillna(0.0), unit="min")
    began = used["started_at"]
    uses = pd.DataFrame({"unit_id": used["unit_id"].astype("str"), "used_at": began, "used_until": began + minutes})
    uses = uses.sort_values("used_at")
    ends = pairs["started_at"] + pd.to_timedelta(pairs["duration_min"].fillna(0.0), unit="min")
    pairs = pairs.assign(ends_at=ends).sort_values("ends_at", kind="stable")
    uses["used_at"], pairs["ends_at"] = (s.astype("datetime64[us, UTC]") for s in (uses["used_at"], pairs["ends_at"]))
    pairs = pd.merge_asof(pairs, uses, left_on="ends_at", right_on="used_at", by="unit_id")
    return pairs[~(pairs["used_until"] > pairs["started_at"])].sort_values("started_at", kind="stable")


def _with_loans(pairs: pd.DataFrame, loans: pd.DataFrame) -> pd.DataFrame:
    """Who had the unit then: this member, for how long and whether it was ever closed, or another."""
    out = loans[["unit_id", "member_id", "out_at", "back_at"]].rename(columns={"member_id": "lent_to"})
    place = pairs[["unit_id", "member_id", "started_at"]].assign(place=range(len(pairs)))
    met = place.merge(out, on="unit_id")
    met = met[(met["out_at"] <= met["started_at"]) & ~(met["back_at"] < met["started_at"])]
    own = met[met["lent_to"] == met["member_id"]]
    forgotten = own["back_at"].isna() & (own["started_at"] - own["out_at"] > pd.Timedelta(days=OPEN_LOAN_DAYS))
    rows = np.arange(len(pairs))
    return pairs.assign(
        tank_on_loan=np.isin(rows, own["place"].to_numpy()),
        loan_forgotten=np.isin(rows, own.loc[forgotten, "place"].to_numpy()),
        with_another=np.isin(rows, met.loc[met["lent_to"] != met["member_id"], "place"].to_numpy()),
    )


def _with_fill(pairs: pd.DataFrame, fills: pd.DataFrame) -> pd.DataFrame:
    """What the last fill before the dive says, where nobody else dived the unit since."""
    of = fills[["unit_id", "filled_at", "member_id", "o2_pct", "settled_pressure_bar_15c"]].rename(
        columns={"member_id": "filled_for", "o2_pct": "filled_o2_pct"}
    )
    pairs = pd.merge_asof(
        pairs.sort_values("started_at", kind="stable"),
        of.assign(unit_id=of["unit_id"].astype("str")).sort_values("filled_at"),
        left_on="started_at",
        right_on="filled_at",
        by="unit_id",
        tolerance=pd.Timedelta(days=FILL_DAYS),
    )
    # one fill serves one dive of a name
    again = pairs.duplicated(["member_id", "source_ref", "unit_id", "filled_at"])
    fresh = pairs["filled_at"].notna() & ~(pairs["used_at"] > pairs["filled_at"]) & ~again
    mix = (pairs["o2_pct"] - pairs["filled_o2_pct"]).abs()
    pressure = (pairs["start_pressure_bar"] - pairs["settled_pressure_bar_15c"]).abs()
    return pairs.assign(
        tank_filled_before=fresh,
        tank_filled_for=fresh & (pairs["filled_for"] == pairs["member_id"]).fillna(False),
        tank_mix_fits=fresh & (mix <= MIX_PCT),
        tank_pressure_fits=fresh & (pressure <= PRESSURE_BAR),
    )


def _weighed(pairs: pd.DataFrame) -> pd.DataFrame:
    """How readily the member takes the unit (`prior`), and how likely what the dive says is then (`fit`)."""
    station = np.where(pairs["of_station"] & ~pairs["with_another"], OF_STATION, OF_OTHERS)
    lent = np.where(pairs["loan_forgotten"], LENT / 3, LENT)
    prior = np.where(pairs["tank_owned"], OWN, np.where(pairs["tank_on_loan"], lent, station))
    # an own cylinder is always filled for its owner: that says nothing more
    prior = np.maximum(prior, np.where(pairs["tank_filled_for"], FILLED_FOR, 0.0))
    sized = pairs["water_capacity_l"].notna().to_numpy()
    fresh = pairs["tank_filled_before"].to_numpy()
    size = np.where(sized, np.where(pairs["tank_size_fits"], SIZE_FITS, SIZE_DIFFERS), 1.0)
    start = pairs["start_pressure_bar"].to_numpy("float64", na_value=np.nan)
    apart = start - pairs["settled_pressure_bar_15c"].to_numpy("float64", na_value=np.nan)
    usual = _normal(start - USUAL_BAR, USUAL_SD_BAR)
    of_fill = (1 - FAR_SHARE) * _normal(apart, FROM_FILL_SD_BAR) + FAR_SHARE * _normal(apart, FAR_SD_BAR)
    pressure = np.where(np.isnan(start), 1.0, np.where(fresh & ~np.isnan(apart), of_fill, usual))
    o2 = pairs["o2_pct"].to_numpy("float64", na_value=np.nan)
    air = np.abs(o2 - AIR_O2_PCT) < MIX_PCT
    filled = pairs["filled_o2_pct"].to_numpy("float64", na_value=np.nan)
    same = np.abs(o2 - filled) <= MIX_PCT
    often = _share_of_mix(pairs)
    mix = np.where(
        np.isnan(o2),
        1.0,
        np.where(
            fresh & ~np.isnan(filled),
            np.where(same, MIX_FITS, np.where(air, MIX_LEFT_ON_AIR, MIX_DIFFERS)),
            often,
        ),
    )
    age = ((pairs["started_at"] - pairs["filled_at"]) / pd.Timedelta(days=1)).to_numpy("float64", na_value=np.nan)
    filled_then = np.where(fresh, np.where(age <= 3, 1.0, np.where(age <= 7, 0.5, 0.25)), NOT_FILLED)
    return pairs.assign(
        prior=prior,
        fit=size * pressure * mix * filled_then,
        fit_elsewhere=np.where(sized, SIZE_ELSEWHERE, 1.0)
        * np.where(np.isnan(start), 1.0, usual)
        * np.where(np.isnan(o2), 1.0, often)
        * NOT_FILLED_ELSEWHERE,
    )


def _normal(apart: NDArray, sd: float) -> NDArray:
    return np.exp(-0.5 * (apart / sd) ** 2) / (sd * np.sqrt(2 * np.pi))


def _share_of_mix(pairs: pd.DataFrame) -> NDArray:
    """How many of the tanks state such a mix: what a stated one says where no fill is known."""
    tanks = pairs.drop_duplicates(KEY)["o2_pct"].dropna().to_numpy("float64")
    values = np.unique(tanks)
    share = {v: max(float((np.abs(tanks - v) <= MIX_PCT).mean()), 0.05) for v in values}
    return pairs["o2_pct"].map(share).to_numpy("float64", na_value=np.nan)


def _best(group: pd.DataFrame, stated: frozenset[str]) -> tuple[str | None, list[str], list[str]]:
    """Of one name over its dives: the unit, what speaks for it, and the next likely ones.

    Either the name is that of one unit, which then was on every dive, or it stands for whatever was there: the more
    dives it has that do not agree, the likelier that is.
    """
    tank, _ = pd.factorize(pd.Index(zip(group["dive_id"], group["tank_no"], strict=True)))
    unit, names_of = pd.factorize(group["unit_id"])
    tanks, dives = tank.max() + 1, group["dive_id"].nunique()
    prior, fit = np.zeros((tanks, len(names_of))), np.zeros((tanks, len(names_of)))
    prior[tank, unit], fit[tank, unit] = group["prior"], group["fit"]
    elsewhere = np.zeros(tanks)
    elsewhere[tank] = group["fit_elsewhere"]
    total = prior.sum(axis=1) + ELSEWHERE
    each = (prior * fit).sum(axis=1) / total + ELSEWHERE / total * elsewhere
    # relative to `each`, so that many dives do not come to nothing
    one = (prior / total[:, None]).min(axis=0) * (fit / each[:, None]).prod(axis=0)
    one_elsewhere = (ELSEWHERE / total).min() * (elsewhere / each).prod()
    if len(stated) == 1:
        one = one * np.where(np.isin(names_of.astype("str"), list(stated)), STATED_BEFORE, 1.0)
    several = 0.0 if tanks == 1 else ONE_NAME_FOR_ALL
    of_several = len(stated) > 1 or tanks > dives  # two at once are not one
    # whatever was there may have been this one each time
    each_time = (prior * fit / (total * each)[:, None]).prod(axis=0)
    chance = ((1 - several) * one + several * each_time) / ((1 - several) * (one.sum() + one_elsewhere) + several)
    signs = np.zeros((len(names_of), len(SIGNS)))
    np.add.at(signs, unit, group[list(SIGNS)].to_numpy("float64"))
    order = [n for n in np.argsort(-chance, kind="stable") if signs[n].any()]
    names = [str(names_of[n]) for n in order]
    if not order:
        return None, [], []
    first = order[0]
    why = [name for name, times in zip(SIGNS, signs[first], strict=True) if times >= tanks / 2]
    sure = bool(set(why) & set(WHOSE)) and chance[first] >= OFFERED_FROM and not of_several
    return (names[0], why, names[1 : MOST_OTHERS + 1]) if sure else (None, [], names[:MOST_OTHERS])
