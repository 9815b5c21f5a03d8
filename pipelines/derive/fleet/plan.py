"""Which cylinders to send on which visit, so that none goes out of date and every booking finds enough.

Sets that are joined travel as one. Member-owned cylinders are planned too, but only the station's own,
not on loan, count for bookings. The plan reaches a year ahead: within it no inspection falls due twice.
"""

from itertools import combinations

import numpy as np
import pandas as pd
from scipy import sparse

from pipelines.derive.fleet.holders import STATION, loans_of_cylinders
from pipelines.derive.fleet.inspections import cylinder_states_on
from pipelines.derive.fleet.plan_solver import Demands, Options, Solution, solve
from pipelines.derive.units import set_membership
from schemas import words
from schemas.codes import codes_that
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.inspection.state import DATE_KINDS, INCLUDED_IN

HORIZON_DAYS = 366
OUT_OF_DATE_COST, OUT_OF_DATE_DAY_COST, EARLY_DAY_COST, TRIP_COST = 2000.0, 10.0, 1.0, 5.0
PAIR_VISITS = 8
UNKNOWN_GAP_DAYS = 60.0
CAPACITY_TOLERANCE_L = 0.5
NOT_FIXED_BY_A_VISIT = codes_that(lambda c: not c.inspection_clears)


def build_plan(
    inputs: dict[str, pd.DataFrame],
    units: pd.DataFrame,
    policy: Policy,
    as_of_on: pd.Timestamp,
) -> dict[str, pd.DataFrame]:
    """The tables inspection_plan and booking_cover.

    Dates come from the same rules as those of `cylinder_health`, so that a plan can be asked for alone.
    """
    today = pd.Timestamp(as_of_on)
    visits = _visits(inputs["visits"], today)
    bookings = inputs["bookings"]
    bookings = bookings[
        (bookings["ends_on"] >= today) & (bookings["starts_on"] <= today + pd.Timedelta(days=HORIZON_DAYS))
    ]
    bookings = bookings.sort_values(["starts_on", "ends_on", "material", "water_capacity_l"], ignore_index=True)
    items = _items(inputs, units, policy, today)
    slices = _slices(bookings, visits, today)
    menu = _options(items, visits, slices, today)
    demands = _demands(bookings, items, slices)
    found = solve(menu.options, demands, visits["capacity"].to_numpy("int64"), len(items), len(bookings))
    return {
        "inspection_plan": _plan_rows(found, menu, items, visits),
        "booking_cover": _cover_rows(found, menu, items, visits, bookings, slices),
    }


def _visits(visits: pd.DataFrame, today: pd.Timestamp) -> pd.DataFrame:
    ahead = visits[(visits["visit_on"] >= today) & (visits["visit_on"] <= today + pd.Timedelta(days=HORIZON_DAYS))]
    ahead = ahead.sort_values("visit_on", ignore_index=True)
    back = ahead["back_on"].where(ahead["back_on"] > ahead["visit_on"], ahead["visit_on"] + pd.Timedelta(days=1))
    kinds = [
        tuple(k.strip() for k in text.replace(",", ";").split(";") if k.strip())
        if isinstance(text, str) and text.strip()
        else DATE_KINDS
        for text in ahead["kinds"]
    ]
    return ahead.assign(
        back_on=back, kinds=pd.Series(kinds, dtype="object"), capacity=ahead["capacity"].fillna(0).clip(lower=0)
    )


def _items(inputs: dict[str, pd.DataFrame], units: pd.DataFrame, policy: Policy, today: pd.Timestamp) -> pd.DataFrame:
    """What travels as one, with the date of each kind: a row a single cylinder or a joined set.

    `known` holds the dates of each cylinder of it as `cylinder_health` has them.
    """
    cylinders = inputs["cylinders"].reset_index(drop=True)
    _, states = cylinder_states_on(inputs, policy, cylinders["cylinder_id"], pd.Series(today, index=cylinders.index))
    known = pd.DataFrame({k: pd.Series(d.astype("datetime64[us]")) for k, d in states.due_by_kind.items()})
    due = known.copy()
    reasons = pd.Series(list(states.reasons), dtype="object")
    for kind in DATE_KINDS:
        # what has failed, or has no date that anyone knows, is planned as overdue and shown as it is
        failed = reasons.map(lambda codes, code=f"{kind}_failed": code in codes).astype(bool)
        lacking = reasons.map(lambda codes, code=f"{kind}_date_unknown": code in codes).astype(bool)
        due.loc[(failed & ~(due[kind] < today)) | (lacking & due[kind].isna()), kind] = today - pd.Timedelta(days=1)
    usable = (
        cylinders["status"].eq("in_service")
        & ~pd.Series(np.isin(states.state, ("condemned",)))
        & ~reasons.map(lambda codes: bool(NOT_FIXED_BY_A_VISIT.intersection(codes))).astype(bool)
    )
    lent = loans_of_cylinders(inputs, today, policy.time_zone).set_index("cylinder_id")
    away_until = cylinders["cylinder_id"].map(
        dict(zip(lent.index, lent["due_on"].fillna(pd.Timestamp("2262-01-01")), strict=True))
    )
    members = set_membership(inputs)
    now = members[~(members["from_on"] > today) & ~(members["to_on"] < today)].drop_duplicates(
        "cylinder_id", keep="last"
    )
    joined = set(
        units.loc[
            units["joined"].fillna(False).astype(bool) & ~units["unit_id"].isin(cylinders["cylinder_id"]), "unit_id"
        ]
    )
    set_of = cylinders["cylinder_id"].map(dict(zip(now["cylinder_id"], now["set_id"], strict=True)))
    table = due.assign(
        cylinder_id=cylinders["cylinder_id"].astype("str"),
        unit_id=set_of.where(set_of.isin(joined), cylinders["cylinder_id"]).astype("str"),
        usable=usable,
        own=cylinders["owner_id"].eq(STATION) | cylinders["owner_id"].isna(),
        away_until=pd.to_datetime(away_until).astype("datetime64[us]"),
        life=cylinders["service_life_ends_on"],
        known=known.to_dict("records"),
    )
    by = table.groupby("unit_id")
    items = by.agg(
        cylinders=("cylinder_id", list),
        known=("known", list),
        usable=("usable", "all"),
        own=("own", "all"),
        away_until=("away_until", "max"),
        life=("life", "min"),
        **{k: (k, "min") for k in DATE_KINDS},
    ).reset_index()
    items = items[items["usable"]].reset_index(drop=True)
    facts = units.drop_duplicates("unit_id").set_index("unit_id")
    items["material"] = items["unit_id"].map(facts["material"])
    items["water_capacity_l"] = items["unit_id"].map(facts["water_capacity_l"])
    items["places"] = items["cylinders"].map(len)
    return items


def _slices(bookings: pd.DataFrame, visits: pd.DataFrame, today: pd.Timestamp) -> pd.DataFrame:
    """Stretches of days in which nothing that is known begins or ends, where something is booked."""
    day = pd.Timedelta(days=1)
    edges = pd.concat([bookings["starts_on"], bookings["ends_on"] + day, visits["visit_on"], visits["back_on"]])
    edges = pd.Series(edges[edges > today].unique()).sort_values()
    starts = pd.concat([pd.Series([today]), edges], ignore_index=True).astype("datetime64[us]")
    made = pd.DataFrame({"starts_on": starts, "ends_on": starts.shift(-1) - day}).iloc[:-1]
    booked = [
        bool(((bookings["starts_on"] <= e) & (bookings["ends_on"] >= s)).any()) for s, e in made.itertuples(index=False)
    ]
    return made[np.array(booked, bool)].reset_index(drop=True)


class _Menu:
    """The options, and what each means: (kind, visit) pairs."""

    def __init__(self, options: Options, sends: list[tuple[tuple[str, int], ...]]):
        self.options = options
        self.sends = sends


def _options(items: pd.DataFrame, visits: pd.DataFrame, slices: pd.DataFrame, today: pd.Timestamp) -> _Menu:
    """For each item: stay, or go on one visit, or on two where two kinds fall due apart."""
    end = today + pd.Timedelta(days=HORIZON_DAYS)
    visit_day = _day_no(visits["visit_on"], today)
    back_day = _day_no(visits["back_on"], today)
    first, last = _day_no(slices["starts_on"], today), _day_no(slices["ends_on"], today)
    # without a visit of its own an item waits for one not yet announced, a usual gap after the last known
    gap = float(np.median(np.diff(visit_day))) if len(visits) > 1 else UNKNOWN_GAP_DAYS
    last_visit = float(visit_day.max()) + gap if len(visits) else 0.0
    last_needed = max([last_visit, *(last.tolist())])
    away_at = (first[None, :] < back_day[:, None]) & (last[None, :] >= visit_day[:, None])
    # a last row for 'no visit': never away, never seen
    away_at = np.vstack([away_at, np.zeros((1, len(slices)), bool)])
    seen_at, back_at = np.r_[visit_day, np.inf], np.r_[back_day, np.inf]
    who, sends, costs, absent, places = [], [], [], [], []
    for at, item in enumerate(items.itertuples(index=False)):
        ends = {
            k: (getattr(item, k) - today).days
            for k in DATE_KINDS
            if pd.notna(getattr(item, k)) and getattr(item, k) <= end
        }
        # what falls due later waits for visits not yet known
        needed = {k: d for k, d in ends.items() if d <= last_needed}
        choices = _choices(needed, visits, visit_day)
        trips = np.array([[v for _, v in c] + [-1] * (2 - len(c)) for c in choices], "int64").reshape(-1, 2)
        missing = away_at[trips[:, 0]] | away_at[trips[:, 1]]
        cost = TRIP_COST * np.array([len({v for _, v in c}) for c in choices], float)
        for kind, d in ends.items():
            serves = (kind, *INCLUDED_IN.get(kind, ()))
            visit = np.array(
                [min((v for k, v in c if k in serves), key=lambda v: back_at[v], default=-1) for c in choices]
            )
            missing |= ~((last[None, :] <= d) | (first[None, :] >= back_at[visit][:, None]))
            late = np.where(np.isinf(seen_at[visit]), last_visit if kind in needed else d, seen_at[visit]) - d
            own = np.array([next((v for k, v in c if k == kind), -1) for c in choices])
            early = np.where(own >= 0, d - seen_at[own], 0.0)
            cost += (
                OUT_OF_DATE_COST * (late > 0)
                + OUT_OF_DATE_DAY_COST * np.clip(late, 0, None)
                + EARLY_DAY_COST * np.clip(early, 0, None)
            )
        lent = (item.away_until - today).days if pd.notna(item.away_until) else -1
        life = (item.life - today).days if pd.notna(item.life) else 10 * HORIZON_DAYS
        missing |= ((first < lent + 1) | (last > life))[None, :]
        who += [at] * len(choices)
        sends += choices
        costs.append(item.places * cost)
        absent.append(sparse.csr_array(missing.astype(float)))
        places += [(v, item.places) for v in trips]
    if not who:
        empty = sparse.csr_array((0, len(visits))), sparse.csr_array((0, len(slices)))
        return _Menu(Options(np.array([], "int64"), np.array([], float), *empty), [])
    row, v, w = [], [], []
    for i, (trip, size) in enumerate(places):
        for at_visit in {int(x) for x in trip if x >= 0}:
            row.append(i)
            v.append(at_visit)
            w.append(float(size))
    taken = sparse.csr_array(
        (np.array(w, float), (np.array(row, int), np.array(v, int))), shape=(len(who), len(visits))
    )
    return _Menu(
        Options(np.array(who, "int64"), np.concatenate(costs), taken, sparse.vstack(absent, format="csr")), sends
    )


def _day_no(days: pd.Series, today: pd.Timestamp) -> np.ndarray:
    return (days - today).dt.days.to_numpy("float64")


def _choices(needed: dict[str, int], visits: pd.DataFrame, visit_day: np.ndarray) -> list[tuple[tuple[str, int], ...]]:
    """Ways to serve the kinds that fall due, the way without any visit first."""
    ways: list[tuple[tuple[str, int], ...]] = [()]
    kinds = [k for k in needed if not any(i in needed for i in INCLUDED_IN.get(k, ()))]
    included = [k for k in needed if k not in kinds]
    for at, offered in enumerate(visits["kinds"]):
        can = tuple((k, at) for k in kinds if k in offered)
        if can:
            ways.append(can)
        # a kind that the greater one would include may still go alone, earlier
        ways += [((k, at),) for k in included if k in offered]
    several = [*included, *kinds]
    if len(several) > 1:
        near = {k: _near(needed[k], k, visits, visit_day) for k in several}
        for a, b in combinations(several, 2):
            for va in near[a]:
                ways += [
                    ((a, va), (b, vb))
                    for vb in near[b]
                    if vb != va and not (a in included and visit_day[va] >= visit_day[vb])
                ]
    return list(dict.fromkeys(ways))


def _near(due: int, kind: str, visits: pd.DataFrame, visit_day: np.ndarray) -> list[int]:
    """The last visits before a date that offer the kind, and the first two after it."""
    offers = [v for v, offered in enumerate(visits["kinds"]) if kind in offered]
    before = [v for v in offers if visit_day[v] <= due]
    after = [v for v in offers if visit_day[v] > due]
    return before[-(PAIR_VISITS - 2) :] + after[:2]


def _demands(bookings: pd.DataFrame, items: pd.DataFrame, slices: pd.DataFrame) -> Demands:
    """For each slice and each group of bookings in it: what they need together of what fits any of them."""
    fits = fitting(bookings, items)
    slice_no, needed, fit_rows, who = [], [], [], []
    for s, (start, end) in enumerate(slices[["starts_on", "ends_on"]].itertuples(index=False)):
        active = np.flatnonzero((bookings["starts_on"] <= end).to_numpy() & (bookings["ends_on"] >= start).to_numpy())
        # bookings that ask for the same fit count as one in the groups
        classes: dict[bytes, list[int]] = {}
        for b in active:
            classes.setdefault(fits[b].tobytes(), []).append(int(b))
        alike = list(classes.values())
        for size in range(1, min(len(alike), 6) + 1):
            for group in combinations(alike, size):
                # a group that falls into parts without a common cylinder asks nothing new
                if size > 1 and not all(
                    (fits[part[0]] & fits[[o[0] for o in group if o is not part]].any(axis=0)).any() for part in group
                ):
                    continue
                members = [b for part in group for b in part]
                slice_no.append(s)
                needed.append(int(bookings["cylinders_needed"].iloc[members].sum()))
                fit_rows.append(fits[members].any(axis=0))
                mask = np.zeros(len(bookings), bool)
                mask[members] = True
                who.append(mask)
    q = len(slice_no)
    return Demands(
        np.array(slice_no, "int64"),
        np.array(needed, float),
        np.array(fit_rows, bool).reshape(q, len(items)),
        np.array(who, bool).reshape(q, len(bookings)),
    )


def fitting(bookings: pd.DataFrame, items: pd.DataFrame) -> np.ndarray:
    """Which items a booking may use, bookings × items: the station's own, of the material and size asked for."""
    material = items["material"].to_numpy(object)
    litres = items["water_capacity_l"].to_numpy(float)
    fits = np.zeros((len(bookings), len(items)), bool)
    for b, (wants, size) in enumerate(zip(bookings["material"], bookings["water_capacity_l"], strict=True)):
        right = np.ones(len(items), bool) if pd.isna(wants) else material == wants
        if pd.notna(size):
            right = right & (np.abs(litres - float(size)) <= CAPACITY_TOLERANCE_L)
        fits[b] = right & items["own"].to_numpy(bool)
    return fits


def _plan_rows(found: Solution, menu: _Menu, items: pd.DataFrame, visits: pd.DataFrame) -> pd.DataFrame:
    rows = []
    sent = [(at, kind, v) for at, option in enumerate(found.chosen) for kind, v in menu.sends[option]]
    for at, kind, v in sent:
        visit_on, back_on = visits["visit_on"].iloc[v], visits["back_on"].iloc[v]
        # a set travels as one, each of its cylinders with the date that Fleet shows for it
        for cylinder, known in zip(items["cylinders"].iloc[at], items["known"].iloc[at], strict=True):
            due_on = known[kind]
            rows.append((visit_on, cylinder, kind, due_on, (due_on - visit_on).days, back_on))
    made = pd.DataFrame(rows, columns=TABLES["inspection_plan"].columns)
    for name in ("visit_on", "due_on", "in_service_after"):
        made[name] = pd.to_datetime(made[name]).astype("datetime64[us]")
    made["days_early"] = pd.to_numeric(made["days_early"], errors="coerce")
    made = made.astype({"cylinder_id": "str", "kind": "str", "days_early": "Int64"})
    return made.sort_values(["visit_on", "cylinder_id", "kind"], ignore_index=True)


def _cover_rows(found, menu, items, visits, bookings, slices) -> pd.DataFrame:
    absent = menu.options.absent[found.chosen].toarray() > 0 if len(items) else np.zeros((0, len(slices)), bool)
    fits = fitting(bookings, items)
    rows = []
    for b, booking in enumerate(bookings.itertuples(index=False)):
        inside = (slices["starts_on"] <= booking.ends_on) & (slices["ends_on"] >= booking.starts_on)
        there = (fits[b][:, None] & ~absent[:, inside.to_numpy()]).sum(axis=0)
        available = int(there.min()) if len(there) else int(fits[b].sum())
        short = int(found.short[b])
        if short:  # what other bookings of these days take is not there for this one
            available = int(booking.cylinders_needed) - short
        rows.append(
            {
                "starts_on": booking.starts_on,
                "ends_on": booking.ends_on,
                "needed": booking.cylinders_needed,
                "available": available,
                "short_by": short,
                "material": booking.material,
                "water_capacity_l": booking.water_capacity_l,
                "freed_by": _freed_by(b, booking, found, menu, items, visits, slices, fits, absent, inside.to_numpy())
                if short
                else None,
            }
        )
    made = pd.DataFrame(rows, columns=TABLES["booking_cover"].columns)
    for name in ("starts_on", "ends_on"):
        made[name] = pd.to_datetime(made[name]).astype("datetime64[us]")
    made = made.astype(
        {"needed": "Int64", "available": "Int64", "short_by": "Int64", "freed_by": "str", "material": "str"}
    )
    if not found.optimal and len(made):
        note = "The plan was not proven best within its time."
        made["freed_by"] = made["freed_by"].fillna("").map(lambda said: f"{said} {note}".strip())
    return made


def _freed_by(b, booking, found, menu, items, visits, slices, fits, absent, inside) -> str:
    """Why cylinders that fit are missing on the worst day, in words that say what would free them."""
    worst = np.flatnonzero(inside)[np.argmin((fits[b][:, None] & ~absent[:, inside]).sum(axis=0))]
    start, end = slices["starts_on"].iloc[worst], slices["ends_on"].iloc[worst]
    gone = {
        v
        for v, (out, back) in enumerate(zip(visits["visit_on"], visits["back_on"], strict=True))
        if out <= end and back > start
    }
    missing = np.flatnonzero(fits[b] & absent[:, worst])
    trip = [next((v for _, v in menu.sends[option] if v in gone), -1) for option in found.chosen[missing]]
    away = {visits["visit_on"].iloc[v]: trip.count(v) for v in set(trip) - {-1}}
    stay = missing[np.array(trip, int) < 0]
    lent = int((items["away_until"].iloc[stay] >= start).sum())
    dated = len(stay) - lent
    said = [f"{n} away at the visit of {words.day(day)}" for day, n in sorted(away.items())]
    if dated:
        before = words.day(booking.starts_on)
        said.append(f"{dated} out of date by then: another visit, or more places, before {before}")
    if lent:
        said.append(f"{lent} on loan: have them back")
    fit = int(fits[b].sum())
    if fit < booking.cylinders_needed:
        said.append(f"the station has only {fit} that fit: hire {booking.cylinders_needed - fit}")
    if fit - len(missing) >= booking.cylinders_needed:
        said.append("other bookings of these days share what fits: move one")
    return "; ".join(said) + "."
